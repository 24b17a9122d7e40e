"""A log gone through: what is heard, when, and how it is waited for; by a wall clock that moves when it is slept by."""

import pytest

from rvsim.errors import InputError
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.replay import ROUND_GAP_US, LogRounds, ReplayRun
from rvsim.sim import clock as clock_module
from rvsim.watch.watch import FlagCleared, FlagRaised, PresenceChanged, Watch
from rvsim.wire.frame import SECOND_US, Frame

HEATER, PANEL = 0x19FFE45E, 0x19FFE244
"""FURNACE_STATUS of address 5E and THERMOSTAT_STATUS_1 of address 44, both every 5 s by the table."""
BODY = bytes.fromhex("0100C864FFFFFFFF")


class Wall:
    """A monotonic clock that moves only when somebody waits; a pause lasts until its event is set."""

    def __init__(self):
        self.ns = 0

    def monotonic_ns(self):
        """Tell the time."""
        return self.ns

    def sleep(self, seconds):
        """Let time go by."""
        self.ns += round(seconds * 1e9)


class Wake:
    """An event whose waiting moves the wall clock; ``then`` is called at each wait, to do what a person would."""

    def __init__(self, wall, then=lambda: None):
        self.wall, self.then, self._set = wall, then, False
        self.waits = []

    def is_set(self):
        """Tell whether somebody wants something."""
        return self._set

    def set(self):
        """Want something."""
        self._set = True

    def clear(self):
        """It was seen to."""
        self._set = False

    def wait(self, timeout=None):
        """Wait for nothing but the clock."""
        self.waits.append(timeout)
        self.then()
        if self._set:
            return True
        assert timeout is not None, "a pause that nobody ends"
        self.wall.ns += round(timeout * 1e9)
        return False


@pytest.fixture
def wall(monkeypatch):
    """The wall clock in the hands of the test."""
    wall = Wall()
    monkeypatch.setattr(clock_module, "time", wall)
    return wall


class Sink:
    """Keeps what it is shown, with the times of the wall."""

    def __init__(self, wall=None):
        self.wall = wall
        self.frames, self.shown, self.ended = [], [], []

    def frame(self, frame):
        """Keep it."""
        self.frames.append((self.wall.ns / 1e9 if self.wall else None, frame.time / SECOND_US))

    def events(self, events):
        """Keep them."""
        self.shown += events

    def end(self, time, watch):
        """Keep it."""
        self.ended.append(time)

    def flush(self):
        """Nothing waits."""


def said(*moments, identifier=HEATER):
    """Frames of one message at seconds."""
    return [Frame(round(moment * SECOND_US), identifier, BODY) for moment in moments]


@pytest.fixture
def replay(catalogue, wall, log_of):
    """Put a replay over frames together: (replay, sink, control)."""

    def make(frames, **more):
        sink, control = Sink(wall), RunControl(more.pop("speed", 1.0))
        control.wake = Wake(wall)  # type: ignore[assignment]
        rounds = LogRounds(lambda: log_of(sorted(frames)), **more)
        return ReplayRun(rounds, Pipeline(Watch(catalogue), sink)), sink, control

    return make


def test_a_log_is_heard_whole_without_waiting(replay):
    """In virtual time every frame is shown, the end is the last frame's time, and nobody waits."""
    run, sink, _ = replay(said(0, 5, 10, 11.5))
    run.run_virtual()
    assert [time for _, time in sink.frames] == [0, 5, 10, 11.5]
    assert sink.ended == [11_500_000]
    assert run.observed_until == 11_500_000
    assert {wall for wall, _ in sink.frames} == {0}


def test_paced_frames_come_when_they_were_recorded(replay):
    """By the wall clock each frame comes at its own second."""
    run, sink, control = replay(said(0, 1, 2.5, 7))
    run.run_paced(control)
    assert [(round(wall, 3), time) for wall, time in sink.frames] == [(0, 0), (1, 1), (2.5, 2.5), (7, 7)]


def test_speed_divides_the_time(replay):
    """At four times the speed eight seconds take two; what lies within 2 ms of waiting comes together."""
    run, sink, control = replay(said(0, 4, 8), speed=4.0)
    run.run_paced(control)
    assert [wall for wall, _ in sink.frames] == pytest.approx([0, 1, 2], abs=0.003)


def test_only_the_part_asked_for_is_shown(replay):
    """From 6 to 12 s: the frames before are heard untold, so that the device is known, and the rest is left."""
    run, sink, _ = replay(said(0, 5, 10, 12, 15), start=6 * SECOND_US, end=12 * SECOND_US)
    run.run_virtual()
    assert [time for _, time in sink.frames] == [10, 12]
    assert sink.shown[0] == PresenceChanged(6 * SECOND_US, "address 5E hex", 0x5E, "present")  # type: ignore[arg-type]
    assert sink.ended == [12 * SECOND_US]


def test_a_flag_that_stands_at_the_start_is_shown_there(replay):
    """The heater fell silent before the start: its flag comes first, with the number that it had."""
    frames = said(*range(0, 51, 5)) + said(*range(0, 121, 5), identifier=PANEL)
    run, sink, _ = replay(frames, start=100 * SECOND_US)
    run.run_virtual()
    raised = [event for event in sink.shown if isinstance(event, FlagRaised)]
    assert [(event.flag.kind, event.flag.number, event.time) for event in raised] == [
        ("silent-device", 1, 100 * SECOND_US)
    ]


def test_a_paced_part_begins_at_once(replay):
    """The wall clock does not wait for what lies before the start."""
    run, sink, control = replay(said(0, 50, 101, 102), start=100 * SECOND_US)
    run.run_paced(control)
    assert [(round(wall, 3), time) for wall, time in sink.frames] == [(1, 101), (2, 102)]


def test_a_start_behind_the_end_is_refused(replay):
    """The line says how long the log is."""
    run, _, _ = replay(said(0, 5), start=60 * SECOND_US)
    with pytest.raises(InputError, match=r"--from 60: the log ends 5\.0 s after its first frame"):
        run.run_virtual()


def test_going_round_lets_time_go_on(replay):
    """The part from 1 to 2 s follows itself, with a usual silence between, until it is stopped."""
    run, sink, control = replay(said(0, 1, 1.5, 2, 9), start=1 * SECOND_US, end=2 * SECOND_US, loop=True)
    control.wake.then = lambda: control.stop() if len(sink.frames) >= 7 else None
    run.run_paced(control)
    gap = ROUND_GAP_US / SECOND_US
    assert [time for _, time in sink.frames][:7] == pytest.approx(
        [1, 1.5, 2, 2 + gap, 2.5 + gap, 3 + gap, 3 + 2 * gap], abs=1e-6
    )


def test_going_round_an_empty_log_ends(replay):
    """Nothing in it: there is nothing to go round."""
    run, sink, control = replay([], loop=True)
    run.run_paced(control)
    assert sink.ended == [0]


def test_pause_and_speed_from_another_hand(replay, wall):
    """Paused after the first frame for 10 s of the wall, then at twice the speed."""
    run, sink, control = replay(said(0, 4, 8))
    script = iter(
        [
            lambda: control.pause(paused=True),
            lambda: (wall.sleep(10), control.set_speed(2.0), control.pause(paused=False)),
        ]
    )
    control.wake.then = lambda: next(script, lambda: None)()
    run.run_paced(control)
    assert [time for _, time in sink.frames] == [0, 4, 8]
    assert [moment for moment, _ in sink.frames] == pytest.approx([0, 12, 14], abs=0.01)


def test_on_to_the_next_flag(replay):
    """It goes on without waiting to the moment at which the flag is raised, stands still there, and says which."""
    frames = said(*range(0, 51, 5)) + said(*range(0, 301, 5), identifier=PANEL)
    run, _, control = replay(frames)
    found = []

    def seen(flag):
        found.append((flag.kind, run.time / SECOND_US, control.paused))
        control.stop()

    run.on_found = seen
    run.next_flag()
    run.run_paced(control)
    assert len(found) == 1
    kind, moment, paused = found[0]
    assert (kind, paused) == ("silent-device", True)
    assert 60 <= moment <= 70  # last at 50 s, silent for more than 15 s
    assert control.wake.waits == []


def test_a_flag_that_ends_with_the_next_frame_is_seen_standing(replay, catalogue):
    """A pause of the whole bus is found before the frame that ends it is heard."""
    steady = [said(n / 10, identifier=PANEL)[0] for n in range(400)] + [said(n / 10)[0] for n in range(400)]
    later = [
        frame._replace(time=frame.time + 12 * SECOND_US) if frame.time > 20 * SECOND_US else frame for frame in steady
    ]
    run, sink, control = replay(later)
    standing = []
    run.on_found = lambda flag: (standing.append(run.watch.flags), control.stop())
    run.next_flag()
    run.run_paced(control)
    assert [flag.kind for flag in standing[0]] == ["bus-quiet"]
    assert not any(isinstance(event, FlagCleared) for event in sink.shown[:-1])


def test_no_further_flag(replay):
    """At the end of the log the search is over, and says that there is none."""
    run, _, control = replay(said(0, 5, 10))
    found = []
    run.on_found = found.append
    run.next_flag()
    run.run_paced(control)
    assert found == [None]


def test_stopping_ends_it(replay):
    """A run that was stopped hears no more, and sums up."""
    run, sink, control = replay(said(0, 1, 2, 3))
    control.wake.then = control.stop
    run.run_paced(control)
    assert [time for _, time in sink.frames] == [0]
    assert len(sink.ended) == 1


def test_each_round_closes_its_log(log_of):
    """No file stays open behind a round."""
    logs = []

    def open_log():
        logs.append(log_of(said(0, 1)))
        return logs[-1]

    rounds = LogRounds(open_log, loop=True)
    times = [rounds.pop().time for _ in range(5)]
    assert times == sorted(times)
    assert [log.closed for log in logs] == [True, True, False]
