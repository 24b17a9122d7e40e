"""Calls of a device once in each period of its clock, which rest while nothing can happen.

Knows: that calls which rested go on at the times that they would have had. Does not know why they rest: the call says
so itself, and its device wakes it when something has changed.
"""

from collections.abc import Callable
from typing import Protocol

from rvsim.devices.node_timing import NodeTiming


class TicksHost(Protocol):
    """What this needs of its device."""

    now: int
    timers: list[tuple[int, Callable[[], int | None]]]


class RestingTicks:
    """Calls now, and again in each period of the device's clock, until the call returns that it may rest.

    Args:
        host: the device whose calls they are.
        timing: its clock.
        period_us: the period, in microseconds of that clock.
        call: returns whether there is nothing to do until ``wake``.
    """

    def __init__(self, host: TicksHost, timing: NodeTiming, period_us: int, call: Callable[[], bool]) -> None:
        self._host, self._own_times, self._period_us, self._call = host, timing.own_times, period_us, call
        self._is_resting = False
        self._due = 0
        """The time of the next call that is left out, while it rests."""
        timing.before_change.append(self._leave_out)
        delay_us = self._again()
        if delay_us is not None:
            host.timers.append((delay_us, self._again))

    def wake(self) -> None:
        """Go on with the call that would come now or next; nothing where it does not rest."""
        if self._is_resting:
            self._leave_out()
            self._is_resting = False
            self._host.timers.append((self._due - self._host.now, self._again))

    def _again(self) -> int | None:
        self._is_resting = self._call()
        period_us = self._own_times[self._period_us]
        self._due = self._host.now + period_us
        return None if self._is_resting else period_us

    def _leave_out(self) -> None:
        """Leave out the calls before the present time; until now the period was that of the clock's present rate."""
        missed_us = self._host.now - self._due
        if self._is_resting and missed_us > 0:
            period_us = self._own_times[self._period_us]
            self._due += -(-missed_us // period_us) * period_us
