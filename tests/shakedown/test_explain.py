"""A scenario rendered as sentences."""

import pytest

from rvsim.shakedown.explain import render_scenario

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
    assert list(render_scenario(loaded(EVERYTHING))) == [
        "t: T",
        "  What it shows.",
        "Rig ottersby: 10 devices; -3.5 °C outside, start at 06:15, without shore power; duration 60 s, seed 1.",
        "The bench acknowledges no frames: only the devices do.",
        "  changed: roof fan is absent",
        "  changed: charger has address 55 hex",
        "Faults:",
        '  1. heater is silent, when a step starts "gone"',
        "  2. each bit is in error with a probability of 0.001, from 5 s until 9 s",
        "Steps:",
        "  2. at 3 s: 18FF00F9 01 is sent",
        '  1. when cabin is above 20: "gone" starts',
        "Expectations:",
        "  1. it is told: the flag silent-device is raised",
    ]


FIELD = 'message = "TANK_STATUS"\nfield = "relative_level"\n'
EACH = {
    'fault = "asleep"\ndevice = "heater"': "heater sleeps",
    'fault = "late"\ndevice = "heater"\ngap = "9s"': "heater sends its messages at most once every 9 s",
    'fault = "late"\ndevice = "heater"\nmessage = "DM_RV"\ngap = "9s"': "heater sends DM_RV at most once every 9 s",
    'fault = "jitter"\ndevice = "heater"\nby = "1s"': "heater sends its messages up to 1 s late",
    f'fault = "wrong_value"\ndevice = "grey tank"\n{FIELD}value = 3.0': "relative_level of grey tank reports 3",
    f'fault = "stuck"\ndevice = "grey tank"\n{FIELD}': "TANK_STATUS relative_level of grey tank is stuck",
    f'fault = "drift"\ndevice = "grey tank"\n{FIELD}per_hour = 2.0': "of grey tank drifts by 2 an hour",
    f'fault = "noise"\ndevice = "grey tank"\n{FIELD}by = 2.0': "of grey tank is wrong by up to 2, at random",
    f'fault = "wrong_scale"\ndevice = "grey tank"\n{FIELD}factor = 2.0': "reports 2 times its value plus 0",
    f'fault = "out_of_range"\ndevice = "grey tank"\n{FIELD}': "of grey tank reports out of range",
    f'fault = "no_data"\ndevice = "grey tank"\n{FIELD}': "of grey tank reports no data",
    'fault = "wrong_instance"\ndevice = "grey tank"\ninstance = 9': "grey tank sends its messages with instance 9",
    'fault = "shared_instance"\ndevice = "grey tank"\nas = "fresh tank"': "sends as the instance of fresh tank",
    'fault = "firmware_reset"\ndevice = "grey tank"': "grey tank restarts with instance 1",
    'fault = "shared_address"\ndevice = "grey tank"\nas = "heater"': "uses the address of heater, and neither",
    'fault = "shared_address"\ndevice = "grey tank"\naddress = 0x5E': "uses address 5E hex, and neither device gives",
    'fault = "shared_address"\ndevice = "grey tank"\naddress = 0': "uses address 00 hex, and neither device gives",
    'fault = "short_frame"\ndevice = "grey tank"\nlength = 3': "grey tank sends its messages with 3 bytes",
    'fault = "short_frame"\ndevice = "grey tank"\nmessage = "TANK_STATUS"\nlength = 1': "TANK_STATUS with 1 byte,",
    'fault = "command_ignored"\ndevice = "heater"': "heater ignores every command",
    'fault = "command_delayed"\ndevice = "heater"\nmessage = "FURNACE_COMMAND"\nby = "2s"': "FURNACE_COMMAND 2 s late",
    'fault = "restart"\ndevice = "heater"': "heater restarts, which takes 2 s",
    'fault = "brown_out"\ndevices = ["heater", "charger"]': "the supply of heater, charger fails",
    'fault = "protection_opens"': "the protection of the house battery opens, from",
    'fault = "protection_opens"\nbattery = "house"': "the protection of battery house opens, from",
    'fault = "reported"\ndevice = "heater"\nfunction = "water_heater"\nspn = 3\nfmi = 4': "FMI 4 of its water heater",
    'fault = "babbling"\nnode = "x"\nidentifier = "18FF0001"\ngap = "1ms"': "x sends 18FF0001 00 00 00 00 00 00 00",
    'fault = "babbling"\ndevice = "heater"\nidentifier = "18FF0001"': "as fast as the bus allows",
    'fault = "missing_terminator"': "one terminator is missing, from",
    'fault = "missing_terminator"\nrate = 0.1': "is missing; each bit is in error with a probability of 0.1",
    'fault = "reversed_pair"\ndevice = "heater"': "the two wires are swapped at heater",
}


@pytest.mark.parametrize("text", EACH)
def test_every_fault_in_words(loaded, text):
    """Each kind of fault has its own sentence."""
    lines = list(render_scenario(loaded(f'[[fault]]\nfrom = "5s"\n{text}\n')))
    assert EACH[text] in lines[3]


@pytest.mark.parametrize(
    ("hour", "clock"), [("6.5", "06:30"), ("17.995", "18:00"), ("23.999", "00:00"), ("0.0", "00:00"), ("9.02", "09:01")]
)
def test_when_it_begins(loaded, hour, clock):
    """To the nearest minute, and a clock has no minute 60."""
    assert f", start at {clock}, " in list(render_scenario(loaded(f"[weather]\nstart_hour = {hour}\n")))[1]


def test_what_is_changed_in_a_device(loaded):
    """Each key that is replaced, and the settings."""
    text = '[[change]]\ndevice = "grey tank"\nkind = "tank"\nfunctions = { tank = 7 }\n'
    text += '[[change]]\ndevice = "charger"\naddress = 80\nsettings = { full_amps = 9.0 }\n'
    assert list(render_scenario(loaded(text)))[2:] == [
        "  changed: grey tank has kind tank, functions {'tank': 7}",
        "  changed: charger has address 50 hex, settings {'full_amps': 9.0}",
    ]


def test_steps_stand_in_the_order_of_their_first_time(loaded):
    """A repeated step by its first time; a step that waits comes last; each has its number in the file."""
    send = 'send = { identifier = "1", bytes = "" }\n'
    when = 'when = { seen = { device = "heater" } }\n'
    moments = (when, 'at = "9s"\n', 'every = "1s"\nfrom = "8s"\n', 'at = "0s"\n', 'every = "20s"\n')
    lines = list(render_scenario(loaded("".join(f"[[step]]\n{moment}{send}" for moment in moments))))
    assert lines[3:] == [
        "  4. at 0 s: 1 is sent",
        "  5. every 20 s from 0 s: 1 is sent",
        "  3. every 1 s from 8 s: 1 is sent",
        "  2. at 9 s: 1 is sent",
        "  1. when any frame of heater is seen: 1 is sent",
    ]
