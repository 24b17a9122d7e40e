"""Warnings of what cannot fail on a rig, or never comes; and none where it could."""

import pytest

from rvsim import shipped
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.expect.never_fails import cannot_fail_warnings
from rvsim.shakedown.jobs import Job

CANNOT = ", so it cannot fail; correct it, or remove it"
NEVER = 'expect = "never"\nsight = {{ {0} }}'
TANK_9 = 'message = "TANK_STATUS", instance = 9'
NO_TANK_9 = "no device of the rig has the function tank 9"
GREY_IS_NOT_1 = "grey tank does not have the function tank 1"
SAYS_9 = '[[fault]]\nfault = "{0}"\ndevice = "grey tank"\ninstance = 9\nfrom = "1s"\n'
RIG = """
[rig]
schema = 1
name = "r"
title = "R"

[[rig.device]]
name = "own"
kind = "own"
address = 0x60

[rig.device.settings]
message = [{ message = "TANK_STATUS", instance = 9, fields = { relative_level = 5.0 } }]
"""


@pytest.fixture
def warned(loaded, catalogue):
    """Return the warnings of a scenario, without where they stand."""
    return lambda text: [line.partition(": ")[2] for line in cannot_fail_warnings(loaded(text), catalogue)]


def expect(plan, more=""):
    """A scenario with one expectation."""
    return f"[[expect]]\n{plan}\n{more}"


@pytest.mark.parametrize(
    ("plan", "why"),
    [
        (NEVER.format(TANK_9), NO_TANK_9),
        (NEVER.format('message = "AWNING_STATUS"'), "no device of the rig has the function awning"),
        (NEVER.format('device = "heater", message = "TANK_STATUS"'), "heater does not have the function tank"),
        (NEVER.format('device = "grey tank", message = "TANK_STATUS", instance = 1'), GREY_IS_NOT_1),
        (f'expect = "only_after"\nsight = {{ {TANK_9} }}\nafter = {{ message = "DM_RV" }}', NO_TANK_9),
        (f'expect = "only_until"\nsight = {{ message = "DM_RV" }}\nend = {{ {TANK_9} }}', NO_TANK_9),
        (f'expect = "rate"\nsight = {{ {TANK_9} }}\nat_most = 2', NO_TANK_9),
        ('expect = "flag"\nsubject = "heatr"\nraised = false', 'no device of the rig has the name "heatr"'),
    ],
)
def test_what_cannot_fail(plan, why, warned):
    """Its instance, its device or its function is not there."""
    assert warned(expect(plan)) == [why + CANNOT]


@pytest.mark.parametrize(
    ("plan", "more"),
    [
        (NEVER.format('message = "TANK_STATUS", instance = 2'), ""),
        (NEVER.format('message = "AWNING_COMMAND"'), ""),
        (NEVER.format('message = "FURNACE_COMMAND", instance = 2'), ""),
        (NEVER.format('message = "DM_RV"'), ""),
        (NEVER.format('device = "heater"'), ""),
        (NEVER.format(TANK_9).replace("never", "seen"), ""),
        (f'expect = "rate"\nsight = {{ {TANK_9} }}\nat_least = 2', ""),
        ('expect = "flag"\nsubject = "heatr"', ""),
        ('expect = "flag"\nsubject = "bus"\nraised = false', ""),
        ('expect = "flag"\nsubject = "address 42 hex"\nraised = false', ""),
        (
            NEVER.format(TANK_9),
            '[[fault]]\nfault = "wrong_instance"\ndevice = "grey tank"\ninstance = 9\nfrom = "1s"\n',
        ),
        (
            NEVER.format(TANK_9),
            '[[fault]]\nfault = "firmware_reset"\ndevice = "grey tank"\ninstance = 9\nfrom = "1s"\n',
        ),
        (NEVER.format(TANK_9), '[[step]]\nat = "5s"\nsend = { message = "TANK_STATUS", fields = { instance = 9 } }\n'),
        (NEVER.format(TANK_9), '[[step]]\nat = "5s"\nsend = { identifier = "19FFB748", bytes = "09 10" }\n'),
        (NEVER.format(TANK_9), '[[change]]\ndevice = "grey tank"\nfunctions = { tank = 9 }\n'),
    ],
)
def test_what_can_fail_or_cannot_be_met(plan, more, warned):
    """It is there, or somebody says it; what cannot be met fails, and tells of itself."""
    assert warned(expect(plan, more)) == []


def test_a_device_of_ones_own_says_what_its_settings_have(tmp_path):
    """Whatever functions it has."""
    path = tmp_path / "t.toml"

    def warnings(instance):
        plan = NEVER.format(f'message = "TANK_STATUS", instance = {instance}')
        path.write_text(f'schema = 1\ntitle = "T"\nlasts = "60s"\n{expect(plan)}{RIG}', encoding="utf-8")
        return PreparedScenario(Job(str(path), {})).warnings

    assert warnings(9) == ()
    (line,) = warnings(8)
    assert line.endswith("no device of the rig has the function tank 8" + CANNOT)


def test_what_never_comes(warned):
    """A step and a fault after the end, or at it."""
    assert warned('[[step]]\nat = "60s"\nsend = { message = "DM_RV" }\n') == [
        "it is due at 60 s, and the run lasts 60 s"
    ]
    assert warned('[[step]]\nevery = "1s"\nfrom = "2min"\nsend = { message = "DM_RV" }\n') == [
        "it is due at 120 s, and the run lasts 60 s"
    ]
    late = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "60s"\n'
    assert warned(late) == ["it starts at 60 s, and the run lasts 60 s"]
    assert warned(late.replace("60s", "59s")) == []
    named = '[[fault]]\nname = "quiet"\nfault = "silent"\ndevice = "heater"\n'
    assert warned(named) == ["it has no from, and no step starts it"]
    assert warned(named + '[[step]]\nat = "1s"\nstop = "quiet"\n') == ["it has no from, and no step starts it"]
    assert warned(named + '[[step]]\nat = "1s"\nstart = "quiet"\n') == []
    part = 'expect = "seen"\nsight = { device = "heater" }\nuntil = "70s"'
    assert warned(expect(part)) == ["its part ends at 70 s, and the run lasts 60 s"]
    assert warned(expect(part.replace("70s", "60s"))) == []


@pytest.mark.parametrize("name", sorted(path.stem for path in shipped.scenario_folder().glob("*.toml")))
def test_no_shipped_scenario_is_warned_of(name):
    """Each of their expectations could fail."""
    assert PreparedScenario(Job(name, {})).warnings == ()


def test_warnings_stand_in_the_verdict(tmp_path):
    """With file, line and number; the verdict is passed all the same."""
    path = tmp_path / "t.toml"
    head = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "2s"\n'
    path.write_text(head + expect(NEVER.format(TANK_9)), encoding="utf-8")
    verdict = PreparedScenario(Job(str(path), {})).run()
    assert verdict.passed
    assert verdict.warnings == (f"{path}, line 5, expect 1 (never): {NO_TANK_9}{CANNOT}",)
