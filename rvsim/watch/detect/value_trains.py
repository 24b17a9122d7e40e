"""Two trains of values in one message: A, B, A, B, as two units on one address send them.

Knows: which measured values cannot jump and back again and again: temperatures, levels and states of charge; not
currents, powers and voltages, which loads move, nor what is set. Does not know who speaks. Needs each frame that says
something else than the one before it.

Six times in a row, apart by more than ten times the step of each train, one raw step at least (flags.md's figures: our
decision).
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.watch.identity.records import TopicRecord
from rvsim.wire.fields import FieldSpec, Special, State
from rvsim.wire.quantity_text import compose
from rvsim.wire.spec import MessageSpec

ALTERNATIONS = 10
"""Six values of each train in turn: from the third frame on each can be held against its own train and the other."""
APART = 10
_LEVELS = frozenset({"relative_level", "absolute_level", "state_of_charge", "relative_capacity"})
_SET = ("set_point", "default_")


class _Train(NamedTuple):
    """The last two values of a field, the frame's bus time, and how often they have alternated in a row."""

    before: int | None
    last: int
    time: int
    run: int


class ValueTrains:
    """The values of every message that has such fields; ``tell`` takes what was found, in words."""

    def __init__(self, tell: Callable[[TopicRecord, str, str, int, int], None]) -> None:
        self._tell = tell
        self._fields: dict[int, tuple[FieldSpec, ...]] = {}
        self._trains: dict[tuple[int, str], _Train] = {}

    def observe(self, part: TopicRecord, time: int, now: int) -> None:
        """Take in a frame that says something else than the one before."""
        fields = self._fields.get(part.topic.dgn)
        if fields is None:
            fields = self._fields[part.topic.dgn] = _cannot_jump(part.layout.spec)
        for field in fields:
            raw = field.raw_in(part.frame.data)
            key = part.number, field.name
            if raw is None or field.state(raw) is not State.VALUE:
                self._trains.pop(key, None)
                continue
            train = self._trains[key] = self._next(part, self._trains.get(key), raw, now)
            if train.run >= ALTERNATIONS and train.before is not None:
                both = compose(field.brief(train.before), " and ", field.brief(raw))
                figures = both + f", {ALTERNATIONS // 2 + 1} times in turn"
                self._tell(part, f"{field.title} of {part.topic}", figures, time, now)

    @staticmethod
    def _next(part: TopicRecord, train: _Train | None, raw: int, now: int) -> _Train:
        times = part.rhythm.times
        if train is None or len(times) < 2 or times[-2] != train.time:  # the one before said the same again
            return _Train(None, raw, now, 0)
        if train.before is None:
            return _Train(train.last, raw, now, 0)
        apart = min(abs(raw - train.last), abs(train.before - train.last))
        alternates = apart > APART * max(1, abs(raw - train.before))
        return _Train(train.last, raw, now, train.run + 1 if alternates else 0)


def _cannot_jump(spec: MessageSpec | None) -> tuple[FieldSpec, ...]:
    """Return the fields of a message that measure what cannot jump."""
    fields = spec.fields if spec is not None else ()
    return tuple(
        field
        for field in fields
        if field.special is Special.MEASURED
        and (field.name in _LEVELS or (field.unit == "degC" and not field.name.startswith(_SET)))
    )
