"""Too low a supply voltage, and what is too cold.

Knows: the readings, and the limits that they were held against. Does not know how that was found.
"""

from enum import StrEnum
from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame


class SupplyLow(NamedTuple):
    """A supply voltage that is near a cut-off, or below it; ``device`` is what stops there.

    ``cut_off`` and ``drop`` are volts: below which voltage at its terminals it stops, and how much of ``reading`` is
    lost on the way to it at ``amps``; 0 and ``branch`` None where the rig has no wire. ``limits_named`` is whether the
    device is known, so that the limits are its own. ``is_below`` is whether less than ``cut_off`` is left.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    cut_off: float
    drop: float
    amps: float
    branch: str | None
    limits_named: bool
    is_below: bool
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic and device."""
        return SupplyLow, self.topic, self.device


class BatteryDark(NamedTuple):
    """A source of direct current that had a voltage reports none, and its device goes on sending."""

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic."""
        return BatteryDark, self.topic


class ColdPlace(StrEnum):
    """What is too cold."""

    TANK = "tank"
    WATER_HEATER = "water heater"
    FUEL = "fuel"
    LITHIUM = "lithium battery"


class TooCold(NamedTuple):
    """A temperature at which water freezes, fuel plugs a filter or a lithium battery must not be charged.

    ``limit`` is in degrees Celsius. ``contents`` names what is cold: tanks, or the grade of the fuel. ``other`` is the
    current of a battery, else None. ``is_beyond`` is whether damage is likely, not only near.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    place: ColdPlace
    limit: float
    contents: str
    other: Reading | None
    is_beyond: bool
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic, kind of place and device."""
        return TooCold, self.topic, self.place, self.device


class CurrentSignContradicts(NamedTuple):
    """A current of a battery whose sign its voltage or its state of charge excludes.

    ``other`` is that voltage or state of charge, of ``other_topic``; ``before`` is the state of charge from which it
    moved, None for a voltage.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    other_topic: Topic
    other: Reading
    before: Reading | None
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic and field that contradicts it."""
        return CurrentSignContradicts, self.topic, self.other.field.name
