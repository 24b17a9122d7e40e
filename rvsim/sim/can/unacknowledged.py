"""Endless retries: what error passive nodes send again and again because nobody acknowledges it.

Knows: such a node's counter stays where it is (see ``node``), so its attempts follow one another at one pace and need
no event each. Where they stand is worked out when something else happens.
"""

from typing import TYPE_CHECKING

from rvsim.sim.can.transmission import PAUSE, Attempt
from rvsim.sim.can.wire_faults import Hits
from rvsim.wire.line_events import NotAcknowledged

if TYPE_CHECKING:
    from rvsim.sim.can.line import Line

RESTS = 2
"""Times of 11 recessive bits between the acknowledgement slot of one attempt and the start of the next."""


class Endless:
    """An attempt that is repeated until ``Line.resume``."""

    def __init__(self, line: "Line", hits: Hits) -> None:
        self._line = line
        self._hits = hits

    def begin(self, attempt: Attempt) -> None:
        """Let an attempt repeat itself from now on, as far as no error on the wires ends that."""
        attempt.endless = True
        kernel, us = self._line.kernel, self._line.pace.us
        kernel.at(attempt.start + us(attempt.slot), self._tell, attempt)
        if self._hits.left is not None:
            good = (self._hits.left - 1) // attempt.slot
            kernel.at(attempt.start + us(good * attempt.cycle), self._hit, attempt)

    def begun(self, attempt: Attempt) -> int:
        """Return how often it has begun by now."""
        return -(-self._line.pace.bits(self._line.kernel.now - attempt.start) // attempt.cycle)

    def clear(self, attempt: Attempt, turns: int) -> int:
        """Return when the error frame of its last turn ends; with none, its start."""
        return attempt.start + (self._line.pace.us(turns * attempt.cycle - PAUSE) if turns else 0)

    def _tell(self, attempt: Attempt) -> None:
        """Tell of those who are not known to be alone."""
        if attempt is not self._line.attempt:
            return
        for node in attempt.frames:
            if not node.is_alone:
                node.is_alone = True
                now = self._line.kernel.now
                self._line.tell(NotAcknowledged(now, node.name, attempt.identifier, endless=True))

    def _hit(self, attempt: Attempt) -> None:
        if attempt is self._line.attempt:
            self._line.resume()
