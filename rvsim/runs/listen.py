"""Listening to a bus: a watch observes the frames of a port; lines for the person when no valid frame comes.

Knows: how the time stamps of an interface become time since the start, after which silence a line is due, and what to
try then; and that the watch must not judge a time in which the interface was lost. Does not know options or how a bus
is opened. Nothing is sent: the port only receives.
"""

from collections.abc import Callable

from rvsim.edge.port import Port, PortStatistics
from rvsim.errors import BusError
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.reopening import Attempt, Reopening
from rvsim.sim.clock import machine_ns
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ListeningResumed

MAX_POLL_WAIT_S = 0.1
"""The longest wait between two polls of the port."""
TOGETHER_S = 0.02
"""Frames that come within this time are observed together: a wake-up for each frame costs more than the watch does. Our
choice; nobody sees on a screen what is so much late."""
WATCH_DELAY_US = 500_000
"""The watch stays this far behind the present, so that frames which an interface delivers in batches are not missed
meanwhile. Our choice; adapters were not measured."""
MAX_SILENCE_S = 5.0
"""Without a frame for this long from the start, a line says what to try: heartbeats come at least every 5 s
(rv-c.com/node/82)."""
MAX_OPENING_US = SECOND_US
"""An interface that takes longer to open was not there yet: nobody listened meanwhile. Our choice."""
_OPENED_LATE = "the interface was not there yet"
_WIRES = "CAN high and CAN low, which may be swapped; both terminators"

_ALONE = (
    "if only one device is on this bus and the adapter only listens, no node acknowledges its frames and no valid "
    "frame can arrive; power a second device"
)


class ListenRun:
    """Listens to a bus until it is stopped.

    Args:
        port: an open port that receives; None where it has still to be opened, with ``start_attempt``.
        pipeline: takes the frames.
        bus: the name of the bus, for lines to the person.
        bit_rate: the requested bits per second, None where the interface has none.
        say: takes each line for the person, once.
        virtual: whether it is the bus inside this program.
        clock: monotonic nanoseconds.
        start_attempt: starts an attempt to open the port, at the start and when it was lost; without it a lost bus ends
            the run. The run closes the ports that it opened.
        say_state: takes each line about the interface, lost or back; ``say`` if omitted.
    """

    def __init__(
        self,
        port: Port | None,
        pipeline: Pipeline,
        bus: str,
        bit_rate: int | None,
        say: Callable[[str], None],
        *,
        virtual: bool = False,
        clock: Callable[[], int] = machine_ns,
        start_attempt: Callable[[], Attempt] | None = None,
        say_state: Callable[[str], None] | None = None,
    ) -> None:
        self._port, self._pipeline, self._say, self._clock = port, pipeline, say, clock
        self._say_state = say_state or say
        self.watch = pipeline.watch
        self._bus = bus if bit_rate is None else f"{bus} at {bit_rate} bit/s"
        self._bit_rate = bit_rate
        self._virtual = virtual
        self._started = clock()
        self._origin: int | None = None
        self._reported: set[str] = set()
        self._dropped = 0
        self._closed = PortStatistics(0, 0, 0, 0, 0, None)
        """The counts of the ports before the present one."""
        self._reopening = None if start_attempt is None else Reopening(start_attempt, self._elapsed)
        self._lost_at = 0
        """Since when nobody listens, while there is no port."""
        self._lost_because = ""
        self._earliest = 0
        """The end of the last gap: no frame of the present port is earlier."""
        self._opened_at = 0
        """When the present port was opened."""
        self.gap_count = 0
        """How often the interface was lost, or not there at the start, and came back."""
        self.gap_us = 0
        """How long nobody listened, in these gaps together."""

    @property
    def observed_until(self) -> int:
        """The time up to which the watch has observed, in microseconds since the start."""
        return self._pipeline.time

    @property
    def lost_at(self) -> int | None:
        """Since when the interface is lost, in microseconds since the start; None while it is there."""
        return self._lost_at if self._lost_because else None

    @property
    def statistics(self) -> PortStatistics:
        """The counts of all ports so far."""
        if self._port is None:
            return self._closed
        return _sum(self._closed, self._port.statistics)

    def run(self, end: int | None, control: RunControl) -> None:
        """Listen until ``end`` (microseconds since the start) or until ``control`` stops it.

        Raises:
            BusError: the bus was lost, and is not waited for; or it was waited for and never there.
            InputError: the recording could not be written.
        """
        try:
            while not control.stopped and (end is None or self._elapsed() < end):
                left = MAX_POLL_WAIT_S if end is None else min(MAX_POLL_WAIT_S, (end - self._elapsed()) / 1e6)
                if self._port is None:
                    control.wake.wait(max(0.0, left))
                else:
                    if self._port.arrived.wait(max(0.0, left)):
                        control.wake.wait(min(TOGETHER_S, max(0.0, left)))
                    self._port.arrived.clear()
                with control.lock:
                    self.poll()
            with control.lock:
                self.poll()
        finally:
            with control.lock:
                if self._port is not None and not self._port.is_doubtful:
                    self._pipeline.advance(self._now())
                self._pipeline.finish(self._pipeline.time)
            self._close()
        if self._port is None and not self._closed.received and not self.gap_count and self._lost_because:
            raise BusError(f"{self._bus}: waited for it until the end; {self._lost_because}")

    def mark(self, note: str) -> None:
        """Mark the present moment with a note; it is recorded and shown. Call it with the lock of the control held.

        Raises:
            InputError: it cannot be recorded.
        """
        self.poll()
        if self._port is not None and not self._port.is_doubtful:
            self._pipeline.advance(max(self._pipeline.time, self._now()))
        self._pipeline.mark(note)

    def poll(self) -> None:
        """Take the frames that have come, advance the watch, and write the lines that are due.

        Raises:
            BusError: the bus was lost, and is not waited for.
        """
        if self._port is None:
            self._try_to_open()
        if self._port is not None:
            self._poll_port(self._port)
        self._pipeline.flush()
        self._report()

    def _poll_port(self, port: Port) -> None:
        error, is_doubtful = port.statistics.error, port.is_doubtful
        for received in port.receive():
            if isinstance(received, Frame):
                time = self._since_start(received.time)
                self._pipeline.observe(received._replace(time=time))
            else:  # where no frame has shown yet from where the interface counts time, it has happened now
                time = self._elapsed() if self._origin is None else self._since_start(received.time)
                self._pipeline.observe_event(received._replace(time=time))
        if error is not None:
            self._lose(port, error)
        elif not is_doubtful:
            now = self._now() - WATCH_DELAY_US
            if now > self._pipeline.time:
                self._pipeline.advance(now)

    # An interface that is lost.

    def _lose(self, port: Port, error: str) -> None:
        """Note that the port is lost, from the last moment on at which it was known to listen."""
        if self._reopening is None:
            raise BusError(f"{self._bus}: the bus was lost while listening ({error})")
        self._lost_at, self._lost_because = max(self._opened_at, self._pipeline.time), error
        self._closed, self._port, self._origin = _sum(self._closed, port.statistics), None, None
        port.close()
        self._say_state(
            f"{self._bus}: lost {self._lost_at / SECOND_US:.1f} s after the start ({error}); it is opened again as "
            "soon as it is there. Until then nothing is heard, recorded or judged"
        )

    def _try_to_open(self) -> None:
        assert self._reopening is not None, "without a port there is a way to open one"
        try:
            port = self._reopening.poll()
        except BusError as error:
            if not self._lost_because:
                self._lost_because = str(error)
                self._say_state(f"{error}. Waiting for it; Ctrl-C ends")
            return
        if port is None:
            return
        self._port, now = port, self._elapsed()
        self._opened_at = now
        gap_us = now - self._lost_at
        if self._lost_because or gap_us > MAX_OPENING_US:
            self._earliest = now
            self.gap_count, self.gap_us = self.gap_count + 1, self.gap_us + gap_us
            self._pipeline.observe_event(ListeningResumed(now, self._lost_at, self._lost_because or _OPENED_LATE))
            self._say_state(
                f"{self._bus}: listening since {now / SECOND_US:.1f} s after the start, after a gap of "
                f"{gap_us / SECOND_US:.1f} s{self._gap_total()}"
            )
            self._lost_because = ""

    def _gap_total(self) -> str:
        if self.gap_count < 2:
            return ""
        return f"; {self.gap_count} gaps so far, together {self.gap_us / SECOND_US:.1f} s"

    def _close(self) -> None:
        """Close the port that was opened here, and abandon the attempt to open one."""
        if self._reopening is not None:
            self._reopening.close()
            if self._port is not None:
                self._closed, port, self._port = self.statistics, self._port, None
                port.close()

    # Time.

    def _elapsed(self) -> int:
        return (self._clock() - self._started) // 1000

    def _now(self) -> int:
        """Return the present in microseconds since the start; by the interface's clock once a frame has come."""
        now = None if self._port is None else self._port.now()
        return self._elapsed() if now is None or self._origin is None else now - self._origin

    def _since_start(self, time: int) -> int:
        if self._origin is None:
            now = None if self._port is None else self._port.now()
            self._origin = (time if now is None else now) - self._elapsed()
        return max(self._earliest, time - self._origin)

    # Lines for the person.

    def _report(self) -> None:
        counts = self.statistics
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
        elif self._port is not None and self._elapsed() - self._opened_at >= MAX_SILENCE_S * 1e6:
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


def _sum(before: PortStatistics, counts: PortStatistics) -> PortStatistics:
    """Return the counts of two ports together, with the error of the second."""
    return PortStatistics(
        before.sent + counts.sent,
        before.received + counts.received,
        before.dropped + counts.dropped,
        before.skipped + counts.skipped,
        before.errors + counts.errors,
        counts.error,
    )
