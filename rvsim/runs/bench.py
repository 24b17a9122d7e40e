"""A scenario on the bench, observed by a watch, in virtual time.

Knows: how bench, script, jury and pipeline are put together, and how frames reach the pipeline in virtual time. Does
not know paced time (`paced_bench`), options or file names, nor how frames are shown and recorded (`pipeline`).
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple

from rvsim.devices.device import Device, Site
from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError
from rvsim.runs.pipeline import FrameWriter, Pipeline
from rvsim.runs.sink import NullSink, Sink
from rvsim.shakedown.expect.run_judge import RunJudge
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script_runner import ScriptRunner
from rvsim.sim.bench import Bench, Failure
from rvsim.watch.watch import Event, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent

CHANNEL = "rvsim"
"""The virtual channel, named with letters, since python-can reads digits as numbers."""
BATCH_US = 60 * SECOND_US
"""Virtual time whose frames are observed together if no step waits for a frame."""


class Route(NamedTuple):
    """Where the simulated bus delivers its frames and its other events."""

    frame: Callable[[Frame], None]
    event: Callable[[LineEvent], None]


class BenchRun:
    """The common part of virtual and paced runs: a scenario on the bench, and the watch that observes it."""

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
        kinds: Mapping[str, type[Device]] | None = None,
        absent: Collection[str] = (),
        tap: Callable[[Frame], None] | None = None,
    ) -> None:
        """Make the bench, the watch, the script and the judge.

        Args:
            loaded: the scenario with its rig.
            catalogue: the message definitions.
            sink: shows what changed.
            seed: seed of everything random.
            recorder: keeps the frames.
            every: show all readings of each frame, not only changes.
            on_failure: called with each error of a simulated device.
            kinds: classes of devices by kind; None for all that are installed.
            absent: planned devices that are not simulated; another program or a real device takes their place.
            tap: called with each frame when it is on the bus, before the watch observes it.

        Raises:
            InputError: faults, steps or expectations name what does not exist, a line for each.
        """
        self.watch = Watch(catalogue, loaded.rig, readings=not isinstance(sink, NullSink))
        self.catalogue = catalogue
        self.plans = {plan.name: plan for plan in loaded.rig.devices}
        self.time = 0
        """How far the run has come, in microseconds."""
        self._pipeline = Pipeline(self.watch, sink, recorder, every=every)
        route = self._route(in_batches=not loaded.scenario.waits_for_frames)
        self.bench = Bench(
            loaded.rig,
            catalogue,
            kinds_by_name() if kinds is None else kinds,
            weather=loaded.scenario.weather,
            site=Site(shore_power=loaded.scenario.shore_power),
            seed=seed,
            acknowledges=loaded.scenario.bench_acknowledges,
            on_frame=route.frame if tap is None else _both(tap, route.frame),
            on_line=route.event,
            on_failure=on_failure,
            absent=absent,
        )
        problems: list[str] = []
        try:
            self.script = ScriptRunner(loaded, catalogue, self.bench, self.send, seed)
        except InputError as error:
            problems += error.problems
        try:
            self.run_judge = RunJudge(loaded, catalogue, self.watch, self._catch_up)
        except InputError as error:
            problems += error.problems
        if problems:
            raise InputError(*problems)
        self._pipeline.observer = self if loaded.scenario.waits_for_frames else self.run_judge
        if self.run_judge.needs_seconds or self.script.waits_for_values:
            self.bench.plan(0, self._second)

    def _route(self, *, in_batches: bool) -> Route:
        """Return the route of frames and events to the pipeline; ``in_batches`` if no step waits for a frame."""
        raise NotImplementedError

    def _catch_up(self) -> None:
        """Let the watch observe what was on the bus so far, as far as that can be done at once."""

    def _second(self) -> None:
        """Pass a whole second of the vehicle to jury and script, and plan the next."""
        now = self.bench.now
        self.bench.world.advance(now)
        self.run_judge.observe_second(now, self.bench.world)
        self.script.observe_second(self.bench.world)
        self.bench.plan(now + SECOND_US, self._second)

    def observe_frame(self, frame: Frame, events: Sequence[Event]) -> None:
        """Pass a frame that the watch has observed to jury and script."""
        self.run_judge.observe_frame(frame, events)
        self.script.observe_frame(frame, self.watch.device_at(frame.identifier & 0xFF))

    def observe_events(self, events: Sequence[Event]) -> None:
        """Pass what the passing of time has changed to the jury."""
        self.run_judge.observe_events(events)

    @property
    def observed_until(self) -> int:
        """The time up to which the watch has observed, in microseconds; frames inside python-can come later."""
        return self._pipeline.time

    def send(self, identifier: int, data: bytes) -> None:
        """Send a frame of the person at the bench now; the watch does not count it as a frame of a device."""
        self._pipeline.expect_own(identifier, data)
        self.bench.send(identifier, data)

    def send_from_outside(self, identifier: int, data: bytes) -> None:
        """Send a frame of another program now; the watch counts it as a frame of a node."""
        if dgn_of(identifier) != ADDRESS_CLAIM:
            holder = self.bench.holder(identifier & 0xFF)
            if holder is not None:
                self.run_judge.expect_outside_frame(identifier, data, holder)
        self.bench.send(identifier, data)


class VirtualBenchRun(BenchRun):
    """A run in virtual time: as fast as the machine allows, without python-can."""

    def _route(self, *, in_batches: bool) -> Route:
        self._batch: list[Frame] = []
        """Frames that are observed together with later ones, which is faster."""
        return Route(self._batch.append if in_batches else self._pipeline.observe, self._observe_event)

    def _catch_up(self) -> None:
        frames = self._batch.copy()
        self._batch.clear()
        observe = self._pipeline.observe
        for frame in frames:
            observe(frame)

    def _observe_event(self, event: LineEvent) -> None:
        self._catch_up()
        self._pipeline.observe_event(event)

    def until(self, time: int) -> None:
        """Run up to ``time`` (microseconds), without the end of the output."""
        while self.time < time:
            self.time = min(time, self.time + BATCH_US)
            self.bench.run_until(self.time)
            self._catch_up()
        self._pipeline.advance(time)

    def run(self, end: int) -> None:
        """Run to ``end`` (microseconds) and write the end of the output."""
        self.until(end)
        self._pipeline.finish(end)


def _both(tap: Callable[[Frame], None], deliver: Callable[[Frame], None]) -> Callable[[Frame], None]:
    """Return a function that passes a frame to the tap, then delivers it."""

    def both(frame: Frame) -> None:
        tap(frame)
        deliver(frame)

    return both
