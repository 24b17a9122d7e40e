"""Devices of a rig that are real: expected on the bus, and never simulated."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.rig.load import load_rig
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun, load_checked
from rvsim.shakedown.explain import render_scenario
from rvsim.shakedown.jobs import Job

RIG = """
schema = 1
name = "van"
title = "a van"

[[device]]
name = "fan"
kind = "roof_fan"
address = 0x90
functions = { roof_fan = 1 }

[[device]]
name = "their fan"
real = true
address = 0x91
functions = { roof_fan = 2 }

[[device]]
name = "their centre"
kind = "load_centre"
real = true
address = 0x92

[[module]]
name = "module"
device = "their centre"

[[output]]
name = "lamp"
module = "module"
terminal = 1
instance = 1
load = "lamp"
relay = "lamp relay"

[[relay]]
name = "lamp relay"

[[input]]
name = "switch"
module = "module"
terminal = 21
instance = 1
"""
SCENARIO = """
schema = 1
title = "real"
rig = "van.toml"
lasts = "30s"

[[expect]]
expect = "flag"
kind = "silent-device"
subject = "their fan"
"""


@pytest.fixture
def prepare(tmp_path):
    """Return a prepared scenario with more text: ``prepare('[[fault]]...')``."""

    def go(more: str = "", **options):
        (tmp_path / "van.toml").write_text(RIG, encoding="utf-8")
        (tmp_path / "s.toml").write_text(SCENARIO + more, encoding="utf-8")
        return PreparedScenario(Job(str(tmp_path / "s.toml"), options.pop("values", {})), **options)

    return go


def sources(prepared) -> set[int]:
    """Return the addresses that send in a run of 30 s."""
    found: set[int] = set()
    VirtualScenarioRun(prepared, tap=lambda frame: found.add(frame.identifier & 0xFF)).until(30)
    return found


def test_a_real_device_is_expected_and_not_simulated(prepare):
    """Its absence is flagged as that of every planned device, and nothing sends for it; it needs no kind."""
    verdict = prepare().run()
    assert verdict.passed, verdict
    assert sources(prepare()) == {0x90}


def test_it_is_present_when_it_sends(prepare):
    """Frames from outside are those of the planned device: no flag, also not for an unplanned one."""
    run = VirtualScenarioRun(prepare())
    for second in range(0, 30, 2):
        run.until(second + 1)
        run.put(0x19FEA791, bytes.fromhex("02 14 00 FC 00 24 FF FF"))
    run.until(30)
    assert not any(outcome.passed for outcome in run.verdict().outcomes)


def test_a_scenario_and_a_value_say_so_as_well(prepare):
    """A change makes a device real or simulated again, and so does a value of one run."""
    change = '[[change]]\ndevice = "fan"\nreal = true\n'
    assert sources(prepare(change)) == set()
    assert "fan has no simulated stand-in: it is real" in "\n".join(map(str, render_scenario(prepare(change).loaded)))
    assert sources(prepare(values={"device.fan.real": True})) == set()
    back = '[[change]]\ndevice = "their centre"\nreal = false\n'
    assert sources(prepare(back)) == {0x90, 0x92}
    assert sources(prepare(absent=("fan",))) == set()


@pytest.mark.parametrize(
    ("fault", "key"),
    [
        ('fault = "silent"\ndevice = "their fan"', "their fan is not simulated here"),
        ('fault = "lamp_out"\noutput = "lamp"', "lamp belongs to their centre, which is not simulated here"),
        ('fault = "relay_welded"\nrelay = "lamp relay"', "lamp relay belongs to their centre, which is not simulated"),
        ('fault = "key_stuck"\nkey = "switch"', "switch belongs to their centre, which is not simulated here"),
        ('fault = "ladder_resistance"\ninput = "switch"\nohm = 5', "switch belongs to their centre, which is not"),
    ],
)
def test_a_fault_of_a_real_device_is_refused(prepare, fault, key):
    """The bench cannot make it faulty: one line with its place, also for what belongs to a real module."""
    with pytest.raises(InputError) as caught:
        prepare(f'[[fault]]\n{fault}\nfrom = "1s"\n').prepare()
    (problem,) = caught.value.problems
    assert key in problem
    assert "s.toml, line 1" in problem


def test_a_simulated_device_still_needs_a_kind(tmp_path):
    """Without ``real`` the missing kind is told as before."""
    (tmp_path / "van.toml").write_text(RIG.replace("real = true", "real = false"), encoding="utf-8")
    with pytest.raises(InputError, match="cannot be simulated without a kind"):
        load_rig(tmp_path / "van.toml", settings_models())


def test_the_bench_names_its_real_devices(rvsim, tmp_path, prepare):
    """What is not simulated is said before the run, and a caution does not call a real device simulated."""
    step = '[[step]]\nat = "1s"\nsend = { message = "DC_DIMMER_COMMAND_2", fields = { instance = 1, command = 0 } }\n'
    prepare(step)
    code, out, err = rvsim("bench", str(tmp_path / "s.toml"), "--plain", "--speed", "max")
    assert code == 0
    assert "all simulated except their fan, their centre" in out
    assert "caution: their centre, which is real." in err
    assert load_checked(str(tmp_path / "s.toml"))[0].rig.devices[1].real
