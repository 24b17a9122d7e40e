"""Modules with their outputs and inputs, and relays: what a rig says of digitally switched loads.

Knows: the names, units, limits and defaults of these figures, and which of them cannot both be. Does not know how an
output switches (`devices` does), nor whether a load is too much for it (`plan` says so).

Everything is optional but the names: a figure that is left out is unknown, and no check assumes one.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal

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
    limit_amps: Current | None = None
    """The highest current of all its outputs together."""


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
    """The rating of a fuse of its own; a scenario has it as a branch with the name of the output."""
    wire: WirePlan | None = None
    """The wire from the output to its load."""
    relay: OneLineText | None = None
    """The relay that its load needs: the output then feeds the relay's coil."""
    priority: Annotated[int, Field(ge=1, le=250)] | None = None
    """The order in which loads are switched off when the module is at its limit; 1 goes last."""
    zone: OneLineText | None = None
    """The part of the vehicle that it serves."""


class LadderPlan(Table):
    """Several switches on one input, each with its own resistor: a switch ladder."""

    pull_up_ohm: Annotated[float, Field(ge=10, le=1_000_000)]
    """The resistor from the input to its supply."""
    rungs: Mapping[str, Annotated[float, Field(ge=0, le=1_000_000)]] = Field(min_length=1)
    """The resistance of each switch by its name, like { galley = 470, bed = 1000 }."""
    wired: Literal["to ground", "in series"] = "to ground"
    """Whether each switch has its own resistor to ground, or the resistors form a chain that a switch shortens."""
    tolerance_percent: Annotated[float, Field(ge=0, le=50)] = 5.0
    """Tolerance of the resistors. Common practice, no source: carbon film."""
    adc_bits: Annotated[int, Field(ge=4, le=24)] = 10
    """Bits of the converter that reads it. Common practice, no source."""


class InputPlan(Table):
    """One input of a module, and the switch or the switches on it."""

    name: OneLineText
    """The name of the input, by what hangs on it."""
    module: OneLineText
    """The module that has it."""
    terminal: Terminal
    """Its number on the module."""
    instance: ContactInstance | None = None
    """Its instance as a digital input on the network."""
    switch: Literal["momentary", "maintained"] = "momentary"
    """Whether the switch springs back, or stays as it was set."""
    debounce: Annotated[Duration, Field(ge=0)] = 30_000
    """How long a contact must stay closed to count. Common practice, no source. Kept in microseconds."""
    ladder: LadderPlan | None = None
    """The switches, where several share this input by their resistance."""


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
    suppressed: bool | None = None
    """Whether its coil has a suppressor."""


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
