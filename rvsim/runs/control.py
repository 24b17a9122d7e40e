"""Control of a paced run from another thread: actions, pause, speed and stop.

Knows: a lock, the requested actions, pause and speed. Does not know what runs.
"""

import threading
from collections import deque
from collections.abc import Callable

from rvsim.sim.clock import PacedClock


class RunControl:
    """Controls a paced run from another thread.

    Another thread holds ``lock`` while it reads the run; what it wants to change goes through ``request`` and is done
    between two steps of the run.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.lock = threading.RLock()
        self.wake = threading.Event()
        self.stopped = False
        self.paused = False
        self.speed = speed
        """Simulated seconds, or seconds of a log, per real second."""
        self._requested: deque[Callable[[], None]] = deque()

    def request(self, action: Callable[[], None]) -> None:
        """Have an action done by the run's own thread before its next step."""
        self._requested.append(action)
        self.wake.set()

    def stop(self) -> None:
        """Stop the run after the present step."""
        self.stopped = True
        self.wake.set()

    def pause(self, *, paused: bool) -> None:
        """Stop simulated time, or let it go on."""
        self.paused = paused
        self.wake.set()

    def set_speed(self, speed: float) -> None:
        """Set how fast simulated time goes on."""
        self.speed = speed
        self.wake.set()

    def apply_to(self, clock: PacedClock) -> None:
        """Set pause and speed of the run's clock, and do the requested actions; called by the run."""
        self.wake.clear()
        (clock.pause if self.paused else clock.resume)()
        if self.speed != clock.speed:
            clock.set_speed(self.speed)
        with self.lock:
            while self._requested:
                self._requested.popleft()()
