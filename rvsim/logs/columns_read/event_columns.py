"""The events of a block as columns of arrays; they become objects when they are asked for.

Knows: how events that differ in their times only are kept together. Does not know where they come from.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple, overload

from rvsim.wire.line_events import LineEvent, ListeningResumed, TimeWentBack

if TYPE_CHECKING:
    from numpy import bool_, int64, intp
    from numpy.typing import NDArray

BACK = 0
"""The code of a time that went back."""


class Stamp(NamedTuple):
    """Events that differ in their times only: their type, and all but the time."""

    type: type[LineEvent]
    rest: tuple[object, ...]


def stamp_of(event: LineEvent) -> Stamp:
    """Return what an event has in common with the same event at another time: of a pause its length."""
    if isinstance(event, ListeningResumed):
        return Stamp(ListeningResumed, (event.time - event.since, event.about))
    return Stamp(type(event), event[1:])


def _pause(time: int, length: Any, about: Any) -> ListeningResumed:
    return ListeningResumed(time, time - length, about)


@dataclass(frozen=True, eq=False)
class EventColumns(Sequence[tuple[int, LineEvent]]):
    """The events of a block, as ``Block.events`` has them; all arrays have one length."""

    before: "NDArray[int64]"
    """The number of frames of the block that come before each event."""
    times: "NDArray[int64]"
    codes: "NDArray[int64]"
    """``BACK``, or 1 + a position in ``stamps``."""
    backs: "NDArray[int64]"
    """By how much a time went back."""
    places: "NDArray[int64]"
    """Where in the log it went back."""
    stamps: Sequence[Stamp]
    place_name: Callable[[int], str]

    def __len__(self) -> int:
        return len(self.before)

    @overload
    def __getitem__(self, place: int) -> tuple[int, LineEvent]: ...
    @overload
    def __getitem__(self, place: slice) -> "EventColumns": ...
    def __getitem__(self, place: int | slice) -> "tuple[int, LineEvent] | EventColumns":
        return self.rows(place) if isinstance(place, slice) else self._objects[place]

    def __iter__(self) -> Iterator[tuple[int, LineEvent]]:
        return iter(self._objects)

    @cached_property
    def _objects(self) -> list[tuple[int, LineEvent]]:
        return list(self._made())

    def _made(self) -> Iterator[tuple[int, LineEvent]]:
        new, stamps, arrays = tuple.__new__, self.stamps, (self.before, self.times, self.codes, self.backs, self.places)
        for before, time, code, back, place in zip(*(array.tolist() for array in arrays), strict=True):
            if code == BACK:
                yield before, TimeWentBack(time, back, self.place_name(place))
                continue
            kind, rest = stamps[code - 1]
            if kind is ListeningResumed:
                yield before, _pause(time, *rest)
            else:  # as a tuple: a call of the type would take four times as long
                yield before, new(kind, (time, *rest))

    def rows(self, rows: "NDArray[intp] | NDArray[bool_] | slice") -> "EventColumns":
        """Return some of the events."""
        return EventColumns(
            self.before[rows],
            self.times[rows],
            self.codes[rows],
            self.backs[rows],
            self.places[rows],
            self.stamps,
            self.place_name,
        )

    def behind(self, frames: int) -> "EventColumns":
        """Return the events with so many more frames before them, fewer where the number is below zero."""
        before = self.before + frames
        return EventColumns(before, self.times, self.codes, self.backs, self.places, self.stamps, self.place_name)


def joined(parts: Sequence[EventColumns]) -> EventColumns:
    """Return events one part after the other."""
    import numpy as np

    stamps: list[Stamp] = []
    codes: list[NDArray[int64]] = []
    for part in parts:
        codes.append(np.where(part.codes == BACK, BACK, part.codes + len(stamps)))
        stamps += part.stamps
    return EventColumns(
        np.concatenate([part.before for part in parts]),
        np.concatenate([part.times for part in parts]),
        np.concatenate(codes),
        np.concatenate([part.backs for part in parts]),
        np.concatenate([part.places for part in parts]),
        stamps,
        parts[0].place_name,
    )
