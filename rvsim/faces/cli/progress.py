"""How far long work has come, said on stderr every few seconds.

Knows: the machine's clock and stderr. Does not know what the work is.
"""

import time
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from rvsim.faces.cli.exits import say

EVERY_S = 5.0
PACED_S = 60.0
"""Work that goes by the wall clock is told of less often: how long it takes is known."""
_LOOKED = 4096
"""Items between two looks at the clock."""
_Item = TypeVar("_Item")


class Progress:
    """Says how far something has come, at most every so many seconds, the first time after as many."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, every_s: float = EVERY_S) -> None:
        self._clock, self._every_s = clock, every_s
        self._said = clock()

    def tell(self, text: Callable[[], str]) -> None:
        """Say it, if it is time."""
        now = self._clock()
        if now - self._said >= self._every_s:
            self._said = now
            say(f"{text()} so far")


def told(items: Iterable[_Item], what: str, clock: Callable[[], float] = time.monotonic) -> Iterator[_Item]:
    """Hand items on, and say every five seconds how many of them there were so far."""
    progress = Progress(clock)
    for number, item in enumerate(items, 1):
        if number % _LOOKED == 0:
            progress.tell(lambda: f"{number} {what}")  # noqa: B023 - it is called at once
        yield item
