"""Which controllers have a frame ready, and which of them wins the arbitration.

Knows: the lowest identifier wins (CAN Specification 2.0, 1991, part B), and an error passive controller pauses after
its own frame. Does not know what becomes of the frames.
"""

import sys

from rvsim.sim.can.controller import Controller, ReadyFrame


class Arbitration(dict[Controller, None]):
    """The controllers that take part and have frames ready, in the order in which they came."""

    def take(self, now: int) -> dict[Controller, ReadyFrame]:
        """Take the frame that wins at ``now`` (microseconds) from its controller.

        More than one where controllers send the same identifier, in the order of their frames.
        """
        if len(self) == 1:  # mostly
            (winner,) = self
            winners = [winner] if winner.free_from <= now else []
        else:
            winners = self._winners(now)
        frames = {}
        for controller in winners:
            frames[controller] = controller.take()
            if not controller.waiting:
                del self[controller]
        return frames

    def _winners(self, now: int) -> list[Controller]:
        lowest, winners = sys.maxsize, list[Controller]()
        for controller in self:
            identifier = controller.waiting[0][0]
            if identifier <= lowest and controller.free_from <= now:
                if identifier < lowest:
                    lowest, winners = identifier, []
                winners.append(controller)
        if len(winners) > 1:
            winners.sort(key=lambda controller: controller.waiting[0])
        return winners

    def free_from(self) -> int:
        """Return the time in microseconds from which on one of them may start; there has to be one."""
        return min(controller.free_from for controller in self)
