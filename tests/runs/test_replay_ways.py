"""The ways through a log: flags on and back, a text, a mark, frame by frame; what is behind is read again."""

from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.runs import replay as module
from rvsim.runs.control import RunControl
from rvsim.runs.log_reader import LogReader, LogRounds, Place
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.replay import ReplayRun
from rvsim.runs.sink import NullSink
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame

HEATER, PANEL, SENSOR = 0x19FFE45E, 0x19FFE244, 0x19FF9C91
BODY = bytes.fromhex("0100C864FFFFFFFF")


class Told:
    """Keeps what is told of the ways."""

    def __init__(self):
        self.flags, self.frames, self.matches, self.said, self.watches, self.ends = [], [], [], [], [], []

    def flag_reached(self, flag):
        """A flag, or None."""
        self.flags.append(None if flag is None else (str(flag.kind), flag.subject))

    def frame_reached(self, frame):
        """A frame."""
        self.frames.append((frame.time, frame.identifier))

    def text_found(self, search, match):
        """A text, or None."""
        self.matches.append(match)

    def say(self, text):
        """A sentence."""
        self.said.append(text)

    def watch_changed(self, watch):
        """Another watch."""
        self.watches.append(watch)

    def log_ended(self, *, ended):
        """The end, or away from it."""
        self.ends.append(ended)


class Script:
    """An event that does the next thing of a script whenever the run waits for it, and stops the run at its end."""

    def __init__(self, control, steps):
        self.control, self.steps, self._set = control, list(steps), False

    def is_set(self):
        """Whether something is wanted."""
        return self._set

    def set(self):
        """Something is."""
        self._set = True

    def clear(self):
        """It was done."""
        self._set = False

    def wait(self, timeout=None):
        """Do the next thing."""
        if not self._set:
            if self.steps:
                self.steps.pop(0)()
            else:
                self.control.stop()
        return self._set


def frames_of(identifier, *moments):
    """Return frames of one message at seconds."""
    return [Frame(round(moment * SECOND_US), identifier, BODY) for moment in moments]


def faulty_log():
    """The heater falls silent twice, the panel goes on: flags at some 65 s and 265 s; an error frame in between."""
    heater = [moment for moment in range(0, 300, 5) if not (50 < moment < 100 or moment > 250)]
    entries = frames_of(HEATER, *heater) + frames_of(PANEL, *(n + 0.5 for n in range(0, 300, 5)))
    return sorted([*entries, ErrorFrame(150 * SECOND_US)], key=lambda entry: entry.time)


@pytest.fixture
def ways(catalogue, monkeypatch, log_of):
    """Go through a log by a script; each step gets the run. Returns what was told, and the run after each step."""
    monkeypatch.setattr(module, "MAX_STEP_ENTRIES", 7)

    def go(*steps, entries=None, back=True, **more):
        entries = faulty_log() if entries is None else entries
        opened = []

        def open_log():
            opened.append(log_of(entries))
            return opened[-1]

        def new_pipeline(start):
            return Pipeline(Watch(catalogue, None, start), NullSink())

        told, control = Told(), RunControl(1e6 if more.pop("plays", False) else 1.0)
        run = ReplayRun(LogRounds(open_log, **more), new_pipeline(0), new_pipeline if back else None)
        run.navigation, run.stays_at_end = told, True
        states = []

        def step(action):
            def requested():
                action(run)

            def do():
                states.append(state_of(run))
                control.request(requested)

            return do

        control.pause(paused=True)
        control.wake = Script(control, map(step, steps))  # type: ignore[assignment]
        control.wake.set()
        run.run_paced(control)
        states.append(state_of(run))
        assert all(log.closed for log in opened)
        return SimpleNamespace(told=told, states=states[1:], run=run, control=control)

    return go


def state_of(run):
    """Return where a run stands, and what its watch knows there."""
    watch = run.watch
    flags = tuple((flag.number, flag.kind, flag.subject, flag.since, flag.until) for flag in watch.all_flags)
    return run.observed_until, watch.statistics, flags, watch.roll_call, tuple(watch.last_frames())


next_flag, previous_flag = ReplayRun.next_flag, ReplayRun.previous_flag
on, back = (lambda run: run.step_frames(1)), (lambda run: run.step_frames(-1))


def test_back_to_the_flag_before(ways):
    """The very state in which the log stood there, flag by flag; before the first there is none."""
    found = ways(next_flag, next_flag, next_flag, previous_flag, previous_flag, previous_flag)
    kinds = found.told.flags
    assert kinds[0] == kinds[4] != kinds[1] == kinds[3]
    one, two, three, two_again, one_again, still_one = found.states
    assert (two_again, one_again, still_one) == (two, one, one)
    assert one != two != three
    assert found.told.said[-1] == "No earlier flag."
    assert found.control.paused
    assert len(found.told.watches) == 2


def test_back_to_a_flag_that_lies_behind(ways):
    """From a place after a flag the first step back goes to that flag."""
    found = ways(next_flag, on, on, on, previous_flag)
    assert found.told.flags[0] == found.told.flags[1]
    assert found.states[-1] == found.states[0]


def test_back_from_the_end(ways):
    """The end is left again, and told; the last flag is the one of the last silence."""
    found = ways(*[next_flag] * 9, previous_flag)
    assert None in found.told.flags
    assert found.told.flags[-1] == found.told.flags[found.told.flags.index(None) - 1]
    assert found.told.ends[0] is True
    assert found.told.ends[-1] is False


def test_the_end_is_told_each_time(ways):
    """Reached, left, and reached again."""
    found = ways(*[next_flag] * 9, previous_flag, *[next_flag] * 9)
    assert [ended for ended in found.told.ends if ended] == [True, True]


def test_the_way_back_says_how_far_it_is(ways):
    """In percent, as long as it takes more than a step."""
    found = ways(*[next_flag] * 4, previous_flag)
    shares = [text for text in found.told.said if text.startswith("Reading the log again: ")]
    assert len(shares) > 3
    figures = [int(text.split(": ")[1].split(" ")[0]) for text in shares]
    assert figures == sorted(figures)
    assert 0 <= figures[0] < figures[-1] <= 99


def test_a_new_way_gives_up_the_one_before(ways, monkeypatch):
    """Asked for the next flag while it reads again: it goes on from where it was."""
    found = ways(next_flag, next_flag, lambda run: (run.previous_flag(), run.next_flag()), previous_flag)
    assert len(found.told.watches) == 1
    assert found.states[3] == found.states[1]


def test_without_a_second_reading_there_is_no_way_back(ways):
    """It is said."""
    found = ways(next_flag, on, previous_flag, back, back=False)
    assert found.told.said == ["This log cannot be read again."] * 2


@pytest.mark.parametrize("many", [1, 5, 30])
def test_one_frame_on_and_one_back(ways, many):
    """As often as wanted; each frame is told, and the state is the one that was there before."""
    found = ways(*[on] * many, *[back] * (many - 1))
    moments = [time for time, _ in found.told.frames]
    assert moments[:many] == sorted(moments[:many])
    assert found.told.frames == found.told.frames[:many] + found.told.frames[: many - 1][::-1]
    assert found.states[many:] == found.states[: many - 1][::-1]
    assert found.control.paused


def steps(*by):
    """Return a step that asks for several before the first of them is done."""
    return lambda run: [run.step_frames(each) for each in by]


@pytest.mark.parametrize(
    "asked", [(1, 1), (1, 1, 1, -1), (-1, -1), (-1, -1, -1, 1), (1, -1), (-1, 1, 1), (-1,) * 9, (1,) * 90, (-1, 1)]
)
def test_steps_asked_for_at_once_are_all_done(ways, asked):
    """As if each had been waited for; beyond the first and the last frame there is none."""
    start = [on] * 5
    together, singly = ways(*start, steps(*asked)), ways(*start, *(steps(each) for each in asked))
    assert together.states[-1] == singly.states[-1]
    assert together.control.paused
    assert together.told.frames[-1] == singly.told.frames[-1]


def test_the_first_and_the_last_frame(ways):
    """There it is said that nothing is before or behind."""
    entries = frames_of(HEATER, 0, 1, 2)
    found = ways(on, back, on, on, on, on, entries=entries)
    assert found.told.said[0] == "This is the first frame."
    assert found.told.said[-1] == "This is the last frame."
    assert [time for time, _ in found.told.frames] == [0, SECOND_US, 2 * SECOND_US]


def test_a_mark(ways):
    """Set, left on and back, and gone to again: the same state; without one it is said."""
    found = ways(
        ReplayRun.go_to_mark, next_flag, ReplayRun.set_mark, next_flag, next_flag, ReplayRun.go_to_mark,
        ReplayRun.go_to_mark, previous_flag, back, ReplayRun.go_to_mark,
    )  # fmt: skip
    assert found.told.said[0] == "No mark is set; m sets one."
    assert found.states[5] == found.states[2]
    assert found.states[9] == found.states[2]
    assert found.told.said.count("At the mark.") == 2
    assert "This is the mark." in found.told.said


def test_a_text_is_searched(ways):
    """In flags, devices, messages and fields, by whatever case; the log stands where it is told of."""
    found = ways(*(lambda run, text=text: run.search(text) for text in ("SILENT-device", "heat output", "address 44")))
    silent, field, panel = found.told.matches
    assert "silent-device" in silent.text
    assert silent.device == "address 5E hex"
    assert field is None  # its reading has not changed since the start
    assert panel is None or panel.device == "address 44 hex"
    assert found.states[1] == found.states[0]


def test_a_text_in_what_devices_say(ways):
    """From the beginning on: the first reading of a field, with its device and message."""
    found = ways(lambda run: run.search("heat_output"))
    (match,) = found.told.matches
    assert (match.device, match.message, match.field) == ("address 5E hex", "FURNACE_STATUS", "heat_output_level")
    assert found.states[-1][0] == 0


def test_a_text_that_is_nowhere_leaves_the_log_where_it_was(ways):
    """It has read to the end and back again."""
    found = ways(next_flag, lambda run: run.search("no such text"))
    assert found.told.matches == [None]
    assert found.states[1] == found.states[0]
    assert found.run.watch.statistics.frames < len(faulty_log())


def test_a_part_is_not_left(ways):
    """With a start and an end: no flag before the start, no frame before it, none after the end."""
    found = ways(
        previous_flag, back, *[next_flag] * 3, previous_flag, previous_flag, start=70 * SECOND_US, end=280 * SECOND_US
    )
    assert found.told.said[0] == "No earlier flag."
    assert found.told.said[1] == "This is the first frame."
    assert all(state[0] >= 70 * SECOND_US for state in found.states)
    assert all(state[0] <= 280 * SECOND_US for state in found.states)


def test_going_round_and_back(ways):
    """In later rounds the ways back stay in their round; a log without the wanted is gone round once."""
    entries = frames_of(HEATER, *range(0, 20, 5))
    found = ways(*[on] * 6, back, back, back, next_flag, lambda run: run.search("nowhere"), entries=entries, loop=True)
    times = [time / SECOND_US for time, _ in found.told.frames]
    assert times[:6] == pytest.approx([0, 5, 10, 15, 15.01, 20.01])
    assert times[6:] == pytest.approx([15.01])
    assert found.told.said.count("This is the first frame of this round.") == 2
    assert found.told.flags == [None]
    assert found.told.matches == [None]
    assert found.states[-1][0] == found.states[-2][0]


def test_a_flag_of_an_earlier_round_is_not_gone_back_to(ways):
    """It is said that this round has none."""
    entries = frames_of(HEATER, *range(0, 40, 5)) + frames_of(SENSOR, 20)
    found = ways(*[on] * 12, previous_flag, entries=sorted(entries), loop=True)
    assert found.told.said[-1] == "No earlier flag in this round."


@settings(max_examples=15)
@given(st.lists(st.integers(0, 400), min_size=1, max_size=6))
def test_any_place_is_reached_again(catalogue, log_of, numbers):
    """The same state of the watch after so many frames, whatever the order of going there."""
    entries = faulty_log()

    def reader():
        rounds = LogRounds(lambda: log_of(entries))
        return LogReader(rounds, Pipeline(Watch(catalogue), NullSink()))

    first, places = reader(), {}
    while first.rounds.upcoming is not None:
        first.pass_one()
        places[first.place] = first.pipeline.watch.statistics, first.pipeline.watch.all_flags
    for number in numbers:
        place = list(places)[number % len(places)]
        again = reader()
        while not again.go_to(place, 11):
            pass
        assert again.place == place
        assert (again.pipeline.watch.statistics, again.pipeline.watch.all_flags) == places[place]


def test_a_place_names_round_number_and_time(log_of):
    """The number counts frames alone, and those that a round leaves out."""
    entries = [*frames_of(HEATER, 0, 1, 2), ErrorFrame(3 * SECOND_US)]
    rounds = LogRounds(lambda: log_of(entries), start=SECOND_US, loop=True)
    places = [(rounds.pop().time, rounds.offset, rounds.number)[1:] for _ in range(6)]
    offset = 3 * SECOND_US + module.ROUND_GAP_US - SECOND_US
    assert places == [(0, 1), (0, 2), (0, 3), (0, 3), (offset, 2), (offset, 3)]
    assert Place(0, 1, 5).time == 5
