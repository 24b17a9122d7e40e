"""A part of the blocks of a log: a period, some source addresses, some messages.

Knows: how frames are chosen in columns, and the other entries between them. Does not know formats of logs, nor how a
device or a message is named.
"""

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns
from rvsim.wire.frame import Frame
from rvsim.wire.ident import DGN_LIMIT, dgn_of, is_addressed
from rvsim.wire.line_events import LineEvent

if TYPE_CHECKING:
    from numpy import bool_, intp
    from numpy.typing import NDArray


@dataclass(frozen=True)
class BlockFilter:
    """What is chosen; None stands for all.

    ``start`` and ``end`` are microseconds since the log's first frame; the end itself is in the period. Other entries
    than frames have no source: they are chosen only where all sources and all messages are.
    """

    start: int = 0
    end: int | None = None
    sources: Collection[int] | None = None
    dgns: Collection[int] | None = None

    def of(self, block: Block) -> Block:
        """Return what is chosen of a block."""
        import numpy as np

        frames = block.frames
        first, last = self._period(frames)
        if self.sources is None and self.dgns is None:
            if first == 0 and last == len(frames) and self._has_all_times:
                return block
            places = np.arange(first, last)
        else:
            places = first + np.flatnonzero(self._wanted(frames, first, last))
        events = []
        if self.sources is None and self.dgns is None:
            events = [
                (min(max(before, first), last) - first, event) for before, event in block.events if self.has(event)
            ]
        return Block(
            Columns(frames.times[places], frames.identifiers[places], frames.data[places], frames.lengths[places]),
            events,
        )

    def has(self, entry: Frame | LineEvent) -> bool:
        """Tell whether a single entry is chosen."""
        if entry.time < self.start or (self.end is not None and entry.time > self.end):
            return False
        if not isinstance(entry, Frame):
            return self.sources is None and self.dgns is None
        from_source = self.sources is None or entry.identifier & 0xFF in self.sources
        return from_source and (self.dgns is None or dgn_of(entry.identifier) in self.dgns)

    @property
    def _has_all_times(self) -> bool:
        return self.start <= 0 and self.end is None

    def _period(self, frames: Columns) -> tuple[int, int]:
        """Return the places of the first frame of the period, and of the first one after it."""
        first = int(frames.times.searchsorted(self.start, "left")) if self.start > 0 else 0
        last = len(frames) if self.end is None else int(frames.times.searchsorted(self.end, "right"))
        return first, max(first, last)

    def _wanted(self, frames: Columns, first: int, last: int) -> "NDArray[bool_]":
        import numpy as np

        identifiers = frames.identifiers[first:last]
        wanted = np.ones(len(identifiers), np.bool_)
        if self.sources is not None:
            wanted &= self._source_table[identifiers & np.uint32(0xFF)]
        if self.dgns is not None:
            wanted &= self._dgn_table[identifiers >> np.uint32(8) & np.uint32(0x3FFFF)]
        return wanted

    @cached_property
    def _source_table(self) -> "NDArray[bool_]":
        import numpy as np

        return _table(256, np.array(sorted(self.sources or ()), np.intp))

    @cached_property
    def _dgn_table(self) -> "NDArray[bool_]":
        import numpy as np

        numbers = [
            number for dgn in self.dgns or () for number in (range(dgn, dgn + 256) if is_addressed(dgn) else (dgn,))
        ]
        return _table(DGN_LIMIT, np.array(numbers, np.intp))


def _table(length: int, chosen: "NDArray[intp]") -> "NDArray[bool_]":
    import numpy as np

    table = np.zeros(length, np.bool_)
    table[chosen] = True
    return table
