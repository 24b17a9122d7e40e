"""`rvsim vary RIG --plan`: the plan over many figures."""

import json
from xml.etree import ElementTree

import pytest

from rvsim.plan import report
from rvsim.plan.answer import Answer, Check, Judgement, Rule, Section
from rvsim.watch.flag import Severity


def pump_current(given):
    """Flag the water pump above 8 A."""
    pump = next(output for output in given.rig.outputs if output.name == "water pump")
    answer = Answer(
        key="output.water_pump.current", check=Check.CURRENTS, subject="water pump", question="Is it low?",
        formula=f"{pump.amps:g} A", rule=Rule("a rule", "our decision"), severity=Severity.FAULT,
        judgement=Judgement.FLAGGED if pump.amps > 8 else Judgement.GOOD, text="too much", advice="a relay",
    )  # fmt: skip
    return Section(Check.CURRENTS, (answer,))


@pytest.fixture(autouse=True)
def one_check(monkeypatch):
    """Have one check, whatever others there are."""
    monkeypatch.setattr(report, "CHECKS", {Check.CURRENTS: pump_current})


def test_a_grid_of_figures(rvsim):
    """Which are flagged, and the smallest of them with its remedy; two keys, a grid."""
    code, out, err = rvsim("vary", "brackenlow", "--plan", "output.water_pump.amps=6..10/2", "output.fan.amps=3,4")
    lines = out.splitlines()
    assert (code, err) == (1, "")
    assert lines[0] == "4 of 6 plans have neither a warning nor a fault"
    assert " ".join(out.split()).count("rig-current of water pump") == 2
    place = lines.index("  brackenlow, output.water_pump.amps=10, output.fan.amps=3")
    assert lines[place + 1 : place + 5] == [
        "    fault, rig-current: water pump", "      Too much.", "      Figures: 10 A", "      Remedy: a relay",
    ]  # fmt: skip
    assert all(len(line) <= 80 for line in lines)


def test_lines_of_json_and_a_draw(rvsim, tmp_path):
    """So many cases, the same for the same seed; JUnit has an outcome for each."""
    command = ("vary", "brackenlow", "--plan", "output.water_pump.amps=1..20", "--draw", "5", "--json")
    code, out, _ = rvsim(*command, "--junit", "cases.xml")
    cases = [json.loads(line) for line in out.splitlines()]
    assert (code, len(cases)) == (1, 5)
    for case in cases:
        amps = case["values"]["output.water_pump.amps"]
        assert case["good"] == (amps <= 8)
        assert [flag["answer"] for flag in case["flags"]] == ([] if case["good"] else ["output.water_pump.current"])
    assert rvsim(*command)[1] == out
    assert rvsim(*command, "--seed", "2")[1] != out
    suites = ElementTree.parse("cases.xml").getroot()
    assert [int(suite.get("failures", "")) for suite in suites] == [int(not case["good"]) for case in cases]


def test_values_that_make_no_rig_are_told(rvsim):
    """As the error of their case; the others are checked."""
    code, out, _ = rvsim("vary", "brackenlow", "--plan", "output.water_pump.amps=-1,4")
    assert code == 1
    assert out.startswith("1 of 2 plans have neither")
    assert "-1 is below 0; write 0 or more" in " ".join(out.split())


def test_many_flagged_cases_are_counted(rvsim):
    """Twenty are listed."""
    _, out, _ = rvsim("vary", "brackenlow", "--plan", "output.water_pump.amps=10..34/1")
    assert "  and 5 more\n" in out
    assert out.count("rig-current of water pump") == 20


def test_all_good(rvsim):
    """Is one line and exit code 0."""
    assert rvsim("vary", "brackenlow", "--plan", "output.water_pump.amps=4,5") == (
        0, "2 of 2 plans have neither a warning nor a fault\n", "",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("warm_cabin", "output.fan.amps=1"), "this is a scenario, and the plan checks a rig"),
        (("brackenlow", "output.fann.amps=1"), 'no key output.fann.amps; "fann" is not there (did you mean "fan"?)'),
        (("brackenlow", "output.fan.amps=1..5"), "a range without a step needs --draw N"),
        (("brackenlow", "output.fan.amps"), "is not a key with values"),
    ],
)
def test_what_cannot_be_varied(rvsim, arguments, said):
    """One line."""
    code, out, err = rvsim("vary", "--plan", *arguments)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert said in err
