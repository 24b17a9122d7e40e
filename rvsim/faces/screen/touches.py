"""What moved when somebody touched something, for the screen: of the last seconds, and before each marked moment.

Knows: that a note takes longer to type than a touch is remembered, so what moved is kept from the key that asks for it.
Does not know how a movement is found (`watch.touched`), nor how it reads.
"""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from rvsim.watch.touched import MovedKey, Movement, Touched, TouchedReadings
from rvsim.watch.watch import Event, MomentMarked, ReadingChanged

MAX_MOMENTS = 20
"""So many marked moments are kept, the latest ones. Our decision."""


class Moment(NamedTuple):
    """A marked moment: its time in microseconds, the note, and what moved before it."""

    time: int
    note: str
    movements: tuple[Movement, ...]
    came_back: frozenset[MovedKey] = frozenset()
    """What moved before it and was where it was again."""
    known_since: Mapping[MovedKey, int] = {}
    """When each reading was first observed."""

    @property
    def touched(self) -> Touched:
        """What moved before it, as a touch."""
        return Touched(self.time, self.movements, self.known_since, self.came_back)


class Touches:
    """Follows the events of one run. Times are in microseconds."""

    def __init__(self) -> None:
        self._touched = TouchedReadings()
        self._before_note: tuple[Movement, ...] = ()
        self._came_back_before: frozenset[MovedKey] = frozenset()
        self._moments: deque[Moment] = deque(maxlen=MAX_MOMENTS)

    @property
    def moments(self) -> Sequence[Moment]:
        """The marked moments, the latest first."""
        return tuple(reversed(self._moments))

    def observe(self, events: Iterable[Event]) -> None:
        """Observe what has changed, and which moments were marked."""
        for event in events:
            if isinstance(event, ReadingChanged):
                self._touched.take(event.time)  # a touch that is over does not belong to the next one
                self._touched.observe(event)
            elif isinstance(event, MomentMarked):
                moved = self._movements(event.time)
                came_back = self._came_back_before | self._touched.came_back(event.time)
                self._moments.append(Moment(event.time, event.note, moved, came_back, self._touched.known_since))

    def recent(self, now: int) -> tuple[Movement, ...]:
        """Return what moved in the last seconds."""
        return self._touched.recent(now)

    def begin_note(self, now: int) -> None:
        """Keep what moved in the last seconds, until the next note: somebody begins to type one to it."""
        self._before_note, self._came_back_before = self.recent(now), self._touched.came_back(now)

    def _movements(self, now: int) -> tuple[Movement, ...]:
        """Return what moved before the note was begun, and what moved in the last seconds; each reading once."""
        together: dict[MovedKey, Movement] = {}
        for moved in (*self._before_note, *self.recent(now)):
            first = together.get(moved.key)
            together[moved.key] = moved if first is None else first.joined(moved)
        return tuple(together.values())
