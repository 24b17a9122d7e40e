"""A run that is observed in columns finds what it finds frame by frame: flags, roll call, counts, verdict, evidence."""

from dataclasses import asdict
from typing import Any

import pytest

from rvsim.devices.registry import settings_models
from rvsim.runs import bench
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.column_run import ColumnRun
from rvsim.runs.manual_faults import ManualFaults
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US, Frame

NEVER = 1 << 62
HEARTBEAT = '{ device = "heater", message = "DM_RV" }'
STATUS = '{ device = "heater", message = "FURNACE_STATUS" }'
VOLTS = 'message = "DC_SOURCE_STATUS_1", field = "dc_voltage"'
EXPECTATIONS = [
    f'expect = "seen"\nsight = {HEARTBEAT}\nat_least = 5000',
    f'expect = "seen"\nsight = {STATUS}\nat_most = 3',
    'expect = "seen"\nsight = { device = "heater", message = "CHARGER_STATUS" }',
    'expect = "never"\nsight = { message = "TANK_STATUS", instance = 2 }',
    'expect = "never"\nsight = { message = "TANK_STATUS" }\nfrom = "41s"',
    f'expect = "every"\nsight = {HEARTBEAT}\ngap = "6s"',
    'expect = "every"\nsight = { device = "heater" }\ngap = "400ms"\nfrom = "10s"\nuntil = "15s"',
    f'expect = "order"\nsteps = [{STATUS}, {{ {VOLTS}, above = 100 }}]',
    f'expect = "answer"\nto = {HEARTBEAT}\nsight = {STATUS}\nwithin = "100ms"',
    f'expect = "only_after"\nsight = {STATUS}\nafter = {{ {VOLTS}, above = 100 }}\nuntil = "33s"',
    f'expect = "only_until"\nsight = {STATUS}\nend = {HEARTBEAT}\ngrace = "20s"',
    f'expect = "stays"\nsight = {{ {VOLTS} }}\nat_most = 12.5',
    f'expect = "rate"\nsight = {HEARTBEAT}\nat_least = 3\nfrom = "20s"',
    f'expect = "entered"\nsight = {{ {VOLTS}, becomes = true, above = 12.7 }}\nat_most_times = 0\nshortest_on = "1min"',
    'expect = "presence"\ndevice = "heater"\nstate = "present"\nthroughout = true\nfrom = "5s"',
    'expect = "flag"\nraised = false',
    'expect = "flag"\nkind = "silent-device"\ncleared = true',
    'expect = "world"\nvalue = "cabin"\nat_least = 30\nfrom = "25s"',
    f'expect = "never_while"\nsight = {STATUS}\nvalue = "cabin"\nbelow = 30\nfrom = "22s"',
    f'expect = "never_while"\nsight = {HEARTBEAT}\nduring = {{ {VOLTS}, above = 5 }}\ngrace = "20s"',
]
JURY = "".join(f"[[expect]]\n{text}\n" for text in EXPECTATIONS)
SILENT = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "20s"\nuntil = "45s"\n'
HAND = '[[step]]\nat = "31s"\nsend = { message = "FURNACE_COMMAND", fields = { instance = 1 } }\n'
DAMAGED = '[[fault]]\nfault = "noise"\n'


class Kept:
    """A recorder that keeps what it gets."""

    def __init__(self):
        self.entries = []

    def write(self, frame):
        """Keep a frame."""
        self.entries.append(frame)

    def write_event(self, event):
        """Keep an event."""
        self.entries.append(event)

    def flush(self):
        """Nothing is held back."""


@pytest.fixture
def run(monkeypatch):
    """Run a scenario in blocks of so many frames, None for frame by frame; return all that can be asked of the run."""
    observed = []
    observe = ColumnRun.observe

    def counted(self, frames, events):
        observed.append(len(frames))
        observe(self, frames, events)

    monkeypatch.setattr(ColumnRun, "observe", counted)

    def go(scenario: str, ends, block: int | None, hand=lambda _: None) -> tuple[Any, int]:
        for name in ("MIN_FIRST_COLUMN_FRAMES", "MIN_COLUMN_FRAMES"):
            monkeypatch.setattr(bench, name, NEVER if block is None else min(block, 100))
        monkeypatch.setattr(bench, "FULL_BATCH", NEVER if block is None else block)
        monkeypatch.setattr(bench, "BATCH_US", 3_000_000)
        observed.clear()
        kept = Kept()
        made = VirtualScenarioRun(PreparedScenario(Job(scenario, {})), recorder=kept)
        found: list[Any] = []
        for end in ends:
            made.until(end)
            watch = made.run.watch
            found.append((watch.all_flags, watch.roll_call, watch.statistics, watch.causes, [*watch.last_frames()]))
            found.append((made.run.observed_until, watch.wire_problems.disturbed, watch.wire_problems.unacknowledged))
            hand(made)
        return (asdict(made.verdict()), found, kept.entries), sum(observed)

    return go


def test_the_jury_finds_the_same_with_the_same_evidence(run, write):
    """Expectations of every kind fail in a run with a silent heater: each at the same time, in the same words."""
    scenario = write(SILENT + HAND + JURY)
    expected, _ = run(scenario, [60], None)
    outcomes = expected[0]["outcomes"]
    assert sum(not outcome["passed"] for outcome in outcomes) == len(EXPECTATIONS) - 1
    assert sum(bool(outcome["before"]) for outcome in outcomes) > 10
    for block in (150, 5000):
        found, in_columns = run(scenario, [60], block)
        assert in_columns > 500
        assert found == expected


def test_time_alone_decides_at_once(run, write):
    """A part of the run ends while its only device is silent: the flags are quoted as they stood then."""
    scenario = write(SILENT + f'[[expect]]\nexpect = "seen"\nsight = {HEARTBEAT}\nfrom = "25s"\nuntil = "40s"\n')
    expected, _ = run(scenario, [60], None)
    found, in_columns = run(scenario, [60], 5000)
    assert in_columns > 500
    assert "was active" in expected[0]["outcomes"][0]["look"]
    assert found == expected


@pytest.mark.parametrize(
    ("scenario", "ends"),
    [
        ("babbling_node", [20.7, 20.75, 23.5]),  # a full bus, and a message without a definition
        ("lone_node", [7, 20.25]),  # no frame is acknowledged
        ("loose_plug", [15, 45]),  # a node is bus-off
        ("missing_terminator", [10, 30.125]),  # error frames
        ("sleeping_node", [27, 80]),  # a silence
    ],
)
def test_shipped_scenarios_are_the_same_runs(run, scenario, ends):
    """Traffic and events of the bus, in runs that end within a block, and are asked on the way: nothing differs."""
    expected, none = run(scenario, ends, None)
    found, in_columns = run(scenario, ends, 200)
    assert none == 0
    assert in_columns > 0 or scenario == "lone_node"
    assert found == expected


def test_a_step_that_waits_for_a_frame_gets_it_at_once(run, write):
    """Where a step waits for a frame nothing is held back, whatever the number of frames."""
    step = f'[[step]]\nwhen = {{ seen = {HEARTBEAT} }}\nsend = {{ identifier = "18EAFFF9", bytes = "00 EE 00" }}\n'
    scenario = write(step + JURY)
    found, in_columns = run(scenario, [20], 1)
    assert in_columns == 0
    assert found == run(scenario, [20], None)[0]
    frames = [entry for entry in found[2] if isinstance(entry, Frame)]
    seen = next(frame.time for frame in frames if frame.identifier & 0x1FFFFFF == 0x1FECA5E)
    sent = next(frame.time for frame in frames if frame.identifier == 0x18EAFFF9)
    assert 0 < sent - seen < 2000


def test_hands_between_two_parts_of_a_run(run, write):
    """After each part the watch knows everything, so that a hand can act on it: with a fault or a frame."""

    def hand(made):
        if made.seconds == 20:
            ManualFaults(made.run).silence("heater")
            monitor = made.run.watch.last_frames("battery monitor")
            frame = next(last.frame for last in monitor if last.topic.message == "DM_RV")
            made.put(frame.identifier, frame.data)
        if made.seconds == 40:
            ManualFaults(made.run).restore("heater")
            made.run.send(0x18EAFFF9, bytes.fromhex("00EE00"))

    scenario = write('[[expect]]\nexpect = "own_address"\n')
    expected, _ = run(scenario, [20, 40, 55], None, hand)
    found, in_columns = run(scenario, [20, 40, 55], 200, hand)
    assert in_columns > 300
    assert found == expected
    assert not found[0]["outcomes"][-1]["passed"]


def test_a_frame_of_a_hand_is_not_taken_for_an_earlier_one(run, write):
    """A hand repeats a frame that a device sent shortly before: the hand's frame is the later of the two."""
    first, _ = run(write(""), [8], None)
    beat = next(one for one in first[2] if isinstance(one, Frame) and one.identifier & 0x1FFFFFF == 0x1FECA5E)
    send = f'send = {{ identifier = "{beat.identifier:08X}", bytes = "{beat.data.hex(" ")}" }}'
    found, in_columns = run(write(f'[[step]]\nat = "7s"\n{send}\n'), [8], 5000)
    assert in_columns > 0
    of_topic = [one for one in found[2] if one[1] == beat.identifier and one[2][1:2] == beat.data[1:2]]
    times = [one.time for one in of_topic]
    assert beat.time < times[-2] < 7_000_000 < times[-1]
    (last,) = [last for last in found[1][0][4] if last.frame in of_topic]
    assert last.frame.time == times[-2]


def test_a_short_run_does_without_columns(monkeypatch):
    """Importing numpy would take longer than a minute of frames."""

    def refuse(*_):
        raise AssertionError("columns were used")

    monkeypatch.setattr(ColumnRun, "observe", refuse)
    assert PreparedScenario(Job("heater_goes_quiet", {})).run().frames > 1000


def test_the_names_of_all_senders_at_once(catalogue):
    """The same as one by one, before and after a second device has come to an address."""
    loaded = load_scenario("two_on_one_address", kinds=settings_models())
    run = VirtualBenchRun(loaded, catalogue, NullSink(), seed=1)
    for seconds in (0, 5, 60, 150):
        run.until(seconds * SECOND_US)
        names = {source: run.watch.device_at(source) for source in range(256)}
        assert run.watch.devices_at(range(256)) == names
    assert "heater" in names.values()
