"""Changes of readings, and problems with them.

Knows: readings and the limits within which they are plausible. Does not know how that was found.
"""

from enum import StrEnum
from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.fields import Alarm, Reading
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


class Limits(NamedTuple):
    """The range in which a field is plausible, in its unit, and where that range is from."""

    low: float
    high: float
    origin: str


class ReadingChanged(NamedTuple):
    """A field has another reading than in the frame before; ``previous`` is None for its first frame.

    A heartbeat has ``dsa`` instead of an instance: each function of a node has its own.
    """

    time: int
    device: str
    source: int
    spec: MessageSpec
    instance: int | None
    reading: Reading
    previous: Reading | None
    dsa: int | None = None


class ValueOutOfRange(NamedTuple):
    """A field reports "out of range" or an error by its code, or a value outside ``limits``.

    ``is_unmeasured`` is whether it reports what a sensor says before its first measurement.
    """

    time: int
    device: str
    topic: Topic
    reading: Reading
    limits: Limits | None
    last: Frame
    is_unmeasured: bool = False

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic."""
        return ValueOutOfRange, self.topic, self.reading.field.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class DataLost(NamedTuple):
    """A field reports no data; ``before`` is its last value, None where it never had one and the rig requires it."""

    time: int
    device: str
    topic: Topic
    reading: Reading
    before: Reading | None
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic."""
        return DataLost, self.topic, self.reading.field.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class AlarmCodeReported(NamedTuple):
    """A status field has a code that its definition marks as alarming."""

    time: int
    device: str
    topic: Topic
    reading: Reading
    alarm: Alarm
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic."""
        return AlarmCodeReported, self.topic, self.reading.field.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class ReadingsContradict(NamedTuple):
    """Two readings that cannot both be right; ``device`` and ``topic`` are those of the first.

    ``rule`` names what the first was compared with; ``other_device`` and ``other_topic`` are those of the second.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    other_device: str
    other_topic: Topic
    other: Reading
    rule: str
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic and what it was compared with."""
        return ReadingsContradict, self.topic, self.reading.field.name, self.rule


class OffOutputDraws(NamedTuple):
    """An output whose ``level`` is zero reports a current, in ``reading``."""

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    level: Reading
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic."""
        return OffOutputDraws, self.topic


class KeyHeld(NamedTuple):
    """A momentary switch has been on for ``held_us``, with no release; ``last`` is its last frame."""

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    held_us: int
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic."""
        return KeyHeld, self.topic


class ValueStuck(NamedTuple):
    """A measured value that has not changed since ``stuck_since``, while a neighbour moved from ``low`` to ``high``.

    ``limit_us`` is how long it may stay unchanged; ``lasted_us`` how long it has been unchanged, None at the limit.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    stuck_since: int
    limit_us: int
    neighbour_device: str
    neighbour: Topic
    low: Reading
    high: Reading
    last: Frame
    lasted_us: int | None = None

    def at(self, now: int) -> "ValueStuck":
        """Return the same problem with its figures at a later moment (microseconds)."""
        return self._replace(lasted_us=max(self.limit_us, now - self.stuck_since))

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic."""
        return ValueStuck, self.topic, self.reading.field.name


class Drive(StrEnum):
    """What moves a measured value by what it does in sum."""

    CHARGE_OUT = "charge out"
    CHARGE_IN = "charge in"
    PUMP = "pump"
    WATER_HEATER = "water heater"
    FURNACE = "furnace"


class DrivenValueStuck(NamedTuple):
    """A measured value that has not changed since ``stuck_since``, while something worked that moves it.

    ``amount`` is what that did: for a charge the milliamperes over microseconds, else the microseconds for which it
    worked. ``source_device`` and ``source`` told it. ``lasted_us`` is how long the value has been unchanged.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    stuck_since: int
    lasted_us: int
    drive: Drive
    amount: int
    source_device: str
    source: Topic
    last: Frame

    def at(self, now: int) -> "DrivenValueStuck":
        """Return the same problem with its figures at a later moment (microseconds)."""
        return self._replace(lasted_us=max(self.lasted_us, now - self.stuck_since))

    @property
    def problem_key(self) -> ProblemKey:
        """The same as that of a value that its neighbours leave behind."""
        return ValueStuck, self.topic, self.reading.field.name
