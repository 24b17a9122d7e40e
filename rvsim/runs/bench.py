"""A scenario on the bench, observed by a watch, in virtual time.

Knows: how bench, script, jury and pipeline are put together, and how frames reach the pipeline in virtual time: one by
one where a step waits for a frame, else many together, and where nothing is shown in columns (`column_run`). A long run
may be simulated in a second process while this one observes it. Does not know paced time (`paced_bench`), processes
(`second_process`), options or file names, nor how frames are shown and recorded (`pipeline`).
"""

import gc
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from rvsim.devices.device import Device, Site
from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError
from rvsim.logs.packed_frames import Packed, PackedFrames, join
from rvsim.runs.pipeline import FrameWriter, Pipeline
from rvsim.runs.simulated_parts import Notice, SimulatedEnd, part_of, replay_part
from rvsim.runs.sink import NullSink, Sink
from rvsim.shakedown.expect.run_judge import RunJudge
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.shakedown.script_runner import ScriptRunner
from rvsim.sim.bench import Bench, DeviceMistakesError, Failure
from rvsim.watch.watch import Event, Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US, Frame, PlainFrame, as_frames
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.world.balance import Balance
from rvsim.world.energy_sheet import SAMPLE_US, EnergySheet

if TYPE_CHECKING:
    from rvsim.runs.column_run import ColumnRun
    from rvsim.runs.second_process import SecondProcess, Send

CHANNEL = "rvsim"
"""The virtual channel, named with letters, since python-can reads digits as numbers."""
BATCH_US = 60 * SECOND_US
"""Virtual time after which frames that wait are counted. Where they are not observed in columns, they are observed."""
FULL_BATCH = 1 << 15
"""So many frames and events of the bus are observed in columns together, those of 40 minutes of the shipped vehicle:
with fewer a frame costs more (measured: 2 us each, of 4,096 together 3 us, of 770 together 8 us)."""
COLLECT_AFTER = 50_000
"""So many more objects there are before cyclic garbage is looked for, in place of Python's 700: more than frames wait
(measured: a tenth of a judged night)."""
MIN_FIRST_COLUMN_FRAMES, MIN_COLUMN_FRAMES = 1 << 13, 1 << 10
"""With fewer frames, for the first time and later, columns take longer than observing one by one: some 10 us a frame
are gained, and importing numpy takes some 0.1 s. So runs of less than ten minutes of the shipped vehicle do without."""
MAX_LATEST_FRAMES = 1 << 13
"""How many of the latest frames are kept: more than two seconds of a full bus have, which is what columns go on from
(from memory: a frame without data has at least 67 bits, at 250 kbit/s)."""
_new = tuple.__new__
"""Makes a notice in half the time of its constructor."""
MIN_APART_US = 900 * SECOND_US
"""A run that is shorter than this is simulated in this process: starting a second one takes some 0.02 s (measured)."""


class Route(NamedTuple):
    """Where the simulated bus delivers its frames and its other events."""

    frame: Callable[[Frame], None]
    event: Callable[[LineEvent], None]
    plain_frame: Callable[[PlainFrame], None] | None = None
    """Takes plain frames instead; None where they have to be frames."""


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
        on_change: Callable[[int, str], None] | None = None,
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
            on_change: called with each change of the vehicle by steps, fuses and batteries, in its turn among what the
                sink gets: its time in microseconds, and its words.

        Raises:
            InputError: faults, steps or expectations name what does not exist, a line for each.
        """
        self.is_shown = not isinstance(sink, NullSink)
        """Whether a sink shows the run."""
        self.watch = Watch(catalogue, loaded.rig, readings=self.is_shown)
        self.catalogue = catalogue
        self.plans = {plan.name: plan for plan in loaded.rig.devices}
        self.time = 0
        """How far the run has come, in microseconds."""
        self.failures: list[Failure] = []
        """The errors of simulated devices."""
        self._on_failure = on_failure
        self._pipeline = Pipeline(self.watch, sink, recorder, every=every)
        self._is_tapped = tap is not None
        route = self._route(in_batches=not loaded.scenario.waits_for_frames)
        takes_plain = tap is None and route.plain_frame is not None
        with _placed_mistakes(loaded):
            self.bench = Bench(
                loaded.rig,
                catalogue,
                kinds_by_name() if kinds is None else kinds,
                weather=loaded.scenario.weather,
                site=Site(loaded.scenario.shore_power, loaded.scenario.start.engine_rpm, loaded.scenario.start.rain),
                seed=seed,
                acknowledges=loaded.scenario.bench_acknowledges,
                on_frame=None if takes_plain else route.frame if tap is None else _both(tap, route.frame),
                on_plain_frame=route.plain_frame if takes_plain else None,
                on_line=route.event,
                on_failure=self._note_failure,
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
        if on_change is not None:
            self._pipeline.on_change = on_change
            self.script.on_change = self._pipeline.note_change
        self._pipeline.observer = self if loaded.scenario.waits_for_frames else self.run_judge
        self.energy = EnergySheet(self.bench.world, loaded.rig.vehicle)
        """Heat, fuel and charge of the run."""
        self.balance = Balance(self.bench.world) if self.is_shown else None
        """Who gives and who takes; None where nothing is shown."""
        self.bench.plan(SAMPLE_US, self._sample_energy)
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
        self._judge_second(now)
        self.script.observe_second(self.bench.world)
        self.bench.plan(now + SECOND_US, self._second)

    def _judge_second(self, now: int) -> None:
        """Pass the vehicle as it is now to the jury."""
        self.run_judge.observe_second(now, self.bench.world)

    def _note_failure(self, failure: Failure) -> None:
        """Keep an error of a simulated device, and tell of it."""
        self.failures.append(failure)
        if self._on_failure is not None:
            self._on_failure(failure)

    def _sample_energy(self) -> None:
        """Pass a whole minute of the vehicle to the account of its energy, and plan the next."""
        self.bench.world.advance(self.bench.now)
        self.energy.sample(self.bench.now)
        if self.balance is not None:
            self.balance.sample(self.bench.now)
        self.bench.plan(self.bench.now + SAMPLE_US, self._sample_energy)

    def _finish(self, time: int) -> None:
        """Show the end of the run, with the balance of the vehicle up to then."""
        self._sample_balance(time)
        self._pipeline.finish(time, self.balance)

    def _sample_balance(self, time: int) -> None:
        if self.balance is not None:
            self.bench.world.advance(max(time, self.bench.now))
            self.balance.sample(time)

    def simulated_end(self) -> SimulatedEnd:
        """Return what only the simulation knows, of a run that ends now."""
        self.energy.sample(self.time)
        return SimulatedEnd(self.energy.lines, tuple(self.script.changes), tuple(self.script.pending_steps))

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

    def on_flag(self, call: Callable[[int], None]) -> None:
        """Have ``call`` called with the time of each flag that is raised, in microseconds."""
        self._pipeline.on_flag = call

    def mark(self, note: str) -> None:
        """Mark the present moment with a note of the person at the bench; it is recorded and shown."""
        self._pipeline.mark(note)

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
        self._frames: list[PlainFrame] = []
        """Frames that are observed together with later ones, which is faster."""
        self._packed: list[Packed] = []
        """The same of a simulation in a second process; one of the two is empty."""
        self._packed_frames = 0
        self._events: list[tuple[int, LineEvent]] = []
        """Events of the bus that wait with them, each with the number of frames before it."""
        self._in_columns = in_batches and not self.is_shown
        self._columns: ColumnRun | None = None
        self._latest: list[Frame] = []
        """The latest frames that were observed one by one since columns were used last."""
        self._in_batches = in_batches
        self._notices: list[Notice] | None = None
        """What is to be sent to the process that observes; None where this process does."""
        self._end: SimulatedEnd | None = None
        """What the other process has told at the end, where the simulation was there."""
        if in_batches:
            return Route(self._frames.append, self._observe_event, self._frames.append)
        return Route(self._pipeline.observe, self._observe_event)

    def _catch_up(self) -> None:
        if self._columns is not None:
            self._columns.catch_up()
        frames, events = self._take_waiting(), deque(self._events)
        self._events.clear()
        pipeline, done = self._pipeline, 0
        at_once = self._in_columns and self._worth_columns(len(frames))
        for frame in () if at_once else frames:
            if self._in_columns and self._worth_columns(len(frames) - done):
                break
            while events and events[0][0] <= done:
                pipeline.observe_event(events.popleft()[1])
            pipeline.observe(frame)
            done += 1
        if self._in_columns:
            self._latest += frames[:done]
            del self._latest[:-MAX_LATEST_FRAMES]
        if done < len(frames):
            self._observe_in_columns(
                frames[done:] if done else frames, [(before - done, event) for before, event in events]
            )
        else:
            for _, event in events:
                pipeline.observe_event(event)

    def _worth_columns(self, frames: int) -> bool:
        """Tell whether the next frames, so many, are observed in columns."""
        enough = frames >= (MIN_FIRST_COLUMN_FRAMES if self._columns is None else MIN_COLUMN_FRAMES)
        return enough and not self._pipeline.awaits_own and not self.run_judge.awaits_outside_frame

    def _take_waiting(self) -> Sequence[Frame]:
        """Return the frames that wait; they do so no longer."""
        if self._packed:
            taken: Sequence[Frame] = PackedFrames(join(self._packed))
            self._packed.clear()
            self._packed_frames = 0
        else:
            taken = as_frames(self._frames)
            self._frames.clear()
        return taken

    @property
    def _waiting_frames(self) -> int:
        return len(self._frames) + self._packed_frames

    def _keep_packed(self, frames: Packed) -> None:
        """Keep frames that a second process has simulated."""
        if frames.lengths:
            self._packed.append(frames)
            self._packed_frames += len(frames.lengths)

    def _observe_in_columns(self, frames: Sequence[Frame], events: list[tuple[int, LineEvent]]) -> None:
        from rvsim.runs.column_run import ColumnRun

        if self._columns is None:
            self._columns = ColumnRun(self._pipeline, self.run_judge, self.catalogue)
        self._columns.keep(self._latest)
        self._latest.clear()
        self._pipeline.record(frames, events)
        self._columns.observe(frames, events)

    def _observe_event(self, event: LineEvent) -> None:
        if self._notices is not None:  # what ``_notice`` does: a busy bus has many of these
            self._notices.append(_new(Notice, (len(self._frames), "event", (event,))))
        elif self._in_columns:
            self._events.append((self._waiting_frames, event))
        else:
            self._catch_up()
            self._pipeline.observe_event(event)

    def _judge_second(self, now: int) -> None:
        if self._notices is not None:
            self._notice("second", now, self.run_judge.read_values(now, self.bench.world))
        else:
            super()._judge_second(now)

    def _note_failure(self, failure: Failure) -> None:
        if self._notices is not None:
            self._notice("failure", failure.sendable)
        else:
            super()._note_failure(failure)

    def send(self, identifier: int, data: bytes) -> None:
        """See ``BenchRun``; a frame that was on the bus before is never taken for this one."""
        if self._notices is not None:
            self._notice("own", identifier, data)
            self.bench.send(identifier, data)
        else:
            self._expect_own(identifier, data)
            self.bench.send(identifier, data)

    def _expect_own(self, identifier: int, data: bytes) -> None:
        self._catch_up()
        self._pipeline.expect_own(identifier, data)

    def send_from_outside(self, identifier: int, data: bytes) -> None:
        """See ``BenchRun``; a frame that was on the bus before is never taken for this one."""
        self._catch_up()
        super().send_from_outside(identifier, data)

    def until(self, time: int, report: Callable[[], None] = lambda: None) -> None:
        """Run up to ``time`` (microseconds), without the end of the output; ``report`` is called now and then.

        It ends sooner where a tap stops the bench, and the ``time`` of the run says when.
        """
        self._until(time, report, self.bench.run_until)

    def _until(self, time: int, report: Callable[[], None], simulate: Callable[[int], int]) -> None:
        """Observe up to ``time`` what ``simulate`` gives, called with a time that is a little later each time.

        It returns how far it has come: where that is less, the run ends there.
        """
        with _rare_collections():
            while self.time < time:
                self.time = until = min(time, self.time + BATCH_US)
                self.time = simulate(until)
                if self.time < until:
                    time = self.time
                full = MIN_FIRST_COLUMN_FRAMES if self._columns is None else FULL_BATCH
                if not self._in_columns or self._waiting_frames + len(self._events) >= full:
                    self._catch_up()
                report()
            self._catch_up()
        self._pipeline.advance(time)

    def run(self, end: int, report: Callable[[], None] = lambda: None, *, apart: bool = False) -> None:
        """Run to ``end`` (microseconds) and write the end of the output; ``report`` is called now and then.

        With ``apart`` a long run is simulated in a second process, where that is possible; it gives the same. The
        ``bench`` of this process then stays at the start, and nothing but ``verdict`` and the watch can be asked.

        Raises:
            RvsimError: the second process was ended from outside.
        """
        simulation = self._start_simulation(end) if apart else None
        if simulation is not None:
            self._observe_apart(simulation, end, report)
        else:
            self.until(end, report)
            self._finish(end)

    # The simulation in a second process.

    def _start_simulation(self, end: int) -> "SecondProcess | None":
        """Start a process that simulates up to ``end``; None where this one has to, or is as fast."""
        if not self._in_batches or self._is_tapped or end - self.time < MIN_APART_US:
            return None
        from rvsim.runs.second_process import SecondProcess, is_possible  # 10 ms, which short runs do not pay

        if not is_possible():
            return None
        try:
            return SecondProcess(partial(self._simulate, end), "simulated the vehicle")
        except OSError:  # the system gives no further process
            return None

    def _observe_apart(self, simulation: "SecondProcess", end: int, report: Callable[[], None]) -> None:
        """Observe what a second process simulates."""
        takers: dict[str, Callable[..., None]] = {
            "event": self._observe_event,
            "second": self.run_judge.observe_values,
            "own": self._expect_own,
            "change": self._pipeline.note_change,
            "failure": self._note_failure,
        }
        with simulation:
            self._until(end, report, partial(self._take_part, simulation, takers))
            self._end = simulation.receive()
        self._pipeline.finish(end, self._end.balance)

    def _take_part(self, simulation: "SecondProcess", takers: Mapping[str, Callable[..., None]], until: int) -> int:
        """Take the next part of a simulation, which ends at ``until``."""
        replay_part(simulation.receive(), self._keep_packed, takers)
        return until

    def _simulate(self, end: int, send: "Send") -> None:
        """Simulate up to ``end`` in the second process, and send what there is to observe, a part at a time."""
        notices: list[Notice] = []
        self._notices = notices
        if self.script.on_change is not None:
            self.script.on_change = partial(self._notice, "change")
        with _rare_collections():
            while self.time < end:
                self.time = min(end, self.time + BATCH_US)
                self.bench.run_until(self.time)
                send(part_of(self._frames, notices))
                self._frames.clear()
                notices.clear()
        self._sample_balance(end)
        balance = None if self.balance is None else self.balance.keep()
        send(self.simulated_end()._replace(balance=balance))

    def _notice(self, kind: str, *said: object) -> None:
        """Keep something beside a frame, to be sent."""
        assert self._notices is not None
        self._notices.append(Notice(len(self._frames), kind, said))

    def simulated_end(self) -> SimulatedEnd:
        """See ``BenchRun``."""
        return self._end or super().simulated_end()


@contextmanager
def _placed_mistakes(loaded: LoadedScenario) -> Iterator[None]:
    """Say of devices that cannot be created where in their file they stand."""
    try:
        yield
    except DeviceMistakesError as error:
        raise InputError(
            *(
                loaded.where_in_rig(name) + problem.removeprefix(f'device "{name}"')
                for name, problems in error.by_device.items()
                for problem in problems
            )
        ) from error


@contextmanager
def _rare_collections() -> Iterator[None]:
    """Have cyclic garbage looked for less often meanwhile: there is next to none, and frames that wait look new."""
    before = gc.get_threshold()
    if before[0]:  # 0: somebody has switched it off
        gc.set_threshold(max(COLLECT_AFTER, before[0]), *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _both(tap: Callable[[Frame], None], deliver: Callable[[Frame], None]) -> Callable[[Frame], None]:
    """Return a function that passes a frame to the tap, then delivers it."""

    def both(frame: Frame) -> None:
        tap(frame)
        deliver(frame)

    return both
