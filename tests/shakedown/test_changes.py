"""What a scenario changes in its rig, and the scenario read back."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.shakedown.explain import explained
from rvsim.shakedown.scenario import load_scenario

HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'


@pytest.fixture
def loaded(tmp_path):
    """Load a scenario from its text."""

    def go(text, values=None):
        path = tmp_path / "t.toml"
        path.write_text(HEAD + text, encoding="utf-8")
        return load_scenario(path, settings_models(), values)

    return go


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


def test_values_from_outside(loaded):
    """They are checked as those in the file."""
    assert loaded("", {"weather.outdoor_c": -20.0, "seed": 9}).scenario.weather.outdoor_c == -20.0
    with pytest.raises(InputError, match="seed"):
        loaded("", {"seed": "many"})


EVERYTHING = """
bench_acknowledges = false
shore_power = false
about = "What it shows."
[weather]
outdoor_c = -3.5
start_hour = 6.25
[[change]]
device = "roof fan"
absent = true
[[change]]
device = "charger"
address = 0x55
[[fault]]
name = "gone"
fault = "silent"
device = "heater"
[[fault]]
fault = "bus_errors"
rate = 0.001
from = "5s"
until = "9s"
[[step]]
when = { value = "cabin", above = 20.0 }
start = "gone"
[[step]]
at = "3s"
send = { identifier = "18FF00F9", bytes = "01" }
[[expect]]
says = "it is told"
expect = "flag"
kind = "silent-device"
"""


def test_a_scenario_read_back(loaded):
    """Everything in it, as sentences."""
    assert list(explained(loaded(EVERYTHING))) == [
        "t: T",
        "  What it shows.",
        "The rig ottersby, 10 devices, -3.5 °C outside, begun at 06:15, without shore power. "
        "It lasts 60s, with seed 1.",
        "The bench acknowledges nothing: only the devices do.",
        "  changed: roof fan is not there",
        "  changed: charger has address 85",
        "What goes wrong:",
        '  1. heater is silent, when a step starts "gone"',
        "  2. each bit is spoilt with a chance of 0.001, from 5s until 9s",
        "What is done:",
        "  1. at 3s: 18FF00F9 01 is sent",
        '  2. when cabin is above 20: "gone" begins',
        "What is expected:",
        "  1. it is told: the flag silent-device is raised",
    ]


FIELD = 'message = "TANK_STATUS"\nfield = "relative_level"\n'
EACH = {
    'fault = "asleep"\ndevice = "heater"': "heater sleeps",
    'fault = "late"\ndevice = "heater"\ngap = "9s"': "heater comes no more often than every 9s",
    'fault = "late"\ndevice = "heater"\nmessage = "DM_RV"\ngap = "9s"': "DM_RV of heater comes no more often than",
    'fault = "jitter"\ndevice = "heater"\nby = "1s"': "heater comes up to 1s late",
    f'fault = "wrong_value"\ndevice = "grey tank"\n{FIELD}value = 3.0': "relative_level of grey tank says 3",
    f'fault = "stuck"\ndevice = "grey tank"\n{FIELD}': "TANK_STATUS relative_level of grey tank is stuck",
    f'fault = "drift"\ndevice = "grey tank"\n{FIELD}per_hour = 2.0': "of grey tank drifts by 2 an hour",
    f'fault = "noise"\ndevice = "grey tank"\n{FIELD}by = 2.0': "of grey tank is off by up to 2",
    f'fault = "wrong_scale"\ndevice = "grey tank"\n{FIELD}factor = 2.0': "says 2 times its value plus 0",
    f'fault = "out_of_range"\ndevice = "grey tank"\n{FIELD}': "of grey tank is out of range",
    f'fault = "no_data"\ndevice = "grey tank"\n{FIELD}': "of grey tank has no data",
    'fault = "wrong_instance"\ndevice = "grey tank"\ninstance = 9': "grey tank says instance 9",
    'fault = "shared_instance"\ndevice = "grey tank"\nas = "fresh tank"': "speaks for the instance of fresh tank",
    'fault = "firmware_reset"\ndevice = "grey tank"': "grey tank restarts with instance 1",
    'fault = "shared_address"\ndevice = "grey tank"\nas = "heater"': "uses the address of heater, and nobody gives way",
    'fault = "shared_address"\ndevice = "grey tank"\naddress = 0x5E': "uses address 5E hex, and nobody gives way",
    'fault = "short_frame"\ndevice = "grey tank"\nlength = 3': "grey tank sends 3 bytes",
    'fault = "command_ignored"\ndevice = "heater"': "heater ignores every command",
    'fault = "command_delayed"\ndevice = "heater"\nmessage = "FURNACE_COMMAND"\nby = "2s"': "FURNACE_COMMAND 2s late",
    'fault = "restart"\ndevice = "heater"': "heater restarts, which takes 2s",
    'fault = "brown_out"\ndevices = ["heater", "charger"]': "the supply of heater, charger fails",
    'fault = "reported"\ndevice = "heater"\nfunction = "water_heater"\nspn = 3\nfmi = 4': "FMI 4 of its water heater",
    'fault = "babbling"\nnode = "x"\nidentifier = "18FF0001"\ngap = "1ms"': "x sends 18FF0001 00 00 00 00 00 00 00",
    'fault = "babbling"\ndevice = "heater"\nidentifier = "18FF0001"': "as fast as the pair allows",
    'fault = "missing_terminator"': "one terminator is missing, from",
    'fault = "missing_terminator"\nrate = 0.1': "one terminator is missing: each bit is spoilt with 0.1",
    'fault = "reversed_pair"\ndevice = "heater"': "the two wires are swapped at heater",
}


@pytest.mark.parametrize("text", EACH)
def test_every_fault_in_words(loaded, text):
    """Each kind has a sentence of its own."""
    lines = list(explained(loaded(f'[[fault]]\nfrom = "5s"\n{text}\n')))
    assert EACH[text] in lines[3]
