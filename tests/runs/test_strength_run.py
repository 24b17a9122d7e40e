"""Wrong controllers in the place of the right one: which are caught, let pass and not exercised, and by what."""

import pytest

from rvsim.errors import InputError
from rvsim.runs.strength_run import measure_strength
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.strength.controller_site import first_difference
from rvsim.shakedown.strength.differences import difference_text
from rvsim.shakedown.strength.strength import Fate, as_json, as_text, together
from rvsim.wire.frame import Frame

HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "15s"\n[weather]\noutdoor_c = -6.0\n'
WEAK = '[[expect]]\nsays = "heat"\nexpect = "seen"\nsight = { message = "FURNACE_COMMAND", instance = 1 }\n'
IDLE = '[[expect]]\nexpect = "seen"\nsight = { device = "heater" }\n'
NOT_EXERCISED = {
    "wrong group",
    "ignores faults",
    "ignores trips",
    "ignores overrides",
    "no debounce",
    "acts on release",
}
"""What the shipped scenario about heating has no occasion for."""


@pytest.fixture(scope="module")
def usual():
    """The strength of the shipped scenario that is about mistakes."""
    return measure_strength(Job("usual_mistakes", {"lasts": "451s"}), processes=1)


@pytest.fixture
def scenario(tmp_path):
    """Write a scenario and return its path."""

    def write(text):
        path = tmp_path / "t.toml"
        path.write_text(HEAD + text, encoding="utf-8")
        return Job(str(path), {})

    return write


def test_the_usual_mistakes_are_caught(usual):
    """Every wrong controller that sends other frames than the right one is caught, and each expectation catches one."""
    assert usual.is_strong
    assert {run.mistake for run in usual.of(Fate.NOT_EXERCISED)} == NOT_EXERCISED
    assert len(usual.of(Fate.CAUGHT)) == 28
    assert usual.idle_expectations == ()


def test_shipped_scenarios_let_none_pass(usual):
    """What heating has no occasion for, switching has: each is caught by what is about it, and together all 34 are."""
    switching = measure_strength(Job("switching_usual_mistakes", {}), processes=1, only=sorted(NOT_EXERCISED))
    assert switching.is_strong
    reasons = {
        run.mistake: [switching.expectations[number] for number in run.caught_by] for run in switching.of(Fate.CAUGHT)
    }
    words = {
        "wrong group": "in another group, stays on",
        "ignores faults": "has tripped is not commanded on",
        "ignores trips": "has tripped is not commanded on",
        "ignores overrides": "overridden by hand is left alone",
        "no debounce": "a key that bounces is one command",
        "acts on release": "one press is one command",
    }
    assert [name for name, part in words.items() if not any(part in each for each in reasons[name])] == []
    assert list(together([usual, switching])) == [
        "together: 34 of 34 wrong controllers caught by at least one scenario"
    ]


@pytest.mark.parametrize(
    ("mistake", "words"),
    [
        ("wrong instance", "no other furnace is commanded"),
        ("no claim", "claim an address"),
        ("no heartbeat", "heartbeat"),
        ("low byte last", "hot water is set"),
        ("no offset", "hot water is set"),
        ("zeros for unchanged", "leaves unchanged"),
        ("flood", "again and again"),
        ("two commands", "is not commanded again"),
        ("toggle on repeat", "and not off"),
        ("short cycle", "short cycles"),
        ("ignores silence", "no heat is given"),
        ("ignores restarts", "has restarted"),
        ("ignores supply", "battery is low"),
        ("no data as number", "nobody knows"),
    ],
)
def test_each_by_what_is_about_it(usual, mistake, words):
    """The expectation that was written for a mistake catches it."""
    (run,) = (run for run in usual.runs if run.mistake == mistake)
    assert any(words in usual.expectations[number] for number in run.caught_by)


def test_what_a_weak_scenario_lets_pass(scenario):
    """It says which, how each differs, what would find it, and which expectation never caught anything."""
    only = ["no command", "whole percent", "acts on release", "two commands"]
    found = measure_strength(scenario(WEAK + IDLE), processes=1, only=only)
    assert {run.mistake: run.fate for run in found.runs} == {
        "no command": Fate.CAUGHT,
        "whole percent": Fate.LET_PASS,
        "acts on release": Fate.NOT_EXERCISED,
        "two commands": Fate.LET_PASS,
    }
    assert not found.is_strong
    text = "\n".join(as_text(found))
    assert "1 caught, 2 let pass, 1 not exercised" in text
    assert "heat output level 50 % instead of 100 %" in text
    assert "would find whole percent" in text
    assert "expectation 2  never caught anything" in text
    plain = as_json(found)
    assert (plain["strong"], plain["never_caught"]) == (False, [2])
    assert [wrong["fate"] for wrong in plain["wrong"]] == ["let pass", "caught", "let pass", "not exercised"]
    assert plain["wrong"][1]["caught_by"] == [1]


def test_several_together(scenario, usual):
    """What one lets pass another catches; what none exercises is said."""
    weak = measure_strength(scenario(WEAK), processes=1, only=["whole percent", "acts on release"])
    lines = list(together([weak, usual]))
    assert lines[0] == "together: 28 of 34 wrong controllers caught by at least one scenario"
    assert lines[1].startswith("  not exercised: acts on release, wrong group,")
    assert "  let pass by all that can tell: whole percent" in list(together([weak]))


def test_nothing_to_try(scenario):
    """Nothing commands anything, or the right controller is not passed: said, and not called strong on that account."""
    silent = '[[fault]]\nfault = "silent"\ndevice = "control panel"\nfrom = "0s"\n'
    found = measure_strength(scenario(IDLE + silent), processes=1, only=["no claim"])
    assert (found.controllers, found.runs) == ((), ())
    assert "no device of it commands anything" in "\n".join(as_text(found))
    failing = measure_strength(
        scenario(WEAK.replace("FURNACE_COMMAND", "AWNING_COMMAND").replace(", instance = 1", "")), processes=1
    )
    assert (failing.is_strong, failing.runs) == (False, ())
    assert "the right controller is not passed" in "\n".join(as_text(failing))


def test_who_is_the_controller(scenario):
    """The panel, or who is named; a name that is not there is refused, as a mistake that is not there."""
    found = measure_strength(scenario(WEAK), processes=1, only=["no command"])
    assert found.controllers == ("control panel",)
    other = measure_strength(scenario(WEAK), processes=1, only=["no heartbeat"], controllers=["roof fan"])
    assert (other.controllers, other.runs[0].fate) == (("roof fan",), Fate.LET_PASS)
    with pytest.raises(InputError, match='did you mean "roof fan"'):
        measure_strength(scenario(WEAK), controllers=["roof van"])
    with pytest.raises(InputError, match="no mistake is called"):
        measure_strength(scenario(WEAK), only=["no heart"])
    with pytest.raises(InputError, match="no expectations"):
        measure_strength(scenario(""))


def test_first_differences(catalogue):
    """Another value, another frame, another time, other bytes, one frame more, one less, and none."""
    heat, less = bytes.fromhex("01FCC864FFFFFFFF"), bytes.fromhex("01FCC832FFFFFFFF")
    one = [Frame(1_000_000, 0x19FFE344, heat), Frame(2_000_000, 0x19FFE344, heat)]

    def told(other):
        found = first_difference(one, other)
        return None if found is None else difference_text(found, catalogue)

    command = "FURNACE_COMMAND, instance 1, from 44"
    assert told(one) is None
    assert told([one[0], Frame(2_000_000, 0x19FFE344, less)]) == (
        f"at 2.000 s {command}: heat output level 25 % instead of 50 %"
    )
    assert told([one[0], Frame(2_000_000, 0x19FFE345, heat)]).endswith("from 45 instead of " + command)
    assert told([one[0], Frame(2_500_000, 0x19FFE344, heat)]).endswith("0.5 s later than the right one")
    assert told([one[0], Frame(2_000_000, 0x19FFE344, heat[:4])]).endswith("with 4 bytes instead of 8")
    assert told(one[:1]) == f"at 2.000 s only the right one sends {command}"
    assert told([*one, Frame(3_000_000, 0x19FFE344, heat)]) == f"at 3.000 s only this one sends {command}"
