"""How nodes come back after bus-off: when they have seen the pair at rest often enough.

Knows: 128 times 11 recessive bits one after the other (CAN Specification 2.0, part B, section 8). The end of every
frame and error frame is one such time, the rest between them as many as fit. That a node comes back by itself is
our model: real ones do, or wait for their software to say so.
"""

from typing import TYPE_CHECKING

from rvsim.sim.can.controller import Node
from rvsim.sim.can.transmission import Attempt
from rvsim.sim.can.unacknowledged import RESTS

if TYPE_CHECKING:
    from rvsim.sim.can.line import Line

REST, TIMES = 11, 128


class Recovery:
    """Counts times of rest for those who are bus-off, and only while someone is."""

    def __init__(self, line: "Line") -> None:
        self._line = line
        self._needs: dict[Node, int] = {}
        self._seen = 0
        self._tail = 0
        self._quiet_since: int | None = None
        self._endless: Attempt | None = None
        self._due: int | None = None

    def watch(self, node: Node) -> None:
        """Count for a node that has just gone bus-off, from the end of what is under way on."""
        if not self._needs:
            self._seen, self._tail, self._quiet_since, self._endless = 0, 0, None, None
        self._needs[node] = self._seen_by_now() + TIMES

    def began(self, attempt: Attempt) -> None:
        """Take note that an attempt started."""
        if self._needs:
            self._seen = self._seen_by_now()
            self._tail, self._quiet_since = 0, None
            self._endless = attempt if attempt.endless else None
            self._plan()

    def ended(self, time: int, times: int = 1) -> None:
        """Take note that attempts end at ``time``, and the pair has been at rest some times by then."""
        if self._needs:
            self._tail, self._quiet_since, self._endless = times, time, None
            self._plan()

    def _seen_by_now(self) -> int:
        if self._quiet_since is None:
            return self._seen
        now = self._line.kernel.now
        if now < self._quiet_since:
            return self._seen + self._tail - 1
        return self._seen + self._tail + self._line.pace.whole_bits(now - self._quiet_since) // REST

    def _plan(self) -> None:
        """Plan when the next one is back if nothing else happens; while one frame is under way nobody is."""
        self._due = None
        if not self._needs:
            return
        missing = min(self._needs.values()) - self._seen
        if self._endless is not None:
            moment = self._line.endless.clear(self._endless, -(-missing // RESTS))
        elif self._quiet_since is not None:
            moment = self._quiet_since + self._line.pace.us(max(missing - self._tail, 0) * REST)
        else:
            return
        self._due = max(moment, self._line.kernel.now)
        self._line.kernel.at(self._due, self._let_back, self._due)

    def _let_back(self, moment: int) -> None:
        if moment != self._due:
            return
        self._line.resume()
        seen = self._seen_by_now()
        for node in [node for node, needed in self._needs.items() if needed <= seen]:
            del self._needs[node]
            if self._line.nodes.get(node.sender) is node:
                self._line.count(node, node.recover)
        self._plan()
