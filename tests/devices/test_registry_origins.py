"""What simulated devices send rests on layouts and codes that are at least remembered."""

import pytest

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.rig.load import load_rig
from rvsim.sim.bench import Bench
from rvsim.wire.fields import Origin, State
from rvsim.wire.ident import dgn_of

VIRTUAL_ONLY = {"CIRCULATION_PUMP_STATUS", "CIRCULATION_PUMP_COMMAND"}
"""Messages that are unsure as a whole and would carry nothing without their values: sent on virtual buses only."""


@pytest.fixture(scope="module")
def sent(catalogue):
    """Return every different frame of five minutes of a whole coach as (message, its readings)."""
    frames = set()
    rig = load_rig("ottersby", settings_models())
    Bench(
        rig, catalogue, kinds_by_name(), on_frame=lambda frame: frames.add((dgn_of(frame.identifier), frame.data))
    ).run_until(300_000_000)
    return [(catalogue.by_dgn(dgn), catalogue.by_dgn(dgn).decode(data)) for dgn, data in sorted(frames)]


def test_the_coach_sends_enough_to_be_judged(sent):
    """Every kind of device has sent: heater, fan, chargers, tanks, sensors, panel, pump."""
    assert {"FURNACE_STATUS", "ROOF_FAN_STATUS_1", "CHARGER_STATUS", "TANK_STATUS", "DC_SOURCE_STATUS_1", "DM_RV",
            "THERMOSTAT_STATUS_1", "FURNACE_COMMAND", *VIRTUAL_ONLY} <= {spec.name for spec, _ in sent}  # fmt: skip


def test_a_field_at_an_unsure_place_is_sent_as_all_ones(sent):
    """It carries no value, so that nobody reads an invented one out of it."""
    for spec, readings in sent:
        if spec.name in VIRTUAL_ONLY:
            assert spec.origin is Origin.UNSURE
            continue
        for reading in readings:
            if reading.field.grades.layout is Origin.UNSURE:
                assert reading.raw == reading.field.all_ones, f"{spec.name} {reading.field.name}"


def test_a_code_of_unsure_meaning_is_not_sent(sent):
    """No device sends a code whose name is unsure."""
    for spec, readings in sent:
        if spec.name in VIRTUAL_ONLY:
            continue
        for reading in readings:
            if reading.state is State.VALUE and reading.label is not None and reading.raw != reading.field.all_ones:
                assert reading.field.code_grade(reading.raw) is not Origin.UNSURE, f"{spec.name} {reading.field.name}"


def test_no_device_of_a_healthy_coach_sends_an_alarming_code(sent):
    """No healthy device sends a code that means trouble."""
    for spec, readings in sent:
        for reading in readings:
            assert reading.raw not in reading.field.alarms, f"{spec.name} {reading.field.name} {reading.brief}"
