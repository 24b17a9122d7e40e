"""Nodes that have just started: the first failure of such a node is not counted.

Needs every address claim and every request for claims.

Knows: that a node which claims its address without a request starts, moves or defends its address (SAE J1939-81). Does
not know which of the three it is: in all three the exchanges of the node may have been interrupted.
"""

from rvsim.wire.ident import GLOBAL_ADDRESS

MAX_CLAIM_ANSWER_US = 1_250_000
"""How long after a request a claim counts as its answer (can-j1939 2.0.12 controller_application.py,
REQUEST_FOR_CLAIM)."""


class JustStarted:
    """The nodes that have started and have neither failed nor succeeded since; times are bus time."""

    def __init__(self) -> None:
        self._just_started: set[int] = set()
        self._requests: dict[int, int] = {}
        """When claims were last requested, by destination."""

    def observe_request(self, destination: int, now: int) -> None:
        """Take in a request for claims."""
        self._requests[destination] = now

    def observe_claim(self, source: int, now: int) -> None:
        """Take in a claim."""
        requested_at = [
            self._requests[destination] for destination in (source, GLOBAL_ADDRESS) if destination in self._requests
        ]
        if not requested_at or now - max(requested_at) > MAX_CLAIM_ANSWER_US:
            self._just_started.add(source)

    def note_success(self, source: int) -> None:
        """Note that a node has succeeded in something."""
        self._just_started.discard(source)

    def excuse_failure(self, source: int) -> bool:
        """Return whether a failure of a node is its first after a start, which does not count; the next one does."""
        if source not in self._just_started:
            return False
        self._just_started.discard(source)
        return True
