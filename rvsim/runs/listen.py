"""Listening to a bus: a watch observes the frames of a port; lines for the person when no valid frame comes.

Knows: how the time stamps of an interface become time since the start, after which silence a line is due, and what to
try then. Does not know options or how a bus is opened. Nothing is sent: the port only receives.
"""

from collections.abc import Callable

from rvsim.edge.port import Port
from rvsim.errors import BusError
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.sim.clock import machine_ns
from rvsim.wire.frame import Frame

MAX_POLL_WAIT_S = 0.1
"""The longest wait between two polls of the port."""
WATCH_DELAY_US = 500_000
"""The watch stays this far behind the present, so that frames which an interface delivers in batches are not missed
meanwhile. Our choice; adapters were not measured."""
MAX_SILENCE_S = 5.0
"""Without a frame for this long from the start, a line says what to try: heartbeats come at least every 5 s
(rv-c.com/node/82)."""
_WIRES = "CAN high and CAN low, which may be swapped; both terminators"

_ALONE = (
    "if only one device is on this bus and the adapter only listens, no node acknowledges its frames and no valid "
    "frame can arrive; power a second device"
)


class ListenRun:
    """Listens to a bus until it is stopped.

    Args:
        port: an open port that receives.
        pipeline: takes the frames.
        bus: the name of the bus, for lines to the person.
        bit_rate: the requested bits per second, None where the interface has none.
        say: takes each line for the person, once.
        virtual: whether it is the bus inside this program.
        clock: monotonic nanoseconds.
    """

    def __init__(
        self,
        port: Port,
        pipeline: Pipeline,
        bus: str,
        bit_rate: int | None,
        say: Callable[[str], None],
        *,
        virtual: bool = False,
        clock: Callable[[], int] = machine_ns,
    ) -> None:
        self._port, self._pipeline, self._say, self._clock = port, pipeline, say, clock
        self.watch = pipeline.watch
        self._bus = bus if bit_rate is None else f"{bus} at {bit_rate} bit/s"
        self._bit_rate = bit_rate
        self._virtual = virtual
        self._started = clock()
        self._origin: int | None = None
        self._reported: set[str] = set()
        self._dropped = 0

    @property
    def observed_until(self) -> int:
        """The time up to which the watch has observed, in microseconds since the start."""
        return self._pipeline.time

    def run(self, end: int | None, control: RunControl) -> None:
        """Listen until ``end`` (microseconds since the start) or until ``control`` stops it.

        Raises:
            BusError: the bus was lost.
            InputError: the recording could not be written.
        """
        try:
            while not control.stopped and (end is None or self._elapsed() < end):
                left = MAX_POLL_WAIT_S if end is None else min(MAX_POLL_WAIT_S, (end - self._elapsed()) / 1e6)
                self._port.arrived.wait(max(0.0, left))
                self._port.arrived.clear()
                with control.lock:
                    self.poll()
            with control.lock:
                self.poll()
        finally:
            with control.lock:
                self._pipeline.advance(self._now())
                self._pipeline.finish(self._pipeline.time)

    def poll(self) -> None:
        """Take the frames that have come, advance the watch, and write the lines that are due.

        Raises:
            BusError: the bus was lost.
        """
        statistics = self._port.statistics
        for received in self._port.receive():
            if isinstance(received, Frame):
                self._pipeline.observe(received._replace(time=self._since_start(received.time)))
            elif self._origin is None:  # no frame has shown yet from where the interface counts time
                self._pipeline.observe_event(received._replace(time=self._elapsed()))
            else:
                self._pipeline.observe_event(received._replace(time=self._since_start(received.time)))
        now = self._now() - WATCH_DELAY_US
        if now > self._pipeline.time:
            self._pipeline.advance(now)
        self._pipeline.flush()
        self._report()
        if statistics.error is not None:
            raise BusError(f"{self._bus}: the bus was lost while listening ({statistics.error})")

    def _elapsed(self) -> int:
        return (self._clock() - self._started) // 1000

    def _now(self) -> int:
        """Return the present in microseconds since the start; by the interface's clock once a frame has come."""
        now = self._port.now()
        return self._elapsed() if now is None or self._origin is None else now - self._origin

    def _since_start(self, time: int) -> int:
        if self._origin is None:
            now = self._port.now()
            self._origin = (time if now is None else now) - self._elapsed()
        return max(0, time - self._origin)

    # Lines for the person.

    def _report(self) -> None:
        counts = self._port.statistics
        if counts.dropped > self._dropped:
            self._dropped = counts.dropped
            self._report_once(
                "dropped", f"{self._bus}: frames were lost because this machine is too slow; flags may be false"
            )
        if counts.received and counts.errors:
            self._report_once("among", f"{self._bus}: error frames among the valid ones. Try next: {_WIRES}")
        if counts.received:
            return
        if counts.errors:
            self._report_once("errors", self._error_text(counts.errors), _ALONE)
        elif counts.skipped:
            self._report_once(
                "skipped",
                f"{self._bus}: only frames that RV-C does not use (11-bit, remote, FD) are received; check that it is "
                "the right bus",
            )
        elif self._elapsed() >= MAX_SILENCE_S * 1e6:
            self._report_once("silence", *self._silence_text())

    def _report_once(self, topic: str, *sentences: str) -> None:
        if topic not in self._reported:
            self._reported.add(topic)
            for sentence in sentences:
                self._say(sentence)

    def _error_text(self, errors: int) -> str:
        rate = f"the bit rate, which is {self._bit_rate} here and 250000 on RV-C; " if self._bit_rate else ""
        found = f"the adapter reports error frames ({errors} so far) and no valid frame"
        return f"{self._bus}: {found}. Try next: {rate}{_WIRES}"

    def _silence_text(self) -> tuple[str, ...]:
        found = f"{self._bus}: no frame for {MAX_SILENCE_S:.0f} s. "
        if self._virtual:
            return (found + "A virtual bus exists inside this program only",)
        return (
            found + "Try next: the power of the network; CAN high, CAN low and ground of the adapter; the bit rate, "
            "which is 250000 on RV-C",
            _ALONE,
        )
