"""The shift between the grounds of nodes: by hand, just inside and just outside, and which load moves it."""

import pytest

from rvsim.plan.answer import Judgement
from rvsim.plan.ground_shift import FAULT_VOLTS, check_grounds
from rvsim.watch.flag import Severity


def rig(*, amps=20.0, peak="", rear="milliohm = 100.0", limit="", panel='ground = "dash"', more=""):
    """Return a panel on the dash, and a heater and a load centre that return through one wire at the rear."""
    return f"""
{limit}
[[device]]
name = "panel"
address = 0x44
functions = {{ control_panel = 1 }}
amps = {{ control_panel = [0.1, 0.5] }}
{panel}

[[device]]
name = "heater"
address = 0x45
functions = {{ furnace = 1 }}
amps = {{ furnace = [0.1, {amps}] }}
{peak}
ground = "rear bar"

[[ground]]
name = "dash"

[[ground]]
name = "rear bar"
wire = {{ {rear} }}
{more}
"""


def answer_of(plans, text):
    """Return the answer about grounds."""
    return check_grounds(plans.rig(text, device="")).answers[0]


@pytest.mark.parametrize(
    ("amps", "judgement", "severity"),
    [
        (20.0, Judgement.GOOD, None),
        (20.1, Judgement.FLAGGED, Severity.WARNING),
        (25.0, Judgement.FLAGGED, Severity.WARNING),
        (25.1, Judgement.FLAGGED, Severity.FAULT),
    ],
)
def test_two_volts_are_the_most_to_plan_with(plans, amps, judgement, severity):
    """100 milliohm as given: 2.00 V is still right, 2.01 V is not; above 2.5 V levels are left, which is a fault."""
    answer = answer_of(plans, rig(amps=amps))
    assert answer.value == pytest.approx(amps / 10)
    assert answer.judgement is judgement
    if severity is not None:
        assert answer.severity is severity
        assert answer.text == (
            f"the ground of heater can be {amps / 10:.2f} V above that of panel; heater moves it most, by "
            f"{amps / 10:.2f} V"
        )
    assert answer.formula == f"rear bar above dash: heater {amps:.1f} A x 100.0 mohm = {amps / 10:.2f} V"


def test_the_rig_chooses_the_limit(plans):
    """1.0 V: the same figures are flagged."""
    assert answer_of(plans, rig(limit="[rules]\nground_shift_volts = 1.99")).is_flagged
    assert not answer_of(plans, rig(limit="[rules]\nground_shift_volts = 2.01")).is_flagged


def test_a_start_counts_once(plans):
    """6 A running and 14 A at the start, through 10 m of 2.5 mm2, one way at 75 C: by hand."""
    wire = "area_mm2 = 2.5, length_m = 10"
    ohm = 10 * 7.98e-3 * (1 + 0.00393 * 55)
    answer = answer_of(plans, rig(amps=6.0, peak='peak_amps = 14.0\npeak = "20s"', rear=wire))
    assert answer.value == pytest.approx(14 * ohm, abs=0.001)
    cold = rig(amps=6.0, peak='peak_amps = 14.0\npeak = "20s"', rear=wire, limit="[rules]\nconductor_c = 20")
    assert answer_of(plans, cold).value == pytest.approx(14 * 10 * 7.98e-3, abs=0.001)


MODULE = """
[[device]]
name = "centre"
address = 0x46
kind = "load_centre"

[[ground]]
name = "galley bar"
parent = "rear bar"
wire = { milliohm = 10.0 }

[[module]]
name = "cupboard"
device = "centre"
ground = "galley bar"

[[output]]
name = "pump"
module = "cupboard"
terminal = 1
amps = 5.0
peak_amps = 25.0

[[output]]
name = "lamps"
module = "cupboard"
terminal = 2
amps = 4.0
share_percent = 50
"""


def test_outputs_return_through_the_ground_of_their_module(plans):
    """Their share counts, the highest start once; a ground that returns into another one lifts it as well. By hand.

    galley bar above dash: 10 A of the heater through 100, 5 and 2 A through 110 milliohm, 20 A more at a start.
    """
    answer = answer_of(plans, rig(amps=10.0, more=MODULE))
    assert answer.value == pytest.approx(10 * 0.1 + (5 + 2 + 20) * 0.11)
    assert answer.text.startswith(
        "the ground of centre can be 3.97 V above that of panel; pump moves it most, by 2.75 V"
    )
    assert answer.formula.startswith(
        "galley bar above dash: pump 25.0 A x 110.0 mohm + heater 10.0 A x 100.0 mohm + lamps "
    )
    starting = rig(amps=10.0, peak='peak_amps = 14.0\npeak = "2s"', more=MODULE)
    assert answer_of(plans, starting).value == answer.value, "the start that lifts it most counts, the other does not"
    fitted = rig(amps=10.0, more=MODULE.replace('kind = "load_centre"', "real = true\namps = { dc_load = [0, 99] }"))
    fitted = fitted.replace("real = true", "real = true\nfunctions = { dc_load = 9 }")
    assert answer_of(plans, fitted).value == answer.value, "its outputs are its current"
    table = check_grounds(plans.rig(rig(amps=10.0, more=MODULE), device="")).tables[0]
    rows = {row[0]: dict(zip(table.columns, row, strict=True)) for row in table.rows}
    assert rows["rear bar"]["amperes"] == "17.0"
    assert rows["galley bar"]["volts above the battery"] == "3.97"
    assert rows["galley bar"]["returns into"] == "rear bar"
    assert (rows["rear bar"]["nodes"], rows["galley bar"]["nodes"]) == ("heater", "centre")
    assert rows["dash"]["moved by"] == ""


def test_what_two_grounds_share_does_not_shift_them(plans):
    """Both return through one thin wire: only what is not common counts, by hand 0.1 V of 30 A."""
    both = rig(amps=30.0, rear="milliohm = 1.0").replace('name = "dash"\n', 'name = "dash"\nparent = "body"\n')
    both = both.replace('name = "rear bar"\nwire', 'name = "rear bar"\nparent = "body"\nwire')
    both += '[[ground]]\nname = "body"\nwire = { milliohm = 500.0 }\n'
    answer = answer_of(plans, both)
    assert answer.value == pytest.approx(0.03)
    same = answer_of(plans, rig(panel='ground = "rear bar"'))
    assert (same.value, same.judgement) == (0.0, Judgement.GOOD)
    assert same.formula == "no current lifts the ground of one node above that of another"


def test_what_is_left_out(plans):
    """No grounds, a device without one, a current that is not given: not checked, unless it is too much already."""
    assert answer_of(plans, '[[device]]\nname = "panel"\naddress = 0x44\n').text == (
        "not checked: the rig does not give any ground"
    )
    assert answer_of(plans, rig(panel="")).text == "not checked: the rig does not give ground of device panel"
    lamp = MODULE.replace("amps = 4.0\n", "").replace("peak_amps = 25.0\n", "").replace("amps = 5.0", "amps = 1.0")
    answer = answer_of(plans, rig(amps=10.0, more=lamp))
    assert answer.text == "not checked: the rig does not give amps of output lamps"
    answer = answer_of(plans, rig(amps=21.0, more=lamp))
    assert answer.is_flagged
    assert "(the rig leaves out currents; it can be more)" in answer.text


def test_levels_leave_two_and_a_half_volts():
    """Five data sheets: a receiver takes -2 to +7 V; dominant, H is at most 4.5 V and L at least 0.5 V."""
    assert 7 - 4.5 == 0.5 - -2 == FAULT_VOLTS
