"""One run of the bench in front of a watch: in virtual time, or paced with python-can in between.

Knows: how bench, port, feed and watch are put together. Does not know options or files' names (`cli` reads those),
nor how what is heard is shown and recorded (`hearing`).
"""

import threading
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from rvsim.devices.device import SECOND, Site
from rvsim.devices.registry import KINDS
from rvsim.edge.feed import Feed, Watermark
from rvsim.edge.port import Port
from rvsim.errors import InputError
from rvsim.runs.control import Control
from rvsim.runs.pipeline import FrameWriter, Pipeline
from rvsim.runs.sink import Nothing, Sink
from rvsim.shakedown.expect.run_judge import RunJudge
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script_runner import ScriptRunner
from rvsim.sim.bench import Bench, Failure
from rvsim.sim.clock import PacedClock
from rvsim.watch.watch import Event, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent

CHANNEL = "rvsim"
"""The virtual channel: spelled with letters, since python-can reads digits as numbers."""
TOGETHER = 60 * SECOND
"""So much virtual time is heard in one go where nothing waits for what is heard."""
UNDER_WAY = 100
"""Frames that may be between bench and watch before the bench waits."""


class BenchRun:
    """A scenario on the bench and the watch in front of it."""

    def __init__(
        self,
        loaded: LoadedScenario,
        catalogue: Catalogue,
        sink: Sink,
        *,
        seed: int,
        recorder: FrameWriter | None = None,
        every: bool = False,
        on_failure: Callable[[Failure], None] | None = None,
        kinds: Mapping[str, type] = KINDS,
        absent: Collection[str] = (),
        tap: Callable[[Frame], None] | None = None,
    ) -> None:
        """Put everything together; ``absent`` devices are planned and not simulated: others stand in for them.

        ``tap`` is handed each frame when it is on the wires, before anybody has heard it.

        Raises:
            InputError: faults, steps or expectations name what is not there, a line for each.
        """
        self.watch = Watch(catalogue, loaded.rig, readings=not isinstance(sink, Nothing))
        self.catalogue = catalogue
        self.plans = {plan.name: plan for plan in loaded.rig.devices}
        self.time = 0
        """How far the run has come, in microseconds."""
        self._hearing = Pipeline(self.watch, sink, recorder, every)
        self._unheard: list[Frame] = []
        """Frames of virtual time that are heard together with those behind them, which is faster."""
        self._tell: Callable[[LineEvent], None] = self._note
        self.bench = Bench(
            loaded.rig,
            catalogue,
            kinds,
            weather=loaded.scenario.weather,
            site=Site(shore_power=loaded.scenario.shore_power),
            seed=seed,
            acknowledges=loaded.scenario.bench_acknowledges,
            on_line=lambda event: self._tell(event),
            on_failure=on_failure,
            absent=absent,
        )
        self._tap = tap
        self._incoming: deque[tuple[int, bytes]] = deque()
        self._wake: threading.Event | None = None
        self.script, self.run_judge = self._prepared(loaded, seed)
        self._hearing.witness = self if self.script.waits_for_frames else self.run_judge
        self._hand_to(self._hearing.observe if self.script.waits_for_frames else self._unheard.append)
        if self.run_judge.needs_seconds or self.script.waits_for_values:
            self.bench.plan(0, self._second)

    def _prepared(self, loaded: LoadedScenario, seed: int) -> tuple[ScriptRunner, RunJudge]:
        problems: list[str] = []
        parts: list[Any] = []
        for make in (
            lambda: ScriptRunner(loaded, self.catalogue, self.bench, self.send, seed),
            lambda: RunJudge(loaded, self.catalogue, self.watch, self._catch_up),
        ):
            try:
                parts.append(make())
            except InputError as error:
                problems += error.problems
        if problems:
            raise InputError(*problems)
        script, run_judge = parts
        return script, run_judge

    def _hand_to(self, carry: Callable[[Frame], None]) -> None:
        """Have each frame of the wires go to the tap, if there is one, and then there."""
        tap = self._tap
        if tap is None:
            self.bench.on_frame = carry
            return

        def both(frame: Frame) -> None:
            tap(frame)
            carry(frame)

        self.bench.on_frame = both

    def _catch_up(self) -> None:
        """Hear what was on the wires so far."""
        frames = self._unheard.copy()
        self._unheard.clear()
        take = self._hearing.observe
        for frame in frames:
            take(frame)

    def _note(self, event: LineEvent) -> None:
        self._catch_up()
        self._hearing.observe_event(event)

    def _second(self) -> None:
        """Take a whole second of the vehicle, and plan the next."""
        now = self.bench.now
        self.bench.world.advance(now)
        self.run_judge.observe_second(now, self.bench.world)
        self.script.observe_second(self.bench.world)
        self.bench.plan(now + SECOND, self._second)

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Take a frame that the watch has heard."""
        self.run_judge.observe_frame(frame, events)
        self.script.observe_frame(frame, self.watch.device_at(frame.identifier & 0xFF))

    def observe_events(self, events: Sequence[Event]) -> None:
        """Take what the passing of time has changed."""
        self.run_judge.observe_events(events)

    @property
    def observed_until(self) -> int:
        """How far the watch has come: frames on their way through python-can are not heard yet."""
        return self._hearing.time

    def virtual(self, end: int) -> None:
        """Run to ``end`` (microseconds) as fast as the machine allows; nothing passes through python-can."""
        self.until(end)
        self._hearing.finish(end)

    def send(self, identifier: int, data: bytes) -> None:
        """Put a frame of the person at the bench onto the wires; the watch does not count it as a device's."""
        self._hearing.expect_own(identifier, data)
        self.bench.put(identifier, data)

    def send_from_outside(self, identifier: int, data: bytes) -> None:
        """Put a frame of another program onto the wires now; it counts as a node's."""
        if dgn_of(identifier) != ADDRESS_CLAIM:
            holder = self.bench.holder(identifier & 0xFF)
            if holder is not None:
                self.run_judge.expect_outside_frame(identifier, data, holder)
        self.bench.put(identifier, data)

    def inject(self, identifier: int, data: bytes) -> None:
        """Put a frame of another program onto the wires of a paced run, from any thread; it counts as a node's."""
        self._incoming.append((identifier, data))
        if self._wake is not None:
            self._wake.set()

    def _take_in(self, clock: PacedClock, end: int | None) -> None:
        """Put the frames of other programs onto the wires, at the present time."""
        if not self._incoming:
            return
        moment = min(max(self.time, clock.reached()), self.time + SECOND)
        self.time = moment if end is None else min(moment, end)
        self.bench.run_until(self.time)
        for _ in range(len(self._incoming)):  # not what comes in meanwhile: whoever sends on and on gets no further
            self.send_from_outside(*self._incoming.popleft())

    def until(self, time: int) -> None:
        """Go on in virtual time up to ``time`` (microseconds), without summing up."""
        while self.time < time:
            self.time = min(time, self.time + TOGETHER)
            self.bench.run_until(self.time)
            self._catch_up()
        self._hearing.advance(time)

    def paced(self, end: int | None, speed: float, channel: str = CHANNEL, control: Control | None = None) -> None:
        """Run by the wall clock, every frame through python-can's virtual bus; without an end until interrupted.

        Raises:
            BusError: the bus failed.
        """
        clock, control = PacedClock(speed), control or Control(speed)
        self._wake = control.wake
        if self._incoming:  # before anybody could be woken
            self._wake.set()
        with Port("virtual", channel, listen=False) as sender, Port("virtual", channel) as listener:
            feed = Feed(listener, self._hearing.observe, self._hearing.advance, self._hearing.observe_event)
            self._hand_to(sender.send)
            self._tell = lambda event: feed.note_event(event, sender.statistics.sent)
            try:
                while not control.stopped and (end is None or self.time < end):
                    upcoming = self._next(self.time, end)
                    if not clock.wait_until(upcoming + clock.slack, control.wake):
                        control.answer(clock)
                        with control.lock:  # whoever stands still sees everything that was sent before
                            self._take_in(clock, end)
                            feed.settle(Watermark(self.time, sender.statistics.sent))
                            self._hearing.flush()
                        continue
                    moment = min(max(upcoming, clock.reached()), upcoming + SECOND, *([] if end is None else [end]))
                    with control.lock:
                        self.bench.run_until(moment if moment == end else moment + 1)
                        self.time = moment
                        feed.settle(Watermark(moment, sender.statistics.sent), UNDER_WAY)
                        self._hearing.flush()
            except KeyboardInterrupt:
                self._hearing.finish(self.time)
                raise
            with control.lock:
                feed.settle(Watermark(self.time, sender.statistics.sent))
                self._hearing.advance(self.time)
                self._hearing.finish(self.time)

    def _next(self, moment: int, end: int | None) -> int:
        """Return the time of the next thing to happen, or of a look around where nothing is planned any more."""
        upcoming = self.bench.peek()
        if upcoming is None:
            upcoming = moment + SECOND
        return upcoming if end is None else min(upcoming, end)
