"""The check of relays: each figure just inside and just outside its limit, and published figures of coils."""

import pytest

from rvsim.plan.answer import Judgement
from rvsim.plan.relay_checks import hot_value
from rvsim.watch.flag import Severity

RELAY = """
[[module]]
name = "cupboard"

[[output]]
name = "mat"
module = "cupboard"
terminal = 1
load = "heater mat"
amps = 20.0
limit_amps = 0.15
relay = "r"

[[relay]]
name = "r"
contact_amps = 20.0
coil_amps = 0.15
"""


def test_the_coil_is_within_the_limit_of_its_output(plans):
    """0.150 A of 0.15 A is good, 0.151 A a fault; a resistance gives the current as well."""
    assert plans.answer(RELAY, "relay.r.coil").judgement is Judgement.GOOD
    bad = plans.answer(RELAY.replace("coil_amps = 0.15", "coil_amps = 0.151"), "relay.r.coil")
    assert (bad.judgement, bad.severity) == (Judgement.FLAGGED, Severity.FAULT)
    by_ohm = plans.answer(RELAY.replace("coil_amps = 0.15", "coil_ohm = 85.0"), "relay.r.coil")
    assert by_ohm.value == pytest.approx(0.141, abs=0.0005)
    no_limit = plans.answer(RELAY.replace("limit_amps = 0.15\n", ""), "relay.r.coil")
    assert no_limit.text == "not checked: the rig does not give limit_amps of output mat"
    assert "coil_amps of relay r" in plans.answer(RELAY.replace("coil_amps = 0.15", ""), "relay.r.coil").text


@pytest.mark.parametrize(
    ("load", "inside", "outside"),
    [("heater mat", 20.0, 20.1), ("motor", 3.33, 3.34), ("pump", 3.33, 3.34), ("lamp", 2.0, 2.01)],
    ids=["resistive", "motor", "pump", "lamp"],
)
def test_a_contact_carries_its_class(plans, load, inside, outside):
    """20 A resistive carry 20 A of a mat, a sixth of motors, a tenth of lamps: a switch maker's rule."""
    text = RELAY.replace('"heater mat"', f'"{load}"')
    good = plans.answer(text.replace("amps = 20.0\nlimit", f"amps = {inside}\nlimit"), "relay.r.contact")
    bad = plans.answer(text.replace("amps = 20.0\nlimit", f"amps = {outside}\nlimit"), "relay.r.contact")
    assert (good.judgement, bad.judgement, bad.severity) == (Judgement.GOOD, Judgement.FLAGGED, Severity.FAULT)
    share = {"heater mat": 1, "lamp": 10}.get(load, 6)
    by_maker = "" if share == 1 else f" resistive, or {outside} A of a {load} by its maker"
    assert bad.advice == f"choose one with a contact of at least {round(share * outside, 3):g} A{by_maker}"
    assert "17 A (one life test)" in bad.rule.disagreement


def test_the_figure_of_the_maker_wins(plans):
    """17 A of motors by a life test of a 30 A contact, not 5 A by the rule."""
    text = RELAY.replace('"heater mat"', '"motor"').replace("contact_amps = 20.0", "contact_amps = 30\nmotor_amps = 17")
    assert plans.answer(text.replace("amps = 20.0\nlimit", "amps = 17.0\nlimit"), "relay.r.contact").limit == (
        "at most 17 A of a motor"
    )
    assert plans.answer(text, "relay.r.contact").judgement is Judgement.FLAGGED


def test_a_load_of_no_kind_is_judged_only_where_it_is_too_much_anyway(plans):
    """The class is not assumed; above the resistive rating nothing depends on it."""
    text = RELAY.replace('load = "heater mat"\n', "")
    assert "load of output mat" in plans.answer(text, "relay.r.contact").text
    more = plans.answer(text.replace("amps = 20.0\nlimit", "amps = 20.1\nlimit"), "relay.r.contact")
    assert more.judgement is Judgement.FLAGGED
    assert more.advice == "choose one with a contact of at least 20.1 A"
    nothing = plans.answer(RELAY.replace("contact_amps = 20.0\n", ""), "relay.r.contact")
    assert "contact_amps of relay r" in nothing.text


@pytest.mark.parametrize(
    ("volts", "judged", "severity"),
    [
        (8.68, Judgement.GOOD, None),
        (8.70, Judgement.FLAGGED, Severity.WARNING),
        (9.57, Judgement.FLAGGED, Severity.FAULT),
    ],
    ids=["inside", "less than 110 %", "never"],
)
def test_a_hot_coil_needs_more(plans, volts, judged, severity):
    """At 85 C 8.69 V become 10.9 V: 110 % of it are the 12 V of the worst hour; from 9.56 V on it never pulls in."""
    found = plans.answer(RELAY + f"pull_in_volts = {volts}\nambient_c = 85\n", "relay.r.pull_in")
    assert found.judgement is judged
    assert severity in (None, found.severity)
    assert found.value == pytest.approx(volts * 319.5 / 254.5)


def test_published_figures_of_hot_coils():
    """320 ohm at 25 C are 443.3 at 125 C; 13 V become 18.0 V; 90 ohm and 6.5 V of 20 C are 113.0 and 8.16 V at 85 C.

    The factor 1.39 of one note, from 20 to 120 C, is 403.1 ohm of 290, where it prints 403.31; its rule of 4 % for
    10 K is within 1 %.
    """
    assert hot_value(320, 25, 125) == pytest.approx(443.3, abs=0.1)
    assert hot_value(13.0, 25, 125) == pytest.approx(18.0, abs=0.05)
    assert hot_value(90, 20, 85) == pytest.approx(113.0, abs=0.05)
    assert hot_value(6.5, 20, 85) == pytest.approx(8.16, abs=0.01)
    assert hot_value(290, 20, 120) == pytest.approx(403.1, rel=0.003)
    assert hot_value(1.0, 20, 85) == pytest.approx(1 + 0.04 * 6.5, rel=0.01)


def test_what_a_contact_does_not_prove_depends_on_its_load(plans):
    """The start of LED drivers, and what somebody plugs in."""
    said = {}
    for load in ("led", "socket", "heater mat"):
        said[load] = plans.answer(RELAY.replace('"heater mat"', f'"{load}"'), "relay.r.contact").unproven
    assert ["LED drivers" in said["led"], "no motor" in said["socket"], "how many" in said["heater mat"]] == [True] * 3


def test_coils_are_suppressed(plans):
    """None is told, false and a contradiction are flagged, a plain diode is a notice, a resistor is good."""
    cases = {
        "": (Judgement.UNCHECKED, None),
        "suppressed = false": (Judgement.FLAGGED, Severity.WARNING),
        'suppressed = false\nsuppressor = "varistor"': (Judgement.FLAGGED, Severity.WARNING),
        'suppressor = "diode"': (Judgement.FLAGGED, Severity.NOTICE),
        'suppressor = "resistor"': (Judgement.GOOD, None),
        "suppressed = true": (Judgement.GOOD, None),
    }
    for keys, (judged, severity) in cases.items():
        found = plans.answer(RELAY + keys + "\n", "relay.r.suppressor")
        assert found.judgement is judged, keys
        assert severity in (None, found.severity), keys
    assert plans.report(RELAY + 'suppressor = "diode"\n').is_good
    unknown = plans.answer(RELAY + "suppressed = true\n", "relay.r.suppressor")
    assert (unknown.unproven[:10], unknown.formula) == ("which kind", "suppressor: fitted, kind not given")
    both = plans.answer(RELAY + 'suppressed = false\nsuppressor = "varistor"\n', "relay.r.suppressor")
    assert (both.text, both.unproven) == ("the rig says suppressed = false and suppressor = varistor", "")
    none = plans.answer(RELAY + "suppressed = false\n", "relay.r.suppressor")
    assert none.text == "its coil has no suppressor"


def test_a_contact_needs_a_lowest_load(plans):
    """1.00 A on a lowest load of 1 A is good, 0.99 A is flagged."""
    text = RELAY + "min_contact_amps = 1.0\n"
    small = text.replace("amps = 20.0\nlimit", "amps = 1.0\nlimit")
    assert plans.answer(small, "relay.r.lowest_load").judgement is Judgement.GOOD
    less = plans.answer(small.replace("amps = 1.0\nlimit", "amps = 0.99\nlimit"), "relay.r.lowest_load")
    assert less.judgement is Judgement.FLAGGED
    assert "min_contact_amps of relay r" in plans.answer(RELAY, "relay.r.lowest_load").text


def test_a_relay_without_an_output_is_a_spare(plans):
    """Nothing is asked of it."""
    report = plans.report('[[relay]]\nname = "spare"\n')
    assert not [answer for answer in report.answers if answer.key.startswith("relay.")]
