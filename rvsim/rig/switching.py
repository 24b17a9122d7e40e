"""Modules with their outputs, and relays: what a rig says of digitally switched loads.

Knows: the names, units, limits and defaults of these figures, which of them cannot both be, and which load is too much
for its output or its relay. Does not know how an output switches (`devices` does), nor what a load draws over time
(`world` does).

Everything is optional but the names: a figure that is left out is unknown, and no check assumes one.
"""

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field

from rvsim.rig.electric import WirePlan
from rvsim.rig.field_types import Duration
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, OneLineText, Table

LoadKind = Literal["lamp", "led", "motor", "pump", "heater mat", "relay coil", "socket"]
"""What hangs on an output; its kind says how much more than its running current it takes at the start."""
Current = Annotated[float, Field(ge=0, le=1000)]
"""A current of a 12 V vehicle; the bound only finds typing mistakes (our choice)."""
Terminal = Annotated[int, Field(ge=1, le=250)]
"""The number of an output or an input on its module, as printed on it; up to the number of instances."""
Form = Literal["dimmer", "load"]
"""The messages by which an output is known on the network."""
Group = Annotated[int, Field(ge=1, le=7)]
"""A group of outputs: seven follow from the bitmap of the window shade proposal (rv-c.com/node/101)."""
DIMMED = frozenset({"lamp", "led"})
"""Loads whose outputs are dimmers where the rig does not say. Common practice, no source."""
FUNCTION_BY_FORM: dict[Form, str] = {"dimmer": "dc_dimmer", "load": "dc_load"}
"""The function that an output with these messages is."""
LAMP_SHARE, MOTOR_SHARE = 10.0, 6.0
"""How many times its current a lamp or a motor counts for a contact whose rating is resistive: a switch maker's load
page. Others allow more, so the maker's own figure wins."""
ContactInstance = Annotated[int, Field(ge=1, le=250)]
"""The instance of its message (rv-c.com/book/export/html/81)."""


class ModulePlan(Table):
    """A module with outputs and inputs, such as a load centre."""

    name: OneLineText
    """The name of the module."""
    device: OneLineText | None = None
    """The device of the rig that it is on the network; a module without one is not on the network."""
    branch: OneLineText | None = None
    """The branch of the supply that feeds its outputs."""
    limit_amps: Annotated[float, Field(gt=0, le=1000)] | None = None
    """The highest current of all its outputs together."""
    output_count: Annotated[int, Field(ge=0, le=250)] | None = None
    """How many outputs it has, used or not; read by the plan only."""
    input_count: Annotated[int, Field(ge=0, le=250)] | None = None
    """How many inputs it has, used or not; read by the plan only."""
    min_load_amps: Current | None = None
    """The lowest load with which it can tell that a lamp is out, by its maker; read by the plan only."""
    ground: OneLineText | None = None
    """The ground that its outputs return to; read by the plan only."""


class OutputPlan(Table):
    """One output of a module, and what hangs on it."""

    name: OneLineText
    """The name of the output, by what hangs on it."""
    module: OneLineText
    """The module that has it."""
    terminal: Terminal
    """Its number on the module."""
    instance: ContactInstance | None = None
    """Its instance as a dimmer or a load on the network."""
    load: LoadKind | None = None
    """What hangs on it."""
    amps: Current | None = None
    """The running current of the load."""
    peak_amps: Current | None = None
    """The highest current at the start of the load."""
    duty_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    """How much of the time the load is on."""
    limit_amps: Current | None = None
    """The current that the output can carry all the time."""
    fuse_amps: Annotated[float, Field(gt=0, le=1000)] | None = None
    """The rating of a fuse of its own, in the circuit of its load; a scenario has it as a branch with the name of the
    output."""
    wire: WirePlan | None = None
    """The wire from the output to its load."""
    relay: OneLineText | None = None
    """The relay that its load needs: the output then feeds the relay's coil."""
    priority: Annotated[int, Field(ge=1, le=250)] | None = None
    """The order in which loads are switched off when the module is at its limit; 1 goes last."""
    zone: OneLineText | None = None
    """The part of the vehicle that it serves."""
    message: Form | None = None
    """Its messages: those of a "dimmer" or of a "load"; if omitted, a lamp and an LED are on a dimmer."""
    groups: Annotated[tuple[Group, ...], Field(strict=False)] = ()
    """The groups by which it is commanded together with others."""
    min_amps: Current | None = None
    """Below this current, while it is on, its lamp is reported out; if omitted, it is never reported out."""
    ramp: Annotated[Duration, Field(gt=0, le=600_000_000)] = 2_000_000
    """The time of a ramp from off to full, where the command has none. Common practice, no source. Kept in
    microseconds."""
    delay_off: Annotated[Duration, Field(ge=0, le=3_600_000_000)] = 0
    """How long it stays on after it is commanded off. Kept in microseconds."""
    at_power: Literal["off", "on", "last"] = "off"
    """What it does when its module gets its power: off, on, or as it was last commanded."""
    retries: Annotated[int, Field(ge=0, le=100)] = 3
    """How often it tries again after a trip, until it stays off. Common practice, no source."""
    retry_after: Annotated[Duration, Field(ge=100_000, le=3_600_000_000)] = 10_000_000
    """The time from a trip to the next try. Common practice, no source. Kept in microseconds."""
    interlock: OneLineText | None = None
    """An output of its module that must be off while it is on, or an input of its module that must be on."""
    peak: Annotated[Duration, Field(gt=0, le=3_600_000_000)] | None = None
    """How long the highest current at the start lasts; read by the plan only. Kept in microseconds."""
    share_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    """How much of it counts when currents of outputs are added; if omitted, all of it. Read by the plan only."""
    critical: bool = False
    """Whether the lower limit of the voltage drop holds, as for what is vital to safety; read by the plan only."""
    cut_off_volts: Annotated[float, Field(ge=5, le=20)] | None = None
    """The voltage at its terminals below which the load stops; read by the plan only."""
    suppressed: bool | None = None
    """Whether an inductive load has a suppressor; read by the plan only."""
    manual_override: bool | None = None
    """Whether a person can switch the load without the network; read by the plan only."""
    fuse_distance_m: Annotated[float, Field(ge=0, le=100)] | None = None
    """The length of wire from the module, or from the source of a relay's load, to its fuse; read by the plan only."""
    interrupting_amps: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    """The highest current that its fuse can interrupt; read by the plan only."""

    @property
    def form(self) -> Form:
        """Its messages, given or by its load."""
        return self.message or ("dimmer" if self.load in DIMMED else "load")

    @property
    def function(self) -> str:
        """The function that it is on the network: dc_dimmer or dc_load."""
        return FUNCTION_BY_FORM[self.form]


class RelayPlan(Table):
    """A relay that switches a load for an output."""

    name: OneLineText
    """The name of the relay."""
    contact: Literal["single throw", "changeover"] = "single throw"
    """The form of its contact."""
    contact_amps: Current | None = None
    """The current that its contact can carry with a resistive load."""
    coil_amps: Current | None = None
    """The current of its coil at 12 V."""
    lamp_amps: Current | None = None
    """The current of lamps that its contact can carry, by its maker; if omitted, a tenth of ``contact_amps``. A
    switch maker's load page."""
    motor_amps: Current | None = None
    """The current of motors that its contact can carry, by its maker; if omitted, a sixth of ``contact_amps``. The
    same page."""
    suppressed: bool | None = None
    """Whether its coil has a suppressor."""
    suppressor: Literal["diode", "resistor", "diode and zener", "varistor"] | None = None
    """What suppresses its coil; read by the plan only."""
    coil_ohm: Annotated[float, Field(gt=0, le=100_000)] | None = None
    """The resistance of its coil at 20 C; read by the plan only."""
    pull_in_volts: Annotated[float, Field(gt=0, le=60)] | None = None
    """The voltage at which it pulls in with its coil at 20 C; read by the plan only."""
    ambient_c: Annotated[float, Field(ge=-40, le=150)] | None = None
    """The temperature around it; read by the plan only."""
    min_contact_amps: Current | None = None
    """The lowest current that keeps its contact clean, by its maker; read by the plan only."""

    def limit_for(self, load: str | None) -> "ContactLimit | None":
        """Return what its contact can carry of a load by its kind; None: unknown."""
        own = {"lamp": "lamp_amps", "motor": "motor_amps", "pump": "motor_amps"}.get(load or "")
        amps = getattr(self, own) if own is not None else None
        if own is not None and amps is not None:
            return ContactLimit(amps, own)
        if self.contact_amps is None:
            return None
        if own is None:
            return ContactLimit(self.contact_amps, "contact_amps")
        share = LAMP_SHARE if load == "lamp" else MOTOR_SHARE
        remedy = f", or the {own} of its maker"
        return ContactLimit(self.contact_amps / share, f"contact_amps / {share:g}", remedy)


class ContactLimit(NamedTuple):
    """What a contact can carry of a load, where the figure comes from, and what else could be given."""

    amps: float
    origin: str
    remedy: str = ""


def terminal_clashes(entries: Sequence[Any]) -> Iterator[Mistake]:
    """Yield a mistake for each output, or input, on a terminal that another one has already."""
    owners: dict[tuple[str, int], int] = {}
    for number, entry in enumerate(entries):
        first = owners.setdefault((entry.module, entry.terminal), number)
        if first != number:
            text = (
                f"terminal {entry.terminal} of {shown(entry.module)} is already that of {shown(entries[first].name)}; "
                "give each its own terminal"
            )
            yield Mistake((number, "terminal"), text, entry.terminal)


def instance_clashes(outputs: Sequence[OutputPlan]) -> Iterator[Mistake]:
    """Yield a mistake for each output whose instance another output with the same messages has."""
    owners: dict[tuple[str, int], OutputPlan] = {}
    for number, output in enumerate(outputs):
        if output.instance is None:
            continue
        first = owners.setdefault((output.form, output.instance), output)
        if first is not output:
            text = (
                f"{output.form} {output.instance} is already {shown(first.name)}; give each its own instance, and both "
                "a group to command them together"
            )
            yield Mistake((number, "instance"), text, output.instance)


def load_mistakes(outputs: Sequence[OutputPlan], relays: Sequence[RelayPlan] | None) -> Iterator[Mistake]:
    """Yield each load that is too much for its output without a relay, or for the relay that it has."""
    by_name = {relay.name: relay for relay in relays or ()}
    for number, output in enumerate(outputs):
        relay = by_name.get(output.relay) if output.relay is not None else None
        if output.relay is None:
            if output.limit_amps is not None and output.amps is not None and output.amps > output.limit_amps:
                text = (
                    f"its load of {output.amps:g} A is above its limit of {output.limit_amps:g} A; give it a relay, or "
                    "another output"
                )
                yield Mistake((number, "amps"), text, output.amps)
        elif relay is not None:
            yield from _relay_mistakes(number, output, relay)


def _relay_mistakes(number: int, output: OutputPlan, relay: RelayPlan) -> Iterator[Mistake]:
    limit = relay.limit_for(output.load)
    if limit is not None and output.amps is not None and output.amps > limit.amps:
        text = (
            f"its load of {output.amps:g} A is above the {limit.amps:.3g} A of a {output.load or 'load'} that the "
            f"relay {shown(relay.name)} can carry ({limit.origin}); give another relay{limit.remedy}"
        )
        yield Mistake((number, "amps"), text, output.amps)
    coil, most = relay.coil_amps, output.limit_amps
    if coil is not None and most is not None and coil > most:
        text = f"the coil of its relay takes {coil:g} A, and its limit is {most:g} A; give another relay or output"
        yield Mistake((number, "relay"), text, output.relay)
