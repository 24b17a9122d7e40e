"""How controllers come back after bus-off: after enough times of rest on the pair.

Knows: 128 times 11 recessive bits one after the other (CAN Specification 2.0, part B, section 8). The end of every
frame and error frame is one such time; the idle time between them is as many as fit into it. That a controller comes
back by itself is our model: real ones do so, or wait for their software. Does not know who else is on the pair, nor
what is sent.
"""

from collections.abc import Callable

from rvsim.sim.can.bit_time import BitTime
from rvsim.sim.can.controller import Controller
from rvsim.sim.can.unacknowledged import RESTS_PER_REPEAT, UnacknowledgedRepeats
from rvsim.sim.kernel import Kernel

REST_BITS = 11
"""Recessive bits that are one time of rest."""
RESTS_TO_RECOVER = 128
"""Times of rest that a controller sees after it went bus-off and before it takes part again (the same section)."""


class BusOffRecovery:
    """Counts times of rest for controllers that are bus-off, and only while there are any.

    `Line` tells it when transmissions start and end; repeats without acknowledgement it reads from ``repeats``. When a
    controller may be due, it calls ``bring_up_to_date``, then ``recovered`` with each controller that is back.
    """

    def __init__(
        self,
        kernel: Kernel,
        bit_time: BitTime,
        repeats: UnacknowledgedRepeats,
        *,
        bring_up_to_date: Callable[[], None],
        recovered: Callable[[Controller], None],
    ) -> None:
        self._kernel = kernel
        self._bit_time = bit_time
        self._repeats = repeats
        self._bring_up_to_date = bring_up_to_date
        self._recovered = recovered
        self._needs: dict[Controller, int] = {}  # the count of rests at which each is back
        self._seen = 0  # rests before the last transmission ended
        self._tail = 0  # rests that are complete when it has ended
        self._quiet_since: int | None = (
            None  # when it has ended, which may be still to come; None while one is going on
        )
        self._due: int | None = None

    def start(self, controller: Controller) -> None:
        """Count for a controller that has just gone bus-off, from the end of what is under way on."""
        if not self._needs:
            self._seen, self._tail, self._quiet_since = 0, 0, None
        self._needs[controller] = self._seen_by_now() + RESTS_TO_RECOVER

    def stop(self, controller: Controller) -> None:
        """Count no more for a controller that is not on the pair any more."""
        self._needs.pop(controller, None)

    def transmission_started(self) -> None:
        """Take note that a transmission started, or started to repeat itself."""
        if self._needs:
            self._seen = self._seen_by_now()
            self._tail, self._quiet_since = 0, None
            self._plan()

    def transmission_ended(self, time: int, rests: int = 1) -> None:
        """Take note that transmissions end at ``time``, and the pair has been at rest some times by then."""
        if self._needs:
            self._tail, self._quiet_since = rests, time
            self._plan()

    def _seen_by_now(self) -> int:
        if self._quiet_since is None:
            return self._seen
        now = self._kernel.now
        if now < self._quiet_since:
            return self._seen + self._tail - 1
        return self._seen + self._tail + self._bit_time.whole_bits(now - self._quiet_since) // REST_BITS

    def _plan(self) -> None:
        """Plan when the next one is back if nothing else happens; while one frame is under way nobody is."""
        self._due = None
        if not self._needs:
            return
        missing = min(self._needs.values()) - self._seen
        if self._quiet_since is not None:
            moment = self._quiet_since + self._bit_time.us(max(missing - self._tail, 0) * REST_BITS)
        elif self._repeats.transmission is not None:
            moment = self._repeats.clear_from(-(-missing // RESTS_PER_REPEAT))
        else:
            return
        self._due = max(moment, self._kernel.now)
        self._kernel.at(self._due, self._let_back, self._due)

    def _let_back(self, moment: int) -> None:
        if moment != self._due:
            return
        self._bring_up_to_date()
        seen = self._seen_by_now()
        for controller in [controller for controller, needed in self._needs.items() if needed <= seen]:
            del self._needs[controller]
            self._recovered(controller)
        self._plan()
