"""Who has a frame ready, and who of them wins the arbitration.

Knows: the lowest identifier wins (CAN Specification 2.0, 1991, part B), and an error passive node pauses after its own
frame. Does not know what becomes of the frames.
"""

import sys

from rvsim.sim.can.controller import Node, Ready


class Contenders(dict[Node, None]):
    """The nodes with frames ready that hear the pair, in the order in which they came."""

    def take(self, now: int) -> dict[Node, Ready]:
        """Take the frame that wins now: more than one where nodes send the same identifier, in their order."""
        frames = {}
        for node in self._foremost(now):
            frames[node] = node.take()
            if not node.waiting:
                del self[node]
        return frames

    def _foremost(self, now: int) -> list[Node]:
        lowest, winners = sys.maxsize, list[Node]()
        for node in self:
            identifier = node.waiting[0][0]
            if identifier <= lowest and node.free_from <= now:
                if identifier < lowest:
                    lowest, winners = identifier, []
                winners.append(node)
        if len(winners) > 1:
            winners.sort(key=lambda node: node.waiting[0])
        return winners

    def free_from(self) -> int:
        """Return from when on one of them may start; there has to be one."""
        return min(node.free_from for node in self)
