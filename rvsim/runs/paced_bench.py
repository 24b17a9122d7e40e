"""A scenario on the bench, observed by a watch, by the wall clock, with every frame through python-can.

Knows: how the time of the bench follows the wall clock, and how frames reach the pipeline through a port with their
watermark. Does not know virtual time, nor how a run is put together (`bench`).
"""

import gc
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from rvsim.edge.feed import Feed, Watermark
from rvsim.edge.port import Port
from rvsim.runs.bench import CHANNEL, BenchRun, Route
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.sim.clock import PacedClock
from rvsim.thread_turns import short_turns
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LineEvent

MAX_FRAMES_IN_TRANSIT = 100
"""Frames that may be between bench and watch before the bench waits."""
EXACT_US = 5_000
"""How long waits are exact after a frame from outside: the answer to it is on the pair by then. Our choice."""
MAX_TURN_S = 0.0002
"""How long a thread may keep the interpreter while another waits for it: that of the program which has asked something.
Python's usual 5 ms are longer than an answer takes: in turns, p99 from a command to its status was 0.71, 0.83 and 1.61
ms with them, 0.76, 0.86 and 0.82 ms so."""
_MAX_LEFT_OUT_BY_PYTHON = 1000
"""Objects that Python itself leaves out of the search for garbage: 375 in Python 3.12, none in 3.11 and 3.13."""


class _PortRoute:
    """The route through python-can's virtual bus: a port that sends, a port that receives, and the pipeline."""

    def __init__(self, channel: str, pipeline: Pipeline) -> None:
        self._channel, self._pipeline = channel, pipeline

    @contextmanager
    def opened(self) -> Iterator[None]:
        with (
            Port("virtual", self._channel, listen=False) as self._sender,
            Port("virtual", self._channel, polled=True) as listener,
        ):
            pipeline = self._pipeline
            self._feed = Feed(listener, pipeline.observe, pipeline.advance, pipeline.observe_event)
            yield

    def frame(self, frame: Frame) -> None:
        self._sender.send(frame)

    def event(self, event: LineEvent) -> None:
        self._feed.add_event(event, self._sender.statistics.sent)

    def settle(self, time: int, in_transit: int = 0) -> None:
        """Wait until frames up to ``time`` are observed, except for at most ``in_transit`` of them."""
        self._feed.wait_for(Watermark(time, self._sender.statistics.sent), in_transit)


class PacedBenchRun(BenchRun):
    """A run by the wall clock.

    Args:
        arguments: those of ``BenchRun``.
        control: pauses, stops and paces it, from any thread.
        channel: the channel of python-can's virtual bus; runs at one time need one each.
        options: those of ``BenchRun``.
    """

    def __init__(self, *arguments: Any, control: RunControl, channel: str = CHANNEL, **options: Any) -> None:
        self._control, self._channel = control, channel
        self._incoming: deque[tuple[int, bytes]] = deque()
        self._clock: PacedClock | None = None
        """The clock of the run while it goes on."""
        self._end: int | None = None
        super().__init__(*arguments, **options)

    def _route(self, *, in_batches: bool) -> Route:  # noqa: ARG002 - frames come back from the bus one by one
        self._port = _PortRoute(self._channel, self._pipeline)
        return Route(self._port.frame, self._port.event)

    def inject(self, identifier: int, data: bytes) -> None:
        """Send a frame of another program in the next step, from any thread; the watch counts it as one of a node."""
        self._incoming.append((identifier, data))
        self._control.wake.set()

    def mark(self, note: str) -> None:
        """Mark the present moment by the wall clock, not that of the last frame, which may be seconds ago."""
        if self._clock is not None:
            present = min(max(self.time, self._clock.reached()), self._next(self._end))
            self.time = max(present, self.bench.now)
            self.bench.run_until(self.time)
            self._port.settle(self.time)
            self._pipeline.advance(self.time)
        super().mark(note)

    def run(self, end: int | None) -> None:
        """Run to ``end`` (microseconds); if it is None, until the run is stopped or interrupted.

        Raises:
            BusError: the bus failed.
        """
        control, pipeline = self._control, self._pipeline
        clock = self._clock = PacedClock(control.speed)
        self._end = end
        with self._port.opened(), _short_collections(), short_turns(MAX_TURN_S):
            try:
                while not control.stopped and (end is None or self.time < end):
                    self._step(clock, end)
            except KeyboardInterrupt:
                self._finish(self.time)
                raise
            with control.lock:
                self._port.settle(self.time)
                pipeline.advance(self.time)
                self._finish(self.time)

    def _step(self, clock: PacedClock, end: int | None) -> None:
        """Wait for the next planned moment and run up to it, or do what was requested meanwhile."""
        control = self._control
        upcoming = self._next(end)
        if not clock.wait_until(upcoming + clock.slack_us, control.wake):
            control.apply_to(clock)
            with control.lock:  # a paused run shows everything that was sent before
                self._send_incoming(clock, end)
                self._port.settle(self.time)
                self._pipeline.flush()
            return
        moment = min(max(upcoming, clock.reached()), upcoming + SECOND_US, *([] if end is None else [end]))
        with control.lock:
            self.bench.run_until(moment if moment == end else moment + 1)
            self.time = moment
            self._port.settle(moment, MAX_FRAMES_IN_TRANSIT)
            self._pipeline.flush()

    def _send_incoming(self, clock: PacedClock, end: int | None) -> None:
        """Send the frames of other programs, at the present time."""
        if not self._incoming:
            return
        moment = min(max(self.time, clock.reached()), self.time + SECOND_US)
        self.time = moment if end is None else min(moment, end)
        self.bench.run_until(self.time)
        clock.exact_until = self.time + EXACT_US
        for _ in range(len(self._incoming)):  # frames that arrive meanwhile wait, so that they cannot stop the run
            self.send_from_outside(*self._incoming.popleft())

    def _next(self, end: int | None) -> int:
        """Return the time of the next planned moment, or of the next check where nothing is planned any more."""
        upcoming = self.bench.peek()
        if upcoming is None:
            upcoming = self.time + SECOND_US
        return upcoming if end is None else min(upcoming, end)


@contextmanager
def _short_collections() -> Iterator[None]:
    """Leave all that was made before out of the search for cyclic garbage meanwhile.

    It lives as long as the run. The search of its 90,000 objects took 150 to 250 ms, in which no device answers; it
    came when a program on the bus had kept some 60,000 messages. Where the program has left out its objects itself,
    nothing is changed.
    """
    if gc.get_freeze_count() > _MAX_LEFT_OUT_BY_PYTHON:
        yield
        return
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
