"""Blocks of a log: consecutive entries of one channel, the frames as columns.

Knows: how frames and other events of a channel are kept in their order. Does not know formats of logs, nor what frames
mean. A block has a bounded number of frames, so memory does not grow with the log.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from rvsim.logs.columns import Columns, to_columns
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent

MAX_BLOCK_FRAMES = 1 << 17
"""The most frames of a block. With half as many, decoding a log of 12 messages took a tenth longer, since each
operation on the arrays of a message has a fixed cost. Our decision."""


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive entries of one channel of a log."""

    frames: Columns
    """The frames, in the order of the log; their times never go back."""
    events: Sequence[tuple[int, LineEvent]] = ()
    """The other entries in their order, each with the number of this block's frames that come before it."""

    def entries(self) -> Iterator[Frame | LineEvent]:
        """Yield the frames and the other entries one by one, in their order."""
        frames = self.frames.frames()
        done = 0
        for before, event in self.events:
            while done < before:
                yield next(frames)
                done += 1
            yield event
        yield from frames


def to_blocks(
    contents: Iterable[tuple[str, Frame | LineEvent]], most: int = MAX_BLOCK_FRAMES
) -> Iterator[tuple[str, Block]]:
    """Yield the blocks of a log's channels, each with the name of its channel; ``most`` bounds their entries."""
    waiting: dict[str, tuple[list[Frame], list[tuple[int, LineEvent]]]] = {}
    for channel, entry in contents:
        frames, events = waiting.setdefault(channel, ([], []))
        if isinstance(entry, Frame):
            frames.append(entry)
        else:
            events.append((len(frames), entry))
        if len(frames) + len(events) >= most:
            del waiting[channel]
            yield channel, Block(to_columns(frames), events)
    for channel, (frames, events) in waiting.items():
        yield channel, Block(to_columns(frames), events)
