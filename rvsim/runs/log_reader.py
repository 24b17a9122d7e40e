"""A log on its way to a watch, and the place that it has reached.

Knows: the rounds of a log, where each frame stands in it, and how a place is reached again: by a second reader, with a
watch of its own, which reads from the beginning of the same round. Does not know clocks, keys or how anything is shown.
"""

from collections import deque
from collections.abc import Callable, Iterator
from itertools import chain
from types import TracebackType
from typing import NamedTuple

from rvsim.logs.blocks import Block
from rvsim.logs.column_watch import ColumnWatch, EventFollower
from rvsim.logs.read import Log, several_channels
from rvsim.runs.pipeline import Pipeline
from rvsim.watch.decode import Decoder
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import JoinedMessage, LineEvent, ListeningResumed

ROUND_GAP_US = 10_000
"""Time between the last frame of a round and the first of the next, as on a bus with little traffic. Our choice."""

SKIM_MARGIN_FRAMES, SKIM_MARGIN_US = 2_000, 20_000_000
"""What is read frame by frame before a place: in that time nearly every message comes once, so that afterwards what
changes is told from its last value. Our choice."""
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
        self._blocks: Iterator[Block] | None = None
        """The blocks of the first round, while it is skimmed."""

    def begin(self) -> None:
        """Read up to the first entry: then the log knows its date and its channels."""
        if not self._ahead:
            self._read_one()

    @property
    def upcoming(self) -> Frame | LineEvent | None:
        """The next frame or event, None at the end."""
        if not self._ahead and not self._read_one():
            return None
        return self._ahead[0][0]

    def pop(self) -> Frame | LineEvent:
        """Return the next frame or event."""
        if not self._ahead:
            self._read_one()
        popped, self.offset, self.number = self._ahead.popleft()
        self.position += 1
        self._looked = max(0, self._looked - 1)
        return popped

    def take_block(self, number: int, time: int) -> Block | None:
        """Take the next entries as a block, up to a number of frames of the log and a time; None where there are none.

        Blocks are taken before the first entry is popped or looked at, and not of a log that is repeated.
        """
        if self.loop or self._ahead:
            return None
        if self._blocks is None:
            self._blocks = self._of_channel()
        block = next(self._blocks, None)
        if block is None:
            return None
        frames = block.frames
        count = min(len(frames), max(0, number - self.number), int(frames.times.searchsorted(time)))
        if count < len(frames) or any(event.time > time for _, event in block.events):
            first, rest = _split(block, count)
            self._blocks = chain((rest,), self._blocks)
            block = first
        self.number += len(block.frames)
        self.position += len(block.frames) + len(block.events)
        return block if len(block.frames) else None

    def _of_channel(self) -> Iterator[Block]:
        """Yield the blocks of the log's one channel, or of the chosen one.

        Raises:
            InputError: none is chosen, and there are several.
        """
        for channel, block in self.log.blocks():
            if self._channel is None and len(self.log.channels) > 1:
                raise several_channels(self.log)
            if self._channel is None or channel == self._channel:
                yield block

    def _contents(self, *, is_first: bool) -> Iterator[Frame | LineEvent]:
        if is_first and self._blocks is not None:
            return (entry for block in self._blocks for entry in block.entries())
        return self.log.contents(self._channel)

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
            last, number = None, self.number if is_first else 0
            for entry in self._contents(is_first=is_first):
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


def _split(block: Block, count: int) -> tuple[Block, Block]:
    """Return the first frames of a block with the events before them, and the rest."""
    before = [pair for pair in block.events if pair[0] < count]
    after = [(place - count, event) for place, event in block.events if place >= count]
    return Block(block.frames.between(0, count), before), Block(block.frames.between(count), after)


class Place(NamedTuple):
    """A place in a log: the round by its offset, the number of frames of the log up to it, and the time reached."""

    offset: int
    number: int
    time: int


class LogReader:
    """Passes a log to a watch; the time that it has reached is in microseconds since the log's first frame."""

    def __init__(self, rounds: LogRounds, pipeline: Pipeline, catalogue: Catalogue | None = None) -> None:
        """Take the log and what observes it; with the definitions, ``skim`` can pass over it in columns."""
        self.rounds, self.pipeline = rounds, pipeline
        self._columns: ColumnWatch | None = None
        if catalogue is not None and not rounds.loop:
            self._columns = ColumnWatch(pipeline.watch, Decoder(catalogue), EventFollower(pipeline.note_flags))
        self.time = rounds.offset
        self.last_frame: Frame | None = None
        """The last frame that was passed on."""

    @property
    def place(self) -> Place:
        """The place that is reached."""
        return Place(self.rounds.offset, self.rounds.number, self.time)

    def skim(self, number: int, time: int) -> bool:
        """Pass on a block of what lies well before a number of frames and a time; return whether there was one.

        The watch knows afterwards what it knows frame by frame; readings that change are not told.
        """
        if self._columns is None:
            return False
        block = self.rounds.take_block(max(0, number - SKIM_MARGIN_FRAMES), max(0, time - SKIM_MARGIN_US))
        if block is None:
            return False
        by_frame = any(isinstance(event, JoinedMessage | ListeningResumed) for _, event in block.events)
        self._columns.observe(block, None if by_frame else self._columns.split(block.frames))
        frames = block.frames
        self.last_frame = next(frames.between(len(frames) - 1).frames())
        self.time = max(self.time, self.last_frame.time, *(event.time for _, event in block.events))
        self.pipeline.time = self.time
        return True

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
