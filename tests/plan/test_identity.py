"""The check of identity: what two devices cannot both have, each just inside and just outside."""

import pytest

from rvsim.plan.answer import Judgement
from rvsim.watch.flag import Severity


def device(name, address, functions="tank = 1", more=""):
    """The text of a device."""
    return f'[[device]]\nname = "{name}"\naddress = {address}\nfunctions = {{ {functions} }}\n{more}\n'


def flagged(report, start="device."):
    """The severity of each flagged answer by its key."""
    return {one.key: one.severity for one in report.answers if one.is_flagged and one.key.startswith(start)}


def test_an_address_belongs_to_one_device(plans):
    """72 and 73 are good; two static tanks of 72 are a fault that says why; a dynamic one moves, a warning."""
    tanks = device("fresh", 72) + device("grey", 73, "tank = 2")
    assert plans.answer("", "device.fresh.address", device=tanks).judgement is Judgement.GOOD
    twice = plans.answer("", "device.fresh.address", device=tanks.replace("73", "72"))
    assert (twice.judgement, twice.severity, twice.subject) == (Judgement.FLAGGED, Severity.FAULT, "fresh, grey")
    assert "2 of one kind (tank)" in twice.text
    assert "a static address cannot move" in twice.text
    assert flagged(plans.report("", device=tanks.replace("73", "72"))) == {"device.fresh.address": Severity.FAULT}
    moving = tanks.replace("73", "72") + "dynamic = true\n"
    found = plans.answer("", "device.fresh.address", device=moving)
    assert (found.severity, "grey moves" in found.text) == (Severity.WARNING, True)
    both = plans.answer("", "device.fresh.address", device=moving.replace("tank = 1 }", "tank = 1 }\ndynamic = true"))
    assert "the one with the higher NAME moves" in both.text
    other = plans.answer("", "device.fresh.address", device=device("fresh", 72) + device("lamp", 72, "dc_dimmer = 1"))
    assert other.text.startswith("fresh and lamp have the address 0x48 (72), and a static address")
    bare = [device(name, 72).replace("functions = { tank = 1 }", "") for name in ("a", "b")]
    assert plans.answer("", "device.a.address", device="".join(bare)).text.startswith("a and b have the address")


@pytest.mark.parametrize(
    ("address", "good"), [(127, False), (128, True), (247, True), (248, False)], ids=["127", "128", "247", "248"]
)
def test_a_dynamic_address_begins_in_its_range(plans, address, good):
    """128 to 247 by SAE J1939-81; outside it is a notice, and a static device is not asked."""
    text = device("sensor", address, "ambient_sensor = 1", "dynamic = true")
    found = plans.answer("", "device.sensor.dynamic_range", device=text)
    assert (found.judgement is Judgement.GOOD) is good
    assert found.severity is Severity.NOTICE or good
    static = plans.report("", device=text.replace("dynamic = true", ""))
    assert not [one for one in static.answers if one.key.endswith("dynamic_range")]


def test_a_name_belongs_to_one_unit(plans):
    """Two of one NAME are a fault; NAMEs that the rig does not give are told as not checked."""
    one = device("a", 72, "tank = 1", 'claimed_name = "C0A0C800DDC1E240"')
    other = device("b", 73, "tank = 2", 'claimed_name = "C0A0C800DDC1E241"')
    assert not flagged(plans.report("", device=one + other))
    assert flagged(plans.report("", device=one + other.replace("E241", "E240"))) == {"device.a.name": Severity.FAULT}
    unknown = plans.answer("", "names", device=one + device("b", 73, "tank = 2"))
    assert "claimed_name of device b" in unknown.text
    tanks = [device(f"t{number}", 72 + number, f"tank = {number}") for number in range(4)]
    assert plans.answer("", "names", device="".join(tanks[:3])).text.endswith(
        "device t0, claimed_name of device t1, claimed_name of device t2"
    )
    assert plans.answer("", "names", device="".join(tanks)).text.endswith("claimed_name of 4 devices, t0 to t3")


def test_an_instance_belongs_to_one_device_of_its_kind(plans):
    """Tank 1 twice is a fault that names a free one; tank 1 beside charger 1 and a shared battery is good."""
    text = device("fresh", 72) + device("grey", 73, "tank = 2")
    text += device("charger", 74, "charger = 1, dc_source = 1") + device("shunt", 69, "dc_source = 1")
    report = plans.report("", device=text)
    assert not flagged(report, "function.")
    assert [one.formula for one in report.answers if one.key == "function.tank.instances"] == ["tank 1, 2: each once"]
    twice = plans.answer("", "function.tank.1", device=text.replace("tank = 2", "tank = 1"))
    assert (twice.severity, twice.subject) == (Severity.FAULT, "fresh, grey")
    assert "2 is free" in twice.advice
    assert twice.text == "fresh and grey are both tank 1: readings jump between them"
    lamps = "".join(device(f"lamp {one}", 131 + one, "dc_dimmer = 1") for one in range(3))
    thrice = plans.answer("", "function.dc_dimmer.1", device=lamps)
    assert thrice.text.endswith("are all dimmer 1: readings jump between them, and a command moves all")


def test_outputs_and_inputs_count_by_their_own_names(plans):
    """Two outputs of one instance, an output and a device of one, two inputs of one: a flag each."""
    centre = device("centre", 142, more='kind = "load_centre"').replace("functions = { tank = 1 }\n", "")
    text = '[[module]]\nname = "m"\ndevice = "centre"\n'
    for terminal, instance in ((1, 1), (2, 2)):
        text += f'[[output]]\nname = "o{terminal}"\nmodule = "m"\nterminal = {terminal}\ninstance = {instance}\n'
        text += f'[[input]]\nname = "i{terminal}"\nmodule = "m"\nterminal = {terminal}\ninstance = {instance}\n'
    assert not flagged(plans.report(text, device=centre), "function.")
    same = plans.report(text.replace("instance = 2", "instance = 1"), device=centre)
    assert flagged(same, "function.") == {"function.dc_load.1": Severity.FAULT, "function.dc_input.1": Severity.FAULT}
    other = plans.report(text, device=centre + device("relay box", 146, "dc_load = 2"))
    assert flagged(other, "function.") == {"function.dc_load.2": Severity.FAULT}


def test_what_has_no_instance_exists_once(plans):
    """Two generators cannot be told apart on the network; one can."""
    one = device("big", 64, "generator = 1")
    assert not flagged(plans.report("", device=one), "function.")
    two = plans.report("", device=one + device("small", 65, "generator = 2"))
    assert flagged(two, "function.") == {"function.generator.count": Severity.WARNING}


def test_terminals_are_those_of_the_module(plans):
    """Terminal 8 of 8 is good, terminal 9 a fault; without the count it is told as missing."""
    text = '[[module]]\nname = "m"\noutput_count = 8\n'
    text += '[[output]]\nname = "lamp"\nmodule = "m"\nterminal = 8\n'
    assert plans.answer(text, "module.m.outputs").judgement is Judgement.GOOD
    beyond = plans.answer(text.replace("terminal = 8", "terminal = 9"), "module.m.outputs")
    assert (beyond.severity, "lamp (terminal 9)" in beyond.text) == (Severity.FAULT, True)
    lamps = "".join(f'[[output]]\nname = "l{n}"\nmodule = "m"\nterminal = {n}\n' for n in range(9, 20))
    many = plans.answer(text + lamps, "module.m.outputs").text
    assert many.endswith("and l13 (terminal 13) and 6 more are beyond"), "the first of many by name"
    inputs = '[[input]]\nname = "door"\nmodule = "m"\nterminal = 3\n'
    assert "input_count of module m" in plans.answer(text + inputs, "module.m.inputs").text
    counted = text.replace("output_count", "input_count = 2\noutput_count") + inputs
    assert plans.answer(counted, "module.m.inputs").judgement is Judgement.FLAGGED


def test_the_table_has_addresses_as_built(plans):
    """A row for each device, with its functions and their instances."""
    report = plans.report("", device=device("tanks", 72, "tank = [0, 1, 2, 5]"))
    table = next(one for one in report.tables if one.name == "addresses")
    assert table.rows[0] == ("tanks", "0x48", "72", "static", "tank 0 to 2, 5", "", "")


def test_flags_are_of_the_kind_of_identity(plans):
    """Two tanks of one instance are one flag."""
    flags = plans.report("", device=device("fresh", 72) + device("grey", 73)).flags
    assert [flag.kind.value for flag in flags] == ["rig-identity"]
