"""Progress of long work: a line every few seconds.

Knows: how often a line is due. Does not know what the work is, nor where the lines go: ``say`` takes them.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from rvsim.logs.blocks import Block
from rvsim.sim.clock import machine_s

REPORT_INTERVAL_S = 5.0
PACED_REPORT_INTERVAL_S = 60.0
"""Runs in real time report less often: their duration is known."""
_ITEMS_PER_CLOCK_CHECK = 4096
_Item = TypeVar("_Item")
Say = Callable[..., None]
"""Takes one or several lines for the person."""


class Progress:
    """Reports progress at most once per interval, the first time after one interval.

    Args:
        say: takes each line.
        clock: seconds that only go forward.
        interval_s: the least number of seconds between two lines.
    """

    def __init__(self, say: Say, clock: Callable[[], float] = machine_s, interval_s: float = REPORT_INTERVAL_S) -> None:
        self._say, self._clock, self._interval_s = say, clock, interval_s
        self._last_s = clock()

    def update(self, text: Callable[[], str]) -> None:
        """Report ``text()`` if a line is due; ``text`` is called only then."""
        now = self._clock()
        if now - self._last_s >= self._interval_s:
            self._last_s = now
            self._say(f"{text()} so far")


def counted(items: Iterable[_Item], what: str, progress: Progress) -> Iterator[_Item]:
    """Yield the items, and report from time to time how many there were so far."""
    for number, item in enumerate(items, 1):
        if number % _ITEMS_PER_CLOCK_CHECK == 0:
            progress.update(lambda: f"{number} {what}")  # noqa: B023 - it is called at once
        yield item


def counted_blocks(blocks: Iterable[tuple[str, Block]], what: str, progress: Progress) -> Iterator[tuple[str, Block]]:
    """Yield the blocks of a log's channels, and report from time to time how many frames there were so far."""
    frames = 0
    for channel, block in blocks:
        frames += len(block.frames)
        progress.update(lambda: f"{frames} {what}")  # noqa: B023 - it is called at once
        yield channel, block
