"""How far long work has come, said on stderr every few seconds.

Knows: the machine's clock and stderr. Does not know what the work is.
"""

import time
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from rvsim.faces.exits import say

EVERY_S = 5.0
_LOOKED = 4096
"""Items between two looks at the clock."""
_Item = TypeVar("_Item")


def told(items: Iterable[_Item], what: str, clock: Callable[[], float] = time.monotonic) -> Iterator[_Item]:
    """Hand items on, and say every five seconds how many of them there were so far."""
    said = clock()
    for number, item in enumerate(items, 1):
        if number % _LOOKED == 0 and clock() - said >= EVERY_S:
            said = clock()
            say(f"{number} {what} so far")
        yield item
