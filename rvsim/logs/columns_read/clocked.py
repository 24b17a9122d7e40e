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
from rvsim.logs.formats.entry import SkippedEntry
from rvsim.logs.formats.log_clock import ChannelClock
from rvsim.wire.line_events import LineEvent, LogEnded

if TYPE_CHECKING:
    from numpy import int32, int64, intp
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
        import numpy as np

        counts = np.bincount(entries.channels, minlength=len(entries.names))
        rows_of: list[NDArray[intp]] = [np.arange(0)] * len(counts)
        for number in np.flatnonzero(counts).tolist():
            is_only = counts[number] == len(entries)
            rows_of[number] = np.arange(len(entries)) if is_only else np.flatnonzero(entries.channels == number)
        times = np.empty(len(entries), np.int64)
        backs = np.zeros(len(entries), np.int64)
        self._advance(entries, rows_of, times, backs, np.flatnonzero(counts).tolist(), 0, len(entries))
        for number in np.flatnonzero(counts).tolist():
            name = entries.names[number]
            yield name, self._block(self._clocks[name], entries, rows_of[number], times, backs)

    def _advance(
        self,
        entries: EntryColumns,
        rows_of: "Sequence[NDArray[intp]]",
        times: "NDArray[int64]",
        backs: "NDArray[int64]",
        channels: Sequence[int],
        start: int,
        end: int,
    ) -> None:
        """Set the times of the entries between two rows on some channels, and by how much they go back."""
        left = []
        for number in channels:
            rows = rows_of[number]
            if start or end < len(entries):
                rows = rows[rows.searchsorted(start) : rows.searchsorted(end)]
            if len(rows) and not self._advance_all(
                entries, rows, times, backs, self._clocks.get(entries.names[number])
            ):
                left.append(number)
        if not left:
            return
        if end - start > MAX_SINGLE_ENTRIES:
            middle = (start + end) // 2
            self._advance(entries, rows_of, times, backs, left, start, middle)
            self._advance(entries, rows_of, times, backs, left, middle, end)
            return
        for row in range(start, end):
            number = int(entries.channels[row])
            if number in left:
                clock, time = self._clock_of(entries.names[number]), int(entries.times[row])
                backs[row] = 0 if time == UNTIMED else clock.advance(int(entries.places[row]), time)
                times[row] = clock.last

    @staticmethod
    def _advance_all(
        entries: EntryColumns,
        rows: "NDArray[intp]",
        times: "NDArray[int64]",
        backs: "NDArray[int64]",
        clock: ChannelClock | None,
    ) -> bool:
        """Advance a clock over many entries of one channel; return whether that could be done at once."""
        import numpy as np

        if clock is None:
            return False
        own = entries.times if len(rows) == len(entries) else entries.times[rows]
        before, timed = clock.last, own != UNTIMED
        all_timed = bool(timed.all())
        advanced = clock.advance_all(own if all_timed else own[timed])
        if advanced is None:
            return False
        clamped, back = advanced
        if not all_timed:
            steps = np.cumsum(timed)
            clamped = np.concatenate(([before], clamped))[steps]
            back = None if back is None else np.where(timed, np.concatenate(([0], back))[steps], 0)
        times[rows] = clamped
        if back is not None:
            backs[rows] = back
        return True

    def _block(
        self,
        clock: ChannelClock,
        entries: EntryColumns,
        rows: "NDArray[intp]",
        times: "NDArray[int64]",
        backs: "NDArray[int64]",
    ) -> Block:
        """Count the entries of one channel, and return its block."""
        import numpy as np

        forms = entries.forms[rows]
        is_frame = forms == FRAME
        frame_rows = rows if is_frame.all() else rows[is_frame]
        clock.frames += len(frame_rows)
        clock.untimed += int(np.count_nonzero(entries.times[frame_rows] == UNTIMED))
        clock.untimed += self._untimed_messages(entries, rows, forms)
        self._count_others(clock, entries.others, forms)
        if len(frame_rows) == len(entries):
            frames = Columns(times, entries.identifiers, entries.data, entries.lengths)
        else:
            frames = Columns(times, entries.identifiers, entries.data, entries.lengths).rows(frame_rows)
        if len(frame_rows) == len(rows) and not backs[rows].any():
            return Block(frames)
        return Block(frames, self._events(entries, rows, forms, times[rows], backs[rows]))

    @staticmethod
    def _untimed_messages(entries: EntryColumns, rows: "NDArray[intp]", forms: "NDArray[int32]") -> int:
        """Return how many long messages have no time."""
        import numpy as np

        joined = [number for number, other in enumerate(entries.others, 1) if other.joined is not None]
        if not joined:
            return 0
        return int(np.count_nonzero((entries.times[rows] == UNTIMED) & np.isin(forms, joined)))

    @staticmethod
    def _count_others(clock: ChannelClock, others: Sequence[SkippedEntry], forms: "NDArray[int32]") -> None:
        """Count the entries of other kinds, the kinds in order of appearance."""
        import numpy as np

        used, firsts, counts = np.unique(forms[forms != FRAME], return_index=True, return_counts=True)
        for number in firsts.argsort().tolist():
            clock.count_other(others[used[number] - 1], int(counts[number]))

    def _events(
        self,
        entries: EntryColumns,
        rows: "NDArray[intp]",
        forms: "NDArray[int32]",
        times: "NDArray[int64]",
        backs: "NDArray[int64]",
    ) -> EventColumns:
        """Return the events of the entries of one channel, in their order."""
        import numpy as np

        stamps = [[*map(stamp_of, other.events(0, self._recorder))] for other in entries.others]
        firsts = np.cumsum([BACK + 1, *map(len, stamps)])
        """The code of the first event of each kind of entry; the others follow it."""
        counts = np.array([0, *map(len, stamps)])[forms]
        parts = [np.flatnonzero(backs)]
        codes = [np.full(len(parts[0]), BACK)]
        for order in range(int(counts.max(initial=0))):
            parts.append(np.flatnonzero(counts > order))
            codes.append(firsts[forms[parts[-1]] - 1] + order)
        at, code = np.concatenate(parts), np.concatenate(codes)
        in_order = at.argsort(kind="stable")  # of one entry, first the time that went back
        at, code = at[in_order], code[in_order]
        before = np.cumsum(forms == FRAME) - (forms == FRAME)
        places = entries.places[rows[at]]
        together = [stamp for of_entry in stamps for stamp in of_entry]
        return EventColumns(before[at], times[at], code, backs[at], places, together, self._place)


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
