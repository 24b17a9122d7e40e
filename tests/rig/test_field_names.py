"""Field names in a rig are checked against the definitions."""

import pytest

from rvsim.errors import InputError
from rvsim.rig.field_names import check_fields
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig


def rig(**more):
    """A rig of one sensor."""
    device = {"name": "sensor", "kind": "ambient", "address": 0x91, "functions": {"ambient_sensor": 1}, **more}
    return Rig.model_validate({"schema": 1, "name": "mine", "title": "Mine", "device": [device]})


def test_names_that_exist_are_fine(catalogue):
    """A message with its field, and a field alone, are accepted; so is the shipped rig."""
    limits = {"THERMOSTAT_AMBIENT_STATUS.ambient_temperature": [-30, 60], "ambient_temperature": [-30, 60]}
    check_fields(rig(limits=limits, required=["ambient_temperature"]), catalogue)
    check_fields(load_rig("ottersby"), catalogue)


def test_every_slip_is_named_with_what_was_meant(catalogue):
    """Unknown fields and messages have a line each, with the nearest name or the names there are."""
    slips = rig(
        limits={"ambient_temprature": [0, 1], "THERMOSTAT_AMBIENT_STATU.ambient_temperature": [0, 1]},
        required=["THERMOSTAT_AMBIENT_STATUS.level"],
    )
    with pytest.raises(InputError) as caught:
        check_fields(slips, catalogue)
    first, second, third = caught.value.problems
    where = 'rig "mine", device "sensor", '
    assert first.startswith(f'{where}limits: no message has a field ambient_temprature (did you mean "ambient_temper')
    assert second.startswith(f"{where}limits: no message is called THERMOSTAT_AMBIENT_STATU (did you mean")
    assert (
        third == f"{where}required: THERMOSTAT_AMBIENT_STATUS has no field level; it has instance, ambient_temperature"
    )


def accepting(*entries):
    """A rig of one sensor that accepts flags."""
    device = {"name": "sensor", "address": 0x91}
    return Rig.model_validate({"schema": 1, "name": "mine", "title": "Mine", "device": [device], "accepted": entries})


def test_what_is_accepted_is_held_against_the_definitions_too(catalogue):
    """A DGN may be one that no definition has; a field needs one."""
    flag = {"flag": "no-data"}
    check_fields(accepting(flag, {**flag, "message": "1F801"}, {**flag, "message": "FURNACE_STATUS"}), catalogue)
    check_fields(accepting({**flag, "message": "1FF9C", "field": "ambient_temperature"}), catalogue)
    slips = accepting(
        {**flag, "message": "FURNACE_STATU"},
        {**flag, "message": "1F801", "field": "level"},
        {**flag, "message": "THERMOSTAT_AMBIENT_STATUS", "field": "level"},
        {**flag, "message": "1FF9C", "field": "ambient_temperatur"},
    )
    with pytest.raises(InputError) as caught:
        check_fields(slips, catalogue)
    has = "; it has instance, ambient_temperature"
    assert list(caught.value.problems) == [
        'rig "mine", accepted 1: no message is called FURNACE_STATU (did you mean "FURNACE_STATUS"?); correct the name',
        'rig "mine", accepted 2: DGN 1F801 hex has no definition here, so no field level either; '
        "give a DBC file for it",
        f'rig "mine", accepted 3: THERMOSTAT_AMBIENT_STATUS has no field level{has}',
        'rig "mine", accepted 4: THERMOSTAT_AMBIENT_STATUS has no field ambient_temperatur '
        f'(did you mean "ambient_temperature"?){has}',
    ]
