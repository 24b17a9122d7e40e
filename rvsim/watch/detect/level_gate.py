"""Passes on the frames of a message with which a field gets to another side of a level; all others change nothing.

Knows: that detectors which state `Crossing` as their need are not concerned by any other frame, unless a value is
flagged or they need each change of a field. Does not know what they look for.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import chain
from operator import le, lt
from typing import Protocol

from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, Need
from rvsim.wire.fields import FieldSpec
from rvsim.wire.spec import MessageSpec


class LevelDetector(Protocol):
    """A detector that needs the frames with which a field passes a level."""

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame."""

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present."""


class LevelGate:
    """The gate of one message, in front of some detectors."""

    def __init__(self, spec: MessageSpec, detectors: Iterable[LevelDetector]) -> None:
        self._detectors = tuple(detectors)
        needs = [need for need in self.needs(spec) if isinstance(need, Crossing)]
        levels: dict[str, set[float]] = {}
        for need in needs:
            levels.setdefault(need.field, set()).update(need.levels)
        self._breaks = [
            (place, _breaks(field, levels[field.name]))
            for place, field in enumerate(spec.fields)
            if field.name in levels
        ]
        self._last: dict[TopicRecord, tuple[int, ...]] = {}

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what the detectors need of the topics of the message."""
        return chain.from_iterable(detector.needs(spec) for detector in self._detectors)

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which a detector needs each change at present."""
        return tuple(chain.from_iterable(detector.needed_fields(record) for detector in self._detectors))

    def observe(self, record: TopicRecord) -> bool:
        """Pass a frame on, if it can matter; the same frame again would change nothing."""
        values = record.values
        if values is not None and not values.has_problems:
            raws = values.raws
            sides = tuple(
                [-1 if raws[place] is None else bisect_right(breaks, raws[place]) for place, breaks in self._breaks]
            )
            if self._last.get(record) == sides and not self.needed_fields(record):
                return True
            self._last[record] = sides
        else:
            self._last.pop(record, None)
        for detector in self._detectors:
            detector.observe(record)
        return True

    def forget(self, record: TopicRecord) -> None:
        """Forget a topic."""
        self._last.pop(record, None)


def _breaks(field: FieldSpec, levels: Iterable[float]) -> list[int]:
    """Return the raw integers at which a value gets to another side of a level, or begins or ceases to be a value."""
    found = {place for special in field.states for place in (special, special + 1)}
    for level in levels:
        found |= {_first(field, partial(le, level)), _first(field, partial(lt, level))}
    return sorted(found)


def _first(field: FieldSpec, holds: Callable[[float], object]) -> int:
    """Return the first raw integer from which a condition holds; where values fall, from which it no longer does."""
    low, high = (-(1 << field.length - 1), 1 << field.length - 1) if field.signed else (0, 1 << field.length)
    is_rising = field.scale > 0
    while low < high:
        middle = (low + high) // 2
        if holds(field.value(middle)) is is_rising:
            high = middle
        else:
            low = middle + 1
    return low
