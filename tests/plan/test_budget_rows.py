"""Published figures of the bus, of heat, fuel and batteries by plan; and which test answers which row.

`tests/vectors/plan_budget_endurance.csv` has each row of the references on frames and bus load, responses, bit timing,
standing currents, supply limits, standards, heat, fuel and batteries, with the test that answers it, or why none does.
"""

import csv
from pathlib import Path

import pytest

from rvsim.plan.endurance import FUEL_RULE, peukert_factor
from rvsim.plan.heaters import Heater
from rvsim.plan.night_heat import AIR_W_PER_M3_H_K, HeaterRun
from rvsim.plan.storage import STORAGE_RULE
from rvsim.wire.response import PeriodicMessage, utilisation_percent, worst_responses
from rvsim.wire.timing import BIT_RATE, STANDARD_EMPTY_BITS, max_bits, min_bits

ROOT = Path(__file__).parents[2]
VECTORS = ROOT / "tests/vectors/plan_budget_endurance.csv"
ROWS = list(csv.DictReader(VECTORS.read_text(encoding="utf-8").splitlines()))
OTHERS = 3
"""Bits between two frames."""


@pytest.mark.parametrize("row", ROWS, ids=[f"{row['source']}-{row['line']}" for row in ROWS])
def test_each_row_has_a_test_or_a_reason(row):
    """The test is there by its name; a row has either of both."""
    assert bool(row["answered_by"]) != bool(row["why_not"])
    if row["answered_by"]:
        path, _, name = row["answered_by"].partition("::")
        assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8")


def standard_max_bits(length):
    """The bits of a frame with an 11-bit identifier, with every possible stuff bit: 55 + 10 s."""
    return STANDARD_EMPTY_BITS + 8 * length + (34 + 8 * length - 1) // 4


def test_the_corrected_number_of_stuff_bits():
    """The old form gives 130 and 154 bits for 8 bytes, the corrected one 135 and 160 (11 and 29-bit identifiers)."""
    assert [standard_max_bits(length) for length in (0, 8)] == [55, 135]
    assert [STANDARD_EMPTY_BITS + 8 * length for length in (0, 8)] == [47, 111]
    old = [unstuffed + (g + 64) // 5 for unstuffed, g in ((STANDARD_EMPTY_BITS + 64, 34), (min_bits(8), 54))]
    assert old == [130, 154]
    assert max_bits(8) == 160


def test_the_responses_of_a_published_set_of_17_messages():
    """At 125 kbit/s with 11-bit identifiers, to the last bit of the frame (table from memory).

    The last one is 29496 us by the formula, where the table prints 29520: that has the 3 bits between frames in it.
    """
    gaps = [50, *5 * [5], *4 * [10], *4 * [100], *3 * [1000]]
    sizes = [1, 2, 1, 2, 1, 2, 6, 1, 2, 2, 1, 4, 1, 1, 3, 1, 1]
    streams = [
        PeriodicMessage(number, standard_max_bits(size), gap * 1000)
        for number, (gap, size) in enumerate(zip(gaps, sizes, strict=True))
    ]
    published = [1416, 2016, 2536, 3136, 3656, 4256, 5016, 8376, 8976, 9576, 10096, 19096, 19616, 20136, 28976, 29496]
    found = [worst - OTHERS * 8 for worst in worst_responses(streams, 125_000) if worst is not None]
    assert found == [*published, 29496]
    assert utilisation_percent(streams, 125_000) == pytest.approx(86.73, abs=0.02)


def test_the_first_of_all_messages():
    """160 bits under way and 160 of its own: 1.280 ms, 1.268 ms without the bits between frames."""
    streams = [PeriodicMessage(number, max_bits(8), 100_000) for number in (1, 2)]
    assert worst_responses(streams)[0] == 1280
    assert 1280 - OTHERS * 1_000_000 // BIT_RATE == 1268


def test_frames_that_fill_the_bus():
    """1908.4 and 1562.5 frames a second without and with all stuff bits; 763.4 and 625 are 40 %."""
    assert [BIT_RATE / bits for bits in (min_bits(8), max_bits(8))] == pytest.approx([1908.4, 1562.5], abs=0.1)
    assert [0.4 * BIT_RATE / bits for bits in (min_bits(8), max_bits(8))] == pytest.approx([763.4, 625.0], abs=0.1)


def nodes(number, rest):
    """So many devices of one form, each with its own address and instance."""
    return "".join(
        f'[[device]]\nname = "n{one}"\naddress = {one}\n{rest.format(one)}\n' for one in range(1, number + 1)
    )


def test_ten_nodes_of_a_published_example(plans):
    """Each sends a full frame each 100 ms: 6.4 %."""
    device = nodes(10, 'sends = ["INVERTER_AC_STATUS_1 {}"]')
    assert plans.answer("", "bus.load_worst", device=device).value == pytest.approx(6.4)


def test_heartbeats_alone(plans):
    """20 device functions, each with one full frame each 5 s: 0.256 %."""
    device = nodes(20, "functions = {{ control_panel = {} }}")
    assert plans.answer("", "bus.load_worst", device=device).value == pytest.approx(0.256)


def test_infiltration_of_a_published_example():
    """400 cubic feet, one air change an hour, 50 F: 360 Btu/h (heating course slides), within 1 %."""
    assert pytest.approx(360, rel=0.01) == AIR_W_PER_M3_H_K * 400 * 0.3048**3 * 50 / 1.8 * 3.41214


def test_fuel_of_a_heater_of_two_kilowatts():
    """2 x 3.6 / (35.81 x 0.85) = 0.237 L/h."""
    heater = Heater("heater", ("cabin",), 5000.0, 1500.0, 0.85)
    assert HeaterRun(heater, 2000.0, 1.0, 2000.0, 1.0, 0.0, "").litres == pytest.approx(0.237, abs=0.0005)


def test_the_higher_heating_value_is_named():
    """38.3 to 38.6 MJ/l are 7 % more than the lower value, and so is the fuel less; the rule says both."""
    assert "38.3 to 38.6" in FUEL_RULE.disagreement
    assert pytest.approx(0.07, abs=0.005) == 38.45 / 35.81 - 1
    assert "7 %" in FUEL_RULE.disagreement


def test_peukert_in_the_form_for_20_hours():
    """100 Ah with k = 1.2: 20 h at 5 A, 8.71 h at 10 A, 3.79 h at 20 A."""
    hours = [100 / (amps * peukert_factor(amps / 5, 1.2)) for amps in (5, 10, 20)]
    assert hours == pytest.approx([20.0, 8.71, 3.79], abs=0.01)


def test_sources_of_standing_currents_disagree():
    """25-50, under 75 and 20-120 mA by the page: the rule says so, and nothing is judged by one of them."""
    for text in ("25-50", "under 75", "20-120"):
        assert text in STORAGE_RULE.disagreement
