"""What a scenario changes in its rig."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.shakedown.scenario import load_scenario

HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'


def device(scenario, name):
    """A device of a scenario's rig."""
    return next((plan for plan in scenario.rig.devices if plan.name == name), None)


def test_a_device_is_left_out(loaded):
    """The others stay as they are."""
    rig = loaded('[[change]]\ndevice = "roof fan"\nabsent = true\n').rig
    assert "roof fan" not in [plan.name for plan in rig.devices]
    assert len(rig.devices) == 10


def test_keys_are_replaced_and_settings_laid_over(loaded):
    """Settings that are not named stay."""
    plain = device(loaded(""), "charger")
    text = '[[change]]\ndevice = "charger"\naddress = 0x55\nsettings = { full_amps = 9.0 }\n'
    changed = device(loaded(text), "charger")
    assert changed.address == 0x55
    assert {**plain.settings, "full_amps": 9.0} == dict(changed.settings)
    assert changed.functions == plain.functions


def test_functions_and_kind(loaded):
    """Instances that are otherwise in this vehicle."""
    text = '[[change]]\ndevice = "grey tank"\nfunctions = { tank = 7 }\n'
    assert dict(device(loaded(text), "grey tank").functions) == {"tank": (7,)}


def test_a_rig_in_the_scenario_itself_is_changed_as_well(tmp_path):
    """What is changed there is not passed over in silence."""
    device = '[[rig.device]]\nname = "{0}"\nkind = "tank"\naddress = {1}\nfunctions = {{ tank = {2} }}\n'
    rig = '[rig]\nschema = 1\nname = "r"\ntitle = "R"\n' + device.format("one", 72, 0) + device.format("two", 73, 1)
    path = tmp_path / "t.toml"
    changes = '[[change]]\ndevice = "one"\nabsent = true\n[[change]]\ndevice = "two"\naddress = 80\n'
    path.write_text(HEAD.replace('rig = "ottersby"\n', "") + rig + changes, encoding="utf-8")
    assert [(plan.name, plan.address) for plan in load_scenario(path, settings_models()).rig.devices] == [("two", 80)]
    path.write_text(path.read_text(encoding="utf-8").replace('device = "one"', 'device = "on"'), encoding="utf-8")
    with pytest.raises(InputError, match='change 1: "on" is not in the rig'):
        load_scenario(path, settings_models())


def test_a_device_that_is_not_there(loaded):
    """With its line and a suggestion; what is wrong within a change is told as in the rig itself."""
    with pytest.raises(InputError) as refused:
        loaded('[[change]]\ndevice = "roof fn"\nabsent = true\n')
    (told,) = refused.value.problems
    assert 'line 5, change 1: "roof fn" is not in the rig (did you mean "roof fan"?)' in told
    with pytest.raises(InputError, match="full_amp"):
        loaded('[[change]]\ndevice = "charger"\nsettings = { full_amp = 9.0 }\n')
    with pytest.raises(InputError, match='unknown key "absnt"'):
        loaded('[[change]]\ndevice = "charger"\nabsnt = true\n')


def test_a_fault_on_a_device_that_is_left_out(loaded):
    """It is in the rig no more."""
    text = '[[change]]\ndevice = "roof fan"\nabsent = true\n'
    text += '[[fault]]\nfault = "silent"\ndevice = "roof fan"\nfrom = "1s"\n'
    with pytest.raises(InputError, match='"roof fan" is not in the rig'):
        loaded(text)


@pytest.mark.parametrize("key", ["change", "fault", "step", "expect"])
@pytest.mark.parametrize("value", ["5", '"x"', "[5]", "{ a = 1 }", "[[]]"])
def test_what_is_no_list_of_tables(loaded, key, value):
    """One line each, with its place; none of them is a table with a header in double brackets."""
    with pytest.raises(InputError) as refused:
        loaded(f"{key} = {value}\n")
    (told,) = refused.value.problems
    assert f"line 5, {key}" in told


def test_values_from_outside(loaded):
    """They are checked as those in the file."""
    assert loaded("", {"weather.outdoor_c": -20.0, "seed": 9}).scenario.weather.outdoor_c == -20.0
    with pytest.raises(InputError, match="seed"):
        loaded("", {"seed": "many"})
