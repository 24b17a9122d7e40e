"""What a field says: it changed, it cannot be, it went away.

Knows: readings and the limits within which they are believed. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.fields import Alarm, Reading
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


class Limits(NamedTuple):
    """Between which values a field is believed, in its unit, and who says so."""

    low: float
    high: float
    origin: str


class ReadingChanged(NamedTuple):
    """A field says something else than in the frame before it; ``previous`` is None at first sight.

    ``dsa`` stands in a heartbeat instead of an instance: each function of a node has its own.
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
    """A field says "out of range", or a value outside ``limits``."""

    time: int
    device: str
    topic: Topic
    reading: Reading
    limits: Limits | None
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic."""
        return ValueOutOfRange, self.topic, self.reading.field.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class DataLost(NamedTuple):
    """A field turned to no data; ``before`` is the last value, None for one that the rig requires and never came."""

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
    """A status field carries a code that its definition marks as alarming."""

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
    """A reading that is impossible beside another one; ``device`` says the first.

    ``rule`` says what was held against what; ``other_device`` and ``other_topic`` are who says the other one.
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
        """One for each field of a topic and what it is held against."""
        return ReadingsContradict, self.topic, self.reading.field.name, self.rule


class ValueStuck(NamedTuple):
    """A measured value that has not changed since ``stuck_since``, while a neighbour went from ``low`` to ``high``.

    ``limit`` is for how long it may stay as it is; ``lasted`` for how long it has by now.
    """

    time: int
    since: int
    device: str
    topic: Topic
    reading: Reading
    stuck_since: int
    limit: int
    neighbour_device: str
    neighbour: Topic
    low: Reading
    high: Reading
    last: Frame
    lasted: int | None = None

    def at(self, now: int) -> "ValueStuck":
        """Return the same problem as it stands at a later moment."""
        return self._replace(lasted=max(self.limit, now - self.stuck_since))

    @property
    def problem_key(self) -> ProblemKey:
        """One for each field of a topic."""
        return ValueStuck, self.topic, self.reading.field.name
