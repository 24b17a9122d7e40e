"""Nodes that have just started: the first failure of such a node is not held against it.

Needs every address claim and every request for claims.

Knows: that a node which claims its address without being asked starts, moves or defends it (SAE J1939-81). Does not
know which of the three it is: for all, what the node had under way may have ended.
"""

from rvsim.wire.ident import GLOBAL

TIME_TO_ANSWER_US = 1_250_000
"""So long a claim may take to answer a request (can-j1939 2.0.12 controller_application.py, REQUEST_FOR_CLAIM)."""


class Starts:
    """Who has started and has neither failed nor succeeded since; times in bus time."""

    def __init__(self) -> None:
        self._fresh: set[int] = set()
        self._asked: dict[int, int] = {}
        """When claims were asked for last, by who was asked."""

    def observe_request(self, destination: int, now: int) -> None:
        """Take in a request for claims."""
        self._asked[destination] = now

    def claim(self, source: int, now: int) -> None:
        """Take in a claim."""
        asked = [self._asked[one] for one in (source, GLOBAL) if one in self._asked]
        if not asked or now - max(asked) > TIME_TO_ANSWER_US:
            self._fresh.add(source)

    def succeed(self, source: int) -> None:
        """Learn that something of a node came through: it has started."""
        self._fresh.discard(source)

    def excuse(self, source: int) -> bool:
        """Tell whether a failure of a node is the first after its start; the next one is not."""
        if source not in self._fresh:
            return False
        self._fresh.discard(source)
        return True
