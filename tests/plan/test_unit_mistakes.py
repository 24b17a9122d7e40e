"""Figures that are hardly meant are asked back, and those next to them are not."""

import pytest

from rvsim.plan.answer import Judgement
from rvsim.watch.flag import Severity

PARTS = """
[[battery]]
name = "house"
capacity_ah = {capacity_ah}
short_circuit_amps = 800

[[branch]]
name = "main"
fuse_amps = 100

[[device]]
name = "load centre"
address = 0x8E
branch = "main"
standing_milliamps = {standing}

[[module]]
name = "m"
device = "load centre"

[[relay]]
name = "fan relay"
coil_amps = 0.15
coil_ohm = {coil_ohm}

[[output]]
name = "lamp"
module = "m"
terminal = 1
instance = 1
amps = 2.0
peak_amps = {peak_amps}
fuse_amps = {fuse_amps}
wire = {{ area_mm2 = {area_mm2}, length_m = 4.0 }}

[[output]]
name = "fan"
module = "m"
terminal = 2
instance = 2
amps = 3.0
relay = "fan relay"
"""
SOUND = {"capacity_ah": 800, "standing": 0.05, "coil_ohm": 54, "peak_amps": 2.0, "fuse_amps": 11.3, "area_mm2": 14}
KEYS = (
    "battery.house.capacity_unit", "device.load_centre.standing_unit", "relay.fan_relay.coil_figures",
    "output.lamp.start_figure", "output.lamp.wire_unit",
)  # fmt: skip
HARDLY_MEANT = {"capacity_ah": 801, "standing": 0.049, "coil_ohm": 53, "peak_amps": 1.99, "fuse_amps": 11.2}


def asked(plans, **figures):
    """Return the answers on figures that are hardly meant, by their keys."""
    report = plans.report(PARTS.format(**{**SOUND, **figures}))
    return {answer.key: answer for answer in report.answers if answer.key in KEYS}


def test_what_can_be_meant_is_not_asked(plans):
    """Just inside each bound; an area that is no gauge; a device that takes nothing; and a wire with ten times less."""
    assert asked(plans) == {}
    assert asked(plans, area_mm2=35, fuse_amps=5, standing=0) == {}
    assert asked(plans, area_mm2=1.5, fuse_amps=1) == {}


def test_what_is_hardly_meant_is_asked_back(plans):
    """Just outside each bound; with what may be meant."""
    found = asked(plans, **HARDLY_MEANT)
    assert tuple(sorted(found)) == tuple(sorted(KEYS))
    assert {answer.judgement for answer in found.values()} == {Judgement.FLAGGED}
    assert [found[key].severity for key in KEYS] == [
        Severity.NOTICE, Severity.NOTICE, Severity.WARNING, Severity.WARNING, Severity.NOTICE,
    ]  # fmt: skip
    assert "capacity_ah = 66.8" in found[KEYS[0]].advice
    assert "standing_milliamps = 49" in found[KEYS[1]].advice
    assert found[KEYS[2]].text == "its coil takes 0.226 A by its 53 ohm, and 0.15 A by coil_amps"
    assert found[KEYS[3]].text == "its start of 1.99 A is below its running current of 2 A"
    assert found[KEYS[4]].text == "its wire of 14 mm2 carries 8 times its fuse of 11.2 A"
    assert "if 14 AWG is meant, which is 2.08 mm2, write awg = 14" in found[KEYS[4]].advice


@pytest.mark.parametrize("coil_ohm", [119, 121])
def test_a_coil_may_take_less_than_is_given(plans, coil_ohm):
    """Both ways the figures differ by at most half."""
    assert (KEYS[2] in asked(plans, coil_ohm=coil_ohm)) == (coil_ohm == 121)


def test_without_a_fuse_its_current_counts(plans):
    """A wire that carries many times what flows."""
    text = PARTS.replace("fuse_amps = {fuse_amps}\n", "")
    report = plans.report(text.format(**SOUND))
    (found,) = [answer for answer in report.answers if answer.key == KEYS[4]]
    assert "times its current of 2 A" in found.text


def test_a_module_without_outputs_is_named(plans):
    """What is missing is its outputs, not the module."""
    answer = plans.answer('[[module]]\nname = "m"\ndevice = "panel"\n', "outputs")
    assert answer.missing == ("any [[output]] of module m",)
