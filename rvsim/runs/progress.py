"""How far long work has come, in a line every few seconds.

Knows: how often a line is due. Does not know what the work is, nor where the lines go: that is handed in as ``say``.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from rvsim.sim.clock import machine_s

EVERY_S = 5.0
PACED_EVERY_S = 60.0
"""Work that goes by the wall clock reports less often: how long it takes is known."""
_ITEMS_BETWEEN_LOOKS = 4096
"""Items between two looks at the clock."""
_Item = TypeVar("_Item")
Say = Callable[..., None]
"""Takes one or several lines for the person."""


class Progress:
    """Reports how far something has come, at most every so many seconds, the first time after as many.

    Args:
        say: takes each line.
        clock: seconds that only go forward.
        every_s: seconds between two lines, at least.
    """

    def __init__(self, say: Say, clock: Callable[[], float] = machine_s, every_s: float = EVERY_S) -> None:
        self._say, self._clock, self._every_s = say, clock, every_s
        self._last_s = clock()

    def update(self, text: Callable[[], str]) -> None:
        """Report it, if a line is due; ``text`` is called only then."""
        now = self._clock()
        if now - self._last_s >= self._every_s:
            self._last_s = now
            self._say(f"{text()} so far")


def counted(items: Iterable[_Item], what: str, progress: Progress) -> Iterator[_Item]:
    """Hand items on, and report now and then how many of them there were so far."""
    for number, item in enumerate(items, 1):
        if number % _ITEMS_BETWEEN_LOOKS == 0:
            progress.update(lambda: f"{number} {what}")  # noqa: B023 - it is called at once
        yield item
