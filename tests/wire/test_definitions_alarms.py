"""The shipped message definitions: which codes report a problem, and which fields change together.

tests/vectors/alarms.csv has every field with such codes and the reason. How much each matters is our decision: a fault
is something that does not work or is dangerous, a warning comes before that, a notice is only worth knowing.
"""

import csv
import re
from collections import Counter
from pathlib import Path

import pytest

from rvsim.wire.fields import AlarmSeverity, weakest

with (Path(__file__).parents[1] / "vectors" / "alarms.csv").open(newline="", encoding="ascii") as opened:
    ROWS = list(csv.DictReader(opened))

TROUBLE = re.compile(
    r"(?<!de)fault|fail|warn|trip|limit reached|disconnected|under[-_]|over[-_]|leak|gas|lamp|caution|short|power not"
)
"""Words that stand for trouble in the name of a field or of a code."""
FINE = re.compile(r"^(no|not|off|inactive|normal|connected)\b|OK$|(?<!not) present$|sufficient$|no data|error")
"""Words that deny it, in the name of a code."""
NOT_MARKED = {
    # A coach that is not plugged in has no AC power: nothing is wrong with it.
    ("WATERHEATER_STATUS", "ac_power_failure", 1),
    # A main switch is opened by hand.
    ("DC_DISCONNECT_STATUS", "circuit_status", 0),
}
MOVES = {
    "CHARGER_STATUS.charge_voltage": {"DC_SOURCE_STATUS_1.dc_voltage"},
    "CHARGER_STATUS_2.charging_voltage": {"DC_SOURCE_STATUS_1.dc_voltage"},
    "DC_SOURCE_STATUS_1.dc_voltage": {"CHARGER_STATUS.charge_voltage", "CHARGER_STATUS_2.charging_voltage"},
    "DC_SOURCE_STATUS_1.dc_current": {"CHARGER_STATUS.charge_current", "CHARGER_STATUS_2.charging_current"},
    "THERMOSTAT_AMBIENT_STATUS.ambient_temperature": {
        "FURNACE_STATUS.heat_output_level",
        "ROOF_FAN_STATUS_1.ambient_temperature",
    },
}
"""Physics, our decision: one battery has one voltage, its current follows its chargers, a cabin warms when heated.

Not the other way round: a charger at its limit delivers the same while loads change the current of the battery.
"""


def alarming(catalogue):
    """Return the fields with codes that mean trouble, by message and name."""
    return {(spec.name, field.name): field for spec in catalogue for field in spec.fields if field.alarms}


def test_the_codes_that_mean_trouble_are_those_of_the_table(catalogue):
    """No field more, none less, each code with its severity, and each row with a reason."""
    found = {
        key: ";".join(f"{raw}={alarm.severity}" for raw, alarm in field.alarms.items())
        for key, field in alarming(catalogue).items()
    }
    assert found == {(row["message"], row["field"]): row["codes"] for row in ROWS}
    assert len(found) == len(ROWS)
    assert all(row["reason"] for row in ROWS)


def test_the_claim_is_as_sure_as_the_names_that_it_rests_on(catalogue):
    """That a code means trouble rests on the name of the field and on those of its codes."""
    for field in alarming(catalogue).values():
        claim = weakest(field.grades.name, *(field.code_grade(raw) for raw in field.alarms))
        assert {alarm.origin for alarm in field.alarms.values()} == {claim}


def test_codes_by_severity(catalogue):
    """How many codes there are of each severity."""
    counted = Counter(alarm.severity for field in alarming(catalogue).values() for alarm in field.alarms.values())
    assert counted == {AlarmSeverity.FAULT: 66, AlarmSeverity.WARNING: 25, AlarmSeverity.NOTICE: 2}


@pytest.mark.parametrize(
    ("message", "field", "raw", "severity"),
    [
        ("GAS_SENSOR_STATUS", "gas_detected", 1, "fault"),
        ("WATERHEATER_STATUS", "failure_to_ignite", 1, "fault"),
        ("WATERHEATER_STATUS", "high_temperature_limit_switch", 1, "fault"),
        ("WATERHEATER_STATUS", "dc_power_warning", 1, "warning"),
        ("DC_DIMMER_STATUS_3", "over_current_status", 1, "fault"),
        ("DC_SOURCE_STATUS_6", "low_voltage_limit_status", 1, "warning"),
        ("DC_SOURCE_STATUS_6", "low_voltage_limit_disconnect_status", 1, "fault"),
        ("INVERTER_AC_STATUS_1", "fault_open_ground", 1, "fault"),
        ("INVERTER_AC_STATUS_4", "voltage_fault", 2, "warning"),
        ("GENERATOR_STATUS_1", "status", 5, "fault"),
        ("DM_RV", "red_lamp_status", 1, "fault"),
        ("DM_RV", "yellow_lamp_status", 1, "warning"),
        ("DM1", "amber_warning_lamp", 1, "warning"),
    ],
)
def test_the_troubles_that_matter_are_marked(catalogue, message, field, raw, severity):
    """Gas before all; what fails, overheats, draws too much or was cut off is a fault, what precedes it a warning."""
    assert catalogue.by_name(message).by_name[field].alarms[raw].severity == severity


def test_every_code_that_sounds_like_trouble_is_marked_or_left_out_for_a_reason(catalogue):
    """A status field or code that is named after trouble does not slip through; commands report nothing."""
    missed = set()
    for spec in catalogue:
        for field in spec.fields:
            if "COMMAND" in spec.name or spec.name == "GENERAL_RESET":
                assert not field.alarms
                continue
            for raw, label in field.labels.items():
                sounds = TROUBLE.search(label) or TROUBLE.search(field.name)
                if sounds and not FINE.search(label) and raw not in field.alarms:
                    missed.add((spec.name, field.name, raw))
    assert missed == NOT_MARKED


def test_what_means_trouble_is_a_code_with_a_name(catalogue):
    """Each alarming code has a name that can be told, and is a value, not a special code."""
    for key, field in alarming(catalogue).items():
        for raw in field.alarms:
            assert field.labels[raw], key
            assert raw not in field.states, key


def test_fields_that_move_together(catalogue):
    """The neighbours of a measured value, by which one that sticks can be told from one that is at rest."""
    found = {f"{spec.name}.{field.name}": set(field.moves_with) for spec in catalogue for field in spec.fields}
    assert {name: others for name, others in found.items() if others} == MOVES
    for other in (other for others in MOVES.values() for other in others):
        message, _, name = other.partition(".")
        field = catalogue.by_name(message).field(name)
        assert field.unit
        assert field.states


def test_an_alternator_is_named_by_its_instance(catalogue):
    """30h and the instance, as a regulator maker sends it; a plain instance stays a number (two other makers)."""
    for name in ("CHARGER_STATUS", "CHARGER_STATUS_2", "CHARGER_COMMAND"):
        instance = catalogue.by_name(name).instance
        assert [instance.labels.get(raw) for raw in (1, 0x30, 0x31, 0x3F, 0x40)] == [
            None, None, "alternator 1", "alternator 15", None,
        ]  # fmt: skip
    assert 0x31 not in catalogue.by_name("CHARGER_AC_STATUS_1").instance.labels
