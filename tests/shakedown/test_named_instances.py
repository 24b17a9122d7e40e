"""What steps, expectations and keys name and nobody has: instances, subjects of flags, values beyond a range."""

import pytest

from rvsim.errors import InputError

VAN = """
schema = 1
title = "T"
lasts = "10s"
[rig]
schema = 1
name = "van"
title = "A van with a keypad"
[[rig.device]]
name = "load centre"
kind = "load_centre"
address = 0x92
[[rig.device]]
name = "heater"
kind = "heater"
address = 0x5E
functions = { furnace = 1, water_heater = 1 }
[[rig.device]]
name = "second heater"
address = 0x5F
functions = { furnace = 2 }
real = true
[[rig.device]]
name = "fridge"
kind = "own"
address = 0x60
functions = { ambient_sensor = 3 }
[rig.device.settings]
message = [{ message = "THERMOSTAT_AMBIENT_STATUS", fields = { ambient_temperature = 5.0 } }]
[[rig.device.settings.answer]]
command = "THERMOSTAT_COMMAND_1"
instance = 3
sets = { set_point_temperature_cool = "THERMOSTAT_AMBIENT_STATUS.ambient_temperature" }
[[rig.device]]
name = "bed keypad"
kind = "keypad"
address = 0x93
functions = { keypad = [31, 32] }
[rig.device.settings]
keys = { lamp = { instance = 31 }, fan = { instance = 32 } }
commands = { lamp = { message = "dimmer", instance = 3 } }
[[rig.module]]
name = "front"
device = "load centre"
[[rig.output]]
name = "galley light"
module = "front"
terminal = 1
instance = 3
load = "lamp"
amps = 1.5
[[expect]]
expect = "presence"
device = "heater"
state = "present"
"""


def sent(message, instance):
    """A step that sends a message."""
    return f'[[step]]\nat = "1s"\nsend = {{ message = "{message}", fields = {{ instance = {instance} }} }}\n'


def seen(expect, message, instance, more=""):
    """An expectation of a message."""
    return f'[[expect]]\nexpect = "{expect}"\nsight = {{ message = "{message}", instance = {instance} }}\n{more}\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (sent("FURNACE_COMMAND", 3), "step 1: no device of the rig has the function furnace 3; there is 1, 2; correct"),
        (
            sent("ROOF_FAN_COMMAND_1", 1),
            "step 1: no device of the rig has the function roof fan 1; correct it, or send",
        ),
        (sent("FURNACE_COMMAND", 1.5), "step 1: instance 1.5 is no whole number; write one"),
        (sent("FURNACE_COMMAND", 0), "no device of the rig has the function furnace 0; there is 1, 2"),
        (
            '[[step]]\nwhen.seen = { message = "FURNACE_STATUS", instance = 4 }\nchange.shore_power = false\n',
            "step 1: no device of the rig has the function furnace 4; there is 1, 2, so it is never seen",
        ),
        (
            seen("seen", "DC_DIMMER_STATUS_3", 5),
            "sight: no device of the rig has the function dimmer 5; there is 3, so",
        ),
        (seen("every", "FURNACE_COMMAND", 3, 'gap = "9s"'), "sight: no device of the rig has the function furnace 3"),
        (
            seen("only_after", "FURNACE_STATUS", 1, 'after = { message = "FURNACE_COMMAND", instance = 7 }'),
            "after: no device of the rig has the function furnace 7; there is 1, 2, so it is never seen",
        ),
    ],
)
def test_an_instance_that_nobody_has_is_refused(virtual_run, text, said):
    """One line says what, where, and which instances there are."""
    with pytest.raises(InputError) as refused:
        virtual_run(VAN + text)
    (line,) = refused.value.problems
    assert ".toml, line " in line
    assert said in line


@pytest.mark.parametrize(
    "text",
    [
        sent("FURNACE_COMMAND", 2),  # of a real device
        sent("THERMOSTAT_COMMAND_1", 3),  # the answer of a device of the user's own
        sent("DC_DIMMER_COMMAND_2", 254),  # all members of a group
        sent("TANK_STATUS", 9),  # no command: a sender that was not planned
        sent("TANK_STATUS", 9) + seen("seen", "TANK_STATUS", 9),
        '[[step]]\nat = "1s"\nsend = { identifier = "19FFE3F9", bytes = "09 01 C8" }\n',
        seen("never", "FURNACE_COMMAND", 9),
        '[[fault]]\nfault = "firmware_reset"\ndevice = "heater"\ninstance = 5\nfrom = "3s"\n'
        + sent("FURNACE_COMMAND", 5),
    ],
)
def test_what_somebody_has_or_nobody_is_meant_to_have_is_not_refused(virtual_run, text):
    """An instance of a real device, of a fault, of an own device, of a frame in bytes, and one that nobody commands."""
    run = virtual_run(VAN + text)
    run.until(10)
    assert run.run.failures == []


def test_a_key_that_commands_nobody_is_refused(virtual_run):
    """Where there are other outputs of its kind; a rig without any may be a part of a vehicle."""
    with pytest.raises(InputError, match=r"commands\.lamp\.instance: no device of the rig is dimmer 9; there is 3"):
        virtual_run(VAN, {'rig.device."bed keypad".settings.commands.lamp.instance': 9})
    virtual_run(VAN, {'rig.device."bed keypad".settings.commands.lamp.message': "load"})


def test_a_flag_of_nearly_a_device_is_refused(virtual_run):
    """A subject that is no device may be an address or a node; one that is almost a device is a slip of the pen."""
    flag = '[[expect]]\nexpect = "flag"\nsubject = "{0}"\nraised = {1}\n'
    said = r'expect 2 .flag.: no device of the rig has the name "fridg" \(did you mean "fridge"\?\), so no flag'
    with pytest.raises(InputError, match=said):
        virtual_run(VAN + flag.format("fridg", "true"))
    for subject, raised in (("fridge", "true"), ("address 10 hex", "true"), ("bus", "true"), ("fridg", "false")):
        virtual_run(VAN + flag.format(subject, raised))


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        ("above = 125", "heat output level is never above 125 %: its range is 0.0 to 125.0 %; correct the limit"),
        ("below = 0", "heat output level is never below 0 %"),
        ("above = 124.9", None),
        ("below = 0.1", None),
    ],
)
def test_a_limit_beyond_the_range_of_a_field_is_refused(virtual_run, limit, said):
    """An expectation that it never comes would be met, whatever is sent."""
    sight = f'{{ message = "FURNACE_COMMAND", field = "heat_output_level", {limit} }}'
    text = f'{VAN}[[expect]]\nexpect = "never"\nsight = {sight}\n'
    if said is None:
        virtual_run(text)
        return
    with pytest.raises(InputError) as refused:
        virtual_run(text)
    assert said in refused.value.problems[0]
