"""The check of providers: needed and sent by nobody, commanded by two, sensors in other zones, who can move what."""

from rvsim.plan.answer import Judgement
from rvsim.watch.flag import Severity

PANEL = """
[[device]]
name = "panel"
kind = "panel"
address = 0x44
zone = "cabin"
functions = { control_panel = 1, thermostat = 1 }
"""
OTHERS = """
[[device]]
name = "heater"
address = 0x5E
functions = { furnace = 1, water_heater = 1 }

[[device]]
name = "fan"
address = 0x90
functions = { roof_fan = 1 }

[[device]]
name = "shunt"
address = 0x45
functions = { dc_source = 1 }

[[device]]
name = "inside"
address = 0x91
zone = "cabin"
functions = { ambient_sensor = 1 }

[[device]]
name = "outside"
address = 0x92
functions = { ambient_sensor = 2 }
settings = { place = "outdoors" }
"""


def display(**keys):
    """The text of a device that no kind simulates."""
    more = "\n".join(f"{key} = {value}" for key, value in keys.items())
    return f'\n[[device]]\nname = "display"\naddress = 0x50\nfunctions = {{ control_panel = 2 }}\n{more}\n'


def flagged(report):
    """The severity of each flagged answer by its key."""
    return {one.key: one.severity for one in report.answers if one.is_flagged}


def test_a_whole_rig_has_no_flags(plans):
    """What a panel needs is sent, each function has one controller, and each sensor is where it should be."""
    report = plans.report("", device=PANEL + OTHERS)
    assert flagged(report) == {}
    by_key = {one.key: one for one in report.answers}
    assert (
        by_key["device.panel.needs.FURNACE_STATUS_1"].formula == "FURNACE_STATUS 1 (settings, furnace): sent by heater"
    )
    assert by_key["function.furnace.1.commanders"].formula == "furnace 1: commanded by panel"
    assert by_key["device.panel.sensor"].judgement is Judgement.GOOD


def test_what_is_needed_and_sent_by_nobody_is_told(plans):
    """The message with its instance, which key asks for it, and what there is instead."""
    report = plans.report("", device=PANEL + OTHERS.replace("furnace = 1", "furnace = 2"))
    assert flagged(report) == {"device.panel.needs.FURNACE_STATUS_1": Severity.WARNING}
    text = next(one for one in report.answers if one.is_flagged)
    assert text.text == "it needs FURNACE_STATUS 1 (settings, furnace), and no device of the rig sends it"
    assert "there is FURNACE_STATUS 2 (heater)" in text.advice


def test_what_a_panel_can_do_without_is_not_asked_for(plans):
    """A setting that the rig does not write is no need; one that it writes is, and so is a sensor indoors."""
    small = PANEL + OTHERS.replace("roof_fan = 1", "roof_fan = 2").replace("dc_source = 1", "dc_source = 2")
    assert flagged(plans.report("", device=small)) == {}
    written = small.replace("thermostat = 1 }", "thermostat = 1 }\nsettings = { roof_fan = 1 }")
    assert list(flagged(plans.report("", device=written))) == ["device.panel.needs.ROOF_FAN_STATUS_1_1"]
    blind = small.replace("ambient_sensor = 1", "ambient_sensor = 7")
    assert list(flagged(plans.report("", device=blind))) == ["device.panel.needs.THERMOSTAT_AMBIENT_STATUS_1"]
    shed = PANEL.replace(", thermostat = 1", "").replace("zone", 'settings = { shed = { outputs = ["lamp"] } }\nzone')
    lamp = '[[module]]\nname = "m"\n[[output]]\nname = "lamp"\nmodule = "m"\nterminal = 1\ninstance = 1\n'
    assert list(flagged(plans.report(lamp, device=shed))) == ["device.panel.needs.DC_SOURCE_STATUS_1_1"]


def test_needs_are_compared_with_what_is_sent(plans):
    """A message and instance of another device is good; its own message and a mistake in a name are not."""
    assert plans.answer("", "device.display.needs.FURNACE_STATUS_1", device=OTHERS + display(
        needs='["FURNACE_STATUS 1"]')).judgement is Judgement.GOOD  # fmt: skip
    given = display(needs='["FURNACE_STATUS"]')
    assert plans.answer("", "device.display.needs.FURNACE_STATUS", device=OTHERS + given).judgement is Judgement.GOOD
    own = display(needs='["TANK_STATUS 1"]', sends='["TANK_STATUS 1"]')
    assert list(flagged(plans.report("", device=own))) == ["device.display.needs.TANK_STATUS_1"]
    wrong = plans.report("", device=OTHERS + display(needs='["FURNACE_STATS 1"]', sends='["TANK_STATE 1"]'))
    texts = [one.text for one in wrong.answers if one.is_flagged]
    assert ["FURNACE_STATUS" in texts[0], "no message is called TANK_STATE" in texts[1]] == [True, True]


def test_what_is_sent_without_an_instance_is_none_of_its_own(plans):
    """An output without an instance, an own device whose function has one, a word where the instance belongs."""
    module = '[[module]]\nname = "m"\ndevice = "display"\n[[output]]\nname = "o"\nmodule = "m"\nterminal = 1\n'
    needs = '["TANK_STATUS one", "DC_LOAD_STATUS 5", "TANK_STATUS 5"]'
    other = display(needs=needs).replace('"display"', '"other"').replace("0x50", "0x51")
    own = """
[[device]]
name = "own"
kind = "own"
address = 0x60
functions = { tank = 4 }
settings = { message = [{ message = "TANK_STATUS" }] }
"""
    report = plans.report(module, device=display() + own + other.replace("control_panel = 2", "control_panel = 3"))
    assert flagged(report) == {
        f"device.other.needs.{topic}": Severity.WARNING
        for topic in ("TANK_STATUS_one", "DC_LOAD_STATUS_5", "TANK_STATUS_5")
    }


def test_what_a_silent_description_may_send_is_not_judged(plans):
    """A device without functions and sends, a sender without an instance, a further message of a known function."""
    gateway = '\n[[device]]\nname = "gateway"\naddress = 0x60\n'
    need = display(needs='["TANK_STATUS 1"]')
    key = "device.display.needs.TANK_STATUS_1"
    assert "sends of device gateway" in plans.answer("", key, device=need + gateway).text
    loose = plans.answer("", key, device=need + gateway + 'sends = ["TANK_STATUS"]\n')
    assert "the instance of TANK_STATUS under sends of device gateway" in loose.text
    told = plans.answer("", key, device=need + gateway + 'sends = ["TANK_STATUS 1"]\n')
    assert told.judgement is Judgement.GOOD
    charger = '\n[[device]]\nname = "charger"\naddress = 0x4A\nfunctions = { charger = 1 }\n'
    more = display(needs='["CHARGER_AC_STATUS_1 1"]')
    found = plans.answer("", "device.display.needs.CHARGER_AC_STATUS_1_1", device=more + charger)
    assert "sends of device charger" in found.text
    second = more.replace("STATUS_1 1", "STATUS_1 2")
    assert list(flagged(plans.report("", device=second + charger))) == ["device.display.needs.CHARGER_AC_STATUS_1_2"]
    empty = plans.answer("", "needs", device=display())
    assert empty.judgement is Judgement.UNCHECKED


def test_lines_of_mains_have_one_instance(plans):
    """INVERTER_AC_STATUS_1 65 is the output of inverter 1: its lower four bits are the instance."""
    inverter = '\n[[device]]\nname = "inverter"\naddress = 0x42\nfunctions = { inverter = 1 }\n'
    for instance, good in ((65, True), (66, False)):
        report = plans.report("", device=inverter + display(needs=f'["INVERTER_AC_STATUS_1 {instance}"]'))
        assert (not flagged(report)) is good


def test_two_controllers_of_one_heater_are_told(plans):
    """A panel and a second sender of its command; of another instance it is good, of all instances it is not."""
    for sends, expected in (
        ('["FURNACE_COMMAND 2"]', {}),
        ('["FURNACE_COMMAND 1"]', {"function.furnace.1.commanders": Severity.WARNING}),
        ('["FURNACE_COMMAND"]', {"function.furnace.1.commanders": Severity.WARNING}),
    ):
        report = plans.report("", device=PANEL + OTHERS + display(sends=sends))
        assert flagged(report) == expected, sends
    found = plans.answer(
        "", "function.furnace.1.commanders", device=PANEL + OTHERS + display(sends='["FURNACE_COMMAND 1"]')
    )
    assert "panel and display" in found.text
    assert found.advice == "let one of them command it, and the other one ask that one"
    alone = plans.answer("", "function.furnace.1.commanders", device=PANEL + OTHERS)
    assert alone.advice == ""


def test_a_furnace_with_its_own_thermostat_is_told(plans):
    """Beside a panel it is commanded twice; alone it is not, and in the same zone there are two thermostats."""
    own = OTHERS.replace("furnace = 1", "thermostat = 2, furnace = 1")
    report = plans.report("", device=PANEL + own)
    assert flagged(report) == {"function.furnace.1.commanders": Severity.WARNING}
    told = next(one for one in report.answers if one.is_flagged)
    assert "heater (its own thermostat)" in told.text
    assert told.advice == "disable its own thermostat, or let the other one command that thermostat"
    alone = plans.report("", device=own)
    assert flagged(alone) == {}
    zone = own.replace('name = "heater"', 'name = "heater"\nzone = "cabin"')
    assert list(flagged(plans.report("", device=PANEL + zone))) == ["function.furnace.1.commanders"]
    wall = display().replace("control_panel = 2", "thermostat = 3").replace("display", "wall") + 'zone = "cabin"\n'
    assert flagged(plans.report("", device=PANEL + OTHERS + wall)) == {"zone.cabin.thermostats": Severity.WARNING}


def test_persons_may_switch_from_two_places(plans):
    """Two senders of a lamp's command are no conflict: they command when somebody presses."""
    lamp = '\n[[device]]\nname = "lamp"\naddress = 0x83\nfunctions = { dc_dimmer = 1 }\n'
    both = display(sends='["DC_DIMMER_COMMAND_2 1"]') + display(sends='["DC_DIMMER_COMMAND_2 1"]').replace(
        '"display"', '"second"').replace("0x50", "0x51").replace("control_panel = 2", "control_panel = 3")  # fmt: skip
    assert flagged(plans.report("", device=lamp + both)) == {}


def test_a_sensor_of_another_zone_is_told(plans):
    """The sensor indoors is in the thermostat's zone, that outdoors is not in a living space."""
    garage = '[[zone]]\nname = "garage"\n'
    moved = OTHERS.replace('zone = "cabin"', 'zone = "garage"')
    report = plans.report(garage, device=PANEL + moved)
    assert flagged(report) == {"device.panel.sensor": Severity.WARNING}
    assert "it follows sensor 1 (inside), which is in garage, and not in cabin" in next(
        one.text for one in report.answers if one.is_flagged
    )
    swapped = OTHERS.replace('place = "outdoors"', 'place = "cabin"')
    assert "device.panel.outdoor_sensor" in flagged(plans.report("", device=PANEL + swapped))
    served = OTHERS.replace('place = "outdoors" }', 'place = "outdoors" }\nzone = "cabin"')
    assert flagged(plans.report("", device=PANEL + served)) == {}
    rear = PANEL.replace('zone = "cabin"', 'zone = "rear"')
    part = OTHERS.replace('zone = "cabin"', 'settings = { place = "cabin" }')
    assert "zone of device inside" in plans.answer("", "device.panel.sensor", device=rear + part).text
    outside = OTHERS.replace('zone = "cabin"', 'settings = { place = "outdoors" }')
    assert "device.panel.sensor" in flagged(plans.report("", device=rear + outside))
    unknown = plans.answer("", "device.panel.sensor", device=PANEL + OTHERS.replace('zone = "cabin"\n', ""))
    assert "zone of device inside" in unknown.text


def test_a_thermostat_of_no_kind_names_its_sensor_under_needs(plans):
    """One of the sensors that it needs is in its zone; without any it is told what is missing."""
    wall = '\n[[device]]\nname = "wall"\naddress = 0x58\nzone = "cabin"\nfunctions = { thermostat = 1 }\n'
    needs = 'needs = ["THERMOSTAT_AMBIENT_STATUS 1", "THERMOSTAT_AMBIENT_STATUS 2"]\n'
    assert plans.answer("", "device.wall.sensor", device=OTHERS + wall + needs).judgement is Judgement.GOOD
    other = needs.replace('"THERMOSTAT_AMBIENT_STATUS 1", ', "")
    assert plans.answer("", "device.wall.sensor", device=OTHERS + wall + other).judgement is Judgement.FLAGGED
    lost = plans.report(
        "", device=OTHERS + wall + needs.replace("STATUS 1", "STATUS 8").replace("STATUS 2", "STATUS 9")
    )
    assert "device.wall.sensor" not in {one.key for one in lost.answers}
    assert "under needs of device wall" in plans.answer("", "device.wall.sensor", device=OTHERS + wall).text


MOTION = """
[[module]]
name = "m"

[[output]]
name = "out"
module = "m"
terminal = 1
instance = 11
load = "motor"

[[output]]
name = "in"
module = "m"
terminal = 2
instance = 12
load = "motor"

[[input]]
name = "ignition"
module = "m"
terminal = 1
switch = "maintained"

[[input]]
name = "key"
module = "m"
terminal = 2
switches = "out"

[[motion]]
name = "awning"
what = "awning"
extend = "out"
retract = "in"
"""


def test_everybody_who_can_move_something_is_listed(plans):
    """An input of the module, and each device that sends the command of its instance, or of all."""
    senders = display(sends='["DC_LOAD_COMMAND 12"]')
    found = plans.answer(MOTION, "motion.awning.senders", device=senders)
    assert (found.formula, found.value) == ("extend: input key; retract: display", 2)
    every = plans.answer(MOTION, "motion.awning.senders", device=display(sends='["DC_LOAD_COMMAND"]'))
    assert every.formula == "extend: input key, display; retract: display"


def test_an_awning_without_an_interlock_is_a_notice(plans):
    """What must hold is told where the rig says it; a window needs none."""
    bad = plans.answer(MOTION, "motion.awning.interlock")
    assert (bad.judgement, bad.severity) == (Judgement.FLAGGED, Severity.NOTICE)
    good = plans.answer(MOTION + 'must_hold = { "ignition" = "off" }\n', "motion.awning.interlock")
    assert (good.judgement, good.formula) == (Judgement.GOOD, "must_hold: ignition off")
    window = plans.report(MOTION.replace('what = "awning"', 'what = "window"'))
    assert not [one for one in window.answers if one.key == "motion.awning.interlock"]


def test_the_matrix_joins_instances(plans):
    """One row for the instances of a message with the same senders and needs."""
    tanks = '\n[[device]]\nname = "tanks"\naddress = 0x48\nfunctions = { tank = [0, 1, 2] }\n'
    report = plans.report("", device=tanks + display(needs='["TANK_STATUS 1", "FURNACE_STATUS 1"]'))
    table = next(one for one in report.tables if one.name == "providers")
    assert table.rows == (
        ("FURNACE_STATUS", "1", "nobody", "display"),
        ("TANK_STATUS", "0, 2", "tanks", ""),
        ("TANK_STATUS", "1", "tanks", "display"),
    )


def test_flags_are_of_the_kind_of_providers(plans):
    """A need that nobody answers is one flag."""
    flags = plans.report("", device=OTHERS + display(needs='["TANK_STATUS 1"]')).flags
    assert [flag.kind.value for flag in flags] == ["rig-provider"]


def test_who_commands_what_is_listed(plans):
    """Outputs by what switches them, functions by who commands them; a generator by its panel."""
    generator = '\n[[device]]\nname = "genset"\naddress = 0x40\nfunctions = { generator = 1 }\n'
    started = PANEL.replace("zone =", "settings = { generator = { start_volts = 11.8, charger = 1 } }\nzone =")
    charger = '\n[[device]]\nname = "charger"\naddress = 0x4A\nfunctions = { charger = 1 }\n'
    report = plans.report(MOTION, device=started + OTHERS + generator + charger)
    table = next(one for one in report.tables if one.name == "commanders")
    rows = {function: (what, by) for function, what, by in table.rows}
    assert rows["genset 1"] == ("genset", "panel")
    assert rows["furnace 1"] == ("heater", "panel")
    assert rows["charger 1"] == ("charger", "nobody by the plan")
    assert rows["DC load 11"] == ("out", "input key")
    assert rows["DC load 12"] == ("in", "nobody by the plan")


def test_a_panel_switches_what_its_settings_say(plans):
    """By a key, by a scene, at low voltage; it needs what the key sends, and of its own module it needs nothing."""
    panel = (
        PANEL.replace("thermostat = 1", "thermostat = [1]")
        + """
[device.settings]
switches = { "pad.up" = "out" }
switches_off = { "pad.down" = "out" }
shed = { outputs = ["in"] }

[[device]]
name = "pad"
kind = "keypad"
address = 0x9C
functions = { dc_input = [31, 32] }
settings = { keys.up = { instance = 31 }, keys.down = { instance = 32, scene = "all" } }
"""
    )
    scene = '[[scene]]\nname = "all"\nset = { "out" = "off" }\n'
    report = plans.report(MOTION + scene, device=panel + OTHERS)
    by_key = {one.key: one for one in report.answers}
    assert by_key["motion.awning.senders"].formula == (
        "extend: panel by pad.up, panel by pad.down, panel by scene all, input key; retract: panel at low voltage"
    )
    assert by_key["device.panel.needs.DIGITAL_INPUT_STATUS_31"].formula.startswith(
        "DIGITAL_INPUT_STATUS 31 (the switch pad.up): sent by pad"
    )
    assert "device.panel.needs.DIGITAL_INPUT_STATUS_32" in by_key


def test_settings_that_cannot_be_read_are_told(plans):
    """The needs of such a device are not known, and nothing else is judged by them."""
    broken = PANEL.replace("zone =", 'settings = { indoor_sensor = "one" }\nzone =')
    found = plans.answer("", "device.panel.needs", device=broken + OTHERS)
    assert found.judgement is Judgement.UNCHECKED
    assert flagged(plans.report("", device=broken + OTHERS)) == {}


def test_an_own_device_sends_its_messages(plans):
    """With the instance of its settings, or that of its functions."""
    own = '\n[[device]]\nname = "own"\nkind = "own"\naddress = 0x60\n'
    need = display(needs='["TANK_STATUS 4"]')
    for settings, good in (
        ("message = 'TANK_STATUS', instance = 4", True),
        ("message = 'TANK_STATUS', instance = 5", False),
    ):
        device = own + f"settings = {{ message = [{{ {settings} }}] }}\n"
        assert (flagged(plans.report("", device=device + need)) == {}) is good


def test_a_lock_is_commanded_by_who_sends_its_command(plans):
    """A motion of a device: its senders are those of the device's own command."""
    lock = '\n[[device]]\nname = "door"\naddress = 0x87\nfunctions = { lock = 1 }\n'
    lock += '\n[[device]]\nname = "blind"\naddress = 0x88\nfunctions = { window_shade = 1 }\n'
    motion = '[[motion]]\nname = "door lock"\nwhat = "lock"\ndevice = "door"\n'
    found = plans.answer(motion, "motion.door_lock.senders", device=lock + display(sends='["LOCK_COMMAND 1"]'))
    assert (found.formula, found.value) == ("extend: display", 1)
    shade = motion.replace('what = "lock"', 'what = "shade"').replace('device = "door"', 'device = "blind"')
    sends = display(sends='["LOCK_COMMAND 1"]')
    assert plans.answer(shade, "motion.door_lock.senders", device=lock + sends).value == 0


def test_a_module_of_no_simulated_kind_sends_its_outputs(plans):
    """What its outputs and inputs are on the network is sent by its device."""
    centre = '\n[[device]]\nname = "centre"\naddress = 0x8E\nfunctions = { generator_start = 1 }\n'
    need = display(needs='["DC_LOAD_STATUS 11", "DIGITAL_INPUT_STATUS 21"]')
    module = MOTION.replace('name = "m"\n', 'name = "m"\ndevice = "centre"\n', 1)
    module = module.replace('name = "key"', 'name = "key"\ninstance = 21').replace('what = "awning"', 'what = "window"')
    assert flagged(plans.report(module, device=centre + need)) == {}


def test_zones_of_one_panel_have_their_own_sensors(plans):
    """Each zone by its name; a name that is no zone of the rig is told as missing."""
    zones = (
        PANEL.replace("thermostat = 1", "thermostat = [1, 2]")
        + """
[device.settings.zones.cabin]
instance = 1
sensor = 1

[device.settings.zones.garage]
instance = 2
sensor = 1
"""
    )
    garage = '[[zone]]\nname = "garage"\n'
    report = plans.report(garage, device=zones + OTHERS)
    assert flagged(report) == {"device.panel.sensor.garage": Severity.WARNING}
    by_key = {one.key: one for one in report.answers}
    assert by_key["device.panel.sensor.cabin"].judgement is Judgement.GOOD
    assert by_key["zone.garage.thermostats"].judgement is Judgement.GOOD
    none = plans.report("", device=zones + OTHERS)
    assert flagged(none) == {}
    assert {one.key: one for one in none.answers}["device.panel.sensor.garage"].judgement is Judgement.UNCHECKED
