"""When the bus load is too high, and when that ends.

Knows: the limits. Does not know the device at a source address: its caller does. The load is computed exactly only
where two whole seconds together can reach a limit, since any second lies within two of them. Needs every frame.
"""

from collections.abc import Callable

from rvsim.watch.bus.bus_load import MAX_IDLE_SECONDS, MAX_POSSIBLE_PERCENT, BusLoad, BusySecond, Window
from rvsim.watch.transitions import BusBusy, Ended, LoadImpossible, Transition

BUSY_NOTICE, BUSY_WARNING = 40, 70
"""Percent of a second. 40: an engine maker's electrical installation guide, for design; 70 is our decision."""
CLEAR_AFTER_SECONDS = MAX_IDLE_SECONDS
"""The number of seconds below the limit that ends the problem: three. Common practice, no source."""


class Overload:
    """Judges the load of one bus: every second, wherever it begins."""

    def __init__(self, emit: Callable[[Transition], None], name_of: Callable[[int], str]) -> None:
        self.bus_load = BusLoad()
        self._emit = emit
        self._name_of = name_of
        self._judges = True
        self._standing: BusBusy | None = None
        self._calm = 0

    def pass_seconds(self, time: int) -> None:
        """Judge the seconds that ended in the whole seconds up to ``time``."""
        for second in self.bus_load.close(time):
            if self._judges:
                self._judge(second)

    @property
    def needs_seconds(self) -> bool:
        """Whether every second must be judged at present; else only those that can reach a limit."""
        return self._standing is not None

    @property
    def judges(self) -> bool:
        """Whether the load is judged."""
        return self._judges

    def stop_judging(self) -> None:
        """Stop judging the load: the times or the bit rate are wrong."""
        self._judges = False

    def _judge(self, second: BusySecond) -> None:
        busiest = second.busiest() if second.can_reach(BUSY_NOTICE) else None
        percent = busiest.percent if busiest is not None else 0.0
        if busiest is not None and percent > MAX_POSSIBLE_PERCENT:
            self._doubt(second, busiest, percent)
            return
        above = BUSY_WARNING if percent > BUSY_WARNING else BUSY_NOTICE if percent > BUSY_NOTICE else 0
        standing = self._standing
        if standing is not None and above < standing.above:
            self._calm += 1
            if self._calm < CLEAR_AFTER_SECONDS:
                return
        self._calm = 0
        if busiest is not None and standing is not None and standing.above == above:
            if percent > standing.percent:
                self._standing = self._busy(second, standing.since, busiest, percent, above)
                self._emit(self._standing)
            return
        if (standing.above if standing else 0) == above:
            return
        if standing is not None:
            self._emit(Ended(second.end, standing.problem_key))
        self._standing = None
        if busiest is not None and above:
            first = second.first_above(above) or busiest
            self._standing = self._busy(second, first.end, busiest, percent, above)
            self._emit(self._standing)

    def _doubt(self, second: BusySecond, busiest: Window, percent: float) -> None:
        """Report a load that is impossible, and stop judging the load."""
        self.stop_judging()
        if self._standing is not None:
            self._emit(Ended(second.end, self._standing.problem_key))
            self._standing = None
        self._emit(LoadImpossible(second.end, busiest.end, percent, len(busiest.passed)))

    def _busy(self, second: BusySecond, since: int, busiest: Window, percent: float, above: int) -> BusBusy:
        bits = busiest.by_user()
        (user, most), *_ = bits.most_common(1)
        share = 100 * most / bits.total()
        name = f"{user} frames" if isinstance(user, str) else self._name_of(user)
        return BusBusy(second.end, since, busiest.end, percent, above, name, share, len(busiest.passed))
