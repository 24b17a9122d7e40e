"""A bus listened to: times, ends, and what is said while nothing, or nothing valid, comes; time is the test's own."""

import pytest

from rvsim.edge.port import PortStatistics
from rvsim.errors import BusError
from rvsim.runs.control import RunControl
from rvsim.runs.listen import WATCH_DELAY_US, ListenRun
from rvsim.runs.pipeline import Pipeline
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, ListeningResumed, OtherFrame, OtherKind

EPOCH = 1_700_000_000 * SECOND_US
HEATER, PANEL = 0x19FFE45E, 0x19FFE244
LONGEST_S = 600
"""A run that should end by itself is given up after so long, or a test would hang."""
BODY = bytes.fromhex("0100C864FFFFFFFF")


class FakePort:
    """A port whose frames and clock the test moves; it waits by moving the clock."""

    def __init__(self):
        self.ns = 5 * 10**9
        self.waiting, self.script = [], []
        self.counts = PortStatistics(0, 0, 0, 0, 0, None)
        self._first = None
        self.arrived = self
        self.is_doubtful = False
        self.is_closed = False

    def clock(self):
        """Monotonic nanoseconds."""
        return self.ns

    def wait(self, timeout):
        """Let time go by, and let the script go on."""
        self.ns += max(1000, round(timeout * 1e9))
        assert self.seconds() < LONGEST_S, "it does not end"
        if self.script and self.seconds() >= self.script[0][0]:
            self.script.pop(0)[1]()
        return True

    def clear(self):
        """Seen."""

    def seconds(self):
        """Seconds since the start."""
        return (self.ns - 5 * 10**9) / 1e9

    def deliver(self, *identifiers):
        """Frames that arrive now, stamped with the date."""
        for identifier in identifiers:
            self.waiting.append(Frame(EPOCH + self.ns // 1000, identifier, BODY))
        self._first = True
        self.counts = self.counts._replace(received=self.counts.received + len(identifiers))

    def close(self):
        """Closed."""
        self.is_closed = True

    def count(self, **more):
        """Change the counts."""
        self.counts = self.counts._replace(**more)

    def now(self):
        """The present as the stamps have it."""
        return None if self._first is None else EPOCH + self.ns // 1000

    def receive(self):
        """What has come."""
        taken, self.waiting = self.waiting, []
        return taken

    @property
    def statistics(self):
        """The counts."""
        return self.counts


class Sink:
    """Keeps times and the end."""

    def __init__(self):
        self.times, self.ended = [], []

    def frame(self, frame):
        """Keep its time."""
        self.times.append(frame.time / SECOND_US)

    def events(self, events):
        """Not asked."""

    def end(self, time, watch):
        """Keep it."""
        self.ended.append(time / SECOND_US)

    def flush(self):
        """Nothing waits."""


@pytest.fixture
def bus(catalogue):
    """A port, what hears it, its sink and what was said."""
    port, sink, said = FakePort(), Sink(), []
    hearing = Pipeline(Watch(catalogue), sink)
    return port, ListenRun(port, hearing, "slcan tty0", 250_000, said.append, clock=port.clock), sink, said  # type: ignore[arg-type]


def test_times_are_seconds_since_the_start(bus):
    """A frame stamped with a date two seconds after the start is heard at 2 s; the run ends when its time is over."""
    port, listen, sink, said = bus
    port.script = [(2.0, lambda: port.deliver(HEATER)), (4.0, lambda: port.deliver(PANEL, HEATER))]
    listen.run(10 * SECOND_US, RunControl())
    assert sink.times == pytest.approx([2, 4, 4], abs=0.11)
    assert sink.ended == pytest.approx([10], abs=0.01)
    assert said == []


def test_the_watch_stays_behind_the_present(bus):
    """Frames that an adapter hands over in heaps, up to half a second late, keep their times."""
    port, listen, sink, _ = bus
    port.deliver(HEATER)
    port.ns += 3 * 10**9
    late = port.now() - 400_000
    listen.poll()
    assert listen.observed_until == pytest.approx(3 * SECOND_US - WATCH_DELAY_US, abs=1000)
    port.waiting.append(Frame(late, PANEL, BODY))
    listen.poll()
    assert sink.times[-1] == pytest.approx(2.6, abs=0.01)
    assert listen.watch.statistics.steps_back == 0


def test_a_device_that_falls_silent_is_flagged_while_nothing_comes(bus):
    """Two talkers; one stays away for more than fifteen seconds while the other goes on."""
    port, listen, _, _ = bus
    port.script = [(n, lambda n=n: port.deliver(*((HEATER, PANEL) if n < 20 else (PANEL,)))) for n in range(1, 60, 5)]
    listen.run(60 * SECOND_US, RunControl())
    assert [(flag.kind, flag.subject) for flag in listen.watch.flags] == [("silent-device", "address 5E hex")]


def test_silence_from_the_start_is_said_once_with_what_to_try(bus):
    """After five seconds: power, wiring, bit rate; and that a lone device is never acknowledged by a listener."""
    _, listen, _, said = bus
    listen.run(4 * SECOND_US, RunControl())
    assert said == []
    listen.run(30 * SECOND_US, RunControl())
    assert len(said) == 2
    assert said[0].startswith("slcan tty0 at 250000 bit/s: no frame for 5 s.")
    assert "the bit rate, which is 250000 on RV-C" in said[0]
    assert "no node acknowledges its frames" in said[1]
    assert "power a second device" in said[1]


def test_a_virtual_bus_reaches_nobody_outside(catalogue):
    """There the advice is another one."""
    port, said = FakePort(), []
    pipeline, clock = Pipeline(Watch(catalogue), Sink()), port.clock
    listen = ListenRun(port, pipeline, "virtual a", None, said.append, virtual=True, clock=clock)  # type: ignore[arg-type]
    listen.run(6 * SECOND_US, RunControl())
    assert said == ["virtual a: no frame for 5 s. A virtual bus exists inside this program only"]


def test_error_frames_point_to_the_bit_rate(bus):
    """Error frames and not one valid frame: the bit rate is named first, once."""
    port, listen, _, said = bus
    port.script = [(1.0, lambda: port.count(errors=12)), (3.0, lambda: port.count(errors=900))]
    listen.run(20 * SECOND_US, RunControl())
    assert len(said) == 2
    assert said[1].startswith("if only one device is on this bus and the adapter only listens, no node acknowledges")
    assert "error frames (12 so far) and no valid frame. Try next: the bit rate, which is 250000 here" in said[0]
    assert "swapped" in said[0]


def test_error_frames_among_valid_ones_are_reported_once(bus):
    """The bit rate is right then; wires and terminators are named."""
    port, listen, _, said = bus
    port.script = [(1.0, lambda: port.deliver(HEATER)), (2.0, lambda: port.count(errors=3))]
    listen.run(20 * SECOND_US, RunControl())
    assert said == [
        "slcan tty0 at 250000 bit/s: error frames among the valid ones. Try next: CAN high and CAN low, which may be "
        "swapped; both terminators"
    ]


def test_only_11_bit_frames(bus):
    """Another kind of bus is named as such."""
    port, listen, _, said = bus
    port.script = [(1.0, lambda: port.count(skipped=5))]
    listen.run(9 * SECOND_US, RunControl())
    assert said == [
        "slcan tty0 at 250000 bit/s: only frames that RV-C does not use (11-bit, remote, FD) are received; check that "
        "it is the right bus"
    ]


def test_frames_that_were_lost_here_are_told(bus):
    """Flags may be false then."""
    port, listen, _, said = bus
    port.script = [(1.0, lambda: port.deliver(HEATER)), (2.0, lambda: port.count(dropped=7))]
    listen.run(5 * SECOND_US, RunControl())
    assert said == ["slcan tty0 at 250000 bit/s: frames were lost because this machine is too slow; flags may be false"]


def test_a_bus_that_is_lost_ends_it(bus):
    """What was heard before is summed up, then the error comes out."""
    port, listen, sink, _ = bus
    port.script = [(1.0, lambda: port.deliver(HEATER)), (2.0, lambda: port.count(error="unplugged"))]
    with pytest.raises(BusError, match=r"the bus was lost while listening \(unplugged\)"):
        listen.run(None, RunControl())
    assert len(sink.times) == 1
    assert len(sink.ended) == 1


def test_it_listens_until_it_is_stopped(bus):
    """Without an end another hand ends it."""
    port, listen, sink, _ = bus
    control = RunControl()
    port.script = [(1.0, lambda: port.deliver(HEATER)), (3.0, control.stop)]
    listen.run(None, control)
    assert sink.ended == pytest.approx([3], abs=0.2)


def test_errors_and_other_frames_reach_the_watch(bus):
    """Error frames raise their flag by the time since the start, before and after the first frame; load counts all."""
    port, listen, _, _ = bus
    port.ns += 2 * 10**9
    port.waiting.append(ErrorFrame(port.ns // 1000))
    listen.poll()
    (flag,) = listen.watch.flags
    assert (flag.kind, flag.since) == ("bus-errors", 2 * SECOND_US)
    assert "no valid frame" in flag.text
    port.deliver(HEATER)
    port.waiting.append(ErrorFrame(port.now() + SECOND_US))
    port.waiting.append(OtherFrame(port.now() + SECOND_US, OtherKind.STANDARD, 110_000))
    listen.poll()
    port.ns += 4 * 10**9
    listen.poll()
    assert {flag.kind for flag in listen.watch.flags} == {"bus-errors", "bus-busy"}
    assert "2 error frames from 2.000 s to 3.000 s" in listen.watch.flags[0].text


# An interface that is lost and comes back.


class FakeAttempt:
    """An attempt whose end the test decides: a port, an error, or neither yet."""

    def __init__(self, outcome):
        self.outcome = outcome
        self.was_abandoned = False

    @property
    def is_done(self):
        """Whether it has ended."""
        return self.outcome is not None

    def result(self):
        """The port, or the error."""
        if isinstance(self.outcome, BusError):
            raise self.outcome
        return self.outcome

    def abandon(self):
        """Nobody waits."""
        self.was_abandoned = True


class WaitingControl(RunControl):
    """A control whose waits move the clock of the test."""

    def __init__(self, port):
        super().__init__()
        self.wake = port


class Keeper:
    """A recorder that keeps what it gets."""

    def __init__(self):
        self.frames, self.events = [], []

    def write(self, frame):
        """Keep it."""
        self.frames.append(frame)

    def write_event(self, event):
        """Keep it."""
        self.events.append(event)

    def flush(self):
        """Nothing waits."""


@pytest.fixture
def waiting(catalogue):
    """A run that opens its port itself: the first port, the run, what is recorded and said, outcomes of attempts."""
    port, kept, said, states, outcomes = FakePort(), Keeper(), [], [], []
    attempts = []

    def attempt():
        attempts.append(FakeAttempt(outcomes.pop(0) if outcomes else BusError("slcan tty0: could not be opened")))
        return attempts[-1]

    pipeline = Pipeline(Watch(catalogue), Sink(), kept)
    run = ListenRun(
        None,
        pipeline,
        "slcan tty0",
        250_000,
        said.append,
        clock=port.clock,
        start_attempt=attempt,
        say_state=states.append,
    )
    return port, run, kept, said, states, outcomes, attempts


def second_port(first):
    """A port with the clock of another, and stamps that began elsewhere."""
    port = FakePort()
    port.clock = first.clock
    port.deliver = lambda *identifiers: (
        port.waiting.extend(Frame(7_000_000 + first.ns // 1000, identifier, BODY) for identifier in identifiers),
        port.count(received=port.counts.received + len(identifiers)),
        setattr(port, "_first", True),
    )
    port.now = lambda: None if port._first is None else 7_000_000 + first.ns // 1000
    port.wait, port.clear = first.wait, first.clear
    return port


def test_an_interface_that_is_there_is_no_gap(waiting):
    """The first attempt succeeds: nothing is said, and nothing but the frames is recorded."""
    port, run, kept, said, states, outcomes, _ = waiting
    outcomes.append(port)
    port.script = [(2.0, lambda: port.deliver(HEATER))]
    run.run(6 * SECOND_US, WaitingControl(port))
    assert (kept.events, said, states, run.gap_count) == ([], [], [], 0)
    assert [frame.time for frame in kept.frames] == pytest.approx([2 * SECOND_US], abs=200_000)
    assert (port.is_closed, run.statistics.received) == (True, 1)


def test_a_lost_interface_is_opened_again_and_the_gap_told(waiting):
    """Lost at 20 s, back at 50 s: an event for watch and recording, one line each; times go on by the start."""
    port, run, kept, said, states, outcomes, attempts = waiting
    other = second_port(port)
    outcomes += [port, BusError("busy"), BusError("busy"), other]
    port.script = [
        *((n, lambda: port.deliver(HEATER, PANEL)) for n in range(1, 20)),
        (20.0, lambda: port.count(error="unplugged")),
        *((n, lambda: other.deliver(HEATER, PANEL)) for n in range(24, 60)),
    ]
    run.run(60 * SECOND_US, WaitingControl(port))
    (gap,) = kept.events
    assert isinstance(gap, ListeningResumed)
    assert (gap.since / 1e6, gap.about) == (pytest.approx(19.5, abs=0.7), "unplugged")
    assert gap.time / 1e6 == pytest.approx(22.2, abs=0.3)
    assert run.watch.all_flags == ()
    assert [state.split(": ")[1].split(" ")[0] for state in states] == ["lost", "listening"]
    assert "lost 1" in states[0]
    assert "(unplugged)" in states[0]
    assert "after a gap of " in states[1]
    assert said == []
    assert len(attempts) == 4
    after = [frame.time / 1e6 for frame in kept.frames if frame.time > gap.time]
    assert after[0] == pytest.approx(24, abs=0.2)
    assert after == sorted(after)
    assert run.statistics.received == 2 * (19 + 36)
    assert (port.is_closed, other.is_closed) == (True, True)
    assert (run.gap_count, run.gap_us) == (1, gap.time - gap.since)


def test_without_the_gap_the_devices_would_be_silent(waiting):
    """The same gap of half a minute, with and without an event for it."""
    port, run, kept, _, _, outcomes, _ = waiting
    other = second_port(port)
    outcomes += [port, *(BusError("busy") for _ in range(30)), other]
    port.script = [
        *((n, lambda: port.deliver(HEATER, PANEL)) for n in range(1, 20)),
        (20.0, lambda: port.count(error="unplugged")),
        *((n, lambda: other.deliver(HEATER, PANEL)) for n in range(51, 60)),
    ]
    run.run(60 * SECOND_US, WaitingControl(port))
    assert run.watch.all_flags == ()
    assert len(kept.events) == 1
    deaf = Watch(run.watch._decoder._catalogue)
    for frame in kept.frames:
        deaf.observe(frame)
    assert {flag.kind for flag in deaf.all_flags} & {"silent-device", "late-message", "bus-quiet"}


def test_a_doubtful_interface_is_not_judged(waiting):
    """While the driver does not wait any more nobody is called silent, also before it counts as lost."""
    port, run, *_, outcomes, _ = waiting
    outcomes.append(port)

    def doubt():
        port.is_doubtful = True

    port.script = [*((n, lambda: port.deliver(HEATER, PANEL)) for n in range(1, 20)), (20.0, doubt)]
    run.run(60 * SECOND_US, WaitingControl(port))
    assert run.observed_until / 1e6 == pytest.approx(19.5, abs=0.7)
    assert run.watch.all_flags == ()


def test_an_interface_that_is_not_there_yet_is_waited_for(waiting):
    """Said once with the reason; an attempt a second; the gap from the start is told."""
    port, run, kept, _, states, outcomes, attempts = waiting
    outcomes += [BusError("slcan tty0: no such device"), BusError("slcan tty0: no such device"), port]
    port.script = [(5.0, lambda: port.deliver(HEATER))]
    run.run(8 * SECOND_US, WaitingControl(port))
    assert states[0] == "slcan tty0: no such device. Waiting for it; Ctrl-C ends"
    assert len(states) == 2
    (gap,) = kept.events
    assert (gap.since, gap.about) == (0, "slcan tty0: no such device")
    assert gap.time / 1e6 == pytest.approx(2.2, abs=0.3)
    assert len(attempts) == 3


def test_an_attempt_that_takes_long_is_a_gap_too(waiting):
    """A driver that waits for its server: nobody listened until it was there."""
    port, run, kept, _, states, outcomes, attempts = waiting
    outcomes.append(None)

    def succeed():
        attempts[0].outcome = port

    port.script = [(4.0, succeed)]
    run.run(6 * SECOND_US, WaitingControl(port))
    (gap,) = kept.events
    assert (gap.since, gap.time / 1e6) == (0, pytest.approx(4.1, abs=0.2))
    assert gap.about == "the interface was not there yet"
    assert states[0].startswith("slcan tty0 at 250000 bit/s: listening since 4.")


def test_an_interface_that_never_comes_is_an_error_at_the_end(waiting):
    """The end of the time is not a good result then."""
    port, run, kept, _, _, _, _ = waiting
    with pytest.raises(BusError, match=r"waited for it until the end; slcan tty0: could not be opened"):
        run.run(5 * SECOND_US, WaitingControl(port))
    assert (kept.events, kept.frames) == ([], [])


def test_an_attempt_is_abandoned_at_the_end(waiting):
    """A port that it may still open is closed."""
    port, run, _, _, _, outcomes, attempts = waiting
    outcomes.append(None)
    run.run(5 * SECOND_US, WaitingControl(port))
    assert attempts[0].was_abandoned


def test_several_gaps_are_added_up(waiting):
    """The line about the second one has the sum."""
    port, run, _, _, states, outcomes, _ = waiting
    second, third = second_port(port), second_port(port)
    outcomes += [port, second, third]
    port.script = [
        (1.0, lambda: port.deliver(HEATER)),
        (3.0, lambda: port.count(error="a")),
        (8.0, lambda: second.deliver(HEATER)),
        (9.0, lambda: second.count(error="b")),
    ]
    run.run(14 * SECOND_US, WaitingControl(port))
    assert run.gap_count == 2
    assert states[-1].endswith(f"; 2 gaps so far, together {run.gap_us / 1e6:.1f} s")
    assert run.lost_at is None


def test_the_end_in_a_gap_is_known(waiting):
    """Lost and not back: the watch stops where the listening did."""
    port, run, *_, outcomes, _ = waiting
    outcomes.append(port)
    port.script = [
        *((n, lambda: port.deliver(HEATER, PANEL)) for n in range(1, 5)),
        (5.0, lambda: port.count(error="a")),
    ]
    run.run(60 * SECOND_US, WaitingControl(port))
    assert run.lost_at == run.observed_until
    assert run.watch.all_flags == ()


def test_no_frame_is_earlier_than_the_end_of_its_gap(waiting):
    """Frames that waited in the interface, stamped before it was opened: times never go back."""
    port, run, kept, _, _, outcomes, _ = waiting
    outcomes += [BusError("busy"), port]
    port.deliver(HEATER)
    port.waiting[0] = port.waiting[0]._replace(time=port.waiting[0].time - 5 * SECOND_US)
    run.run(3 * SECOND_US, WaitingControl(port))
    (gap,) = kept.events
    assert [frame.time for frame in kept.frames] == [gap.time]
