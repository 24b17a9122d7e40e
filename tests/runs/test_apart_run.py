"""A run that is simulated in a second process is the run of one process: frames, flags, verdict, evidence, output."""

import multiprocessing
import sys
from dataclasses import asdict
from io import StringIO
from typing import Any

import pytest

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.errors import InputError
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.logs.record import Recorder
from rvsim.runs import bench, second_process
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.many_runs import run_all
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.runs.second_process import ProcessLostError, SecondProcess
from rvsim.runs.sink import NullSink
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="a second process is a fork, on Linux alone")

HEARTBEAT = '{ device = "heater", message = "DM_RV" }'
STATUS = '{ device = "heater", message = "FURNACE_STATUS" }'
EXPECTATIONS = [
    f'expect = "seen"\nsight = {STATUS}\nat_most = 3',
    f'expect = "every"\nsight = {HEARTBEAT}\ngap = "6s"',
    'expect = "never"\nsight = { message = "TANK_STATUS" }\nfrom = "41s"',
    'expect = "presence"\ndevice = "heater"\nstate = "present"\nthroughout = true\nfrom = "5s"',
    'expect = "flag"\nkind = "silent-device"\ncleared = true',
    'expect = "world"\nvalue = "cabin"\nat_least = 30\nfrom = "25s"',
    'expect = "world"\nvalue = "battery_voltage"\nat_least = 16\nonce = true',
    f'expect = "never_while"\nsight = {STATUS}\nvalue = "cabin"\nbelow = 30\nfrom = "22s"',
]
STEPS = [
    'at = "31s"\nsend = { message = "FURNACE_COMMAND", fields = { instance = 1 } }',
    'at = "33s"\nchange = { shore_power = false }',
    'when = { value = "battery_voltage", below = 16 }\nwait = "40s"\nchange = { shore_power = true }',
    'when = { value = "cabin", below = -40 }\nchange = { shore_power = true }',
]
SILENT = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "20s"\nuntil = "45s"\n'
NOISE = '[[fault]]\nfault = "bus_errors"\nrate = 0.0005\nfrom = "10s"\n'
JURY = "".join(f"[[expect]]\n{text}\n" for text in EXPECTATIONS)
SCRIPT = "".join(f"[[step]]\n{text}\n" for text in STEPS)


HEATER: Any = kinds_by_name()["heater"]


class BrokenHeater(HEATER):
    """A heater that raises what cannot be passed to another process."""

    def _update(self):
        if self.now > 10 * SECOND_US:
            raise type("GlowPinError", (Exception,), {})("the glow pin is gone")
        super()._update()


@pytest.fixture
def apart(monkeypatch):
    """Have every run that may be simulated apart be so, with parts of three seconds; count them."""
    started = []

    class Counted(SecondProcess):
        def __init__(self, work, what):
            started.append(what)
            super().__init__(work, what)

    monkeypatch.setattr(second_process, "SecondProcess", Counted)
    monkeypatch.setattr(second_process, "is_possible", lambda: True)
    monkeypatch.setattr(bench, "MIN_APART_US", 50 * SECOND_US)
    monkeypatch.setattr(bench, "BATCH_US", 3 * SECOND_US)
    return started


@pytest.mark.parametrize("columns", [100, 1 << 62], ids=["columns", "frame by frame"])
@pytest.mark.parametrize("faults", [SILENT, NOISE], ids=["silent", "noise"])
def test_it_is_the_same_run(apart, write, tmp_path, monkeypatch, catalogue, faults, columns):
    """Expectations, steps on values, a frame of the person, events of the wires; in columns and frame by frame."""
    monkeypatch.setattr(bench, "MIN_FIRST_COLUMN_FRAMES", columns)
    prepared = PreparedScenario(Job(write(faults + SCRIPT + JURY), {}))
    found: list[Any] = []
    recorded = []
    for is_apart in (False, True):
        path = tmp_path / f"{is_apart}.jsonl"
        with Recorder(path, catalogue, start="", channel="rvsim", sent=True) as recorder:
            made = VirtualScenarioRun(prepared, recorder=recorder)
            made.run.run(60 * SECOND_US, apart=is_apart)
        watch = made.run.watch
        recorded.append(path.read_bytes())
        asked = watch.all_flags, watch.roll_call, watch.statistics, watch.causes, [*watch.last_frames()]
        found.append((asdict(made.verdict()), asked, made.run.observed_until, watch.wire_problems.disturbed))
    assert apart == ["simulated the vehicle"]
    assert found[0] == found[1]
    assert recorded[0] == recorded[1]
    verdict = made.verdict()
    assert [change.text for change in verdict.changes] == ["shore power is lost", "shore power is back"]
    assert sum(bool(outcome.before) for outcome in verdict.outcomes) >= 4
    assert "never happened" in verdict.outcomes[-1].found


@pytest.mark.parametrize("form", ["json", "sentences"])
def test_it_shows_the_same(apart, write, catalogue, form):
    """Readings, flags, changes of the vehicle, a device that fails, and the balance at the end."""
    loaded = load_scenario(write(SCRIPT, lasts="11min"), kinds=settings_models())
    shown = []
    for is_apart in (False, True):
        out, failures = StringIO(), []
        sink = JsonLinesSink(out, catalogue, "rvsim", "") if form == "json" else Sentences(out, ())
        kinds = {**kinds_by_name(), "heater": BrokenHeater}
        run = VirtualBenchRun(
            loaded, catalogue, sink, seed=1, kinds=kinds, on_failure=failures.append, on_change=sink.change
        )
        run.run(660 * SECOND_US, apart=is_apart)
        assert [failure.sentence for failure in failures] == [failure.sentence for failure in run.failures]
        shown.append((out.getvalue(), [(one.time, one.device, str(one.error), one.sentence) for one in failures]))
    assert len(apart) == 1
    assert shown[0] == shown[1]
    assert "shore power is lost" in shown[1][0]
    assert "balance" in shown[1][0]
    assert "GlowPinError: the glow pin is gone" in shown[1][1][0][3]


def test_progress_is_that_of_what_was_observed(apart, write, catalogue):
    """Whoever reports sees the time go on, and the watch with it."""
    run = VirtualBenchRun(load_scenario(write(""), kinds=settings_models()), catalogue, NullSink(), seed=1)
    times = []
    run.run(60 * SECOND_US, lambda: times.append(run.time // SECOND_US), apart=True)
    assert times == list(range(3, 61, 3))
    assert run.observed_until == 60 * SECOND_US


@pytest.mark.parametrize(
    ("text", "seconds", "more"),
    [
        ("", 49, {}),
        ("", 60, {"tap": lambda _: None}),
        (f"[[step]]\nwhen = {{ seen = {HEARTBEAT} }}\nchange = {{ shore_power = false }}\n", 60, {}),
    ],
    ids=["short", "tapped", "waits for a frame"],
)
def test_some_runs_stay_in_one_process(apart, write, catalogue, text, seconds, more):
    """One that is short, one whose frames are handed on at once, and one with a step that waits for a frame."""
    loaded = load_scenario(write(text), kinds=settings_models())
    run = VirtualBenchRun(loaded, catalogue, NullSink(), seed=1, **more)
    run.run(seconds * SECOND_US, apart=True)
    assert apart == []
    assert run.bench.now == seconds * SECOND_US


@pytest.mark.parametrize("missing", ["no processor of its own", "no process"])
def test_where_there_is_no_second_process_it_is_simulated_here(apart, write, catalogue, monkeypatch, missing):
    """As if nobody had asked for one."""

    def refuse(*_):
        raise BlockingIOError(11, "Resource temporarily unavailable")

    if missing == "no process":
        monkeypatch.setattr(multiprocessing.context.ForkProcess, "start", refuse)
    else:
        monkeypatch.setattr(second_process, "is_possible", lambda: False)
    run = VirtualBenchRun(load_scenario(write(""), kinds=settings_models()), catalogue, NullSink(), seed=1)
    run.run(60 * SECOND_US, apart=True)
    assert len(apart) == (missing == "no process")
    assert run.bench.now == run.observed_until == 60 * SECOND_US


@pytest.mark.parametrize("processes", [None, 1])
def test_one_process_is_one_process(apart, write, processes):
    """A single run takes a second process, unless one process was asked for."""
    (verdict,) = run_all([Job(write(SILENT + JURY), {})], (), processes, lambda *_: None, keep=None)
    assert not verdict.passed
    assert not verdict.error
    assert len(apart) == (processes is None)


def test_an_error_of_the_simulation_is_raised_here(apart, write, catalogue, monkeypatch):
    """As it would be without a second process."""
    run = VirtualBenchRun(load_scenario(write(""), kinds=settings_models()), catalogue, NullSink(), seed=1)

    def fail(until):
        if until > 30 * SECOND_US:
            raise InputError("one", "two")

    monkeypatch.setattr(run.bench, "run_until", fail)
    with pytest.raises(InputError) as raised:
        run.run(60 * SECOND_US, apart=True)
    assert raised.value.problems == ("one", "two")
    assert run.time == 33 * SECOND_US


def test_a_verdict_needs_the_whole_run(apart, write, monkeypatch):
    """A process that was ended from outside is no failed expectation: nothing is told of the scenario."""
    monkeypatch.setattr(bench, "part_of", lambda *_: sys.exit(1))
    with pytest.raises(ProcessLostError, match="that simulated the vehicle was ended from outside"):
        list(run_all([Job(write(JURY), {})], (), None, lambda *_: None, keep=None))
