"""A bus listened to: frames of a port in front of a watch, and what is said while nothing, or nothing valid, comes.

Knows: how the interface's time stamps become seconds since the start, how long to wait before silence is worth a word,
and what to try then. Does not know options or how a bus is opened. Nothing is sent: it has a port that receives.
"""

import time
from collections.abc import Callable

from rvsim.edge.port import Port
from rvsim.errors import BusError
from rvsim.runs.control import Control
from rvsim.runs.pipeline import Pipeline
from rvsim.wire.frame import Frame

LOOK_S = 0.1
"""The longest wait between two looks at the port."""
BEHIND_US = 500_000
"""So far the watch stays behind the present: frames that the interface hands over in heaps are not missed meanwhile.
Our choice; adapters were not measured."""
SILENCE_S = 5.0
"""Without a frame for so long from the start, what to try is said: heartbeats come at least every 5 s
(rv-c.com/node/82)."""
_WIRES = "CAN high and CAN low, which may be swapped; both terminators"

_ALONE = (
    "if only one device is on this bus, and the adapter only listens, nobody acknowledges its frames and nothing valid "
    "can arrive; power a second device"
)


class ListenRun:
    """Hears a bus until it is stopped.

    Args:
        port: an open port that receives.
        hearing: hears the frames.
        bus: the bus in words, for what is said.
        bit_rate: the bits per second that were asked for, None where the interface has none.
        virtual: whether it is the bus inside this program.
        say: is told each sentence for the person, once.
        clock: monotonic nanoseconds.
    """

    def __init__(
        self,
        port: Port,
        hearing: Pipeline,
        bus: str,
        bit_rate: int | None,
        say: Callable[[str], None],
        *,
        virtual: bool = False,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._port, self._hearing, self._say, self._clock = port, hearing, say, clock
        self.watch = hearing.watch
        self._bus = bus if bit_rate is None else f"{bus} at {bit_rate} bit/s"
        self._bit_rate = bit_rate
        self._virtual = virtual
        self._started = clock()
        self._origin: int | None = None
        self._told: set[str] = set()
        self._dropped = 0

    @property
    def observed_until(self) -> int:
        """How far the watch has come, in microseconds since the start."""
        return self._hearing.time

    def run(self, end: int | None, control: Control) -> None:
        """Listen until ``end`` (microseconds since the start) or until ``control`` stops it.

        Raises:
            BusError: the bus was lost.
            InputError: the recording could not be written.
        """
        try:
            while not control.stopped and (end is None or self._elapsed() < end):
                left = LOOK_S if end is None else min(LOOK_S, (end - self._elapsed()) / 1e6)
                self._port.arrived.wait(max(0.0, left))
                self._port.arrived.clear()
                with control.lock:
                    self.poll()
            with control.lock:
                self.poll()
        finally:
            with control.lock:
                self._hearing.advance(self._now())
                self._hearing.finish(self._hearing.time)

    def poll(self) -> None:
        """Take in what has come, tell the watch the time, and say what has to be said.

        Raises:
            BusError: the bus was lost.
        """
        statistics = self._port.statistics
        for one in self._port.receive():
            if isinstance(one, Frame):
                self._hearing.observe(one._replace(time=self._since_start(one.time)))
            elif self._origin is None:  # no frame has told yet how the interface counts
                self._hearing.observe_event(one._replace(time=self._elapsed()))
            else:
                self._hearing.observe_event(one._replace(time=self._since_start(one.time)))
        now = self._now() - BEHIND_US
        if now > self._hearing.time:
            self._hearing.advance(now)
        self._hearing.flush()
        self._tell()
        if statistics.error is not None:
            raise BusError(f"{self._bus}: the bus was lost while listening ({statistics.error})")

    def _elapsed(self) -> int:
        return (self._clock() - self._started) // 1000

    def _now(self) -> int:
        """Return the present in microseconds since the start, as the interface counts them once it has spoken."""
        now = self._port.now()
        return self._elapsed() if now is None or self._origin is None else now - self._origin

    def _since_start(self, time: int) -> int:
        if self._origin is None:
            now = self._port.now()
            self._origin = (time if now is None else now) - self._elapsed()
        return max(0, time - self._origin)

    # What has to be said.

    def _tell(self) -> None:
        counts = self._port.statistics
        if counts.dropped > self._dropped:
            self._dropped = counts.dropped
            self._once("dropped", f"{self._bus}: frames were lost here, this machine is too slow; flags may be false")
        if counts.received and counts.errors:
            self._once("among", f"{self._bus}: spoilt frames among the valid ones. Try next: {_WIRES}")
        if counts.received:
            return
        if counts.errors:
            self._once("errors", self._spoilt(counts.errors), _ALONE)
        elif counts.skipped:
            self._once(
                "skipped",
                f"{self._bus}: only frames that RV-C does not use come in (11-bit, remote, FD); is it the right bus?",
            )
        elif self._elapsed() >= SILENCE_S * 1e6:
            self._once("silence", *self._silent())

    def _once(self, what: str, *sentences: str) -> None:
        if what not in self._told:
            self._told.add(what)
            for sentence in sentences:
                self._say(sentence)

    def _spoilt(self, errors: int) -> str:
        rate = f"the bit rate, which is {self._bit_rate} here and 250000 on RV-C; " if self._bit_rate else ""
        told = f"the adapter reports spoilt frames ({errors} so far) and no valid one"
        return f"{self._bus}: {told}. Try next: {rate}{_WIRES}"

    def _silent(self) -> tuple[str, ...]:
        heard = f"{self._bus}: nothing heard for {SILENCE_S:.0f} s. "
        if self._virtual:
            return (heard + "A virtual bus reaches nobody outside this program",)
        return (
            heard + "Try next: is the network powered; CAN high, CAN low and ground of the adapter; the bit rate, "
            "which is 250000 on RV-C",
            _ALONE,
        )
