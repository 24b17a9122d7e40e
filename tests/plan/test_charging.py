"""What charges a battery: voltage by chemistry, current, and an alternator whose battery may open its circuit."""

import pytest

from rvsim.plan.answer import Judgement
from rvsim.watch.flag import Severity

RIG = """
[[battery]]
name = "house"
chemistry = "{chemistry}"
capacity_ah = {capacity_ah}
{protection}

[[device]]
name = "shore charger"
kind = "charger"
address = 0x4A
functions = {{ charger = 1 }}
settings = {{ full_amps = 30.0{charger} }}

[[device]]
name = "alternator"
kind = "alternator"
address = 0x4B
functions = {{ charger = 49 }}
settings = {{ full_amps = 120.0{alternator} }}
"""
DEFAULTS = {
    "chemistry": "lfp", "capacity_ah": 200, "protection": "", "charger": ", absorption_volts = 14.4",
    "alternator": ", absorption_volts = 14.4",
}  # fmt: skip


def answers(plans, **figures):
    """Return the answers on charging, by the last two parts of their keys."""
    report = plans.report(RIG.format(**{**DEFAULTS, **figures}))
    ends = ("charge_volts", "charge_amps", "load_dump")
    return {".".join(one.key.split(".")[1:]): one for one in report.answers if one.key.endswith(ends)}


@pytest.mark.parametrize(
    ("chemistry", "given", "severity"),
    [
        ("lfp", "absorption_volts = 14.6", None),
        ("lfp", "absorption_volts = 14.61", Severity.WARNING),
        ("lfp", "absorption_volts = 14.99", Severity.WARNING),
        ("lfp", "absorption_volts = 15.0", Severity.FAULT),
        ("lfp", "absorption_volts = 14.0", None),
        ("lfp", "absorption_volts = 13.99", Severity.WARNING),
        ("agm", "absorption_volts = 14.8", None),
        ("agm", "absorption_volts = 14.81", Severity.WARNING),
        ("agm", "absorption_volts = 14.1", None),
        ("agm", "absorption_volts = 14.09", Severity.WARNING),
        ("lfp", "absorption_volts = 14.4, absorption_mv_per_k = 30.0", None),
        ("lfp", "absorption_volts = 14.4, absorption_mv_per_k = 8.0, battery_sensor = true", None),
        ("lfp", "absorption_volts = 14.4, absorption_mv_per_k = 8.1, battery_sensor = true", Severity.WARNING),
        ("lfp", "absorption_volts = 14.4, absorption_mv_per_k = 30.0, battery_sensor = true", Severity.FAULT),
        ("agm", "absorption_volts = 14.4, absorption_mv_per_k = 30.0, battery_sensor = true", None),
    ],
)  # fmt: skip
def test_the_voltage_suits_the_chemistry(plans, chemistry, given, severity):
    """Just inside and just outside; a set point that follows the temperature is for lead-acid."""
    found = answers(plans, chemistry=chemistry, charger=f", {given}")["shore_charger.charge_volts"]
    assert (found.severity if found.is_flagged else None) == severity
    assert found.judgement is not Judgement.UNCHECKED


def test_the_profile_of_lead_acid_on_lithium_is_explained(plans):
    """With the voltage in the cold and that at which the protection opens."""
    given = ", absorption_volts = 14.4, absorption_mv_per_k = 30.0, battery_sensor = true"
    found = answers(plans, charger=given)["shore_charger.charge_volts"]
    assert found.formula == "14.4 V at 25 C + 25 K x 30 mV/K = 15.15 V at 0 C"
    assert found.text == (
        "it charges house, LFP, at 15.15 V: at most 14.6 V, and the battery's protection opens at 15 V"
    )
    assert found.unproven


def test_what_is_left_out_is_not_assumed(plans):
    """The key is named; that of a smart alternator is another one."""
    found = answers(plans, charger="", alternator=', type = "smart", low_volts = 12.3')
    assert found["shore_charger.charge_volts"].missing == ("absorption_volts of device shore charger",)
    assert found["alternator.charge_volts"].missing == ("high_volts of device alternator",)
    assert answers(plans, alternator=', type = "smart", high_volts = 14.7')["alternator.charge_volts"].is_flagged


@pytest.mark.parametrize(("capacity_ah", "is_flagged"), [(200, False), (199, True)])
def test_all_chargers_together(plans, capacity_ah, is_flagged):
    """150 A into three quarters of the capacity in an hour; lead-acid takes no more than it accepts."""
    found = answers(plans, capacity_ah=capacity_ah)["house.charge_amps"]
    assert (found.value, found.is_flagged) == (150, is_flagged)
    assert "house.charge_amps" not in answers(plans, chemistry="agm")


@pytest.mark.parametrize(
    ("figures", "is_flagged"),
    [
        ({}, True),
        ({"chemistry": "agm"}, False),
        ({"protection": "protection = { fitted = false }"}, False),
        ({"chemistry": "agm", "protection": "protection = { fitted = true }"}, True),
    ],
)
def test_an_alternator_needs_a_battery_that_stays(plans, figures, is_flagged):
    """Where its battery's protection opens, nothing takes its current."""
    found = answers(plans, **figures)["alternator.load_dump"]
    assert found.is_flagged == is_flagged
    assert ("protection of house opens" in found.text) == is_flagged


def test_a_rig_without_a_battery_has_no_answer(plans):
    """Its battery is not that of the rig."""
    text = RIG.format(**DEFAULTS)
    report = plans.report(text[text.index("[[device]]") :])
    assert not [one for one in report.answers if one.key.endswith(("charge_volts", "charge_amps", "load_dump"))]


def test_each_charger_is_counted_at_its_battery(plans):
    """One from battery to battery charges that of its setting, or the house battery; an alternator its own."""
    text = RIG.format(**DEFAULTS).replace(
        "functions = { charger = 49 }", 'functions = { charger = 49 }\nbranch = "engine"'
    )
    text += """
[[battery]]
name = "starter"
chemistry = "lfp"
capacity_ah = 100

[[branch]]
name = "engine"
battery = "starter"

[[device]]
name = "feed"
kind = "dc_dc_charger"
address = 0x4C
functions = { charger = 2 }
branch = "engine"
settings = { full_amps = 40.0, absorption_volts = 14.4 }
"""
    report = plans.report(text)
    found = {one.key: one for one in report.answers if one.key.endswith(("charge_volts", "charge_amps"))}
    assert found["battery.house.charge_amps"].value == 30 + 40
    assert found["battery.starter.charge_amps"].value == 120
    turned = plans.report(text.replace("full_amps = 40.0", 'full_amps = 40.0, to_battery = "starter"'))
    (amps,) = [one for one in turned.answers if one.key == "battery.starter.charge_amps"]
    assert amps.value == 120 + 40
