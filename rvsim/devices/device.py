"""What every simulated device does: claim its address, broadcast at its gaps, say that it is alive, obey commands.

Knows: the protocol habits of a node (SAE J1939-81 claim, DM_RV as heartbeat for each of its functions, status at
the broadcast gap and on change) and one second of settling. Does not know a bus, a clock or a thread: its host
tells it the time in ``now``, hands it frames, and takes away what it wants to send and when it wants to be
called again. It learns of other devices only through frames, and of the physics only through ``world``.
"""

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from rvsim.devices.answers import Answers, asks_for_claim
from rvsim.devices.reported_faults import DM1, ReportedFaults
from rvsim.errors import InputError
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import DevicePlan
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import Claimer, Standing
from rvsim.wire.commanded_address import AddressCommand
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.fields import Special, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import GLOBAL, dgn_of, is_addressed
from rvsim.wire.name import Name
from rvsim.wire.spec import GAP_UNSAID_US, MessageSpec
from rvsim.wire.texts import (
    PRODUCT_IDENTIFICATION,
    SOFTWARE_IDENTIFICATION,
    Product,
    pack_product,
    pack_software,
)
from rvsim.world.world import World

PERCENT = 0.5
"""One raw step of a percent field (rv-c.com/node/569)."""
MAKE, SOFTWARE = "rvsim bench", "1.0"
"""What simulated devices say they are: nobody's product."""
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
    due: Callable[[], None]
    """Sends it if it is time, and plans the next time."""
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

    @classmethod
    def mistakes(cls, plan: DevicePlan, settings: Any, catalogue: Catalogue) -> Iterator[str]:  # noqa: ARG003
        """Yield what of the settings cannot be put to work with these definitions: where, and what to do."""
        yield from ()

    @classmethod
    def placed_mistakes(cls, plan: DevicePlan, settings: Any, catalogue: Catalogue) -> Iterator[Mistake]:
        """Yield the same, each with its place below the settings where that is known."""
        return (Mistake((), text, None) for text in cls.mistakes(plan, settings, catalogue))

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
        self.claimer = Claimer(self._own_name(), role.plan.address, self.random.randrange)
        self._claim_due: int | None = None
        self._works = False
        self._identifiers: dict[tuple[int, int, int], int] = {}
        self._broadcasts: dict[str, Broadcast] = {}
        self._listeners: dict[int, Callable[[bytes], None]] = {}
        self._troubles = ReportedFaults()
        self._telling = False
        self._answers = Answers(self, self.catalogue, self.random.randrange)
        for message, listener in self.receives().items():
            self._listeners[self.catalogue.by_name(message).dgn] = listener

    def _own_name(self) -> Name:
        """Return the planned NAME, or an invented one: serial number from the seed, manufacturer code 0."""
        if self.plan.claimed_name is not None:
            return self.plan.claimed_name
        return Name(
            serial_number=self.random.randrange(1, 1 << 21),
            manufacturer_code=0,
            compatibility_field_4=INDUSTRY_GROUP,
            arbitrary_address_capable=int(self.plan.dynamic),
        )

    # What a kind of device fills in.

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Return the messages this device listens to, by name, with what takes their bytes."""
        return {}

    def on_start(self) -> None:
        """Plan broadcasts and timers; called when the address is held."""

    def active(self, function: str) -> bool:  # noqa: ARG002 - kinds decide by function
        """Say whether a function is doing its job now (operating status 2 of the heartbeat)."""
        return True

    def on_stop(self) -> None:
        """Stop acting on the physics; called when the device is taken out of the bench."""
        if self.uses_world:
            self.world.set_load(self.name, 0.0)

    # What the host calls.

    def start(self) -> None:
        """Claim the address; begin to speak when the time for objections is over."""
        self.outbox += self.claimer.start(self.now)
        self._follow_claim()

    def _follow_claim(self) -> None:
        """Begin to work when the address is held for the first time; be called when the claim has something to do."""
        self._answers.moved()
        if self.claimer.address is not None and not self._works:
            self._works = True
            self._take_up()
        due = self.claimer.due()
        if due is not None and due != self._claim_due:
            self.after(due - self.now, self._claim_is_due)
        self._claim_due = due

    def _claim_is_due(self) -> None:
        self.outbox += self.claimer.expire(self.now)
        self._follow_claim()

    def _take_up(self) -> None:
        own = [function for function in self.plan.functions if not FUNCTIONS[function].shared]
        for function in own or self.plan.functions:  # one who merely speaks for a battery is not its monitor
            self._plan_heartbeat(function)
        self.on_start()

    @property
    def listens_to(self) -> frozenset[int]:
        """The DGNs whose frames the host has to hand to this device, beyond the claim."""
        return frozenset(self._listeners) | self._answers.received_dgns

    def receive(self, identifier: int, data: bytes) -> None:
        """Take a frame of another node."""
        dgn = dgn_of(identifier)
        listener = self._listeners.get(dgn)
        if listener is not None and self.claimer.standing is not Standing.CANNOT_CLAIM:
            listener(data)
        elif dgn in self._answers.received_dgns and not asks_for_claim(dgn, data):
            self._answers.receive(identifier, data)
        else:
            self.outbox += self.claimer.receive(self.now, identifier, data)
            self._follow_claim()

    # What it answers.

    @property
    def address(self) -> int | None:
        """The address it speaks from, None as long as it has none."""
        return self.claimer.address

    def texts(self) -> Mapping[int, bytes]:
        """Return its product and software identification and its report of faults, by DGN."""
        title = self.kind.replace("_", " ")
        return {
            PRODUCT_IDENTIFICATION: pack_product(
                Product(MAKE, f"simulated {title}", str(self.claimer.name.serial_number), "1")
            ),
            SOFTWARE_IDENTIFICATION: pack_software(f"{title} {SOFTWARE}"),
            DM1: self._troubles.dm1(),
        }

    def send_again(self, dgn: int, instance: int | None) -> bool:
        """Send what it broadcasts under a DGN now, of one instance or of all; tell whether there was anything."""
        asked = [one for one in self._broadcasts.values() if one.spec.dgn == dgn and one.sent >= 0]
        if instance is not None:
            asked = [one for one in asked if self._is_of(one, instance)]
        for one in asked:
            self._send_broadcast(one)
        return bool(asked)

    @staticmethod
    def _is_of(planned: Broadcast, instance: int) -> bool:
        field, data = planned.spec.instance, planned.build()
        return field is None or data is None or field.raw_in(data) == instance

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Forget its faults, claim its address anew, or both."""
        if faults:
            for function in self._troubles.functions:
                self.withdraw(function)
        if reboot:
            self.outbox += self.claimer.start(self.now)
            self._follow_claim()

    def obey_address(self, command: AddressCommand) -> None:
        """Claim the address that its NAME is told to claim, where the rig lets it move; its work goes on meanwhile."""
        if self.plan.dynamic and command.name == self.claimer.name:
            self.outbox += self.claimer.command(self.now, command.address)
            self._follow_claim()

    # What it reports of itself.

    def report(self, function: str, trouble: ReportedFault, red: bool) -> None:
        """Report a fault of one of its functions from now on, with the red lamp or the yellow one."""
        self._troubles.put(function, trouble, red)
        self._tell_troubles(function)

    def withdraw(self, function: str, trouble: ReportedFault | None = None) -> None:
        """Report a fault no more, or none of a function's any more."""
        self._troubles.take_back(function, trouble)
        self._tell_troubles(function)

    def _tell_troubles(self, function: str) -> None:
        """Say at once what has changed, then each second as long as there is a fault (SAE J1939-73, from memory)."""
        self.send_now(f"DM_RV {function}")
        self._answers.send(DM1, self._troubles.dm1())
        if self._troubles and not self._telling:
            self._telling = True
            self.after(SECOND_US, self._tell_again)

    def _tell_again(self) -> None:
        self._telling = bool(self._troubles)
        if self._telling:
            self._answers.send(DM1, self._troubles.dm1())
            self.after(SECOND_US, self._tell_again)

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
        source = self.claimer.address
        if source is not None:
            key = (spec.dgn, source, destination)
            identifier = self._identifiers.get(key)
            if identifier is None:  # each is worked out once for an address
                to = destination if is_addressed(spec.dgn) else None
                identifier = self._identifiers[key] = spec.identifier(source, to)
            self.outbox.append((identifier, data))

    def broadcast(self, message: str, build: Callable[[], bytes | None], key: str = "") -> None:
        """Send a message at its broadcast gap from now on, the first time at a moment of its own within a second.

        Where ``build`` returns None this turn is left out.
        """
        spec = self.catalogue.by_name(message)
        key = key or message
        planned = Broadcast(spec, build, spec.gap_us or GAP_UNSAID_US, partial(self._due, key))
        self._broadcasts[key] = planned
        self.after(self.random.randrange(min(planned.gap, SECOND_US)), planned.due)

    def send_now(self, message: str) -> None:
        """Send a broadcast at once because something in it changed; the next one is due a whole gap later."""
        planned = self._broadcasts.get(message)
        if planned is not None and planned.sent >= 0:
            self._send_broadcast(planned)

    def _send_broadcast(self, planned: Broadcast) -> None:
        planned.sent = self.now
        data = planned.build()
        if data is not None:
            self.send(planned.spec, data)

    def _due(self, key: str) -> None:
        planned = self._broadcasts[key]
        rest = planned.sent + planned.gap - self.now if planned.sent >= 0 else 0
        if rest <= 0:
            self._send_broadcast(planned)
            rest = planned.gap
        self.timers.append((rest, planned.due))

    def _plan_heartbeat(self, function: str) -> None:
        spec = self.catalogue.by_name("DM_RV")
        dsas = FUNCTIONS[function].dsas
        dsa = spec.by_name["dsa"].all_ones if not dsas else dsas[0]

        def build() -> bytes:
            return spec.pack(
                operating_status_1=1,
                operating_status_2=int(self.active(function)),
                dsa=dsa,
                **self._troubles.next_of(function),
            )

        self.broadcast("DM_RV", build, key=f"DM_RV {function}")


def commanded(spec: MessageSpec, data: bytes) -> dict[str, int]:
    """Return the raw values that a command really gives: neither unchanged, nor missing, nor out of range."""
    return {
        reading.field.name: reading.raw
        for reading in spec.decode(data)
        if reading.raw is not None and reading.state is State.VALUE and reading.field.special is not Special.NONE
    }
