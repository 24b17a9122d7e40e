"""What every simulated device does: claim its address, broadcast at its gaps, send heartbeats, obey commands.

Knows: the protocol of a node: the claim of SAE J1939-81, DM_RV as the heartbeat of each of its functions, a status at
the broadcast gap and on change. Does not know a bus, a clock or a thread: its host sets ``now``, passes frames to
``receive``, and takes its frames from ``outbox`` and its timers from ``timers``. A device learns of other devices only
through frames, and of the physics only through ``world``.
"""

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from rvsim.devices.answers import Answers, requests_address_claim
from rvsim.devices.node_timing import NodeTiming
from rvsim.devices.reported_faults import DM1, NO_FAULT_FIELDS, ReportedFaults
from rvsim.devices.resting_ticks import RestingTicks
from rvsim.errors import InputError
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.module_parts import ModuleParts
from rvsim.rig.panel_parts import PanelParts
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import Claimer, ClaimState
from rvsim.wire.commanded_address import AddressCommand
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.fields import Special, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import GLOBAL_ADDRESS, dgn_of, is_addressed
from rvsim.wire.name import Name
from rvsim.wire.spec import DEFAULT_GAP_US, MessageSpec
from rvsim.wire.texts import (
    PRODUCT_IDENTIFICATION,
    SOFTWARE_IDENTIFICATION,
    Product,
    pack_product,
    pack_software,
)
from rvsim.world.world import World

_CANNOT_CLAIM = ClaimState.CANNOT_CLAIM  # each frame asks for it, and finding it in its enum takes 0.15 us
PERCENT_STEP = 0.5
"""One raw step of a percent field (rv-c.com/node/569)."""
PRODUCT_MAKE, SOFTWARE_VERSION = "rvsim bench", "1.0"
"""The product identification of simulated devices: no real product."""
INDUSTRY_GROUP = 0
"""Industry group "global" in the NAME; the value that RV-C nodes use is not established."""


class Settings(BaseModel):
    """The settings of one kind of device in a rig; each kind adds its own."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


Amps = Annotated[float, Field(ge=0, le=1000)]
"""A current that a device of a small vehicle can draw or supply; the bound only finds typing mistakes (our choice)."""
Volts = Annotated[float, Field(gt=5, lt=20)]
"""A voltage of a 12 V system."""
Instance = Annotated[int, Field(ge=0, le=250)]
"""The instance of a function of another device (rv-c.com/book/export/html/81)."""


@dataclass
class Site:
    """What is around the vehicle's devices and is none itself; steps of a scenario change it during a run."""

    shore_power: bool = True
    engine_rpm: float = 0.0
    """Turns of the engine a minute; 0 while it is off."""
    rain: bool = False
    followers: list[Callable[[], None]] = field(default_factory=list, init=False, repr=False, compare=False)
    """Called when something of it was changed."""

    def __setattr__(self, name: str, value: object) -> None:
        """Change something, and tell the followers."""
        super().__setattr__(name, value)
        for tell in self.__dict__.get("followers", ()):
            tell()


@dataclass
class DeviceContext:
    """Everything that a simulated device needs of its bench."""

    plan: DevicePlan
    settings: BaseModel
    """An instance of the kind's ``Settings``."""
    catalogue: Catalogue
    world: World
    seed: int
    site: Site = field(default_factory=Site)
    memory: dict[str, float] = field(default_factory=dict)
    """What the device keeps without power: the same for each device object of one name in a run."""
    module: ModuleParts | None = None
    """The module that it is, with its outputs, inputs and relays; None for a device that is none."""
    panel: PanelParts | None = None
    """What it has to know of the rig to switch outputs, for a panel; None for any other device."""


NO_IDENTIFIER = -1


@dataclass(slots=True)
class Silence:
    """A time before which some broadcasts of a device are not sent; the device changes it."""

    until: int = 0
    """In microseconds."""


@dataclass
class Broadcast:
    """One message that a device sends at its gap, and at once on ``Device.send_now``.

    It is due on the grid of the device's clock and leaves later by what jitter, a busy moment or the main loop takes,
    so that delays do not add up. The host calls ``build`` when it leaves; it returns the data, or None where nothing is
    to be sent this time.
    """

    spec: MessageSpec
    build: Callable[[], bytes | None]
    gap_us: int
    timing: NodeTiming
    silence: Silence | None = None
    """Before its end it is not sent; None where it is always sent."""
    due: int = 0
    """When it is due next by the clock of the device, in microseconds of the run; it leaves a little later."""
    has_started: bool = False
    """Whether its first time has come."""
    identifier: int = NO_IDENTIFIER
    """That of the address which the device has; ``NO_IDENTIFIER`` where it has none, and sends nothing."""

    def due_after(self, now: int, due: int, gap_us: int) -> int:
        """Return when it is due next, which is ``due`` or whole gaps later: neither past nor in a silence.

        It would be past where a turn of the main loop is longer than the gap: then there is one message a turn.
        """
        if due <= now:
            due += (now - due) // gap_us * gap_us + gap_us
        if self.silence is not None and due < self.silence.until:
            due -= (due - self.silence.until) // gap_us * gap_us
        return due


class Device:
    """One simulated node.

    The host sets ``now`` (microseconds) before each call, and takes ``outbox`` (identifier, data), ``timers`` and
    ``new_broadcasts`` (delay in microseconds, broadcast) after it. A timer's call returns the microseconds to its next
    call, None where it was the last. A subclass sets ``kind`` and ``Settings``, starts its broadcasts in ``on_start``
    and returns the messages that it receives from ``receives``.
    """

    kind: ClassVar[str]
    Settings: ClassVar[type[BaseModel]] = Settings
    settings: BaseModel
    """The settings in the rig; each kind narrows the type to its own ``Settings``."""
    min_supply_volts: ClassVar[float] = 6.0
    """Below this voltage at its terminals a device has no power. Common practice, no source: the regulator of a 12 V
    node."""
    uses_world: ClassVar[bool] = True
    """Whether the device acts on the physics or measures it; without it there is no ``world``."""
    caution: ClassVar[str] = ""
    """What a person has to know before such a device is commanded; told once where it is used. Empty: nothing."""
    instance_settings: ClassVar[Mapping[str, str]] = {}
    """The settings that hold an instance of another device's function: setting to function."""

    @classmethod
    def mistakes(cls, plan: DevicePlan, settings: Any, catalogue: Catalogue) -> Iterator[str]:  # noqa: ARG003
        """Yield what in the settings does not fit these definitions: where, and what to do."""
        yield from ()

    @classmethod
    def named_instances(cls, plan: DevicePlan, settings: Any) -> Iterator[tuple[str, str, int]]:  # noqa: ARG003
        """Yield the instances of other devices that its settings name: setting, function and instance."""
        for setting, function in cls.instance_settings.items():
            instance = getattr(settings, setting)
            if instance is not None:
                yield setting, function, instance

    @classmethod
    def commanded_instances(cls, plan: DevicePlan, settings: Any) -> Iterator[tuple[tuple[str, ...], str, int]]:  # noqa: ARG003
        """Yield the instances that it commands for a person, at once: the place of the setting, function, instance."""
        return iter(())

    @classmethod
    def placed_mistakes(cls, plan: DevicePlan, settings: Any, catalogue: Catalogue) -> Iterator[Mistake]:
        """Yield the same mistakes, each with its place below the settings where that is known."""
        return (Mistake((), text, None) for text in cls.mistakes(plan, settings, catalogue))

    def __init__(self, context: DeviceContext) -> None:
        self.name = context.plan.name
        self.plan = context.plan
        self.settings = context.settings
        self.catalogue = context.catalogue
        self.site = context.site
        self.memory = context.memory
        self.random = random.Random(f"{context.seed}:{context.plan.name}")
        if self.uses_world:
            self.world = context.world
        self.now = 0
        self.outbox: list[tuple[int, bytes]] = []
        self.timers: list[tuple[int, Callable[[], int | None]]] = []
        self.new_broadcasts: list[tuple[int, Broadcast]] = []
        self._timing = NodeTiming(context.plan.timing, context.seed, context.plan.name, lambda: context.world.cabin_c)
        self.claimer = Claimer(self._planned_name(), context.plan.address, self.random.randrange)
        self._claim_due: int | None = None
        self._source: int | None = None
        """The address for which the identifiers of the broadcasts were worked out."""
        self._has_started = False
        self._broadcasts: dict[str, Broadcast] = {}
        self._handlers: dict[int, Callable[[bytes], None]] = {}
        self._reported_faults = ReportedFaults()
        self._repeats_dm1 = False
        self._answers = Answers(self, self.catalogue, self.random.randrange)
        for message, handler in self.receives().items():
            self._handlers[self.catalogue.by_name(message).dgn] = handler

    def _planned_name(self) -> Name:
        """Return the planned NAME, or an invented one: serial number from the seed, manufacturer code 0."""
        if self.plan.claimed_name is not None:
            return self.plan.claimed_name
        return Name(
            serial_number=self.random.randrange(1, 1 << 21),
            manufacturer_code=0,
            compatibility_field_4=INDUSTRY_GROUP,
            arbitrary_address_capable=int(self.plan.dynamic),
        )

    # What a kind of device overrides.

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Return the messages that this device receives: name to a function that takes the data."""
        return {}

    def on_start(self) -> None:
        """Start broadcasts and timers; called once, when the device has claimed its address."""

    def active(self, function: str) -> bool:  # noqa: ARG002 - kinds decide by function
        """Return whether a function is active now (operating status 2 of the heartbeat)."""
        return True

    def is_powered(self) -> bool:
        """Return whether its supply is high enough for it to run; a kind with another supply overrides this."""
        if not self.uses_world:
            return True
        return self.world.volts_at(self.name) >= self.min_supply_volts and not self.world.has_collapsed(self.name)

    def on_world_change(self) -> None:
        """Follow what a person or a fault has changed at its terminals; called at the time of the change."""

    def on_site_change(self) -> None:
        """Follow what has changed in the weather or ``site``; called at the time of the change, when it has started."""

    def on_stop(self) -> None:
        """Stop acting on the physics; called when the device loses its power or is taken off the bench."""
        if self.uses_world:
            self.world.remove(self.name)

    def on_contact(self, name: str) -> None:
        """Read an input again: a contact on it has opened or closed. ``name`` is that of the input in the rig."""

    # What the host calls.

    @property
    def start_delay_us(self) -> int:
        """The time from power to ``start``, in microseconds."""
        return self._timing.start_us

    def start(self) -> None:
        """Claim the address; broadcasts start when the time for contending claims is over."""
        self.timers.append((0, self._timing.follow_temperature))
        self.outbox += self.claimer.start(self.now)
        self._follow_claim()

    def _follow_claim(self) -> None:
        """Start the work of the device at the first claimed address, and set the timer of the claim's next step."""
        self._answers.follow_address()
        if self._source != self.claimer.address:
            self._source = self.claimer.address
            for planned in self._broadcasts.values():
                planned.identifier = self._identifier_of(planned.spec)
        if self.claimer.address is not None and not self._has_started:
            self._has_started = True
            self._start_work()
        due = self.claimer.due()
        if due is not None and due != self._claim_due:
            self.after(due - self.now, self._claim_is_due)
        self._claim_due = due

    def _claim_is_due(self) -> None:
        self.outbox += self.claimer.expire(self.now)
        self._follow_claim()

    def _start_work(self) -> None:
        own = [function for function in self.plan.functions if not FUNCTIONS[function].shared]
        for function in own or self.plan.functions:  # a node that only reports a battery is not its monitor
            self._start_heartbeat(function)
        self.on_start()

    @property
    def received_dgns(self) -> frozenset[int]:
        """The DGNs whose frames the host passes to ``receive``, in addition to those of the claim."""
        return frozenset(self._handlers) | self._answers.received_dgns

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of another node."""
        dgn = dgn_of(identifier)
        handler = self._handlers.get(dgn)
        if handler is not None and self.claimer.state is not ClaimState.CANNOT_CLAIM:
            handler(data)
        elif dgn in self._answers.received_dgns and not requests_address_claim(dgn, data):
            self._answers.receive(identifier, data)
        else:
            self.outbox += self.claimer.receive(self.now, identifier, data)
            self._follow_claim()

    def heeds(self, identifier: int, first: bytes) -> bool:  # noqa: ARG002 - kinds decide by both
        """Return whether it may do anything about frames of an identifier that begin with a byte, empty for none.

        The answer stays the same while it has power. A kind that receives many messages of others' instances overrides
        this.
        """
        return True

    def receiver_of(self, identifier: int) -> Callable[[bytes], None]:
        """Return what does the same as ``receive`` for the frames of one identifier, and finds its handler once."""
        handler, claimer = self._handlers.get(dgn_of(identifier)), self.claimer
        if handler is None or type(self).receive is not Device.receive:
            return partial(self.receive, identifier)

        def receive(data: bytes) -> None:
            if claimer.state is not _CANNOT_CLAIM:
                handler(data)
            else:
                self.receive(identifier, data)

        return receive

    # Answers.

    @property
    def address(self) -> int | None:
        """The address that it sends from, None while it has none."""
        return self.claimer.address

    def requestable_data(self) -> Mapping[int, bytes]:
        """Return its product and software identification and its DM1, by DGN."""
        title = self.kind.replace("_", " ")
        return {
            PRODUCT_IDENTIFICATION: pack_product(
                Product(PRODUCT_MAKE, f"simulated {title}", str(self.claimer.name.serial_number), "1")
            ),
            SOFTWARE_IDENTIFICATION: pack_software(f"{title} {SOFTWARE_VERSION}"),
            DM1: self._reported_faults.dm1(),
        }

    def send_broadcasts(self, dgn: int, instance: int | None) -> bool:
        """Send the broadcasts of a DGN now, of one instance or of all; return whether there are any."""
        requested = [planned for planned in self._broadcasts.values() if planned.spec.dgn == dgn]
        requested = [planned for planned in requested if planned.has_started]
        if instance is not None:
            requested = [planned for planned in requested if self._has_instance(planned, instance)]
        for planned in requested:
            self._send_early(planned)
        return bool(requested)

    @staticmethod
    def _has_instance(planned: Broadcast, instance: int) -> bool:
        field, data = planned.spec.instance, planned.build()
        return field is None or data is None or field.raw_in(data) == instance

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear its reported faults, claim its address again, or both."""
        if faults:
            for function in self._reported_faults.functions:
                self.withdraw_fault(function)
        if reboot:
            self.outbox += self.claimer.start(self.now)
            self._follow_claim()

    def obey_address_command(self, command: AddressCommand) -> None:
        """Claim a commanded address if it is for this NAME and the rig says ``dynamic``; broadcasts go on."""
        if self.plan.dynamic and command.name == self.claimer.name:
            self.outbox += self.claimer.command(self.now, command.address)
            self._follow_claim()

    # Reported faults.

    def report_fault(self, function: str, fault: ReportedFault, *, red: bool) -> None:
        """Report a fault of one of its functions from now on, with the red lamp or the yellow one."""
        self._reported_faults.add(function, fault, red=red)
        self._send_faults(function)

    def withdraw_fault(self, function: str, fault: ReportedFault | None = None) -> None:
        """Stop reporting a fault, or all faults of a function."""
        self._reported_faults.remove(function, fault)
        self._send_faults(function)

    def _send_faults(self, function: str) -> None:
        """Send the change at once, then DM1 each second while there is a fault (SAE J1939-73, from memory)."""
        self.send_now(f"DM_RV {function}")
        self._answers.send(DM1, self._reported_faults.dm1())
        if self._reported_faults and not self._repeats_dm1:
            self._repeats_dm1 = True
            self.after(SECOND_US, self._repeat_dm1)

    def _repeat_dm1(self) -> None:
        self._repeats_dm1 = bool(self._reported_faults)
        if self._repeats_dm1:
            self._answers.send(DM1, self._reported_faults.dm1())
            self.after(SECOND_US, self._repeat_dm1)

    # What a kind of device calls.

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

    def specs(self, first: str, second: str) -> tuple[MessageSpec, MessageSpec]:
        """Return the definitions of two messages."""
        return self.catalogue.by_name(first), self.catalogue.by_name(second)

    def after(self, delay_us: int, call: Callable[[], None]) -> None:
        """Call once, ``delay_us`` from now; the error of the device's clock is left out of single delays."""

        def once() -> None:
            call()

        self.timers.append((delay_us, once))

    def every(self, period_us: int, call: Callable[[], None]) -> None:
        """Call now, and again each ``period_us`` of the device's clock."""
        own_times = self._timing.own_times

        def again() -> int:
            call()
            return own_times[period_us]

        self.timers.append((own_times[period_us], again))
        call()

    def every_while_busy(self, period_us: int, call: Callable[[], bool]) -> RestingTicks:
        """Do the same until ``call`` returns that it may rest; what is returned wakes it again."""
        return RestingTicks(self, self._timing, period_us, call)

    def send(self, spec: MessageSpec, data: bytes, destination: int = GLOBAL_ADDRESS) -> None:
        """Send one frame from the claimed address; a device without an address sends nothing."""
        source = self.claimer.address
        if source is not None:
            self.outbox.append((_identifier(spec, source, destination), data))

    def broadcast(
        self,
        message: str,
        build: Callable[[], bytes | None],
        key: str = "",
        silence: Silence | None = None,
        gap_us: int | None = None,
    ) -> None:
        """Send a message at its broadcast gap from now on, the first time at a random moment within a second.

        ``key`` names the broadcast for ``send_now`` where one message has several; by default it is the message.
        ``gap_us`` is a gap other than that of the definition.
        Where ``build`` returns None nothing is sent this time, and nothing before the end of a ``silence``: whole gaps
        are left out.
        """
        spec = self.catalogue.by_name(message)
        key = key or message
        planned = self._broadcasts[key] = Broadcast(
            spec, build, gap_us or spec.gap_us or DEFAULT_GAP_US, self._timing, silence
        )
        planned.identifier = self._identifier_of(spec)
        planned.due = self.now + self.random.randrange(min(planned.gap_us, SECOND_US))
        self.new_broadcasts.append((self._timing.leaves(planned.due) - self.now, planned))

    def send_now(self, key: str) -> None:
        """Send a broadcast at once because its data changed; the next one is due a whole gap later.

        Nothing is sent before the first broadcast of this ``key``.
        """
        planned = self._broadcasts.get(key)
        if planned is not None and planned.has_started:
            self._send_early(planned)

    def _send_early(self, planned: Broadcast) -> None:
        planned.due = self.now + self._timing.own_times[planned.gap_us]
        self._send_broadcast(planned)

    def _send_broadcast(self, planned: Broadcast) -> None:
        if planned.silence is not None and self.now < planned.silence.until:
            return
        data = planned.build()
        if data is not None and planned.identifier != NO_IDENTIFIER:
            self.outbox.append((planned.identifier, data))

    def _identifier_of(self, spec: MessageSpec) -> int:
        """Return the identifier of its messages to all nodes, at the address that it has."""
        return NO_IDENTIFIER if self._source is None else _identifier(spec, self._source, GLOBAL_ADDRESS)

    def _start_heartbeat(self, function: str) -> None:
        spec = self.catalogue.by_name("DM_RV")
        dsas = FUNCTIONS[function].dsas
        dsa = spec.by_name["dsa"].all_ones if not dsas else dsas[0]
        pack = spec.packer("operating_status_2", *NO_FAULT_FIELDS, operating_status_1=1, dsa=dsa)
        healthy = [pack(operating_status_2=active, **NO_FAULT_FIELDS) for active in (0, 1)]

        def build() -> bytes:
            active = int(bool(self.active(function)))
            if not self._reported_faults.affects(function):
                return healthy[active]
            return pack(operating_status_2=active, **self._reported_faults.next_heartbeat_fields(function))

        self.broadcast("DM_RV", build, key=f"DM_RV {function}")


def _identifier(spec: MessageSpec, source: int, destination: int) -> int:
    """Return the identifier of a message; one that goes to no single node has no destination in it."""
    return spec.identifier(source, destination if is_addressed(spec.dgn) else None)


def commanded(spec: MessageSpec, data: bytes) -> dict[str, int]:
    """Return the raw values that a command sets, by field: neither unchanged, nor missing, nor out of range."""
    return {
        reading.field.name: reading.raw
        for reading in spec.decode(data)
        if reading.raw is not None and reading.state is State.VALUE and reading.field.special is not Special.NONE
    }
