"""Inputs of modules with the switches on them, ladders of several switches among them.

Knows: the names, units, limits and defaults of these figures, which of them cannot both be, and what an input switches
by itself. Does not know how an input is read (`devices` does), nor how a contact closes (`world` does).
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import Field, ValidationInfo, model_validator

from rvsim.errors import did_you_mean
from rvsim.rig.field_types import Duration
from rvsim.rig.functions import MAX_INSTANCE
from rvsim.rig.ladder import NEW_CONTACT_OHM, Ladder
from rvsim.rig.ladder_mistakes import ladder_mistakes
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.rig.switching import ContactInstance, ModulePlan, OutputPlan, Terminal
from rvsim.rig.table import Mistake, OneLineText, Table, for_plan, validation_error

DEFAULT_BOUNCE_US = 1_600
"""How long a contact bounces on average: the mean of 18 switches of one bench test, from memory."""


class InputPosition(NamedTuple):
    """One thing that an input answers for: the input itself, or one switch of its ladder."""

    name: str
    """The name by which it is pressed: that of the input, or "input.switch"."""
    rung: str | None
    instance: int | None
    output: str | None
    """The output of the same module that it switches by itself."""


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
    contact_ohm: Annotated[float, Field(ge=0, le=1_000_000)] = NEW_CONTACT_OHM
    """The resistance of a closed contact. New: at most 50 to 100 milliohm (a chip maker's technical article)."""
    between: Literal["nearest", "none"] = "nearest"
    """What the module reads between two bands: the nearest switch (thresholds half way), or none. Common practice, no
    source: half way."""
    hysteresis_counts: Annotated[float, Field(ge=0, le=1000)] = 2.0
    """How far beyond a threshold the reading has to be until another switch counts. Common practice, no source."""
    supply_volts: Annotated[float, Field(ge=1, le=60)] | None = None
    """The voltage that the pull-up is on, which is also the converter's reference; read by the plan only."""
    wetting_milliamps: Annotated[float, Field(ge=0, le=1000)] | None = None
    """The lowest current that keeps the contacts of its switches clean, by their maker; read by the plan only."""

    @cached_property
    def ladder(self) -> Ladder:
        """The arithmetic of these resistors."""
        tolerance = self.tolerance_percent / 100
        return Ladder(self.pull_up_ohm, self.rungs, self.wired, tolerance, self.adc_bits, self.contact_ohm)

    @model_validator(mode="after")
    def _can_be_told_apart(self, info: ValidationInfo) -> Self:
        problems = [] if for_plan(info) else list(ladder_mistakes(self.ladder))
        if problems:
            raise validation_error("ladder", problems)
        return self


class InputPlan(Table):
    """One input of a module, and the switch or the switches on it."""

    name: OneLineText
    """The name of the input, by what hangs on it."""
    module: OneLineText
    """The module that has it."""
    terminal: Terminal
    """Its number on the module."""
    instance: ContactInstance | None = None
    """Its instance as a digital input on the network; that of the first switch of a ladder, whose further switches
    count up in the order of the file."""
    switch: Literal["momentary", "maintained"] = "momentary"
    """Whether the switch springs back, or stays as it was set."""
    debounce: Annotated[Duration, Field(ge=0)] = 30_000
    """How long a contact must stay closed to count. Common practice, no source. Kept in microseconds."""
    bounce: Annotated[Duration, Field(ge=0)] = DEFAULT_BOUNCE_US
    """How long its contacts bounce on average when they are pressed or released. From memory: the mean of 18 switches
    of one bench test, most of them under 6.2 ms. Kept in microseconds."""
    ladder: LadderPlan | None = None
    """The switches, where several share this input by their resistance."""
    switches: OneLineText | Mapping[str, OneLineText] | None = None
    """The output of the same module that it switches by itself, without the network; of a ladder the outputs by the
    names of the switches."""

    @cached_property
    def positions(self) -> tuple["InputPosition", ...]:
        """What it answers for, each with an instance of its own: the input itself, or the switches of its ladder."""
        if self.ladder is None:
            output = self.switches if isinstance(self.switches, str) else None
            return (InputPosition(self.name, None, self.instance, output),)
        outputs = self.switches if isinstance(self.switches, Mapping) else {}
        return tuple(
            InputPosition(
                f"{self.name}.{rung}",
                rung,
                None if self.instance is None else self.instance + place,
                outputs.get(rung),
            )
            for place, rung in enumerate(self.ladder.rungs)
        )

    @model_validator(mode="after")
    def _fits_its_ladder(self) -> Self:
        problems = list(self._mistakes())
        if problems:
            raise validation_error("input", problems)
        return self

    def _mistakes(self) -> Iterator[Mistake]:
        last = self.positions[-1].instance
        if last is not None and last > MAX_INSTANCE:
            text = (
                f"the {len(self.positions)} switches of its ladder would have the instances {self.instance} to {last}; "
                f"write at most {MAX_INSTANCE - len(self.positions) + 1}, so that the last one has {MAX_INSTANCE}"
            )
            yield Mistake(("instance",), text, self.instance)
        if self.ladder is None and isinstance(self.switches, Mapping):
            text = 'it has no ladder, so it switches one output; write its name, like switches = "galley light"'
            yield Mistake(("switches",), text, self.switches)
        if self.ladder is not None and isinstance(self.switches, str):
            rung = next(iter(self.ladder.rungs))
            text = f"it has a ladder; name the switch as well, like switches = {{ {rung} = {shown(self.switches)} }}"
            yield Mistake(("switches",), text, self.switches)
        if self.ladder is not None and isinstance(self.switches, Mapping):
            for rung in self.switches:
                if rung not in self.ladder.rungs:
                    yield Mistake(("switches", rung), unknown_text(rung, self.ladder.rungs, "switches"), rung)


def input_mistakes(
    inputs: Sequence[InputPlan],
    modules: Sequence[ModulePlan] | None,
    functions: Mapping[str, Collection[int]],
) -> Iterator[Mistake]:
    """Yield each input with an instance that another input, or a device other than its own, has as well.

    Args:
        inputs: the inputs.
        modules: the modules; None where they have mistakes of their own.
        functions: the instances of the devices' digital inputs, by the device.
    """
    devices = {module.name: module.device for module in modules or ()}
    if modules is None:  # whose device is whose is not known then
        functions = {}
    owners: dict[int, str] = {}
    for number, entry in enumerate(inputs):
        own = devices.get(entry.module)
        for position in entry.positions:
            if position.instance is None:
                continue
            owner = f"device {shown(other)}" if (other := _owner(functions, own, position.instance)) else ""
            first = owners.setdefault(position.instance, position.name)
            if first != position.name:
                owner = shown(first)
            if owner:
                label = f"digital input {position.instance} ({position.name})"
                text = f"{label} is already that of {owner}; give each its own instance"
                yield Mistake((number, "instance"), text, entry.instance)


def _owner(functions: Mapping[str, Collection[int]], own: str | None, instance: int) -> str | None:
    """Return the device other than ``own`` that has a digital input of this instance, None where none has."""
    return next((name for name, instances in functions.items() if name != own and instance in instances), None)


def switched_mistakes(inputs: Sequence[InputPlan], outputs: Sequence[OutputPlan]) -> Iterator[Mistake]:
    """Yield what is wrong with the outputs that inputs switch by themselves."""
    by_name = {output.name: output for output in outputs}
    for number, entry in enumerate(inputs):
        for position in entry.positions:
            if position.output is None:
                continue
            place = (number, "switches") if position.rung is None else (number, "switches", position.rung)
            output = by_name.get(position.output)
            if output is None:
                yield Mistake(place, unknown_text(position.output, by_name, "outputs"), position.output)
            elif output.module != entry.module:
                text = (
                    f"{shown(output.name)} is on {shown(output.module)} and the input on {shown(entry.module)}; a "
                    "module switches its own outputs only, so let a panel command this one"
                )
                yield Mistake(place, text, position.output)


def interlock_mistakes(outputs: Sequence[OutputPlan], inputs: Sequence[InputPlan]) -> Iterator[Mistake]:
    """Yield each interlock that is neither another output nor an input of the same module."""
    for number, output in enumerate(outputs):
        if output.interlock is None:
            continue
        others = [one for one in outputs if one.module == output.module and one is not output]
        known = [one.name for one in others] + [one.name for one in inputs if one.module == output.module]
        if output.interlock not in known:
            listed = f"; those are {', '.join(known)}" if known else "; it has none"
            text = (
                f"{shown(output.interlock)} is neither another output nor an input of {shown(output.module)}"
                f"{did_you_mean(output.interlock, known)}{listed}"
            )
            yield Mistake((number, "interlock"), text, output.interlock)
