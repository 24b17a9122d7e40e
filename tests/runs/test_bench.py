"""A whole run: virtual and paced through python-can raise the same flags at the same simulated times."""

import gc
import json
import sys
from functools import partial
from io import StringIO
from typing import Any

import pytest

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.edge.port import Port
from rvsim.faces.text.output import JsonLinesSink
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.sim.clock import PacedClock
from rvsim.wire.frame import SECOND_US

QUICK = 1e6
"""So many times the wall clock that nobody waits: the paced code without its sleeping."""


@pytest.fixture
def lines(catalogue):
    """Run a scenario and return its JSON lines as objects."""

    def go(scenario, seconds=120, paced=None, seed=1, every=False, **more):
        out = StringIO()
        loaded = load_scenario(scenario, kinds=settings_models())
        make = (
            VirtualBenchRun if paced is None else partial(PacedBenchRun, control=RunControl(paced), channel="test_run")
        )
        sink = JsonLinesSink(out, catalogue, "rvsim", "", every=every)
        make(loaded, catalogue, sink, seed=seed, every=every, **more).run(seconds * SECOND_US)
        return [json.loads(text) for text in out.getvalue().splitlines()]

    return go


def of(lines, kind):
    """The lines of one type."""
    return [line for line in lines if line["type"] == kind]


def flags(lines):
    """What the flags did: (time, kind, subject, raised or cleared)."""
    return [(line["t"], line["kind"], line["subject"], line["state"]) for line in of(lines, "flag")]


def test_a_healthy_evening_raises_no_flag(lines):
    """Ten minutes of the vehicle without faults: everyone present, no flag."""
    healthy = lines("winter_evening", seconds=600)
    assert flags(healthy) == []
    present = [line["device"] for line in of(healthy, "presence") if line["state"] == "present"]
    assert sorted(present) == [
        "battery monitor", "black tank", "charger", "circulation pump", "control panel", "fresh tank", "grey tank",
        "heater", "indoor sensor", "outdoor sensor", "roof fan",
    ]  # fmt: skip
    assert len(of(healthy, "presence")) == 11


def test_the_heater_goes_quiet_and_comes_back(lines):
    """Silent by 36 s and cleared after its return at 60 s; the outdoor sensor's bad value and no data; nothing else."""
    run = lines("heater_goes_quiet")
    heater = [(line["t"], line["state"]) for line in of(run, "presence") if line["device"] == "heater"]
    (silent,) = [t for t, state in heater if state == "silent"]
    assert 20 + 15 - 5 < silent <= 36
    assert 60 <= next(t for t, state in heater if t > silent and state == "present") < 66
    found = flags(run)
    assert {(kind, subject.split(",")[0]) for _, kind, subject, _ in found} <= {
        ("silent-device", "heater"),
        ("late-message", "heater"),
        ("bad-value", "outdoor sensor"),
        ("no-data", "outdoor sensor"),
    }
    times = {(kind, state): t for t, kind, _, state in found}
    assert times["silent-device", "raised"] == silent
    assert 60 <= times["silent-device", "cleared"] < 66
    assert 90 <= times["bad-value", "raised"] <= 95 <= times["bad-value", "cleared"] <= 100.5
    assert times["no-data", "raised"] == times["bad-value", "cleared"]
    assert ("no-data", "cleared") not in times
    (cause,) = of(run, "cause")
    assert (cause["t"], cause["kind"], cause["subject"], cause["until"]) == (
        120,
        "silent-device",
        "heater",
        times["silent-device", "cleared"],
    )
    numbers = {line["flag"]: line["kind"] for line in of(run, "flag")}
    assert numbers[cause["flags"][0]] == "silent-device"
    assert {numbers[number] for number in cause["flags"][1:]} == {"late-message"}


@pytest.mark.parametrize("scenario", ["heater_goes_quiet", "winter_evening"])
def test_paced_through_python_can_and_virtual_are_one_run(lines, scenario):
    """Frames, readings, presence and flags of a paced run are those of the virtual run, line by line."""
    assert lines(scenario, paced=QUICK, every=True) == lines(scenario, every=True)


def test_the_watch_tells_its_own_time(catalogue, monkeypatch):
    """While frames are on their way the watch is behind the bench, and says how far it has come itself."""
    loaded = load_scenario("winter_evening", kinds=settings_models())
    run = PacedBenchRun(
        loaded,
        catalogue,
        JsonLinesSink(StringIO(), catalogue, "rvsim", ""),
        seed=1,
        control=RunControl(QUICK),
        channel="test_heard",
    )
    take, told = Port.receive, []

    def one_look_late(self):
        told.append((run.observed_until, max((t.frame.time for t in run.watch.last_frames()), default=0)))
        return take(self) if len(told) % 5 == 0 else []

    monkeypatch.setattr(Port, "receive", one_look_late)
    monkeypatch.setattr("threading.Event.wait", lambda self, timeout=None: True)
    run.run(20 * SECOND_US)
    assert run.observed_until == 20 * SECOND_US
    assert all(heard - last < 1.2 * SECOND_US for heard, last in told[20:])


def test_a_slow_listener_raises_no_false_flag(lines, catalogue, monkeypatch):
    """However late frames come out of python-can, the run and its flags stay the same."""
    take = Port.receive
    calls = []

    def lazily(self):
        calls.append(1)
        return take(self) if len(calls) % 7 == 0 else []

    expected = lines("heater_goes_quiet")
    monkeypatch.setattr(Port, "receive", lazily)
    monkeypatch.setattr("threading.Event.wait", lambda self, timeout=None: True)
    assert lines("heater_goes_quiet", paced=QUICK) == expected


def test_one_seed_one_run(lines):
    """The same seed gives the same lines, another seed others."""
    assert lines("heater_goes_quiet", every=True) == lines("heater_goes_quiet", every=True)
    assert lines("winter_evening", 20, seed=2, every=True) != lines("winter_evening", 20, seed=3, every=True)


def test_a_broken_device_shows_as_silent(lines):
    """A simulated device that raises is reported by name, the run goes on, and the watch finds it silent."""

    heater: Any = kinds_by_name()["heater"]

    class Broken(heater):
        def _update(self):
            if self.now > 10 * SECOND_US:
                raise RuntimeError("the glow pin is gone")
            super()._update()

    told = []
    run = lines("winter_evening", 60, kinds={**kinds_by_name(), "heater": Broken}, on_failure=told.append)
    assert [(failure.device, str(failure.error)) for failure in told] == [("heater", "the glow pin is gone")]
    assert {(kind, subject) for _, kind, subject, _ in flags(run) if kind == "silent-device"} == {
        ("silent-device", "heater")
    }


def test_a_device_at_the_service_address_is_heard(catalogue):
    """Only our own frames are not counted; a planned device at F9 is present like any other."""
    loaded = load_scenario("winter_evening", kinds=settings_models())
    plans = [
        plan.model_copy(update={"address": 0xF9}) if plan.name == "indoor sensor" else plan
        for plan in loaded.rig.devices
    ]
    moved = loaded._replace(rig=loaded.rig.model_copy(update={"devices": tuple(plans)}))
    run = VirtualBenchRun(moved, catalogue, JsonLinesSink(StringIO(), catalogue, "rvsim", ""), seed=1)
    run.until(20 * SECOND_US)
    run.send(0x19FEF9F9, bytes.fromhex("01FFFFD024FFFFFF"))
    run.until(60 * SECOND_US)
    assert run.watch.flags == ()
    assert [one.source for one in run.watch.roll_call if one.device == "indoor sensor"] == [0xF9]
    assert all(told.topic.message != "THERMOSTAT_COMMAND_1" for told in run.watch.last_frames())


def test_a_pause_is_answered_however_far_behind(catalogue):
    """A run that cannot keep up with its speed still does what it is asked, and stands still when told to."""
    loaded = load_scenario("winter_evening", kinds=settings_models())
    control, done = RunControl(QUICK), []
    run = PacedBenchRun(
        loaded,
        catalogue,
        JsonLinesSink(StringIO(), catalogue, "rvsim", ""),
        seed=1,
        control=control,
        channel="test_pause",
    )

    def stop():
        done.append(run.time)
        control.stop()

    control.request(stop)
    run.run(3600 * SECOND_US)
    assert done == [0]
    assert run.time < 3600 * SECOND_US


def test_a_mark_is_of_the_moment_when_it_is_typed(catalogue, monkeypatch):
    """Not of the last frame: a bus may be quiet for seconds, and a pause does not change the moment."""
    loaded = load_scenario("winter_evening", kinds=settings_models())
    out, control, present = StringIO(), RunControl(), 20_654_321
    run = PacedBenchRun(
        loaded, catalogue, JsonLinesSink(out, catalogue, "rvsim", ""), seed=1, control=control, channel="test_mark"
    )
    marks = [lambda: run.mark("one"), lambda: run.mark("two")]

    def wait_until(_clock, moment, wake):  # the wall clock stands at the present moment until both are done
        if moment > present and marks:
            control.request(marks.pop(0))
        return not wake.is_set()

    monkeypatch.setattr(PacedClock, "wait_until", wait_until)
    monkeypatch.setattr(PacedClock, "reached", lambda _clock: present)
    run.run(22 * SECOND_US)
    told = [line for line in map(json.loads, out.getvalue().splitlines()) if line["type"] == "marker"]
    assert [(round(line["t"], 5), line["note"]) for line in told] == [(20.65432, "one"), (20.65432, "two")]


def test_a_frame_from_outside_comes_at_most_a_second_on(catalogue):
    """However far the wall clock is ahead: what is planned until then is done first, second by second."""
    loaded, times, others = load_scenario("winter_evening", kinds=settings_models()), [], []

    def tap(frame):
        (others if frame.identifier == 0x19FFBC44 else times).append(frame.time)
        if len(times) == 20 and not others:
            run.inject(0x19FFBC44, bytes.fromhex("04FFC8FFFFFFFFFF"))

    sink, control = JsonLinesSink(StringIO(), catalogue, "rvsim", ""), RunControl(QUICK)
    run = PacedBenchRun(loaded, catalogue, sink, seed=1, control=control, channel="test_inject", tap=tap)
    run.run(60 * SECOND_US)
    assert times[19] < others[0] <= times[19] + 2 * SECOND_US + 1000  # what was begun is done first, a second at most


def test_a_bench_without_devices_left_still_ends(lines):
    """When every device has raised, a paced run goes on to its end instead of spinning or hanging."""

    def nothing(kind):
        def start(self):
            raise RuntimeError("not fitted")

        return type("Nothing", (kind,), {"start": start})

    run = lines(
        "winter_evening", 40, paced=QUICK, kinds={name: nothing(kind) for name, kind in kinds_by_name().items()}
    )
    assert len([line for line in flags(run) if line[1] == "silent-device"]) == 11


def test_a_reported_fault_and_everybodys_product_are_heard(lines, tmp_path):
    """The heater reports two faults for a while: flags with both, cleared at their end; and who everybody is."""
    path = tmp_path / "lockout.toml"
    path.write_text(
        'schema = 1\ntitle = "Lockout"\nrig = "ottersby"\nlasts = "2min"\n'
        '[[fault]]\nfault = "reported"\ndevice = "heater"\nfunction = "furnace"\nspn = 1234\nfmi = 5\nlamp = "red"\n'
        'from = "30s"\nuntil = "60s"\n'
        '[[fault]]\nfault = "reported"\ndevice = "heater"\nfunction = "water_heater"\nspn = 77\nfmi = 4\n'
        'from = "40s"\nuntil = "60s"\n'
    )
    run = lines(str(path))
    assert [(round(t), kind, subject, state) for t, kind, subject, state in flags(run)] == [
        (30, "reported-fault", "heater", "raised"),
        (40, "reported-fault", "heater", "raised"),
        (60, "reported-fault", "heater", "cleared"),
        (60, "reported-fault", "heater", "cleared"),
    ]
    severities = {line["text"].split(",")[0]: line["severity"] for line in of(run, "flag")}
    assert severities == {
        "furnace function reports SPN 1234": "fault",
        "water heater function reports SPN 77": "warning",
    }
    products = {line["device"]: line["product"]["model"] for line in of(run, "identity") if line["product"]}
    assert products["heater"] == "simulated heater"
    assert len(products) == 10  # the panel asks and is not asked


def test_waits_are_exact_for_a_while_after_a_frame_from_outside(catalogue, monkeypatch):
    """Up to 5 ms after it, in which its answer is on the pair; a run that nobody answers polls no clock."""
    loaded, before, after = load_scenario("winter_evening", kinds=settings_models()), [], []

    def wait_until(clock, moment, wake):
        (before if moment < SECOND_US else after).append(clock.exact_until)
        if len(after) == 1:
            run.inject(0x19FFBC44, bytes.fromhex("04FFC8FFFFFFFFFF"))
        return not wake.is_set()

    monkeypatch.setattr(PacedClock, "wait_until", wait_until)
    monkeypatch.setattr(PacedClock, "reached", lambda _clock: 1_234_567)
    run = PacedBenchRun(loaded, catalogue, NullSink(), seed=1, control=RunControl(), channel="test_exact")
    run.run(2 * SECOND_US)
    assert {*before, after[0]} == {0}
    assert set(after[1:]) == {1_239_567}


@pytest.mark.parametrize(("frozen", "calls"), [(0, ["freeze", "unfreeze"]), (375, ["freeze", "unfreeze"]), (5000, [])])
def test_no_garbage_is_looked_for_in_what_was_there_before_a_paced_run(catalogue, monkeypatch, frozen, calls):
    """After it everything is looked at again, also after an error; what the program itself has frozen stays so."""
    seen: list[str] = []
    monkeypatch.setattr(gc, "get_freeze_count", lambda: frozen)
    for name in ("freeze", "unfreeze"):
        monkeypatch.setattr(gc, name, partial(seen.append, name))
    loaded = load_scenario("winter_evening", kinds=settings_models())
    run = PacedBenchRun(loaded, catalogue, NullSink(), seed=1, control=RunControl(QUICK), channel="test_garbage")
    run.run(SECOND_US)
    assert seen == calls

    def fail():
        assert seen == calls[:1]
        raise ZeroDivisionError

    seen.clear()
    run.bench.plan(run.time, fail)
    with pytest.raises(ZeroDivisionError):
        run.run(2 * SECOND_US)
    assert seen == calls


@pytest.mark.parametrize(("usual", "meanwhile"), [(0.005, 0.0002), (0.0001, 0.0001)])
def test_threads_take_short_turns_during_a_paced_run(catalogue, usual, meanwhile):
    """The program that asks is woken soon; after the run turns are as long as before, after an error too."""
    before, seen = sys.getswitchinterval(), []

    def fail():
        seen.append(sys.getswitchinterval())
        raise ZeroDivisionError

    loaded = load_scenario("winter_evening", kinds=settings_models())
    run = PacedBenchRun(loaded, catalogue, NullSink(), seed=1, control=RunControl(QUICK), channel="test_turns")
    run.bench.plan(1, fail)
    sys.setswitchinterval(usual)
    try:
        with pytest.raises(ZeroDivisionError):
            run.run(SECOND_US)
        seen.append(sys.getswitchinterval())
    finally:
        sys.setswitchinterval(before)
    assert seen == pytest.approx([meanwhile, usual], abs=2e-6)  # Python rounds it to microseconds


@pytest.mark.parametrize(("before", "meanwhile"), [((700, 10, 10), 50_000), ((0, 10, 10), 0), ((90_000, 5, 5), 90_000)])
def test_garbage_is_looked_for_less_often_during_a_run(catalogue, before, meanwhile):
    """And as often as before when it has ended, by an error too; where it was switched off it stays so."""
    seen = []

    def fail():
        raise ZeroDivisionError

    usual = gc.get_threshold()
    try:
        gc.set_threshold(*before)
        run = VirtualBenchRun(load_scenario("winter_evening", kinds=settings_models()), catalogue, NullSink(), seed=1)
        run.until(SECOND_US, lambda: seen.append(gc.get_threshold()[0]))
        assert (seen, gc.get_threshold()) == ([meanwhile], before)
        with pytest.raises(ZeroDivisionError):
            run.until(2 * SECOND_US, fail)
        assert gc.get_threshold() == before
    finally:
        gc.set_threshold(*usual)
