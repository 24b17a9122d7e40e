"""The shipped rigs by the plan: three sound ones, one with fifteen mistakes, and those of the bench."""

import re
import tomllib
from functools import cache

import pytest

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.plan.answer import Judgement
from rvsim.plan.report import PlanInput, check_rig
from rvsim.rig.load import load_rig
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.wire.database import load_catalogue

SOUND = ("castlemoor", "pebbleford", "wrenhollow")
OF_THE_BENCH = ("brackenlow", "ottersby", "quillhaven")
MISTAKES = {
    1: "device.galley_panel.needs.TANK_STATUS_3",
    2: "device.heater.cut_off",
    3: "function.tank.0",
    4: "module.front.current",
    5: "output.water_pump.suppressor",
    6: "output.bed_light.fuse_conductor",
    7: "output.garage_light.current",
    8: "output.heater_mat.drop_percent",
    9: "relay.vent_relay.contact",
    10: "input.door_ladder.margin",
    11: "drop.heater.length",
    12: "harness.terminators",
    13: "branch.sun.fuse_distance",
    14: "harness.ground_shift",
    15: "battery.house.storage_days",
}
"""The answer that finds each mistake of muddlecote, by the number in its comment."""
REFUSED = {3: "grey tank", 7: "garage light", 9: "vent relay", 10: "door ladder"}
"""The mistakes for which a bench refuses it, by the part that has them."""


QUIET = """
schema = 1
title = "Quiet"
rig = "{}"
lasts = "30s"
shore_power = true

[[expect]]
says = "no flag is raised"
expect = "flag"
raised = false
"""


def text_of(name):
    """Return a shipped rig as it is written."""
    return (shipped.scenario_folder() / "rigs" / f"{name}.toml").read_text(encoding="utf-8")


@cache
def plan(name):
    """Return the plan of a shipped rig."""
    return check_rig(PlanInput(load_rig(name, settings_models(), for_plan=True), load_catalogue()))


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_rig_has_no_flag_and_no_gap(name):
    """Everything is checked but the NAMEs, which only the fitted units have; nothing is wrong, not even a notice."""
    report = plan(name)
    assert report.wrong == ()
    assert [answer.key for answer in report.answers if answer.judgement is Judgement.UNCHECKED] == ["names"]
    assert {answer.check for answer in report.answers} >= {section.check for section in report.sections}


@pytest.mark.parametrize("name", OF_THE_BENCH)
def test_a_rig_that_works_on_the_bench_raises_no_false_alarm(name):
    """They leave out much, which is said; what they give is right."""
    assert plan(name).wrong == ()


def test_keys_of_answers_are_unique():
    """A key names one answer of a report."""
    for name in (*SOUND, "muddlecote"):
        keys = [answer.key for answer in plan(name).answers]
        assert len(keys) == len(set(keys))


def test_the_sound_rigs_are_what_they_are_said_to_be():
    """One module; two modules, three panels and a chained tap; sixty outputs."""
    camper, van, home = (plan(name).rig for name in ("pebbleford", "wrenhollow", "castlemoor"))
    assert len(camper.modules) == 1
    assert (len(van.modules), sum(device.kind in ("panel", "keypad") for device in van.devices)) == (2, 3)
    assert [tap.name for tap in van.taps if tap.on is not None] == ["bed"]
    assert len(home.outputs) == 60


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_rig_runs_on_the_bench(name, tmp_path):
    """Each of its devices is simulated, all of them are present, and no flag is raised in a quiet half minute."""
    path = tmp_path / "quiet.toml"
    path.write_text(QUIET.format(name), encoding="utf-8")
    assert PreparedScenario(Job(str(path), {})).run().passed


def test_the_fifteen_mistakes_are_found_and_nothing_else():
    """Each is named in a comment of its own, in the order of the file; each answer says what to do."""
    assert [int(number) for number in re.findall(r"[Mm]istake (\d+): ", text_of("muddlecote"))] == list(MISTAKES)
    wrong = plan("muddlecote").wrong
    assert {answer.key for answer in wrong} == set(MISTAKES.values())
    assert all(answer.text and answer.advice and answer.formula for answer in wrong)
    assert len({flag.kind for flag in plan("muddlecote").flags}) == 8


def test_without_its_mistakes_it_is_the_sound_van():
    """Whatever else differs is no more than its name: the same tables with the same entries."""
    bad, good = (tomllib.loads(text_of(name)) for name in ("muddlecote", "wrenhollow"))
    assert bad.keys() == good.keys()
    for key in bad.keys() - {"relay"}:
        names = [[one.get("name") for one in data[key]] for data in (bad, good) if isinstance(data[key], list)]
        assert names[:1] == names[1:]


def test_a_bench_refuses_what_it_cannot_simulate():
    """Four of the mistakes, as its head says, each with its line and its part of the rig."""
    with pytest.raises(InputError) as error:
        load_rig("muddlecote", settings_models())
    told = error.value.problems
    assert len(told) == len(REFUSED)
    for number, part in REFUSED.items():
        assert len([line for line in told if f'"{part}"' in line and ", line " in line]) == 1
        assert f" {number}" in text_of("muddlecote").partition("it cannot simulate: mistakes")[2].partition(".")[0]
