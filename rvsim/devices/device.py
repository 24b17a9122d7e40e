"""What every simulated device does: claim its address, broadcast at its gaps, say that it is alive, obey commands.

Knows: the protocol habits of a node (SAE J1939-81 claim, DM_RV as heartbeat for each of its functions, status at
the broadcast gap and on change) and one second of settling. Does not know a bus, a clock or a thread: its host
tells it the time in ``now``, hands it frames, and takes away what it wants to send and when it wants to be
called again. It learns of other devices only through frames, and of the physics only through ``world``.
"""

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from rvsim.errors import InputError
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import DevicePlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import OBJECTION_US, Claimer
from rvsim.wire.fields import Special, State
from rvsim.wire.ident import GLOBAL, is_addressed, split
from rvsim.wire.name import Name
from rvsim.wire.spec import MessageSpec
from rvsim.world.world import World

SECOND = 1_000_000
PERCENT = 0.5
"""One raw step of a percent field (rv-c.com/node/569)."""
GAP_UNSAID_US = 5 * SECOND
"""Where the user's own definition of a message leaves its gap out; most status messages have it (from memory)."""
NO_FAULT_SPN, NO_FAULT_FMI = 0x7FFFF, 0x1F
"""What the heartbeat carries when nothing is wrong (rv-c.com/node/522)."""
COUNT_NOT_KNOWN = 127
INDUSTRY_GROUP = 0
"""Industry group "global" in the NAME; the value that RV-C nodes use is not established."""


class Settings(BaseModel):
    """What a rig may set for one kind of device; each kind adds its own."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


Amps = Annotated[float, Field(ge=0, le=1000)]
"""A current that a device of a small vehicle can draw or give; the bound only keeps slips of the pen out."""
Volts = Annotated[float, Field(gt=5, lt=20)]
"""A voltage of a 12 V system."""
Instance = Annotated[int, Field(ge=0, le=250)]
"""The instance of a function of another device (rv-c.com/book/export/html/81)."""


@dataclass(frozen=True)
class Site:
    """What stands around the vehicle and is not a device."""

    shore_power: bool = True


@dataclass
class Role:
    """Everything a simulated device is given when it is put into a bench."""

    plan: DevicePlan
    settings: Any
    catalogue: Catalogue
    world: World
    seed: int
    site: Site = field(default_factory=Site)


@dataclass
class Broadcast:
    """One message that a device sends periodically: at its gap, and at once when ``Device.news`` says so.

    ``build`` returns None where the device has nothing to say this time.
    """

    spec: MessageSpec
    build: Callable[[], bytes | None]
    gap: int
    sent: int = -1


class Device:
    """One simulated node.

    The host sets ``now`` (microseconds) before each call and afterwards takes ``outbox`` (identifier, data) and
    ``timers`` (delay in microseconds, call). Subclasses say their ``kind`` and ``Settings``, plan their broadcasts
    in ``begin`` and name the messages they listen to in ``hears``.
    """

    kind: ClassVar[str]
    Settings: ClassVar[type[BaseModel]] = Settings
    uses_world: ClassVar[bool] = True
    partners: ClassVar[Mapping[str, str]] = {}
    """Settings that name an instance of another device's function: setting to function."""

    def __init__(self, role: Role) -> None:
        self.name = role.plan.name
        self.plan = role.plan
        self.settings = role.settings
        self.catalogue = role.catalogue
        self.site = role.site
        self.random = random.Random(f"{role.seed}:{role.plan.name}")
        if self.uses_world:
            self.world = role.world
        self.now = 0
        self.outbox: list[tuple[int, bytes]] = []
        self.timers: list[tuple[int, Callable[[], None]]] = []
        self.claimer = Claimer(self._own_name(), role.plan.address)
        self._identifiers: dict[tuple[int, int], int] = {}
        self._broadcasts: dict[str, Broadcast] = {}
        self._listeners: dict[int, Callable[[bytes], None]] = {}
        for message, listener in self.hears().items():
            self._listeners[self.catalogue.by_name(message).dgn] = listener

    def _own_name(self) -> Name:
        """Return the planned NAME, or an invented one: static, serial number from the seed, manufacturer code 0."""
        if self.plan.claimed_name is not None:
            return self.plan.claimed_name
        return Name(
            serial_number=self.random.randrange(1, 1 << 21), compatibility_field_4=INDUSTRY_GROUP, manufacturer_code=0
        )

    # What a kind of device fills in.

    def hears(self) -> dict[str, Callable[[bytes], None]]:
        """Return the messages this device listens to, by name, with what takes their bytes."""
        return {}

    def begin(self) -> None:
        """Plan broadcasts and timers; called when the address is held."""

    def active(self, function: str) -> bool:  # noqa: ARG002 - kinds decide by function
        """Say whether a function is doing its job now (operating status 2 of the heartbeat)."""
        return True

    def leave(self) -> None:
        """Stop acting on the physics; called when the device is taken out of the bench."""
        if self.uses_world:
            self.world.set_load(self.name, 0.0)

    # What the host calls.

    def start(self) -> None:
        """Claim the address; begin to speak when the time for objections is over."""
        self.outbox += self.claimer.start()
        self.after(OBJECTION_US, self._take_up)

    def _take_up(self) -> None:
        if self.claimer.address is None:
            return
        own = [function for function in self.plan.functions if not FUNCTIONS[function].shared]
        for function in own or self.plan.functions:  # one who merely speaks for a battery is not its monitor
            self._plan_heartbeat(function)
        self.begin()

    @property
    def listens_to(self) -> frozenset[int]:
        """The DGNs whose frames the host has to hand to this device, beyond the claim and requests for it."""
        return frozenset(self._listeners)

    def hear(self, identifier: int, data: bytes) -> None:
        """Take a frame of another node."""
        parts = split(identifier)
        listener = self._listeners.get(parts.dgn)
        if listener is not None and self.claimer.address is not None:
            listener(data)
        else:
            self.outbox += self.claimer.hear(identifier, data)

    # What a kind of device uses.

    def instance(self, function: str) -> int:
        """Return the first instance of one of the device's functions.

        Raises:
            InputError: the rig does not give the device this function.
        """
        if not self.plan.functions.get(function):
            raise InputError(
                f'device "{self.name}": a simulated {self.kind} needs the function {function}: add `{function} = 1` '
                "to its functions in the rig"
            )
        return self.plan.functions[function][0]

    def specs(self, one: str, other: str) -> tuple[MessageSpec, MessageSpec]:
        """Return two message definitions."""
        return self.catalogue.by_name(one), self.catalogue.by_name(other)

    def after(self, delay: int, call: Callable[[], None]) -> None:
        """Be called once, ``delay`` microseconds from now."""
        self.timers.append((delay, call))

    def every(self, period: int, call: Callable[[], None]) -> None:
        """Call now and then each ``period`` microseconds."""

        def again() -> None:
            self.timers.append((period, again))
            call()

        again()

    def send(self, spec: MessageSpec, data: bytes, destination: int = GLOBAL) -> None:
        """Send one frame from the claimed address; a device without an address stays quiet."""
        if self.claimer.address is not None:
            self.outbox.append((self._identifier(spec, destination), data))

    def _identifier(self, spec: MessageSpec, destination: int) -> int:
        """Return the identifier of a message of ours; each is worked out once, since an address never changes here."""
        key = (spec.dgn, destination)
        if key not in self._identifiers:
            to = destination if is_addressed(spec.dgn) else None
            self._identifiers[key] = spec.identifier(self.plan.address, to)
        return self._identifiers[key]

    def broadcast(self, message: str, build: Callable[[], bytes | None], key: str = "") -> None:
        """Send a message at its broadcast gap from now on, the first time at a moment of its own within a second.

        Where ``build`` returns None this turn is left out.
        """
        spec = self.catalogue.by_name(message)
        planned = Broadcast(spec, build, spec.gap_us or GAP_UNSAID_US)
        self._broadcasts[key or message] = planned
        self.after(self.random.randrange(min(planned.gap, SECOND)), lambda: self._due(planned))

    def news(self, message: str) -> None:
        """Send a broadcast at once because something in it changed; the next one is due a whole gap later."""
        planned = self._broadcasts.get(message)
        if planned is not None and planned.sent >= 0:
            self._say(planned)

    def _say(self, planned: Broadcast) -> None:
        planned.sent = self.now
        data = planned.build()
        if data is not None:
            self.send(planned.spec, data)

    def _due(self, planned: Broadcast) -> None:
        rest = planned.sent + planned.gap - self.now if planned.sent >= 0 else 0
        if rest <= 0:
            self._say(planned)
            rest = planned.gap
        self.timers.append((rest, lambda: self._due(planned)))

    def _plan_heartbeat(self, function: str) -> None:
        spec = self.catalogue.by_name("DM_RV")
        dsas = FUNCTIONS[function].dsas
        dsa = spec.by_name["dsa"].all_ones if not dsas else dsas[0]

        def build() -> bytes:
            return spec.pack(
                operating_status_1=1,
                operating_status_2=int(self.active(function)),
                yellow_lamp_status=0,
                red_lamp_status=0,
                dsa=dsa,
                spn=NO_FAULT_SPN,
                fmi=NO_FAULT_FMI,
                occurrence_count=COUNT_NOT_KNOWN,
            )

        self.broadcast("DM_RV", build, key=f"DM_RV {function}")


def commanded(spec: MessageSpec, data: bytes) -> dict[str, int]:
    """Return the raw values that a command really gives: neither unchanged, nor missing, nor out of range."""
    return {
        reading.field.name: reading.raw
        for reading in spec.decode(data)
        if reading.raw is not None and reading.state is State.VALUE and reading.field.special is not Special.NONE
    }
