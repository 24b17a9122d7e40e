"""How simulated time and the wall clock go together; the only file that sleeps.

Knows: virtual time (nobody waits) and paced time (simulated microseconds against the machine's monotonic
clock, at any speed). Does not know what happens at any time: the same kernel runs under both.
"""

import threading
import time
from typing import Protocol


class Clock(Protocol):
    """Something that can be waited for."""

    def wait_until(self, moment: int, wake: threading.Event | None = None) -> bool:
        """Return True once ``moment`` (simulated microseconds) has come, False where ``wake`` was set before."""


class VirtualClock:
    """Every moment has come as soon as it is asked for."""

    def wait_until(self, moment: int, wake: threading.Event | None = None) -> bool:  # noqa: ARG002 - the protocol's
        """Return at once."""
        return True


class PacedClock:
    """Simulated time runs at ``speed`` times the wall clock, from the first wait on.

    Raises:
        ValueError: the speed is not above 0.
    """

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"speed {speed} is not above 0")
        self.speed = speed
        self._started_ns: int | None = None
        self._paused_ns: int | None = None

    def pause(self) -> None:
        """Let simulated time stand still until ``resume``: every wait lasts until it is woken."""
        if self._paused_ns is None:
            self._paused_ns = time.monotonic_ns()

    def resume(self) -> None:
        """Go on from where simulated time stood."""
        if self._paused_ns is not None and self._started_ns is not None:
            self._started_ns += time.monotonic_ns() - self._paused_ns
        self._paused_ns = None

    def reached(self) -> int:
        """Return how far simulated time has come by the wall clock, in microseconds."""
        return -round(self._wait_s(0) * self.speed * 1e6)

    def _wait_s(self, moment: int) -> float:
        now = time.monotonic_ns() if self._paused_ns is None else self._paused_ns
        if self._started_ns is None:
            self._started_ns = now
        return moment / 1e6 / self.speed - (now - self._started_ns) / 1e9

    def wait_until(self, moment: int, wake: threading.Event | None = None) -> bool:
        """Sleep until the moment has come; a moment already gone by returns at once."""
        wait = self._wait_s(moment)
        if self._paused_ns is not None and wake is not None:
            return not wake.wait()
        if wait <= 0:
            return True
        if wake is not None:
            return not wake.wait(wait)
        time.sleep(wait)
        return True
