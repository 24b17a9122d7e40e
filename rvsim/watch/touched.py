"""What moved on the bus when somebody touched something: readings that changed by more than they do by themselves.

Knows: how much each reading moved before, and which change stands out from that. Does not know the bus, nor what the
rig says of it. Time is told. All limits are our decisions.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from rvsim.watch.transitions import ReadingChanged
from rvsim.wire.fields import Reading, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

SETTLE_US = 2 * SECOND_US
"""Changes that follow each other within this time belong to one touch: a lamp that is dimmed, a motor that starts."""
RECENT_US = 5 * SECOND_US
"""How far a person who says that something was touched just now is taken to look back."""
NOISE_FACTOR = 3.0
"""So many times the largest change of before has a change to be, to stand out."""
MAX_KNOWN_CHANGES = 20
"""So many of the last changes of a reading are its noise."""
RESTLESS_US, RESTLESS_CHANGES = 120 * SECOND_US, 6
"""A reading that changed so often within this time changes by itself."""
LEARN_US = 10 * SECOND_US
"""So long a reading has to be known before a change of it can stand out."""
MAX_TOGETHER_US = 5 * SECOND_US
"""So long after its first movement a touch is told, although something still moves."""
MIN_CHANGE = {"°C": 0.5, "K": 0.5, "%": 2.0, "V": 0.1, "A": 0.2, "W": 5.0, "min": 5.0, "h": 1.0}
"""The least change that can stand out, by unit; of other units three steps."""


class MovedKey(NamedTuple):
    """Whose reading it is: the address, the message and its instance, the function of a heartbeat, and the field."""

    source: int
    message: str
    instance: int | None
    dsa: int | None
    field: str


class Movement(NamedTuple):
    """A reading that moved: from ``before`` to ``after``.

    ``noise`` is the largest change of before, in the field's unit; None for a state. ``between`` is the first other
    reading on the way, which a switch has that was pressed and let go; None where ``after`` is the first.
    """

    time: int
    device: str
    spec: MessageSpec
    key: MovedKey
    before: Reading
    after: Reading
    noise: float | None
    between: Reading | None = None

    @property
    def is_back(self) -> bool:
        """Whether it is where it was before."""
        return self.before.raw == self.after.raw

    def joined(self, after: "Movement") -> "Movement":
        """Return this movement and a later one of the same reading as one."""
        return self._replace(after=after.after, between=self.between or self.after)

    @property
    def change(self) -> float | None:
        """By how much it moved, in its unit; None for a state."""
        first, last = _number(self.before), _number(self.after)
        return None if first is None or last is None or self.noise is None else last - first


class Touched(NamedTuple):
    """What moved together; ``time`` is that of the first movement, in microseconds.

    ``known_since`` is when each reading was first observed: what is known for less than ``LEARN_US`` cannot stand out.
    """

    time: int
    movements: tuple[Movement, ...]
    known_since: Mapping[MovedKey, int] = {}
    came_back: frozenset[MovedKey] = frozenset()
    """What moved and is where it was, like a switch that was pressed and released."""


def _number(reading: Reading) -> float | None:
    value = reading.value
    return float(value) if reading.state is State.VALUE and isinstance(value, int | float) else None


def _is_state(reading: Reading) -> bool:
    """Tell whether a reading is one of several named states, and not a quantity."""
    return bool(reading.field.labels) and not reading.field.unit


class TouchedReadings:
    """Finds what moved; give it every change of a reading, in the order of time."""

    def __init__(self) -> None:
        self._noise: dict[MovedKey, deque[float]] = {}
        self._changed_at: dict[MovedKey, deque[int]] = {}
        """When each reading changed by so much that it can stand out."""
        self._known_since: dict[MovedKey, int] = {}
        self._moving: dict[MovedKey, Movement] = {}
        """What moves together at present."""
        self._last_moved = 0
        self._recent: deque[Movement] = deque()

    def observe(self, changed: ReadingChanged) -> None:
        """Observe a change of a reading."""
        before, after = changed.previous, changed.reading
        if changed.spec.is_protocol or after.state is State.MISSING:
            return
        key = MovedKey(changed.source, changed.spec.name, changed.instance, changed.dsa, after.field.name)
        since = self._known_since.setdefault(key, changed.time)
        if before is None or before.state is State.MISSING:
            return
        noise = None if _is_state(after) else max(self._noise.get(key, ()), default=0.0)
        if not self._stands_out(key, changed.time, before, after, noise) or changed.time - since < LEARN_US:
            return
        moved = Movement(changed.time, changed.device, changed.spec, key, before, after, noise)
        self._recent.append(moved)
        while self._recent[0].time < changed.time - RECENT_US:
            self._recent.popleft()
        first = self._moving.get(key)
        self._moving[key] = moved if first is None else first.joined(moved)
        self._last_moved = changed.time

    def _stands_out(self, key: MovedKey, time: int, before: Reading, after: Reading, noise: float | None) -> bool:
        first, last = _number(before), _number(after)
        if noise is not None and first is not None and last is not None and key not in self._moving:
            change = abs(last - first)
            if change < _least(after) or change <= NOISE_FACTOR * noise:
                self._noise.setdefault(key, deque(maxlen=MAX_KNOWN_CHANGES)).append(change)
                return False
        times = self._changed_at.setdefault(key, deque(maxlen=RESTLESS_CHANGES))
        is_restless = len(times) == RESTLESS_CHANGES and time - times[0] <= RESTLESS_US
        times.append(time)
        return not is_restless

    def take(self, now: int) -> Touched | None:
        """Return what moved together when nothing of it has moved for ``SETTLE_US``; None while there is nothing."""
        if not self._moving:
            return None
        since = min(moved.time for moved in self._moving.values())
        if now - self._last_moved < SETTLE_US and now - since < MAX_TOGETHER_US:
            return None
        moved = _in_order(self._moving.values())
        self._moving.clear()
        return Touched(min(each.time for each in moved), tuple(moved), self._known_since) if moved else None

    @property
    def known_since(self) -> Mapping[MovedKey, int]:
        """When each reading was first observed."""
        return self._known_since

    def touch(self, now: int) -> Touched:
        """Return what moved in the last ``RECENT_US`` before ``now`` as a touch at ``now``."""
        return Touched(now, self.recent(now), self._known_since, self.came_back(now))

    def recent(self, now: int) -> tuple[Movement, ...]:
        """Return what moved in the last ``RECENT_US`` before ``now``, each reading once."""
        return tuple(_in_order(self._recent_movements(now).values()))

    def came_back(self, now: int) -> frozenset[MovedKey]:
        """Return what moved in the last ``RECENT_US`` before ``now`` and is where it was."""
        return frozenset(key for key, moved in self._recent_movements(now).items() if moved.is_back)

    def _recent_movements(self, now: int) -> dict[MovedKey, Movement]:
        together: dict[MovedKey, Movement] = {}
        for moved in self._recent:
            if moved.time >= now - RECENT_US:
                first = together.get(moved.key)
                together[moved.key] = moved if first is None else first.joined(moved)
        return together


def _in_order(movements: Iterable[Movement]) -> list[Movement]:
    """Return all states, and the quantities that have not come back: states first, then by how far they stand out."""
    there = [moved for moved in movements if moved.noise is None or _has_gone(moved)]
    return sorted(there, key=lambda moved: (moved.noise is not None, -_ratio(moved), moved.time))


def _has_gone(moved: Movement) -> bool:
    """Return whether a quantity is further from where it was than it goes by itself."""
    if moved.change is None:
        return not moved.is_back
    return abs(moved.change) >= _least(moved.after) and abs(moved.change) > NOISE_FACTOR * (moved.noise or 0.0)


def _least(reading: Reading) -> float:
    """Return the least change of a quantity that can stand out, in its unit."""
    field = reading.field
    return MIN_CHANGE.get(field.printed_unit, NOISE_FACTOR * abs(field.scale) / field.unit_steps)


def _ratio(moved: Movement) -> float:
    change = moved.change
    step = abs(moved.after.field.scale) / moved.after.field.unit_steps
    return 0.0 if change is None or moved.noise is None else abs(change) / max(moved.noise, step)
