"""The plan of switch ladders: margins, worn contacts, two pressed together, values, and the expected readings."""

import pytest

from rvsim.errors import InputError
from rvsim.plan.answer import Check, Judgement
from rvsim.plan.ladder import check_ladder
from rvsim.plan.report import PlanInput
from rvsim.rig.ladder import E24, E96, Ladder, most_equal_steps, preferred_ohm
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity
from rvsim.wire.database import load_catalogue

MODULE = """
[[module]]
name = "cupboard"
"""


def ladder(rungs: str, *more: str, pull_up: float = 1000, tolerance: float = 5, name: str = "keys") -> str:
    """Return an input with a ladder; ``more`` are further keys of the ladder."""
    keys = ", ".join(
        [f"pull_up_ohm = {pull_up:g}", f"rungs = {{ {rungs} }}", f"tolerance_percent = {tolerance:g}", *more]
    )
    return f'[[input]]\nname = "{name}"\nmodule = "cupboard"\nterminal = 1\nladder = {{ {keys} }}\n'


SIX = "one = 0, two = 200, three = 510, four = 1000, five = 2000, six = 5100"


@pytest.mark.parametrize(
    ("above", "judgement", "severity", "left"),
    [
        (1236.5, Judgement.GOOD, None, 0.1),
        (1235.5, Judgement.FLAGGED, Severity.WARNING, -0.1),
        (1222.0, Judgement.FLAGGED, Severity.WARNING, -2.9),
        (1221.0, Judgement.FLAGGED, Severity.FAULT, -3.1),
    ],
)
def test_margin_between_two_neighbours(plans, above, judgement, severity, left):
    """3 counts of the converter have to be left; where the bands overlap it is a fault. Counts by hand."""
    answer = plans.answer(MODULE + ladder(f"low = 1000, high = {above}", "contact_ohm = 0"), "input.keys.margin")
    assert answer.judgement is judgement
    low, high = above * 0.95 / (above * 0.95 + 1050), 1050 / (1050 + 950)
    assert answer.value == pytest.approx((low - high) * 1024 - 3, abs=0.06)
    assert answer.value == pytest.approx(left, abs=0.1)
    if severity is not None:
        assert answer.severity is severity
        assert "fit for example low 0, high 1000 ohm (" in answer.advice


def test_a_band_over_the_threshold_is_flagged_though_bands_are_apart(plans):
    """The threshold is half way between nominals, and the lower switch's band is wider than that of the upper one."""
    text = MODULE + ladder("low = 1000, high = 40000", "contact_ohm = 2000", tolerance=5)
    answer = plans.answer(text, "input.keys.margin")
    assert answer.value > 0
    assert answer.judgement is Judgement.FLAGGED
    assert answer.text == "in the worst case low is read as high: its band reaches over the threshold half way"
    none = MODULE + ladder("low = 1000, high = 40000", "contact_ohm = 2000", 'between = "none"', tolerance=5)
    assert plans.answer(none, "input.keys.margin").judgement is Judgement.GOOD


def test_the_plan_reads_a_ladder_that_a_bench_refuses(plans, tmp_path):
    """Switches that cannot be told apart are a mistake of the file for a run, and a flag of the plan."""
    text = MODULE + ladder("low = 1000, high = 1010")
    report = plans.report(text)
    flags = [flag for flag in report.flags if flag.kind == "rig-ladder"]
    assert [flag.severity for flag in flags] == [Severity.FAULT, Severity.NOTICE]
    drawn = next(answer for answer in report.answers if answer.key == "input.keys.drawn")
    assert drawn.value is not None
    assert 60 < drawn.value < 90
    with pytest.raises(InputError, match="cannot be told"):
        load_rig(tmp_path / "rig.toml")


@pytest.mark.parametrize(("contact", "is_flagged"), [(86.4, True), (86.3, False)])
def test_an_aged_contact(plans, contact, is_flagged):
    """Six keys on 1 k: the lowest one flips at 1/11 of a pull-up that is 5 % low: 86.36 ohm, by hand."""
    text = f"[rules]\nladder_contact_ohm = {contact}\n" + MODULE + ladder(SIX)
    answer = plans.answer(text, "input.keys.contact")
    assert answer.value == pytest.approx(950 * (1 / 12) / (11 / 12), abs=0.1)
    assert answer.is_flagged is is_flagged
    assert "one is read as two from 86.4 ohm" in answer.formula


def test_a_ladder_that_reads_none_between_bands_is_judged_by_its_bands(plans):
    """It loses its lowest switch at the converter's error, which is 3 counts, here by hand; nearest ones do not."""
    text = MODULE + ladder(SIX, 'between = "none"', "contact_ohm = 0")
    answer = plans.answer(text, "input.keys.contact")
    assert answer.value == pytest.approx(1000 * (3 / 1024) / (1 - 3 / 1024), abs=0.1)
    assert answer.is_flagged
    assert "makes one be read as no switch; an aged one may reach 50 ohm" in answer.text


def test_leak_to_ground(plans):
    """The highest one counts: no switch is read as the last one at its threshold; by hand."""
    answer = plans.answer(MODULE + ladder(SIX), "input.keys.leak")
    threshold = (1 + 5100 / 6100) / 2
    assert answer.value == pytest.approx(1000 * threshold / (1 - threshold), abs=0.1)
    assert "beside six one of 7" in answer.formula
    never = MODULE + ladder("only = 1000000", 'between = "none"')
    for key in ("leak", "contact"):
        assert plans.answer(never, f"input.keys.{key}").value is None, "a figure that JSON has, or none"
    one = plans.answer(MODULE + ladder("only = 0"), "input.keys.leak")
    assert (one.value, one.formula) == (1000.0, "with no switch pressed a leak of 1000 ohm is read as only")


LOADS = """
[[output]]
name = "awning"
module = "cupboard"
terminal = 1
load = "{load}"
"""


@pytest.mark.parametrize(
    ("load", "severity"), [("motor", Severity.WARNING), ("pump", Severity.NOTICE), ("lamp", None), ("led", None)]
)
def test_two_pressed_together_that_read_as_a_third(plans, load, severity):
    """1000 beside 2000 ohm is read as 510 ohm; it matters by what that switch switches by itself."""
    text = MODULE + LOADS.format(load=load) + ladder(SIX) + 'switches = { three = "awning" }\n'
    report = plans.report(text)
    answer = next(one for one in report.answers if one.key == "input.keys.together")
    assert "four and five read as three" in answer.formula
    assert answer.is_flagged is (severity is not None)
    if severity is not None:
        assert answer.severity is severity
        assert answer.text.startswith("four and five pressed together read as three, which switches a ")
    table = next(table for table in report.tables if table.name == "ladder_pairs")
    assert ("keys", "four and five", "three") in table.rows
    series = plans.report(MODULE + ladder(SIX, 'wired = "in series"'))
    assert not [table for table in series.tables if table.name == "ladder_pairs"], "the nearer switch counts"


@pytest.mark.parametrize(("tolerance", "bits", "most"), [(0.05, 10, 18), (0.01, 10, 77), (0.05, 4, 4), (0.5, 10, 2)])
def test_how_many_switches_a_tolerance_allows(tolerance, bits, most):
    """So many equal steps keep 3 counts apart, and one more does not: checked with ladders of these steps."""
    assert most_equal_steps(tolerance, bits) == most
    for count in (most, most + 1):
        ohms = {str(step): 1000 * (step / count) / (1 - step / count) for step in range(count)}
        steps = Ladder(1000, ohms, tolerance=tolerance, adc_bits=bits, contact_ohm=0)
        room = min(steps.margin_counts(gap) for gap in steps.gaps)
        assert (room >= 0) is (count == most)


def test_more_switches_than_the_tolerance_allows(plans):
    """Two kinds of answers: the margin, and how many there may be."""
    rungs = ", ".join(f"k{step} = {1000 * (step / 19) / (1 - step / 19):.1f}" for step in range(19))
    answer = plans.answer(MODULE + ladder(rungs), "input.keys.room")
    assert (answer.value, answer.is_flagged, answer.severity) == (18, True, Severity.NOTICE)
    eighteen = ", ".join(f"k{step} = {1000 * (step / 18) / (1 - step / 18):.1f}" for step in range(18))
    assert not plans.answer(MODULE + ladder(eighteen), "input.keys.room").is_flagged


@pytest.mark.parametrize(
    ("more", "judgement", "severity"),
    [
        (("supply_volts = 5",), Judgement.FLAGGED, Severity.NOTICE),
        (("supply_volts = 20.01",), Judgement.GOOD, None),
        (("supply_volts = 19.99",), Judgement.FLAGGED, Severity.NOTICE),
        (("supply_volts = 5", "wetting_milliamps = 2.6"), Judgement.FLAGGED, Severity.WARNING),
        (("supply_volts = 5", "wetting_milliamps = 2.5"), Judgement.GOOD, None),
        ((), Judgement.UNCHECKED, None),
    ],
)
def test_wetting_current(plans, more, judgement, severity):
    """5 V through 1 k and the highest resistor; 10 mA is asked for silver, a maker's own figure wins."""
    text = MODULE + ladder("low = 0, high = 1000", *more)
    answer = plans.answer(text, "input.keys.wetting")
    assert answer.judgement is judgement
    if severity is not None:
        assert answer.severity is severity
    if judgement is Judgement.UNCHECKED:
        assert answer.text == "not checked: the rig does not give supply_volts of the ladder of input keys"
    if more == ("supply_volts = 5",):
        assert answer.formula == "5 V / (1000 + 1000 ohm) = 2.50 mA through high"
    forum = MODULE + ladder("key = 0", "supply_volts = 12", pull_up=1200)
    assert plans.answer(forum, "input.keys.wetting").value == 10.0, "12 V and 1.2 k, a forum's figure"


def test_expected_readings(plans):
    """A published ladder of 5 V and 1 k in series: volts and counts of each tap; and the open input."""
    rungs = "a = 0, b = 1000, c = 1000, d = 1000, e = 1000"
    report = plans.report(
        MODULE + ladder(rungs, 'wired = "in series"', "supply_volts = 5", "contact_ohm = 0", tolerance=1)
    )
    readings = next(table for table in report.tables if table.name == "ladder_readings")
    shown = [dict(zip(readings.columns, row, strict=True)) for row in readings.rows]
    assert [row["volts"] for row in shown] == ["0.00", "2.50", "3.33", "3.75", "4.00", "5.00"]
    assert [row["counts"] for row in shown] == ["0", "512", "682", "768", "819", "1023"]
    assert [row["worst case, counts"] for row in shown][:3] == ["0 to 0", "506 to 517", "678 to 687"]
    assert [row["ohm"] for row in shown] == ["0", "1000", "2000", "3000", "4000", "open"]
    assert shown[0]["contact at, ohm"] == "333"
    assert [row["to"] for row in shown] == ["b", "c", "d", "e", "no switch", ""]


def test_suggested_values_have_a_wider_margin(plans):
    """Of both series and for both ways of wiring; each suggestion is judged as a ladder of its own."""
    for wired in ("to ground", "in series"):
        report = plans.report(
            MODULE + ladder("a = 100, b = 220, c = 1000, d = 3300", f'wired = "{wired}"', tolerance=1)
        )
        table = next(table for table in report.tables if table.name == "ladder_values")
        margins = {row[1]: float(row[3]) for row in table.rows}
        assert set(margins) == {"fitted", "E24", "E96"}
        assert margins["E24"] > margins["fitted"]
        for row in table.rows[1:]:
            ohms = dict(zip("abcd", map(float, row[2].split(", ")), strict=True))
            series = E24 if row[1] == "E24" else E96
            assert [preferred_ohm(ohm, series) for ohm in ohms.values()] == list(ohms.values())
            rebuilt = Ladder(1000, ohms, "in series" if wired == "in series" else "to ground", 0.01)
            assert min(map(rebuilt.margin_counts, rebuilt.gaps)) == pytest.approx(margins[row[1]], abs=0.05)


def test_a_rig_without_ladders_is_asked_nothing(plans):
    """No input, and an input with one switch: no answer, no table."""
    assert check_ladder(plans.given("")) == (Check.LADDER, (), (), ())
    plain = MODULE + '[[input]]\nname = "porch"\nmodule = "cupboard"\nterminal = 1\n'
    assert check_ladder(plans.given(plain)).answers == ()


def test_a_shipped_ladder_raises_no_flag(plans):
    """False alarms count like misses; two ladders have answers and draws of their own."""
    shipped = check_ladder(PlanInput(load_rig("brackenlow", for_plan=True), load_catalogue()))
    assert shipped.answers
    assert not [answer for answer in shipped.answers if answer.is_flagged]
    second = ladder(SIX, name="door").replace("terminal = 1", "terminal = 2")
    section = check_ladder(plans.given(MODULE + ladder(SIX) + second))
    assert len({answer.key for answer in section.answers}) == 2 * 7
    readings = next(table for table in section.tables if table.name == "ladder_readings")
    assert [row[6] for row in readings.rows[:7]] != [row[6] for row in readings.rows[7:]]
