"""Published figures of relays, loads and contacts that no other test holds; and which test answers which row.

`tests/vectors/switching_rows.csv` has each row of the references on relays, loads, ladders, contacts, outputs and
dimmers, with the test that answers it, or why none does.
"""

import csv
from pathlib import Path

import pytest

from rvsim.rig.ladder import E96, NEW_CONTACT_OHM, Ladder
from rvsim.rig.switching import RelayPlan
from rvsim.world.loads import LOAD_KINDS, Load
from rvsim.world.relays import Relay

ROOT = Path(__file__).parents[2]
ROWS = list(csv.DictReader((ROOT / "tests/vectors/switching_rows.csv").read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", ROWS, ids=[f"{row['source']}-{row['line']}" for row in ROWS])
def test_each_row_has_a_test_or_a_reason(row):
    """The test is there by its name; a row has either of both."""
    assert bool(row["answered_by"]) != bool(row["why_not"])
    if row["answered_by"]:
        path, _, name = row["answered_by"].partition("::")
        assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8")


def test_coil_power_at_charging_voltages():
    """85 ohm take 2.44 W at 14.4 V and 3.01 W at 16 V, by arithmetic."""
    coil = Relay(RelayPlan(name="mini", coil_amps=12 / 85))
    assert [coil.set_coil(volts) * volts for volts in (14.4, 16.0)] == pytest.approx([2.44, 3.01], abs=0.01)


def test_a_lamp_relay_coil():
    """300 ohm: 40 mA and 480 mW at 12 V; usable from 10 to 16 V, and open again at 0.5 V (relay maker data)."""
    coil = Relay(RelayPlan(name="lamps", coil_amps=0.04))
    assert coil.set_coil(12.0) * 12.0 == pytest.approx(0.48)
    states = []
    for volts in (0.5, 10.0, 16.0, 0.5):
        coil.set_coil(volts)
        states.append(coil.is_closed)
    assert states == [False, True, True, False]


def test_the_classes_of_a_contact_disagree():
    """Of 30 A resistive: a tenth for lamps and a sixth for motors is our rule; 20 % and a fifth are a maker's figures.

    A switch maker's load page has the rule; an aerospace relay maker has 20 % for lamps, a switch tutorial a fifth for
    both; such a figure is given with the relay, and wins.
    """
    rule = RelayPlan(name="rule", contact_amps=30)
    assert [getattr(rule.limit_for(load), "amps", None) for load in ("lamp", "motor", "heater mat")] == [3, 5, 30]
    given = RelayPlan(name="given", contact_amps=30, lamp_amps=0.2 * 30, motor_amps=30 / 5)
    assert [getattr(given.limit_for(load), "amps", None) for load in ("lamp", "motor", "pump")] == [6, 6, 6]


def test_motors_start_as_a_trainer_and_a_calculator_say():
    """300 to 700 % of rated by size (a vehicle electrics trainer); 6 times as a rule (an actuator maker)."""
    assert all(3 <= LOAD_KINDS[kind].peak_share <= 7 for kind in ("motor", "pump"))


def test_steady_lamp_currents():
    """A lamp of 12 V and 3 W takes 0.25 A (a training page, measured)."""
    assert Load("lamp", 0.25).running_amps(1.0, 12.0) * 12 == pytest.approx(3.0)


def test_first_values_of_e96():
    """Two pages on IEC 60063:2015 give the formula; these are its first twelve."""
    assert list(E96[:12]) == [100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130]


def test_a_new_contact_adds_at_most_its_resistance():
    """50 to 100 milliohm (a chip maker's article) move no reading of a 10-bit converter by a count."""
    assert 0.05 <= NEW_CONTACT_OHM <= 0.1
    ladder = Ladder(1000, {"a": 0.0, "b": 510.0})
    for ohm in ladder.rungs.values():
        assert ladder.reading(ohm + NEW_CONTACT_OHM) - ladder.reading(ohm) <= 1
