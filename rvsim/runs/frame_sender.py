"""Sends the frames of a log on a simulated bus at their times, in a thread of its own.

Knows: which frames were sent, and how late. The run hands frames over some time before they are due, so that neither
the watch nor a screen holds them up. Does not know what sends them, nor logs. A frame that is behind the time of the
clock is sent at once.
"""

import threading
from array import array
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack, suppress
from typing import NamedTuple

from rvsim.errors import BusError
from rvsim.sim.clock import PacedClock
from rvsim.thread_turns import short_turns
from rvsim.wire.frame import Frame

LOOK_AHEAD_US = 500_000
"""How long before they are due frames are handed over, in microseconds of the wall clock. Our choice."""
SWITCH_INTERVAL_S = 0.0005
"""How long another thread may keep the interpreter while this one has to send: the usual 5 ms would be too late."""
MAX_KEPT_DELAYS = 100_000
"""How many delays are kept for the figures. Our choice."""
MAX_WAIT_S = 0.5
"""The longest wait for a frame before the sender looks whether it is to stop. Our choice."""


class SenderStatistics(NamedTuple):
    """The counts of a sender so far; delays are in microseconds behind the time of each frame."""

    sent: int
    median_us: int
    p99_us: int
    worst_us: int


def _has_come(frame: Frame, clock: PacedClock) -> bool:
    """Tell whether the time of a frame has come; at a clock that stands still it does not come."""
    return not clock.is_paused and frame.time <= clock.reached()


class FrameSender:
    """Sends frames; close it, or use it in a ``with`` block.

    Args:
        send: sends one frame; it may raise a BusError, which ends the sender.
    """

    def __init__(self, send: Callable[[Frame], None]) -> None:
        self._send = send
        self._clock: PacedClock | None = None
        self._waiting: deque[tuple[int, Frame]] = deque()
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._closing = False
        self._last_number = 0
        self._sent = 0
        self._delays = array("q")
        self._turns = ExitStack()
        self.error: BusError | None = None
        """The error that ended it, None while it sends."""
        self._thread = threading.Thread(target=self._run, name="frame sender", daemon=True)
        self._thread.start()

    @property
    def statistics(self) -> SenderStatistics:
        """The counts so far."""
        delays = sorted(self._delays)
        if not delays:
            return SenderStatistics(self._sent, 0, 0, 0)
        last = len(delays) - 1
        return SenderStatistics(self._sent, delays[last // 2], delays[last * 99 // 100], delays[last])

    def start(self, clock: PacedClock) -> None:
        """Send from now on by the time of a clock."""
        self._clock = clock
        self._turns.enter_context(short_turns(SWITCH_INTERVAL_S))
        self._wake.set()

    def schedule(self, number: int, frame: Frame) -> None:
        """Hand over a frame; numbers rise, and a frame whose number was sent already is ignored.

        Raises:
            BusError: sending has failed.
        """
        if self.error is not None:
            raise self.error
        with self._lock:
            if number > self._last_number:
                self._waiting.append((number, frame))
        self._wake.set()

    def send_now(self, number: int, frame: Frame) -> None:
        """Send one frame whatever its time, and none with a lower number after it; raises as ``schedule`` does."""
        if self.error is not None:
            raise self.error
        with self._lock:
            while self._waiting and self._waiting[0][0] <= number:
                self._waiting.popleft()
            if number > self._last_number:
                self._last_number = number
                self._sent += 1
                self._send(frame)

    def clear(self, number: int) -> None:
        """Forget what waits; frames with a higher number than ``number`` may be handed over again."""
        with self._lock:
            self._waiting.clear()
            self._last_number = number
        self._wake.set()

    def update(self) -> None:
        """Look at the clock anew: it was paused, or has another time or speed."""
        self._wake.set()

    def _run(self) -> None:
        while True:
            clock = self._clock
            with self._lock:
                first = self._waiting[0] if self._waiting else None
            is_due = first is not None and clock is not None and _has_come(first[1], clock)
            if self._closing and not is_due:
                return
            if clock is None or first is None:
                self._wake.wait(MAX_WAIT_S)
                self._wake.clear()
                continue
            if not is_due and not clock.wait_until(first[1].time, self._wake):
                self._wake.clear()
                continue
            try:
                self._send_first(first, clock)
            except BusError as error:
                self.error = error
                return

    def _send_first(self, first: tuple[int, Frame], clock: PacedClock) -> None:
        with self._lock:
            if not self._waiting or self._waiting[0] is not first:
                return  # it was taken back meanwhile
            self._waiting.popleft()
            number, frame = first
            self._send(frame)
            self._last_number = number
            self._sent += 1
            if len(self._delays) < MAX_KEPT_DELAYS:
                self._delays.append(max(0, round((clock.reached() - frame.time) / clock.speed)))

    def close(self) -> None:
        """Send what is due, then stop; may be called twice."""
        self._closing = True
        self._wake.set()
        self._thread.join(2 * MAX_WAIT_S)
        self._turns.close()

    def __enter__(self) -> "FrameSender":
        return self

    def __exit__(self, *error: object) -> None:
        with suppress(RuntimeError):
            self.close()
