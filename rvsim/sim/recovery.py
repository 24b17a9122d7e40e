"""How nodes come back after bus-off: when they have seen the pair at rest often enough.

Knows: 128 times 11 recessive bits one after the other (CAN Specification 2.0, part B, section 8). The end of every
frame and error frame is one such time, the rest between them as many as fit. That a node comes back by itself is
our model: real ones do, or wait for their software to say so.
"""

from typing import TYPE_CHECKING

from rvsim.sim.node import Node
from rvsim.wire.line_events import ErrorState

if TYPE_CHECKING:
    from rvsim.sim.line import Line

REST, TIMES = 11, 128


class Recovery:
    """Counts times of rest for those who are bus-off, and only while someone is."""

    def __init__(self, line: "Line") -> None:
        self._line = line
        self._needs: dict[Node, int] = {}
        self._seen = 0
        self._tail = 0
        self._quiet_since: int | None = None

    def watch(self, node: Node) -> None:
        """Count for a node that has just gone bus-off by a failed attempt."""
        if not self._needs:
            self._seen, self._tail, self._quiet_since = 0, 0, None
        self._needs[node] = self._seen_by_now() + TIMES
        self._plan(node)

    def began(self) -> None:
        """Take note that an attempt started."""
        if self._needs:
            self._seen = self._seen_by_now()
            self._tail, self._quiet_since = 0, None

    def ended(self, time: int, times: int = 1) -> None:
        """Take note that attempts end at ``time``, and the pair has been at rest some times by then."""
        if self._needs:
            self._tail, self._quiet_since = times, time

    def _seen_by_now(self) -> int:
        if self._quiet_since is None:
            return self._seen
        now = self._line.kernel.now
        if now < self._quiet_since:
            return self._seen + self._tail - 1
        return self._seen + self._tail + self._line.pace.whole_bits(now - self._quiet_since) // REST

    def _plan(self, node: Node) -> None:
        """Look again when it would be back if nothing more were sent."""
        kernel, missing = self._line.kernel, self._needs[node] - self._seen - self._tail
        since = kernel.now if self._quiet_since is None else self._quiet_since
        kernel.at(max(since + self._line.pace.us(missing * REST), kernel.now), self._due, node)

    def _due(self, node: Node) -> None:
        if self._line.nodes.get(node.sender) is not node or node.state is not ErrorState.BUS_OFF:
            self._needs.pop(node, None)
            return
        self._line.resume()
        if self._seen_by_now() < self._needs[node]:
            self._plan(node)
            return
        del self._needs[node]
        self._line.count(node, node.recover)
