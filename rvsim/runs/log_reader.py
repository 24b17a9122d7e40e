"""A log on its way to a watch, and the place that it has reached.

Knows: the rounds of a log, where each frame stands in it, and how a place is reached again: by a second reader, with a
watch of its own, which reads from the beginning of the same round. Does not know clocks, keys or how anything is shown.
"""

from collections import deque
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import NamedTuple

from rvsim.logs.read import Log
from rvsim.runs.pipeline import Pipeline
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent

ROUND_GAP_US = 10_000
"""Time between the last frame of a round and the first of the next, as on a bus with little traffic. Our choice."""

MAX_LOOKED_ENTRIES = 20_000
"""How many entries are read ahead at most. Our choice, to bound the memory."""


class LogRounds:
    """The frames and events of a log, once, or of a part of it in rounds with increasing times.

    Args:
        open_log: opens the log; called once for each round.
        start: where the second and later rounds start, in microseconds since the log's first frame.
        end: where each of several rounds ends; None for the end of the log.
        loop: whether there is more than one round.
        channel: the channel of the log, None where it has one.
        offset: the time at which the log's first frame is put in the first of these rounds.
    """

    def __init__(
        self,
        open_log: Callable[[], Log],
        start: int = 0,
        end: int | None = None,
        *,
        loop: bool = False,
        channel: str | None = None,
        offset: int = 0,
    ) -> None:
        self.start, self.end, self.loop = start, end, loop
        self._open, self._channel = open_log, channel
        self.log = open_log()
        """The log of the present round."""
        self.offset = offset
        """The time at which the log's first frame is put in the round of the last entry."""
        self.number = 0
        """How many frames of the log there are up to the last entry, those that were left out included."""
        self.position = 0
        """How many entries were popped."""
        self._entries = self._all()
        self._ahead: deque[tuple[Frame | LineEvent, int, int]] = deque()
        """The entries that were read ahead, the upcoming one first."""
        self._looked = 0
        """How many of them were yielded by ``look_ahead``."""
        self.upcoming = self._first()
        """The next frame or event, None at the end."""

    def pop(self) -> Frame | LineEvent:
        """Return the next frame or event, and read the one after it."""
        popped, self.offset, self.number = self._ahead.popleft()
        self.position += 1
        self._looked = max(0, self._looked - 1)
        self.upcoming = self._first()
        return popped

    def look_ahead(self, until: int) -> Iterator[tuple[int, Frame]]:
        """Yield the frames up to a time that were not looked at yet, each with its position, without popping them."""
        while True:
            if self._looked == len(self._ahead) and not self._read_one():
                return
            entry = self._ahead[self._looked][0]
            if entry.time > until or len(self._ahead) > MAX_LOOKED_ENTRIES:
                return
            self._looked += 1
            if isinstance(entry, Frame):
                yield self.position + self._looked, entry

    def forget_looks(self) -> None:
        """Have ``look_ahead`` begin again with the upcoming entry."""
        self._looked = 0

    def again(self, offset: int) -> "LogRounds":
        """Return the rounds from that with an offset on, read again from the log's first frame."""
        return LogRounds(self._open, self.start, self.end, loop=self.loop, channel=self._channel, offset=offset)

    def close(self) -> None:
        """Close the log."""
        self.log.close()

    def __enter__(self) -> "LogRounds":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _first(self) -> Frame | LineEvent | None:
        if not self._ahead and not self._read_one():
            return None
        return self._ahead[0][0]

    def _read_one(self) -> bool:
        """Read one entry ahead; return whether there was one."""
        found = next(self._entries, None)
        if found is None:
            return False
        self._ahead.append(found)
        return True

    def _all(self) -> Iterator[tuple[Frame | LineEvent, int, int]]:
        offset, is_first = self.offset, True
        while True:
            last, number = None, 0
            for entry in self.log.contents(self._channel):
                if self.loop and self.end is not None and entry.time > self.end:
                    break
                number += isinstance(entry, Frame)
                if not is_first and entry.time < self.start:
                    continue
                last = max(offset + entry.time, offset if last is None else last)
                yield entry._replace(time=offset + entry.time), offset, number
            self.log.close()
            if not self.loop or last is None:
                return
            offset, is_first = last + ROUND_GAP_US - self.start, False
            self.log = self._open()


class Place(NamedTuple):
    """A place in a log: the round by its offset, the number of frames of the log up to it, and the time reached."""

    offset: int
    number: int
    time: int


class LogReader:
    """Passes a log to a watch; the time that it has reached is in microseconds since the log's first frame."""

    def __init__(self, rounds: LogRounds, pipeline: Pipeline) -> None:
        self.rounds, self.pipeline = rounds, pipeline
        self.time = rounds.offset
        self.last_frame: Frame | None = None
        """The last frame that was passed on."""

    @property
    def place(self) -> Place:
        """The place that is reached."""
        return Place(self.rounds.offset, self.rounds.number, self.time)

    def go(self, to: int | None, *, until: Callable[[], bool] | None = None, max_entries: int | None = None) -> bool:
        """Pass on everything up to ``to``, or to the end of the log.

        Args:
            to: a time in microseconds.
            until: where it holds after a frame, an event or the time before one, it goes no further.
            max_entries: it goes no further than this number of entries.

        Returns:
            Whether ``until`` holds.
        """
        left = -1 if max_entries is None else max_entries
        while self.rounds.upcoming is not None and (to is None or self.rounds.upcoming.time <= to):
            if not left:
                return False
            left -= 1
            if until is not None:
                self.pipeline.advance(self.rounds.upcoming.time)
                if until():
                    self.time = max(self.time, self.rounds.upcoming.time)
                    return True
            self.pass_one()
            if until is not None and until():
                return True
        if to is not None and self.rounds.upcoming is not None:
            self.pipeline.advance(to)
            self.time = max(self.time, to)
        return until is not None and until()

    def pass_one(self) -> Frame | LineEvent:
        """Pass on the next entry, and return it."""
        popped = self.rounds.pop()
        if isinstance(popped, Frame):
            self.pipeline.observe(popped)
            self.last_frame = popped
        else:
            self.pipeline.observe_event(popped)
        self.time = max(self.time, popped.time)
        return popped

    def go_to(self, place: Place, max_entries: int) -> bool:
        """Go on towards a place of the same round; return whether it is reached."""
        for _ in range(max_entries):
            upcoming = self.rounds.upcoming
            if upcoming is None:
                return True
            is_before = self.rounds.number < place.number
            if not is_before and (isinstance(upcoming, Frame) or upcoming.time > place.time):
                self.pipeline.advance(place.time)
                self.time = max(self.time, place.time)
                return True
            self.pass_one()
        return False
