"""Entries in columns on the clocks of their channels: the blocks of a log.

Knows: how the entries of each channel get their time, and which events they stand for, as ``Log.by_channel`` gives them
one by one. Does not know formats. Many entries advance a clock at once; where a clock starts, is set or has impossible
times, its entries are halved until few are left, which advance it one by one.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns, to_columns
from rvsim.logs.columns_read.entry_columns import FRAME, UNTIMED, EntryColumns
from rvsim.logs.columns_read.event_columns import BACK, EventColumns, joined, stamp_of
from rvsim.logs.formats.log_clock import ChannelClock
from rvsim.wire.line_events import LineEvent, LogEnded

if TYPE_CHECKING:
    from numpy import bool_, intp
    from numpy.typing import NDArray

MAX_SINGLE_ENTRIES = 128
"""So many entries advance a clock one by one. Our decision."""


class ClockedEntries:
    """Gives the entries of a log their times.

    Args:
        clocks: the clocks of the channels that have one, by the name of the channel.
        clock_of: returns the clock of a channel, a new one if needed.
        place: returns the name of a place in the log.
        recorder: the node whose state and counters the log has.
    """

    def __init__(
        self,
        clocks: Mapping[bytes | None, ChannelClock],
        clock_of: Callable[[bytes | None], ChannelClock],
        place: Callable[[int], str],
        recorder: str,
    ) -> None:
        self._clocks, self._clock_of, self._place, self._recorder = clocks, clock_of, place, recorder

    def blocks(self, entries: EntryColumns) -> Iterator[tuple[bytes | None, Block]]:
        """Yield a block for each channel that has entries here.

        Raises:
            InputError: the log has too many channels.
        """
        parts = list(_parts(entries))
        self._advance(parts, 0, len(entries))
        for part in parts:
            yield part.name, self._block(part, self._clocks[part.name])

    def _advance(self, parts: "Sequence[_Part]", start: int, end: int) -> None:
        """Set the times of the entries of some channels between two rows, and by how much they go back."""
        if len(parts) == 1 and parts[0].name not in self._clocks and start < end:
            self._advance_singly(parts, start, start + 1)  # a clock that has started advances over all others at once
            start += 1
        left = [part for part in parts if not part.advance(self._clocks.get(part.name), start, end)]
        if left and end - start > MAX_SINGLE_ENTRIES:
            middle = (start + end) // 2
            self._advance(left, start, middle)
            self._advance(left, middle, end)
            return
        self._advance_singly(left, start, end)

    def _advance_singly(self, parts: "Sequence[_Part]", start: int, end: int) -> None:
        """Do what ``_advance`` does, entry by entry."""
        inside = [(row, number, place) for number, part in enumerate(parts) for row, place in part.between(start, end)]
        for _, number, place in sorted(inside):
            parts[number].advance_one(self._clock_of(parts[number].name), place)

    def _block(self, part: "_Part", clock: ChannelClock) -> Block:
        """Count the entries of one channel, and return its block."""
        import numpy as np

        entries = part.entries
        frames = Columns(part.times, entries.identifiers, entries.data, entries.lengths)
        if entries.forms.any():
            is_frame = entries.forms == FRAME
            frames = frames.rows(is_frame)
            _count_others(clock, entries, is_frame)
        elif part.has_untimed:
            clock.untimed += int(np.count_nonzero(entries.times == UNTIMED))
        clock.frames += len(frames)
        return Block(frames, self._events(part)) if len(frames) < len(entries) or part.has_backs else Block(frames)

    def _events(self, part: "_Part") -> EventColumns:
        """Return the events of the entries of one channel, in their order."""
        import numpy as np

        entries, forms = part.entries, part.entries.forms
        stamps = [[*map(stamp_of, other.events(0, self._recorder))] for other in entries.others]
        firsts = np.cumsum([BACK + 1, *map(len, stamps)])
        """The code of the first event of each kind of entry; the others follow it."""
        counts = np.array([0, *map(len, stamps)])[forms]
        rows = [np.flatnonzero(part.backs)]
        codes = [np.full(len(rows[0]), BACK)]
        for order in range(int(counts.max(initial=0))):
            rows.append(np.flatnonzero(counts > order))
            codes.append(firsts[forms[rows[-1]] - 1] + order)
        at, code = np.concatenate(rows), np.concatenate(codes)
        in_order = at.argsort(kind="stable")  # of one entry, first the time that went back
        at, code = at[in_order], code[in_order]
        is_frame = forms == FRAME
        before = np.cumsum(is_frame) - is_frame
        together = [stamp for of_entry in stamps for stamp in of_entry]
        return EventColumns(before[at], part.times[at], code, part.backs[at], entries.places[at], together, self._place)


def _count_others(clock: ChannelClock, entries: EntryColumns, is_frame: "NDArray[bool_]") -> None:
    """Count the entries of other kinds, the kinds in order of appearance, and what has no time."""
    import numpy as np

    counts = np.bincount(entries.forms)
    firsts = np.zeros(len(counts), np.intp)
    firsts[entries.forms[::-1]] = np.arange(len(entries))[::-1]  # of several positions the last one stays
    used = np.flatnonzero(counts[1:]) + 1
    for form in used[firsts[used].argsort()].tolist():
        clock.count_other(entries.others[form - 1], int(counts[form]))
    joined = [number for number, other in enumerate(entries.others, 1) if other.joined is not None]
    is_counted = is_frame | np.isin(entries.forms, joined) if joined else is_frame
    clock.untimed += int(np.count_nonzero(is_counted & (entries.times == UNTIMED)))


class _Part:
    """The entries of one channel, and their times since the log's start once their clock has advanced."""

    def __init__(self, name: bytes | None, entries: EntryColumns, rows: "NDArray[intp]") -> None:
        import numpy as np

        self.name, self.entries = name, entries
        self._rows = rows
        self.times = np.empty(len(entries), np.int64)
        self.backs = np.zeros(len(entries), np.int64)
        """By how many microseconds each goes back."""
        self.has_backs = False
        """Whether any may go back."""
        self.has_untimed = bool(len(entries)) and bool(entries.times.min() == UNTIMED)

    def between(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield the rows of all channels between two of them that belong to this one, and their places in it."""
        first = int(self._rows.searchsorted(start))
        return ((row, first + number) for number, row in enumerate(self._rows[first : self._rows.searchsorted(end)]))

    def advance(self, clock: ChannelClock | None, start: int, end: int) -> bool:
        """Advance the clock over the entries between two rows of all channels; return whether that was done at once."""
        import numpy as np

        first, last = self._rows.searchsorted((start, end)).tolist()
        if first == last:
            return True
        if clock is None:
            return False
        own, before = self.entries.times[first:last], clock.last
        timed = own != UNTIMED if self.has_untimed else None
        advanced = clock.advance_all(own if timed is None else own[timed])
        if advanced is None:
            return False
        clamped, back = advanced
        if timed is not None:
            steps = np.cumsum(timed)
            clamped = np.concatenate(([before], clamped))[steps]
            back = None if back is None else np.where(timed, np.concatenate(([0], back))[steps], 0)
        if len(clamped) == len(self.times):
            self.times = clamped
        else:
            self.times[first:last] = clamped
        if back is not None:
            self.backs[first:last], self.has_backs = back, True
        return True

    def advance_one(self, clock: ChannelClock, place: int) -> None:
        """Advance the clock to one entry."""
        time = int(self.entries.times[place])
        if time != UNTIMED:
            back = clock.advance(int(self.entries.places[place]), time)
            self.backs[place], self.has_backs = back, self.has_backs or back != 0
        self.times[place] = clock.last


def _parts(entries: EntryColumns) -> Iterator[_Part]:
    """Yield the entries of each channel."""
    import numpy as np

    if len(entries.names) == 1 and len(entries):
        yield _Part(entries.names[0], entries, np.arange(len(entries)))
        return
    counts = np.bincount(entries.channels, minlength=len(entries.names))
    for number in np.flatnonzero(counts).tolist():
        if counts[number] == len(entries):
            yield _Part(entries.names[number], entries, np.arange(len(entries)))
        else:
            rows = np.flatnonzero(entries.channels == number)
            yield _Part(entries.names[number], entries.rows(rows), rows)


def end_block(time: int) -> Block:
    """Return a block without frames that tells the end of the log."""
    import numpy as np

    zero = np.zeros(1, np.int64)
    ended = EventColumns(zero, zero + time, zero + BACK + 1, zero, zero, [stamp_of(LogEnded(time))], str)
    return Block(to_columns(()), ended)


class BlockBuilder:
    """Joins and cuts blocks, so that none has more entries than a limit and few have much less."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._waiting: dict[bytes | None, list[Block]] = {}

    def add(self, channel: bytes | None, block: Block) -> Iterator[Block]:
        """Add the next block of a channel, and yield those that are complete."""
        if not _entry_count(block):
            return
        waiting = self._waiting.setdefault(channel, [])
        if waiting and sum(map(_entry_count, (*waiting, block))) > self._most:
            yield from self._joined(channel)
        self._waiting.setdefault(channel, []).append(block)

    def _joined(self, channel: bytes | None) -> Iterator[Block]:
        import numpy as np

        parts = self._waiting.pop(channel)
        block = parts[0]
        if len(parts) > 1:
            of = [part.frames for part in parts]
            starts = np.cumsum([0, *map(len, of[:-1])]).tolist()
            events = [
                part.events.behind(start)
                for start, part in zip(starts, parts, strict=True)
                if isinstance(part.events, EventColumns)
            ]
            frames = Columns(
                np.concatenate([frames.times for frames in of]),
                np.concatenate([frames.identifiers for frames in of]),
                np.concatenate([frames.data for frames in of]),
                np.concatenate([frames.lengths for frames in of]),
            )
            block = Block(frames, joined(events) if events else ())
        yield from self._cut(block)

    def _cut(self, block: Block) -> Iterator[Block]:
        """Yield a block in parts of at most so many entries."""
        import numpy as np

        if _entry_count(block) <= self._most:
            yield block
            return
        events = block.events
        positions = np.arange(0)
        if isinstance(events, EventColumns):
            positions = events.before + np.arange(len(events))
        first_frame = first_event = 0
        while first_frame + first_event < _entry_count(block):
            end = min(first_frame + first_event + self._most, _entry_count(block))
            last_event = int(positions.searchsorted(end))
            last_frame = end - last_event
            part: Sequence[tuple[int, LineEvent]] = ()
            if isinstance(events, EventColumns) and last_event > first_event:
                part = events.rows(slice(first_event, last_event)).behind(-first_frame)
            yield Block(block.frames.rows(slice(first_frame, last_frame)), part)
            first_frame, first_event = last_frame, last_event

    def rest(self) -> Iterator[tuple[bytes | None, Block]]:
        """Yield the blocks that are left at the end."""
        for channel in list(self._waiting):
            for block in self._joined(channel):
                yield channel, block


def _entry_count(block: Block) -> int:
    return len(block.frames) + len(block.events)
