"""Entries of a log as columns of arrays, in the order of the log.

Knows: how frames, entries of other kinds and unreadable places are kept together. Does not know formats, nor clocks.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Generic, TypeVar

from rvsim.logs.columns import Columns, standard_frame_bits
from rvsim.logs.formats.entry import EntryKind, LogEntry, ReadEntry, SkippedEntry, UnreadableError
from rvsim.logs.formats.log_clock import MAX_PLACES

if TYPE_CHECKING:
    from numpy import bool_, int32, int64, intp, uint8, uint32, uint64
    from numpy.typing import NDArray

UNTIMED = -(1 << 63)
"""The time of an entry that has none."""
FRAME = 0
"""The form of a classic data frame with a 29-bit identifier."""
NOTHING = -1
"""The form of a place without an entry."""


@dataclass(frozen=True, eq=False)
class EntryColumns:
    """Consecutive entries of a log; all arrays have one length. Notes of the logging program are only counted."""

    places: "NDArray[int64]"
    """Where in the log each entry is: its line, in .blf its byte."""
    times: "NDArray[int64]"
    """The log's own times in microseconds; ``UNTIMED`` where there is none."""
    channels: "NDArray[intp]"
    """Positions in ``names``."""
    forms: "NDArray[int32]"
    """``FRAME``, or 1 + a position in ``others``."""
    identifiers: "NDArray[uint32]"
    """Of frames; identifiers, data and lengths of all other entries have no meaning."""
    data: "NDArray[uint64]"
    """The data bytes, as in ``Columns``."""
    lengths: "NDArray[uint8]"
    names: Sequence[bytes | None]
    others: Sequence[SkippedEntry]
    """The entries that are not frames, without time and channel, each once."""
    unreadable: Sequence[tuple[int, str]]
    """The first places that could not be read, and why."""
    unreadable_count: int
    notes: int
    """Entries of no channel which report nothing of the wires."""
    origin: int
    """When the log's own time is zero, in microseconds since the epoch, as known at its entries."""
    end: int
    """The last place that was read, whether or not an entry is there."""

    def __len__(self) -> int:
        return len(self.times)

    def rows(self, rows: "NDArray[intp]") -> "EntryColumns":
        """Return some of the entries; what is counted beside them stays."""
        return replace(
            self,
            places=self.places[rows],
            times=self.times[rows],
            channels=self.channels[rows],
            forms=self.forms[rows],
            identifiers=self.identifiers[rows],
            data=self.data[rows],
            lengths=self.lengths[rows],
        )


Item = TypeVar("Item")


class Numbered(Generic[Item]):
    """Different items, numbered in the order in which they are first asked for."""

    def __init__(self) -> None:
        self._numbers: dict[Item, int] = {}

    def number(self, item: Item) -> int:
        """Return the number of an item, a new one if needed."""
        return self._numbers.setdefault(item, len(self._numbers))

    @property
    def items(self) -> list[Item]:
        """All items by their number."""
        return list(self._numbers)


@dataclass(eq=False)
class EntryTable:
    """Entries while they are read: a row for each place, filled in any order; ``columns`` leaves out the empty rows."""

    size: int
    names: Numbered[bytes | None] = field(default_factory=Numbered)
    others: Numbered[SkippedEntry] = field(default_factory=Numbered)
    unreadable: list[tuple[int, str]] = field(default_factory=list)
    unreadable_count: int = 0
    notes: int = 0

    def __post_init__(self) -> None:
        self.is_full = False
        """Whether all rows were set at once."""

    # The arrays are made when a row is first set: mostly all rows are set at once, and then they are there already.

    @cached_property
    def times(self) -> "NDArray[int64]":
        """As in `EntryColumns`, like the arrays below."""
        import numpy as np

        return np.empty(self.size, np.int64)

    @cached_property
    def channels(self) -> "NDArray[intp]":
        """Positions in ``names``."""
        import numpy as np

        return np.empty(self.size, np.intp)

    @cached_property
    def forms(self) -> "NDArray[int32]":
        """``NOTHING`` where no row is set."""
        import numpy as np

        return np.full(self.size, NOTHING, np.int32)

    @cached_property
    def identifiers(self) -> "NDArray[uint32]":
        """Of frames."""
        import numpy as np

        return np.zeros(self.size, np.uint32)

    @cached_property
    def data(self) -> "NDArray[uint64]":
        """Of frames."""
        import numpy as np

        return np.zeros(self.size, np.uint64)

    @cached_property
    def lengths(self) -> "NDArray[uint8]":
        """Of frames."""
        import numpy as np

        return np.zeros(self.size, np.uint8)

    def set_frames(self, rows: "NDArray[intp] | slice", frames: Columns, channel: "NDArray[intp] | int") -> None:
        """Set rows to frames with the log's own times."""
        import numpy as np

        if len(frames) == self.size:
            self.is_full = True
            self.times, self.identifiers, self.data, self.lengths = (
                frames.times, frames.identifiers, frames.data, frames.lengths,
            )  # fmt: skip
            self.channels = np.full(self.size, channel, np.intp) if isinstance(channel, int) else channel
            self.forms = np.full(self.size, FRAME, np.int32)
            return
        self.channels[rows], self.forms[rows] = channel, FRAME
        self.times[rows], self.identifiers[rows] = frames.times, frames.identifiers
        self.data[rows], self.lengths[rows] = frames.data, frames.lengths

    def set_standard(self, rows: "NDArray[intp]", frames: Columns, channel: "NDArray[intp] | int") -> None:
        """Set rows to data frames with 11-bit identifiers."""
        bits = standard_frame_bits(frames)
        self.set_others(
            rows, frames.times, channel, bits, lambda size: SkippedEntry(None, EntryKind.STANDARD, None, size)
        )

    def set_others(
        self,
        rows: "NDArray[intp]",
        times: "NDArray[int64]",
        channel: "NDArray[intp] | int",
        codes: "NDArray[int64]",
        meaning: Callable[[int], SkippedEntry],
    ) -> None:
        """Set rows to entries of other kinds: each of them has a small code, which has a meaning."""
        import numpy as np

        forms = np.zeros(int(codes.max(initial=0)) + 1, np.int32)
        for code in np.flatnonzero(np.bincount(codes)).tolist():
            forms[code] = 1 + self.others.number(meaning(code))
        self.times[rows], self.channels[rows], self.forms[rows] = times, channel, forms[codes]

    def set_read(self, rows: Sequence[int], read: Sequence[ReadEntry | UnreadableError], places: Sequence[int]) -> None:
        """Set rows to what was read one by one, at the given places."""
        frames: list[tuple[int, LogEntry]] = []
        for row, found, place in zip(rows, read, places, strict=True):
            if isinstance(found, LogEntry):
                frames.append((row, found))
            elif isinstance(found, UnreadableError):
                self.unreadable_count += 1
                if len(self.unreadable) < MAX_PLACES:
                    self.unreadable.append((place, str(found)))
            elif found:
                self._set_skipped(row, found)
        if frames:
            self._set_frames_one_by_one(frames)

    def _set_frames_one_by_one(self, frames: Sequence[tuple[int, LogEntry]]) -> None:
        import numpy as np

        rows = np.array([row for row, _ in frames], np.intp)
        self.times[rows] = [UNTIMED if entry.time is None else entry.time for _, entry in frames]
        self.identifiers[rows] = [entry.identifier for _, entry in frames]
        self.data[rows] = [int.from_bytes(entry.data.ljust(8, b"\0")) for _, entry in frames]
        self.lengths[rows] = [len(entry.data) for _, entry in frames]
        self.channels[rows] = [self.names.number(entry.channel) for _, entry in frames]
        self.forms[rows] = FRAME

    def _set_skipped(self, row: int, found: SkippedEntry) -> None:
        if found.is_note:
            self.notes += 1
            return
        self.times[row] = UNTIMED if found.time is None else found.time
        self.channels[row] = self.names.number(found.channel)
        self.forms[row] = 1 + self.others.number(found._replace(time=None, channel=None))

    def columns(self, places: "NDArray[int64]", *, origin: int, end: int) -> EntryColumns:
        """Return the rows that were set, with the place of each row."""
        import numpy as np

        arrays = (places, self.times, self.channels, self.forms, self.identifiers, self.data, self.lengths)
        kept: NDArray[bool_] | None = None if self.is_full else self.forms != NOTHING
        if kept is not None and not kept.all():
            rows = np.flatnonzero(kept)
            arrays = tuple(array[rows] for array in arrays)  # type: ignore[assignment]
        return EntryColumns(
            *arrays,
            self.names.items,
            self.others.items,
            self.unreadable,
            self.unreadable_count,
            self.notes,
            origin,
            end,
        )
