"""Published figures of copper, conductors, drops, ampacities and fuses, and which test answers which row.

`tests/vectors/plan_conductors.csv` has each row of the references on them, with the test that answers it, or why none
does. A published answer that is wrong is tested as what not to compute.
"""

import csv
from pathlib import Path

import pytest

from rvsim.plan.ampacity import (
    AMPACITY_RULES,
    CFR_AMPS,
    CFR_ENGINE_FACTORS,
    INSULATIONS_C,
    ISO_AMPS,
    NEC_CONTINUOUS_SHARE,
    NEC_OVERCURRENT_AMPS,
    NEC_SMALL_AMPS,
    OTHER_BUNDLE_FACTORS,
    ambient_factor,
    ampacity,
    bundle_factor,
    smallest_size,
)
from rvsim.plan.conductor_tables import (
    ABYC,
    COPPER_CONSTANTS,
    IEC_2,
    IEC_5,
    IEC_5_TINNED,
    ISO_6722,
    MM2_PER_CIRCULAR_MIL,
    NEC,
    NEC_SOLID,
    SAE_CIRCULAR_MILS,
    Size,
    awg_area_mm2,
    ohm_per_m,
    temperature_factor,
    temperature_factors,
    thick_enough,
    volts_lost,
)
from rvsim.plan.fuse_tables import (
    FASTEST_S,
    FORMS,
    FUSE_SIZES,
    INTERRUPTING_BY_CCA,
    PLACES_M,
    form_that_interrupts,
    fuse_below,
    next_fuse,
    shortest_opening_s,
)
from rvsim.rig.conductor import AWG_SIZES, FEET_PER_M, OHM_MM2_PER_KM
from rvsim.rig.electric import WirePlan
from rvsim.rig.rules_plan import RulesPlan
from rvsim.world.fuse import opening_s

ROOT = Path(__file__).parents[2]
ROWS = list(csv.DictReader((ROOT / "tests/vectors/plan_conductors.csv").read_text(encoding="utf-8").splitlines()))


def test_each_row_has_a_test_or_a_reason():
    """The test is there by its name; a row has either of both. As many as were collected, none twice."""
    assert len(ROWS) == len({(row["source"], row["line"]) for row in ROWS}) == 102
    for row in ROWS:
        assert bool(row["answered_by"]) != bool(row["why_not"]), row
        if row["answered_by"]:
            path, _, name = row["answered_by"].partition("::")
            assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8"), row
    assert sum(not row["answered_by"] for row in ROWS) == 10


def by_area(table, *areas, celsius=20.0):
    """Return ohms a kilometre of areas by a table."""
    rules = RulesPlan(conductor_table=table, conductor_c=celsius)
    return [1000 * ohm_per_m(Size(None, area), rules) for area in areas]


def by_awg(table, *sizes, celsius=75.0):
    """Return ohms per 1000 ft of gauges by a table."""
    rules = RulesPlan(conductor_table=table, conductor_c=celsius)
    return [1000 * ohm_per_m(Size(awg, None), rules) / FEET_PER_M for awg in sizes]


# Copper.


def test_copper_gets_warm_as_a_cable_handbook_has_it():
    """2.5 and 10 mm2 of class 2 at 45, 60, 75 and 90 C."""
    warm = [by_area(IEC_2, 2.5, 10.0, celsius=celsius) for celsius in (45, 60, 75, 90)]
    assert [small for small, _ in warm] == pytest.approx([8.14, 8.57, 9.01, 9.45], abs=0.01)
    assert [large for _, large in warm] == pytest.approx([2.01, 2.12, 2.23, 2.33], abs=0.01)


def test_a_cable_maker_brings_copper_to_20_degrees_by_another_form():
    """1 / (1 + 0.004 x (T - 20)); ours differs by 0.5 % at most."""
    for celsius, expected in {5: 1.064, 30: 0.962, 60: 0.862, 75: 0.820, 90: 0.781}.items():
        ours, cable_maker, *_ = temperature_factors(20, celsius)
        assert 1 / cable_maker == pytest.approx(expected, abs=0.001)
        assert ours == pytest.approx(cable_maker, rel=0.005)


def test_three_forms_differ_by_a_third_of_a_percent():
    """From 20 to 75 C: 1.2162, 1.2200, and 1.2160 by the note of NEC table 8; a rule says which pages disagree."""
    assert temperature_factors(20, 75)[:3] == pytest.approx((1.2162, 1.2200, 1.2160), abs=0.0002)
    assert temperature_factor(75) == temperature_factors(20, 75)[0]


def test_a_relay_maker_takes_the_absolute_form():
    """A coil of 320 ohm at 25 C has 443.3 ohm at 125 C; (234.5 + 90) / (234.5 + 60) is 1.102, a table has 1.09."""
    assert 320 * temperature_factors(25, 125)[3] == pytest.approx(443.3, abs=0.1)
    assert temperature_factors(60, 90)[3] == pytest.approx(1.102, abs=0.002)
    assert temperature_factors(60, 90)[0] == pytest.approx(1.09, abs=0.015)


def test_standard_copper_and_what_strands_add():
    """58 m/(ohm mm2) is 17.241 ohm mm2/km; 2.5 mm2 with 3 % for its strands is below its limit of 7.41."""
    assert pytest.approx(OHM_MM2_PER_KM, abs=0.001) == 1000 / 58
    assert temperature_factor(21) - 1 == pytest.approx(0.00393)
    stranded = OHM_MM2_PER_KM / 2.5 * 1.03
    assert stranded == pytest.approx(7.10, abs=0.01)
    assert stranded < by_area(IEC_2, 2.5)[0] == pytest.approx(7.41)


# Tables of resistances.


@pytest.mark.parametrize(
    ("table", "ohms"),
    [
        (IEC_2, {0.5: 36.0, 0.75: 24.5, 1: 18.1, 1.5: 12.1, 2.5: 7.41, 4: 4.61, 6: 3.08, 10: 1.83, 16: 1.15, 25: 0.727,
                 35: 0.524}),
        (IEC_5, {0.5: 39.0, 0.75: 26.0, 1: 19.5, 1.5: 13.3, 2.5: 7.98, 4: 4.95, 6: 3.30, 10: 1.91, 16: 1.21, 25: 0.780,
                 35: 0.554, 50: 0.386}),
        (IEC_5, {0.14: 134, 0.25: 76, 0.34: 53}),
        (IEC_5_TINNED, {0.5: 40.1, 0.75: 26.7, 1: 20.0, 1.5: 13.7, 2.5: 8.21, 4: 5.09, 6: 3.39, 10: 1.95, 16: 1.24,
                        25: 0.795}),
        (ISO_6722, {0.35: 54.4, 0.5: 37.1, 0.75: 24.7, 1: 18.5, 1.5: 12.7, 2.5: 7.60, 4: 4.71, 6: 3.14, 10: 1.82,
                    16: 1.16}),
    ],
)  # fmt: skip
def test_resistances_by_area(table, ohms):
    """IEC 60228 and ISO 6722-1, in ohms a kilometre at 20 C, exact."""
    assert by_area(table, *ohms) == pytest.approx(list(ohms.values()), rel=1e-9)


STRANDED = {"18": 7.95, "16": 4.99, "14": 3.14, "12": 1.98, "10": 1.24, "8": 0.778, "6": 0.491, "4": 0.308,
            "2": 0.194}  # fmt: skip


def test_stranded_conductors_of_the_nec():
    """Table 8 at 75 C, in ohms per 1000 ft, exact; the small ones in metric as well."""
    assert by_awg(NEC, *STRANDED) == pytest.approx(list(STRANDED.values()), rel=1e-9)
    large = {"3": 0.245, "1": 0.154, "1/0": 0.122, "2/0": 0.0967, "3/0": 0.0766, "4/0": 0.0608}
    assert by_awg(NEC, *large) == pytest.approx(list(large.values()), rel=1e-9)
    metric = [ohm * FEET_PER_M for ohm in by_awg(NEC, "18", "16", "14", "12", "1/0")]
    assert metric == pytest.approx([26.1, 16.4, 10.3, 6.50, 0.400], abs=0.05)


def test_solid_conductors_are_not_taken_for_stranded_ones():
    """A page prints 3.07, 1.93, 1.21 and 0.764 as stranded: these are solid."""
    assert by_awg(NEC_SOLID, "18", "16", "14", "12") == pytest.approx([7.77, 4.89, 3.07, 1.93], rel=1e-9)
    assert by_awg(NEC_SOLID, "10", "8") == pytest.approx([1.21, 0.764], rel=1e-9)
    assert by_awg(NEC, "14", "12", "10", "8") == pytest.approx([3.14, 1.98, 1.24, 0.778], rel=1e-9)
    assert by_awg(NEC_SOLID, "6") == by_awg(NEC, "6")  # the solid ones end at 8 AWG


def test_table_8_at_20_degrees():
    """82 % of the figure at 75 C; 12 AWG 1.628 ohm per 1000 ft by the note of the table."""
    assert by_awg(NEC, "12", celsius=20)[0] / 1.98 == pytest.approx(0.82, abs=0.005)
    assert by_awg(NEC, "12", celsius=20)[0] == pytest.approx(1.628, abs=0.003)


def test_the_geometry_of_the_gauge():
    """Areas in mm2 and circular mils, and the resistance of solid copper at 20 C."""
    areas = {"22": 0.326, "20": 0.518, "18": 0.823, "16": 1.31, "14": 2.08, "12": 3.31, "10": 5.26, "8": 8.37}
    assert [awg_area_mm2(awg) for awg in areas] == pytest.approx(list(areas.values()), abs=0.01)
    mils = {"14": 4110, "12": 6530, "10": 10380, "8": 16510, "6": 26240, "4": 41740, "2": 66360}
    assert [awg_area_mm2(awg) / MM2_PER_CIRCULAR_MIL for awg in mils] == pytest.approx(list(mils.values()), rel=1e-3)
    ohms = {"20": 10.15, "18": 6.385, "16": 4.016, "14": 2.525, "12": 1.588, "10": 0.9989, "8": 0.6282}
    found = [OHM_MM2_PER_KM / awg_area_mm2(awg) / FEET_PER_M for awg in ohms]
    assert found == pytest.approx(list(ohms.values()), rel=1e-3)
    assert awg_area_mm2("4/0") == pytest.approx(107.2, abs=0.1)


def test_each_gauge_of_the_table_is_near_its_geometry():
    """Solid is 0.4 % and stranded 2 to 4 % above the formula of the gauge: no figure is mistyped."""
    for table, sizes, low, high in (
        (NEC_SOLID, ("18", "16", "14", "12", "10", "8"), 0.985, 1.010),
        (NEC, AWG_SIZES, 1.005, 1.04),
    ):
        for awg in sizes:
            ohm = by_awg(table, awg, celsius=20)[0] * FEET_PER_M
            assert low < ohm * awg_area_mm2(awg) / OHM_MM2_PER_KM < high, (table, awg)


# Sizes.


def test_sae_areas_are_smaller_than_those_of_the_gauge():
    """In mm2; of 6 AWG sources disagree, and only 25910 circular mils give the cell of 70 A at 40 ft."""
    areas = [SAE_CIRCULAR_MILS[awg] * MM2_PER_CIRCULAR_MIL for awg in ("18", "16", "14", "12", "10", "8")]
    assert areas == pytest.approx([0.779, 1.184, 1.876, 2.956, 4.734, 7.504], abs=0.001)
    needed = 10.75 * 70 * 40 / 1.2
    assert 24538 < needed < SAE_CIRCULAR_MILS["6"]
    assert all(SAE_CIRCULAR_MILS[awg] * MM2_PER_CIRCULAR_MIL < awg_area_mm2(awg) for awg in SAE_CIRCULAR_MILS)


def test_metric_sizes_are_not_taken_for_gauges_by_name():
    """Each of a maker's chart is smaller than the gauge it is called: 1.0 mm2 is 24 % less than 16 AWG."""
    chart = {0.35: "22", 0.5: "20", 0.75: "18", 1.0: "16", 1.5: "14", 2.5: "12", 4.0: "10", 6.0: "8"}
    assert all(area < awg_area_mm2(awg) for area, awg in chart.items() if awg != "22")
    assert 1 - 1.0 / awg_area_mm2("16") == pytest.approx(0.24, abs=0.01)
    rules = RulesPlan(ampacity_table="33 CFR 183.425")
    assert "taken as 18 AWG" in ampacity(WirePlan(area_mm2=1.0, length_m=1.0), rules).formula


def abyc(amps, feet, volts, table=ABYC):
    """Return the gauge that ABYC E-11 needs; ``feet`` is out and back."""
    size = thick_enough(Size("18", None), volts / (amps * feet / FEET_PER_M), RulesPlan(conductor_table=table))
    return size.awg


def gauges(sizes):
    """Return gauges as a table prints them."""
    return " ".join(sizes)


AMPS = (5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100)


@pytest.mark.parametrize(
    ("feet", "sizes", "printed_otherwise"),
    [
        (10, "18 18 18 16 16 14 14 12 12 10 10 10 10", {}),
        (15, "18 18 16 16 14 12 12 10 10 8 8 8 8", {20: "14"}),
        (25, "18 16 14 12 12 10 10 8 8 6 6 6 6", {}),
        (30, "18 14 12 12 10 10 8 8 6 6 6 6 4", {}),
        (50, "16 12 10 10 8 8 6 6 4 4 4 2 2", {}),
    ],
)
def test_the_table_of_10_percent(feet, sizes, printed_otherwise):
    """ABYC E-11 table X; 20 A at 15 ft is printed 16 where its formula needs 2688 circular mils, 14 AWG."""
    found = {amps: abyc(amps, feet, 1.2) for amps in AMPS}
    assert found == dict(zip(AMPS, sizes.split(), strict=True)) | printed_otherwise


def test_the_table_of_3_percent():
    """ABYC E-11 table IX by length, and by current at 15 ft, where 60 A is printed 6 and its formula needs 4."""
    feet = (10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100)
    assert gauges(abyc(5, length, 0.36) for length in feet) == "18 16 14 12 12 10 10 10 8 8 8 6"
    assert gauges(abyc(10, length, 0.36) for length in feet) == "14 12 10 10 10 8 6 6 6 6 4 4"
    found = gauges(abyc(amps, 15, 0.36) for amps in (25, 30, 40, 50, 60, 70, 80, 90, 100))
    assert found == "8 8 6 6 4 4 4 2 2"


def test_another_page_fits_areas_of_the_gauge():
    """20 and 50 A at 10 ft need 5972 and 14931 circular mils: 10 and 6 AWG, not the printed 12 and 8."""
    assert [10.75 * amps * 10 / 0.36 for amps in (20, 50)] == pytest.approx([5972, 14931], abs=1)
    assert [abyc(20, 10, 0.36), abyc(50, 10, 0.36)] == ["10", "6"]
    assert [awg_area_mm2(awg) / MM2_PER_CIRCULAR_MIL for awg in ("12", "8")] == pytest.approx([6530, 16510], rel=1e-3)


# Drops.


def test_drops_by_a_copper_constant():
    """Worked examples: a solar page, a boat owner's page, a marine supplier's formula."""
    assert volts_lost(0.01785, 1, 2 * 20, 1.3) == pytest.approx(0.549, abs=0.001)
    assert volts_lost(0.0164, 1.6, 22, 1.5) == pytest.approx(0.385, abs=0.006)
    assert volts_lost(0.0164, 10, 10, 2.5) == pytest.approx(0.656, abs=0.001)
    assert volts_lost(0.017241, 20, 2 * 30.48, 3.31) == pytest.approx(6.35, abs=0.06)
    assert pytest.approx(4.97, abs=0.01) == 2 * 12.9 * 20 * 100 / 10380


def test_copper_constants_disagree():
    """10 A, 10 m in all, 2.5 mm2: 0.656 to 1.000 V, 52 %, and the rule of each table says so."""
    found = [volts_lost(constant, 10, 10, 2.5) for constant in COPPER_CONSTANTS]
    assert found == pytest.approx([0.656, 0.690, 0.700, 0.714, 0.740, 1.000], abs=0.003)
    assert max(found) / min(found) - 1 == pytest.approx(0.52, abs=0.01)


def test_two_published_drops_are_wrong():
    """4.00 V, not 3.2 V; and 3.03 V at 75 C or 2.50 V at 20 C, not 1.5 V."""
    assert volts_lost(0.017241, 20, 2 * 30.48, 5.26) == pytest.approx(4.00, abs=0.01)
    warm = by_awg(NEC_SOLID, "10")[0]
    assert [2 * 50 / 1000 * ohm * 25 for ohm in (warm, 0.9989)] == pytest.approx([3.03, 2.50], abs=0.01)


def test_a_metric_chart_by_its_own_constant():
    """5 % of 12 V at 20 A and 0.0175: each size of the chart loses at most 0.6 V, the one before it more."""
    chart = {2: 2.9, 5: 7.9, 10: 13.6, 15: 25.7, 20: 25.7, 25: 32.2, 30: 49.2}
    sizes = sorted({*chart.values()})
    for metres, area in chart.items():
        assert volts_lost(0.0175, 20, 2 * metres, area) <= 0.6
        thinner = [size for size in sizes if size < area]
        assert not thinner or volts_lost(0.0175, 20, 2 * metres, thinner[-1]) > 0.6


WIRE = """
[rules]
base_volts = {base}
drop_percent = {limit}
conductor_c = {celsius}
{table}

[[battery]]
name = "house"
internal_milliohm = 10.0

[[branch]]
name = "feed"
fuse_amps = {fuse}
wire = {{ {wire} }}

[[module]]
name = "cupboard"
branch = "feed"

[[output]]
name = "load"
module = "cupboard"
terminal = 1
amps = {amps}
"""


def feed(plans, wire, amps, key="drop_percent", *, base=12.0, limit=10.0, celsius=75, table="", fuse=10, more=""):
    """Return the answer to a branch of one wire with one load."""
    table = f'conductor_table = "{table}"' if table else ""
    text = WIRE.format(base=base, limit=limit, celsius=celsius, table=table, fuse=fuse, wire=wire, amps=amps)
    return plans.answer(text.replace("[rules]", f"[rules]\n{more}", 1), f"branch.feed.{key}")


def test_worked_examples_through_a_rig(plans):
    """Published examples as a rig: the volts and percents of the answer are those of the page."""
    answer = feed(plans, "awg = 10, length_m = 30.48", 20.0, base=24.0)
    assert answer.value / 100 * 24.0 == pytest.approx(4.96, abs=0.01)  # 2 x 100 ft x 1.24 / 1000 x 20 A by table 8
    wrong = feed(plans, "awg = 10, length_m = 15.24", 25.0, table=NEC_SOLID)
    assert wrong.value == pytest.approx(25.2, abs=0.1)  # 25 %, not the 1.5 V that the page prints
    assert wrong.is_flagged
    misses = [feed(plans, "awg = 4, length_m = 30.48", 10.0, base=24.0, limit=2.0, celsius=c) for c in (75, 20)]
    assert [answer.value for answer in misses] == pytest.approx([2.57, 2.11], abs=0.01)
    assert all(answer.is_flagged for answer in misses)  # the answer of an off-grid page misses its own 2 %


def test_the_example_of_abyc_through_a_rig(plans):
    """10 A, 21 ft out and back: 10 AWG at 3 %, 16 AWG at 10 %, and not a size less."""
    length = f"length_m = {21 / 2 / FEET_PER_M:.4f}"
    for limit, right, thinner in ((3.0, "10", "12"), (10.0, "16", "18")):
        assert not feed(plans, f"awg = {right}, {length}", 10.0, limit=limit, table=ABYC).is_flagged
        answer = feed(plans, f"awg = {thinner}, {length}", 10.0, limit=limit, table=ABYC)
        assert f"{right} AWG in place of {thinner} AWG" in answer.advice
    assert [10.75 * 10 * 21 / volts for volts in (0.36, 1.2)] == pytest.approx([6271, 1881], abs=1)


def test_the_drop_table_of_tinned_cable_through_a_rig(plans):
    """Millivolts for each ampere and metre of a pair at 60 C, as a mains rule tabulates them."""
    for area, millivolts in {0.5: 93, 0.75: 62, 1.0: 46, 1.5: 32, 2.5: 19, 4.0: 12}.items():
        answer = feed(plans, f"area_mm2 = {area}, length_m = 1.0", 1.0, celsius=60, table=IEC_5_TINNED)
        assert answer.value / 100 * 12.0 * 1000 == pytest.approx(millivolts, abs=0.5)


def test_the_limits_of_a_drop(plans):
    """3 % where critical and 10 % elsewhere, and the rule names what other pages ask for."""
    given = RulesPlan()
    assert (given.critical_drop_percent, given.drop_percent) == (3.0, 10.0)
    rule = feed(plans, "awg = 10, length_m = 1.0", 1.0).rule
    assert "3 % critical, 10 % others" in rule.name
    assert all(other in rule.disagreement for other in ("5 and 7 %", "2 %", "0.5 V", "ISO 10133:2012 4.7 and 4.8"))


# Ampacity.


@pytest.mark.parametrize(
    ("insulation", "amps"),
    [
        (60, "10 15 20 25 40 55 80 105 140"),
        (75, "10 15 20 25 40 65 95 125 170"),
        (90, "20 25 30 40 55 70 100 135 180"),
        (105, "20 25 35 45 60 80 120 160 210"),
        (125, "25 30 40 50 70 90 125 170 225"),
    ],
)
def test_table_5_of_us_boats(insulation, amps):
    """33 CFR 183.425 by insulation, exact."""
    sizes = ("18", "16", "14", "12", "10", "8", "6", "4", "2")
    wires = [WirePlan.model_validate({"awg": awg, "length_m": 1.0, "insulation_c": insulation}) for awg in sizes]
    assert [ampacity(wire, RulesPlan()).amps for wire in wires] == [float(one) for one in amps.split()]


def test_the_tables_of_currents_rise():
    """With the size and with the insulation: no figure is mistyped."""
    for column in zip(*CFR_AMPS.values(), strict=True):
        assert list(column) == sorted(column)
    assert all(list(row) == sorted(row) for row in (*CFR_AMPS.values(), *ISO_AMPS.values()))
    for column in zip(*ISO_AMPS.values(), strict=True):
        assert list(column) == sorted(column)
    assert list(ISO_AMPS) == [0.75, 1, 1.5, 2.5, 4, 6, 10, 16, 25, 35, 50, 70, 95, 120, 150]


@pytest.mark.parametrize(
    ("insulation", "amps"), [(75, (10, 14, 18, 25, 35, 45, 65, 90)), (105, (16, 20, 25, 35, 45, 60, 90, 130))]
)
def test_table_a_1_of_small_craft(insulation, amps):
    """ISO 10133:2012, from memory: 70 C stands under 75 C here."""
    areas = (0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0)
    wires = [WirePlan(area_mm2=area, length_m=1.0, insulation_c=insulation) for area in areas]
    assert [ampacity(wire, RulesPlan()).amps for wire in wires] == list(amps)


def test_bundles_carry_less():
    """33 CFR 183.425 note 2; an equipment manual has other factors, and the rule says so."""
    assert [bundle_factor(count) for count in (1, 2, 3, 4, 6, 7, 24, 25)] == [1, 1, 0.7, 0.6, 0.6, 0.5, 0.5, 0.4]
    assert OTHER_BUNDLE_FACTORS == {2: 0.94, 3: 0.89, 4: 0.83, 5: 0.76}
    for table in ("33 CFR 183.425", "ISO 10133"):
        said = AMPACITY_RULES[table].disagreement
        assert "70 % here and 89 % in an equipment manual, of 5 leaves 60 and 76 %" in said
        assert "whether bundles count below 50 V is disputed" in said


def test_an_engine_space_takes_its_share():
    """14 AWG of 105 C: 29.75 A; each factor is the root of the rises that remain at 50 C."""
    wire = WirePlan(awg="14", length_m=1.0, engine_space=True)
    assert ampacity(wire, RulesPlan()).amps == pytest.approx(29.75)
    for insulation in INSULATIONS_C:
        assert ambient_factor(insulation, 50) == pytest.approx(CFR_ENGINE_FACTORS[insulation], abs=0.007)


def test_the_root_form_of_the_ambient():
    """PVC of 70 C, 24 A at 30 C: 21, 19, 17 and 15 A at 40, 45, 50 and 55 C."""
    found = [24 * ambient_factor(70, ambient) for ambient in (40, 45, 50, 55)]
    assert found == pytest.approx([21, 19, 17, 15], abs=0.5)


def test_the_smallest_conductors():
    """16 and 18 AWG, 1 and 0.75 mm2."""
    for given, sheathed, least in (
        ({"awg": "18"}, False, "16 AWG"), ({"awg": "18"}, True, "18 AWG"),
        ({"area_mm2": 0.5}, False, "1 mm2"), ({"area_mm2": 0.5}, True, "0.75 mm2"),
    ):  # fmt: skip
        assert str(smallest_size(WirePlan(length_m=1.0, sheathed=sheathed, **given)).least) == least


def test_small_wires_of_the_nec(plans):
    """The former 552.10(E)(1), 240.4(D), and the lasting loads of 18 and 16 AWG; the limit of a rig by that rule."""
    assert NEC_SMALL_AMPS == {"18": 6, "16": 8, "14": 15, "12": 20, "10": 30}
    assert [NEC_OVERCURRENT_AMPS[awg] for awg in ("14", "12", "10")] == [15, 20, 30]
    assert [NEC_OVERCURRENT_AMPS[awg] * NEC_CONTINUOUS_SHARE for awg in ("18", "16")] == pytest.approx([5.6, 8.0])
    more = 'ampacity_table = "NEC 552.10"\nfuse_next_size = false'
    fuses = [feed(plans, "awg = 12, length_m = 1.0", 1.0, "fuse_conductor", fuse=fuse, more=more) for fuse in (20, 25)]
    assert [answer.is_flagged for answer in fuses] == [False, True]


# Fuses.


def test_the_longest_opening_times():
    """1800 s at 135 %, 5 s at 200 %, 0.5 s at 350 %, 0.1 s at 600 %; 110 % never."""
    assert [opening_s(share) for share in (1.35, 2.0, 3.5, 6.0)] == pytest.approx([1800, 5, 0.5, 0.1])
    assert opening_s(1.1) == float("inf")


def test_the_shortest_opening_times():
    """From memory: 0.75, 0.15, 0.04 and 0.02 s; between them the logarithms lie on a line."""
    assert [shortest_opening_s(share) for share, _ in FASTEST_S] == pytest.approx([0.75, 0.15, 0.04, 0.02])
    assert 0.04 < shortest_opening_s(2.6) < 0.15
    assert (shortest_opening_s(1.34), shortest_opening_s(9)) == (float("inf"), 0.02)


def test_sizes_and_forms_of_fuses():
    """Blades of 1 to 80 A; 1000 A is what a blade interrupts, 20000 A a class T."""
    assert all(size in FUSE_SIZES for size in (1, 2, 30, 40, 20, 80))
    assert [limit for limit, _ in FORMS] == [1000, 2700, 20_000]
    assert "blade" in form_that_interrupts(1000)
    assert "strip" in form_that_interrupts(1001)
    assert "class T" in form_that_interrupts(20_000)
    assert form_that_interrupts(20_001) == "a fuse that interrupts 20001 A"


def test_what_breakers_interrupt_by_cranking_amperes():
    """ABYC E-11 table V.A."""
    assert [row[1:] for row in INTERRUPTING_BY_CCA] == [(1500, 750), (3000, 1500), (5000, 2500)]
    assert [row[0] for row in INTERRUPTING_BY_CCA][:2] == [650, 1100]


def test_three_strings_in_parallel_through_a_rig(plans):
    """Series does not add, parallel does: 7200 A of six batteries need a fuse that interrupts as much."""
    more = '[[battery]]\nname = "house"\nshort_circuit_amps = 7200\n\n[[branch]]\nname = "main"\nfuse_amps = 100\n'
    key = "branch.main.fuse_interrupting"
    answers = [plans.answer(f"{more}interrupting_amps = {amps}\n", key) for amps in (7200, 7199)]
    assert [answer.is_flagged for answer in answers] == [False, True]


def test_places_of_fuses():
    """7 in and 40 in; 18 in."""
    inches = {rule: [round(metres / 0.0254) for metres in both] for rule, both in PLACES_M.items()}
    assert inches == {"ABYC E-11": [7, 40], "NEC 552.10": [18, 18]}


def test_the_next_size_up_through_a_rig(plans):
    """10 AWG of 60 A: with 80 A as a size above it, up to 150 %; 70 A is the next one, 80 A is not."""
    answers = [feed(plans, "awg = 10, length_m = 1.0, insulation_c = 105", 1.0, "fuse_conductor", fuse=fuse,
                    more="fuse_next_size = true") for fuse in (60, 70)]  # fmt: skip
    assert [answer.is_flagged for answer in answers] == [False, True]  # 60 A is itself a size
    assert next_fuse(62) == 70 <= 1.5 * 60
    odd = [feed(plans, "awg = 10, length_m = 1.0, bundle = 3", 1.0, "fuse_conductor", fuse=fuse) for fuse in (50, 60)]
    assert [answer.is_flagged for answer in odd] == [False, True]  # 42 A: 50 A is the next size


def test_two_margins_of_a_fuse():
    """10 A: 13.3 by 75 % and 12.5 by 125 %, both 15 A. 62.5 A is 70 A, and 80 A where a shop has no 70."""
    assert pytest.approx(0.067, abs=0.001) == (10 / 0.75) / (10 * 1.25) - 1
    assert [next_fuse(amps) for amps in (10 / 0.75, 10 * 1.25)] == [15, 15]
    assert 1.25 * 600 / 12 == 62.5
    assert next_fuse(62.5) == 70
    assert next_fuse(62.5, [size for size in FUSE_SIZES if size != 70]) == 80
    assert (fuse_below(14.9), fuse_below(0.5), next_fuse(801)) == (10, None, None)


def test_a_lasting_overload_through_a_rig(plans):
    """15 A for minutes at 135 %, 14 AWG of 105 C: 20.25 A against 17.5 A in a bundle of 7, and 35 A alone."""
    key, wire = "fuse_conductor", "awg = 14, length_m = 1.0"
    bundled = feed(plans, f"{wire}, bundle = 7", 1.0, key, fuse=15)
    assert "it may carry 20.25 A for 10 to 30 minutes, above the 17.5 A" in bundled.unproven
    assert "may carry" not in feed(plans, wire, 1.0, key, fuse=15).unproven


def test_a_short_circuit_at_the_far_end_through_a_rig(plans):
    """12.8 V, 10 mohm, 5 m of 12 AWG: 170.7 A, 11.4 times 15 A, within 0.1 s."""
    answer = feed(plans, "awg = 12, length_m = 5.0", 1.0, "fuse_reach", fuse=15, more="source_volts = 12.8")
    assert answer.value == pytest.approx(11.4, abs=0.05)
    assert answer.value * 15 == pytest.approx(170.7, abs=0.1)
    assert "12.8 V / (10 + 64.96 mohm)" in answer.formula
    assert "opens within 0.1 s" in answer.formula
