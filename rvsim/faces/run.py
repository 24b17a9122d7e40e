"""One run of the bench in front of a watch: in virtual time, or paced with python-can in between.

Knows: how bench, port, feed, watch, recorder and the shown form are put together. Does not know options or
files' names; `cli` reads those.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from typing import Protocol

from rvsim.devices.device import SECOND, Site
from rvsim.devices.registry import KINDS
from rvsim.edge.feed import Feed, Watermark
from rvsim.edge.port import Port
from rvsim.faces.output import Sink
from rvsim.shakedown.faults import gates
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.sim.bench import Bench, Failure
from rvsim.sim.clock import PacedClock
from rvsim.watch.watch import ReadingChanged, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame

CHANNEL = "rvsim"
"""The virtual channel: spelled with letters, since python-can reads digits as numbers."""
UNDER_WAY = 100
"""Frames that may be between bench and watch before the bench waits."""


TOGETHER_US = 2_000
"""Faster than the wall clock, what falls within so many microseconds of it is done in one go."""
OWN_ADDRESS = 0xF9
"""From here commands of the person at the bench come: 249, a service tool's address (SAE J1939; from memory)."""


class Control:
    """A hand on a paced run from another thread.

    Whoever looks into the run holds ``lock``; whoever wants something done in it asks, and it is done between two
    steps.
    """

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.wake = threading.Event()
        self.stopped = False
        self.paused = False
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

    def answer(self, clock: PacedClock) -> None:
        """Do what was asked; called by the run."""
        self.wake.clear()
        (clock.pause if self.paused else clock.resume)()
        with self.lock:
            while self._asked:
                self._asked.popleft()()


class Writes(Protocol):
    """Something that keeps frames, such as a recorder."""

    def write(self, frame: Frame) -> None:
        """Keep a frame."""

    def flush(self) -> None:
        """Hand on what was kept."""


class Run:
    """A scenario on the bench and the watch in front of it."""

    def __init__(
        self,
        loaded: LoadedScenario,
        catalogue: Catalogue,
        sink: Sink,
        *,
        seed: int,
        recorder: Writes | None = None,
        every: bool = False,
        on_failure: Callable[[Failure], None] | None = None,
        kinds: Mapping[str, type] = KINDS,
    ) -> None:
        self.watch = Watch(catalogue, loaded.rig)
        self.catalogue = catalogue
        self.plans = {plan.name: plan for plan in loaded.rig.devices}
        self._own: deque[tuple[int, bytes]] = deque()
        self.time = 0
        """How far the run has come, in microseconds."""
        self.heard = 0
        """How far the watch has come: frames on their way through python-can are not heard yet."""
        self._sink = sink
        self._recorder = recorder
        self._every = every
        self._carry: Callable[[Frame], None] = self._take
        self.bench = Bench(
            loaded.rig,
            catalogue,
            kinds,
            weather=loaded.scenario.weather,
            site=Site(shore_power=loaded.scenario.shore_power),
            seed=seed,
            gates=gates(loaded, catalogue),
            on_frame=lambda frame: self._carry(frame),
            on_failure=on_failure,
        )

    def virtual(self, end: int) -> None:
        """Run to ``end`` (microseconds) as fast as the machine allows; nothing passes through python-can."""
        self.until(end)
        self._sum_up(end)

    def put(self, identifier: int, data: bytes) -> None:
        """Put a frame of the person at the bench onto the wires; the watch does not count it as a device's."""
        self._own.append((identifier, data))
        self.bench.put(identifier, data)

    def until(self, time: int) -> None:
        """Go on in virtual time up to ``time`` (microseconds), without summing up."""
        self.bench.run_until(time)
        self.time = time
        self._advance(time)

    def paced(self, end: int | None, speed: float, channel: str = CHANNEL, control: Control | None = None) -> None:
        """Run by the wall clock, every frame through python-can's virtual bus; without an end until interrupted.

        Raises:
            BusError: the bus failed.
        """
        clock, control = PacedClock(speed), control or Control()
        slack = round(TOGETHER_US * speed) if speed > 1 else 0
        with Port("virtual", channel, listen=False) as sender, Port("virtual", channel) as listener:
            feed = Feed(listener, self._take, self._advance)
            self._carry = sender.send
            try:
                while not control.stopped and (end is None or self.time < end):
                    upcoming = self._next(self.time, end)
                    if not clock.wait_until(upcoming + slack, control.wake):
                        control.answer(clock)
                        with control.lock:  # whoever stands still sees everything that was sent before
                            feed.settle(Watermark(self.time, sender.statistics.sent))
                            self._flush()
                        continue
                    moment = min(max(upcoming, clock.reached()), upcoming + SECOND, *([] if end is None else [end]))
                    with control.lock:
                        self.bench.run_until(moment if moment == end else moment + 1)
                        self.time = moment
                        feed.settle(Watermark(moment, sender.statistics.sent), UNDER_WAY)
                        self._flush()
            except KeyboardInterrupt:
                self._sum_up(self.time)
                raise
            with control.lock:
                feed.settle(Watermark(self.time, sender.statistics.sent))
                self._finish(self.time)

    def _next(self, moment: int, end: int | None) -> int:
        """Return the time of the next thing to happen, or of a look around where nothing is planned any more."""
        upcoming = self.bench.peek()
        if upcoming is None:
            upcoming = moment + SECOND
        return upcoming if end is None else min(upcoming, end)

    def _take(self, frame: Frame) -> None:
        if self._recorder is not None:
            self._recorder.write(frame)
        self._sink.frame(frame)
        self.heard = max(self.heard, frame.time)
        if self._own and (frame.identifier, frame.data) in self._own:
            self._own.remove((frame.identifier, frame.data))
            return  # our own voice is no stranger on the bus
        events = self.watch.hear(frame)
        if self._every:
            events = [*(event for event in events if not isinstance(event, ReadingChanged)), *self._readings(frame)]
        if events:
            self._sink.events(events)

    def _readings(self, frame: Frame) -> Iterator[ReadingChanged]:
        """Return everything a frame says, changed or not."""
        said = self.watch.readings(frame)
        if said is not None:
            for reading in said.readings:
                yield ReadingChanged(
                    said.time, said.device, said.source, said.spec, said.instance, reading, None, said.dsa
                )

    def _advance(self, time: int) -> None:
        self.heard = max(self.heard, time)
        events = self.watch.advance(time)
        if events:
            self._sink.events(events)

    def _finish(self, end: int) -> None:
        self._advance(end)
        self._sum_up(end)

    def _sum_up(self, time: int) -> None:
        self._sink.end(time, self.watch)
        self._flush()

    def _flush(self) -> None:
        self._sink.flush()
        if self._recorder is not None:
            self._recorder.flush()
