"""The hand that a screen, or a test, has on a paced run in another thread.

Knows: a lock, what was asked, pause and speed. Does not know what runs.
"""

import threading
from collections import deque
from collections.abc import Callable

from rvsim.sim.clock import PacedClock


class Control:
    """A hand on a paced run from another thread.

    Whoever looks into the run holds ``lock``; whoever wants something done in it asks, and it is done between two
    steps.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.lock = threading.RLock()
        self.wake = threading.Event()
        self.stopped = False
        self.paused = False
        self.speed = speed
        """Simulated seconds, or seconds of a log, for each real one."""
        self._asked: deque[Callable[[], None]] = deque()

    def ask(self, action: Callable[[], None]) -> None:
        """Have something done by the run's own thread, soon."""
        self._asked.append(action)
        self.wake.set()

    def stop(self) -> None:
        """End the run after the present step."""
        self.stopped = True
        self.wake.set()

    def pause(self, paused: bool) -> None:
        """Let simulated time stand still, or go on."""
        self.paused = paused
        self.wake.set()

    def pace(self, speed: float) -> None:
        """Let simulated time run at another speed."""
        self.speed = speed
        self.wake.set()

    def answer(self, clock: PacedClock) -> None:
        """Do what was asked; called by the run."""
        self.wake.clear()
        (clock.pause if self.paused else clock.resume)()
        if self.speed != clock.speed:
            clock.set_speed(self.speed)
        with self.lock:
            while self._asked:
                self._asked.popleft()()
