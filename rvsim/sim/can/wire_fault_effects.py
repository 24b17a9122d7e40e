"""What is wrong with a pair now, and the nodes that do not wait for their turn: those whose two wires are swapped, and
those that babble.

Knows: what the troubles of ``wiring`` promise, in the kernel's time. Does not know how the others send.
"""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from rvsim.sim.can.controller import Node
from rvsim.sim.can.transmission import BETWEEN, DELIMITER, FLAG, Attempt
from rvsim.sim.can.wire_faults import Babble, Hits, Noise, ReversedPair, Trouble
from rvsim.wire.line_events import ErrorState, NotAcknowledged

if TYPE_CHECKING:
    from rvsim.sim.can.line import Line


class CrossedNodes:
    """The attempts of nodes on a reversed pair, 16 at most until they are error passive."""

    def __init__(self, line: "Line") -> None:
        self._line = line
        self._under_way: dict[Node, Attempt] = {}

    @property
    def sending(self) -> Node | None:
        """The node, if any, that sends now and does not care whether others do."""
        return next(iter(self._under_way), None)

    def start(self, node: Node) -> None:
        """Let a node send the frame it has ready, if it is one of them and does nothing yet."""
        ready, kernel = node.most_urgent, self._line.kernel
        if not node.crossed or node.state is not ErrorState.ACTIVE or ready is None or node in self._under_way:
            return
        if node.free_from > kernel.now:
            return
        attempt = self._under_way[node] = Attempt(kernel.now, {node: ready})
        kernel.at(kernel.now + self._line.pace.us(attempt.slot), self._unheard, attempt)
        self._line.disturb(node)

    def stop(self, node: Node) -> None:
        """Let it be an ordinary node again."""
        self._under_way.pop(node, None)

    def met(self, node: Node) -> None:
        """Let its attempt fail because its bits met another's."""
        if self._under_way.pop(node, None) is not None:
            self._line.count(node, node.sending_failed)
            self._again(node)

    def _unheard(self, attempt: Attempt) -> None:
        (node,) = attempt.frames
        if self._under_way.get(node) is attempt:
            del self._under_way[node]
            self._line.tell(NotAcknowledged(self._line.kernel.now, node.name, attempt.identifier))
            self._line.count(node, node.unacknowledged)
            self._again(node)

    def _again(self, node: Node) -> None:
        node.free_from = self._line.kernel.now + self._line.pace.us(FLAG + DELIMITER + BETWEEN)
        self._line.kernel.at(node.free_from, self.start, node)


class Babblers:
    """What babbling nodes send, one frame waiting at a time."""

    def __init__(self, line: "Line") -> None:
        self._line = line
        self._due: dict[Babble, int] = {}

    def start(self, babble: Babble) -> None:
        """Send the first frame now."""
        self._due[babble] = self._line.kernel.now
        self._send(babble)

    def stop(self, babble: Babble) -> None:
        """Send no more; what waits still goes."""
        del self._due[babble]

    def _send(self, babble: Babble) -> None:
        line = self._line
        if self._due.get(babble) != line.kernel.now:
            return
        if babble.gap_us:
            self._due[babble] += babble.gap_us
            line.kernel.at(self._due[babble], self._send, babble)
        self._fill(babble)

    def _fill(self, babble: Babble) -> None:
        known = (node for node in self._line.nodes.values() if node.name == babble.node)
        node = next(known, None) or self._line.join(babble.node, babble.node)
        if not any(ready[0] == babble.identifier for ready in node.waiting):
            self._line.send(babble.identifier, babble.data, node.sender)

    def went(self, senders: Iterable[Node]) -> None:
        """Send the next frame of those without a gap whose last one went through."""
        if self._due:
            names = {node.name for node in senders}
            for babble in list(self._due):
                if not babble.gap_us and babble.node in names:
                    self._fill(babble)


class Troubles:
    """All that is wrong with a pair now."""

    def __init__(self, line: "Line", hits: Hits) -> None:
        self._line = line
        self._hits = hits
        self._now: list[Trouble] = []
        self.crossed = CrossedNodes(line)
        self.babblers = Babblers(line)

    def begin(self, trouble: Trouble) -> None:
        """Let something be wrong from now on; the same twice is one."""
        if trouble in self._now:
            return
        self._now.append(trouble)
        self._changed()
        if isinstance(trouble, Babble):
            self.babblers.start(trouble)
        for node in self._reversed_by(trouble):
            self._cross(node)

    def end(self, trouble: Trouble) -> None:
        """Put right what was wrong; what is not wrong stays so."""
        if trouble not in self._now:
            return
        self._now.remove(trouble)
        self._changed()
        if isinstance(trouble, Babble):
            self.babblers.stop(trouble)
        for node in self._reversed_by(trouble):
            node.crossed = False
            self.crossed.stop(node)
            self._line.let_in(node)

    def joined(self, node: Node) -> None:
        """Let what is wrong already be so for a new node."""
        if ReversedPair(node.name) in self._now:
            self._cross(node)

    def _changed(self) -> None:
        self._line.look_closer(bool(self._now))
        self._hits.set_rate(min(sum(one.rate for one in self._now if isinstance(one, Noise)), 1.0))

    def _reversed_by(self, trouble: Trouble) -> list[Node]:
        if not isinstance(trouble, ReversedPair):
            return []
        return [node for node in self._line.nodes.values() if node.name == trouble.node]

    def _cross(self, node: Node) -> None:
        node.crossed = True
        self._line.shut_out(node)
        self.crossed.start(node)
