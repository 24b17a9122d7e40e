"""The check of currents: running, at the start, in sums, each figure just inside and just outside its limit."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.plan.answer import Judgement
from rvsim.plan.currents import check_currents
from rvsim.plan.identity import check_identity
from rvsim.plan.providers import check_providers
from rvsim.plan.report import PlanInput
from rvsim.rig.load import find_rig, load_rig
from rvsim.watch.flag import Severity
from rvsim.wire.database import load_catalogue

MODULE = '[[module]]\nname = "cupboard"\n'


def output(name, terminal=1, **keys):
    """The text of an output."""
    lines = [f"{key} = {value}" for key, value in {"name": f'"{name}"', "module": '"cupboard"', **keys}.items()]
    return "\n".join(["[[output]]", f"terminal = {terminal}", *lines, ""])


def verdicts(report):
    """The judgement of each answer by its key."""
    return {answer.key: answer.judgement for answer in report.answers}


def test_a_running_current_is_within_the_limit_of_its_output(plans):
    """5.00 A of 5 A is good, 5.01 A a fault whose remedy names the contact that a relay then needs."""
    text = MODULE + output("lamp", amps=5.0, limit_amps=5.0, load='"lamp"')
    good = plans.answer(text, "output.lamp.current")
    assert (good.judgement, good.value, good.unit) == (Judgement.GOOD, 5.0, "A")
    bad = plans.answer(text.replace("\namps = 5.0", "\namps = 5.01"), "output.lamp.current")
    assert (bad.judgement, bad.severity) == (Judgement.FLAGGED, Severity.FAULT)
    assert bad.formula == "5.01 A > 5 A"
    assert "contact of at least 50.1 A resistive" in bad.advice


def test_what_is_missing_is_named_and_not_assumed(plans):
    """No figure, no judgement: the keys are told as a person writes them; without outputs there is one answer."""
    report = plans.report(MODULE + output("lamp", limit_amps=5.0, load='"socket"'))
    by_key = {answer.key: answer for answer in report.answers}
    assert by_key["output.lamp.current"].text == "not checked: the rig does not give amps of output lamp"
    assert "peak_amps of output lamp" in by_key["output.lamp.start"].text
    assert "limit_amps of module cupboard" in by_key["module.cupboard.current"].text
    alone = plans.report("")
    assert verdicts(alone)["outputs"] is Judgement.UNCHECKED


@pytest.mark.parametrize(
    ("peak", "judged"), [("5.59s", Judgement.GOOD), ("5.61s", Judgement.FLAGGED)], ids=["inside", "outside"]
)
def test_a_given_start_trips_by_the_formula(plans, peak, judged):
    """-10 s x ln(1 - (6.55/10)^2) = 5.60 s; the fault has the time of both."""
    text = MODULE + output("pump", amps=3.0, limit_amps=6.55, peak_amps=10.0, peak=f'"{peak}"', load='"motor"')
    found = plans.answer(text, "output.pump.start")
    assert found.judgement is judged
    assert "10 s x ln((10^2) / (10^2 - 6.55^2)) = 5.6 s" in found.formula
    assert found.severity is (Severity.FAULT if judged is Judgement.FLAGGED else found.severity)


def test_a_start_by_its_kind_is_left_by_its_wire(plans):
    """0.1 ohm starts with 120 A; behind 0.05 ohm with 80 A (a motor maker's example, and arithmetic)."""
    winch = MODULE + output("winch", amps=20.0, limit_amps=30.0, load='"motor"', peak_amps=120.0, peak='"0.2s"')
    free = plans.answer(winch, "output.winch.start")
    assert free.value == pytest.approx(120.0)
    wired = plans.answer(winch + "wire = { milliohm = 50.0 }\n", "output.winch.start")
    assert wired.value == pytest.approx(80.0)
    assert "12 V / (100 mohm + 50 mohm) = 80 A" in wired.formula
    kind = plans.answer(MODULE + output("fan", amps=3.0, limit_amps=3.0, load='"motor"'), "output.fan.start")
    assert kind.value == pytest.approx(18.0)
    assert "300 to" not in kind.rule.name
    assert "3 to 10 times" in kind.rule.disagreement


def test_the_inrush_of_a_lamp_passes_and_of_a_stiff_motor_does_not(plans):
    """2 A x 12 for 10 ms is far under the trip; 6 x 9 A on a limit of 9 A trips in 0.28 s, within a start of 0.5 s."""
    lamp = plans.answer(MODULE + output("lamp", amps=2.0, limit_amps=2.0, load='"lamp"'), "output.lamp.start")
    assert lamp.judgement is Judgement.GOOD
    motor = MODULE + output("fan", amps=9.0, limit_amps=9.0, load='"motor"')
    assert plans.answer(motor, "output.fan.start").judgement is Judgement.GOOD
    slow = plans.answer(motor + 'peak_amps = 54.0\npeak = "0.5s"\n', "output.fan.start")
    assert slow.judgement is Judgement.FLAGGED
    assert "281.71 ms" in slow.text
    quick = plans.answer("[rules]\ntrip_s = 5.0\n" + motor, "output.fan.start")
    assert (quick.judgement, quick.severity) == (Judgement.FLAGGED, Severity.WARNING)
    assert "6 times" in quick.rule.name


def test_a_rig_can_give_its_own_trip_steps(plans):
    """6 x for 0.1 s trips, 0.09 s does not; below the first step it never trips."""
    rules = "[rules]\ntrip = [[2.0, 5.0], [6.0, 0.1]]\n"
    text = rules + MODULE + output("fan", amps=2.0, limit_amps=2.0, peak_amps=12.0, peak='"0.1s"', load='"motor"')
    assert plans.answer(text, "output.fan.start").judgement is Judgement.FLAGGED
    assert plans.answer(text.replace("0.1s", "0.09s"), "output.fan.start").judgement is Judgement.GOOD
    low = text.replace("peak_amps = 12.0", "peak_amps = 3.9").replace("0.1s", "20s")
    assert "below the first step" in plans.answer(low, "output.fan.start").formula


def test_a_start_needs_its_time(plans):
    """A peak that the rig gives lasts as its kind of load, or as given; of a socket or a mat it has to be given."""
    socket = MODULE + output("socket", amps=2.0, limit_amps=5.0, load='"socket"', peak_amps=9.0)
    assert plans.answer(socket, "output.socket.start").text.endswith("peak of output socket")
    given = plans.answer(socket + 'peak = "1s"\n', "output.socket.start")
    assert given.formula.startswith("9 A for 1 s; trips after")
    plain = plans.answer(MODULE + output("x", amps=2.0, limit_amps=5.0, peak_amps=9.0), "output.x.start")
    assert plain.text.endswith("peak of output x")
    lamp = MODULE + output("lamp", amps=2.0, limit_amps=5.0, load='"lamp"', peak_amps=9.0)
    assert plans.answer(lamp, "output.lamp.start").formula.startswith("9 A for 10 ms")
    mat = plans.answer(MODULE + output("mat", amps=5.0, limit_amps=5.0, load='"heater mat"'), "output.mat.start")
    assert mat.formula == (
        "a heater mat starts with its running current of 5 A; 5 A is at most the limit of 5 A: never trips"
    )
    nothing = MODULE + output("off", amps=0.0, limit_amps=5.0, load='"motor"', wire="{ milliohm = 9.0 }")
    assert plans.answer(nothing, "output.off.start").value == 0


def test_an_output_of_no_amperes_trips_at_once(plans):
    """A limit of 0 A, and a limit by steps: both name their rule."""
    text = MODULE + output("x", amps=0.0, limit_amps=0.0, peak_amps=1.0, peak='"1s"')
    found = plans.answer(text, "output.x.start")
    assert (found.judgement, found.rule.name) == (Judgement.FLAGGED, "I2t of first order, t = -tau ln(1 - I0^2/I^2)")
    steps = plans.answer("[rules]\ntrip = [[2.0, 5.0]]\n" + text, "output.x.start")
    assert (steps.judgement, "own [rules]" in steps.rule.name) == (Judgement.FLAGGED, True)


def test_inductive_loads_have_suppressors_and_motions_an_override(plans):
    """Missing is told, false is flagged, true is good; a switch in the module is a way without the network."""
    pump = MODULE + output("pump", amps=3.0, limit_amps=9.0, load='"pump"')
    report = verdicts(plans.report(pump))
    assert report["output.pump.suppressor"] is Judgement.UNCHECKED
    assert report["output.pump.override"] is Judgement.UNCHECKED
    bad = plans.report(pump + "suppressed = false\nmanual_override = false\n")
    flags = {answer.key: answer.severity for answer in bad.answers if answer.is_flagged}
    assert flags == {"output.pump.suppressor": Severity.WARNING, "output.pump.override": Severity.NOTICE}
    good = verdicts(plans.report(pump + "suppressed = true\nmanual_override = true\n"))
    assert good["output.pump.suppressor"] is good["output.pump.override"] is Judgement.GOOD
    switch = '[[input]]\nname = "key"\nmodule = "cupboard"\nterminal = 1\nswitches = "pump"\n'
    assert plans.answer(pump + switch, "output.pump.override").judgement is Judgement.GOOD
    lamp = MODULE + output("lamp", amps=3.0, limit_amps=9.0, load='"lamp"')
    assert "output.lamp.suppressor" not in verdicts(plans.report(lamp))


def test_a_strip_below_the_lowest_load_is_reported_out(plans):
    """20 mA on a threshold of 50 mA is lit and reported out, 60 mA is seen; so is a small coil."""
    module = MODULE + "min_load_amps = 0.05\n"
    strip = module + output("strip", amps=0.06, load='"led"')
    assert plans.answer(strip.replace("0.06", "0.05"), "output.strip.lamp_out").judgement is Judgement.GOOD
    assert plans.answer(strip, "output.strip.lamp_out").judgement is Judgement.GOOD
    bad = plans.answer(strip.replace("0.06", "0.02"), "output.strip.lamp_out")
    assert bad.judgement is Judgement.FLAGGED
    assert "0.02 A < 0.05 A (min_load_amps of module cupboard)" in bad.formula
    coil = module + '[[relay]]\nname = "r"\ncoil_amps = 0.04\n' + output("mat", amps=9.0, relay='"r"')
    assert plans.answer(coil, "output.mat.lamp_out").text.startswith("the coil of its relay takes 0.04 A")
    own = plans.answer(strip + "min_amps = 0.07\n", "output.strip.lamp_out")
    assert own.judgement is Judgement.FLAGGED
    unknown = plans.answer(MODULE + output("strip", amps=0.06, load='"led"'), "output.strip.lamp_out")
    assert "min_load_amps of module cupboard" in unknown.text


def test_the_sum_of_a_module_has_shares(plans):
    """10 + half of 8 is 14 A: at a limit of 14 A good, at 13.9 A a fault; what is known can be too much alone."""
    text = MODULE + "limit_amps = 14.0\n"
    text += output("mat", amps=10.0) + output("lamp", 2, amps=8.0, share_percent=50.0)
    good = plans.answer(text, "module.cupboard.current")
    assert (good.judgement, good.value) == (Judgement.GOOD, 14.0)
    assert good.formula == "10 + 8 x 50 % = 14 A <= 14 A"
    bad = plans.answer(text.replace("14.0", "13.9"), "module.cupboard.current")
    assert (bad.judgement, bad.severity) == (Judgement.FLAGGED, Severity.FAULT)
    part = text.replace("14.0", "9.0").replace("amps = 8.0\n", "")
    assert "at least 10 A" in plans.answer(part, "module.cupboard.current").text


def test_the_start_nearest_to_a_trip_is_that_of_the_module(plans):
    """With 10 A running before, 10 + 20 A trip a limit of 20 A after 10 s x ln((900-100)/(900-400)) = 4.70 s."""
    text = MODULE + "limit_amps = 20.0\n" + output("mat", amps=10.0, load='"heater mat"')
    text += output("winch", 2, amps=4.0, limit_amps=9.0, load='"motor"', peak_amps=20.0, peak='"4.6s"')
    good = plans.answer(text, "module.cupboard.start")
    assert (good.judgement, good.value) == (Judgement.GOOD, 30.0)
    assert "10 s x ln((30^2 - 10^2) / (30^2 - 20^2)) = 4.7 s" in good.formula
    bad = plans.answer(text.replace("4.6s", "4.8s"), "module.cupboard.start")
    assert bad.judgement is Judgement.FLAGGED
    assert "winch" in bad.text
    small = text + output("lamp", 3, amps=1.0, load='"lamp"', share_percent=50.0)
    both = plans.answer(small, "module.cupboard.start")
    assert both.formula.startswith("winch: 20 A for 4.6 s; others 10.5 A")
    assert plans.answer(small + 'peak_amps = 70.0\npeak = "0.5s"\n', "module.cupboard.start").formula.startswith(
        "lamp: 70 A for 500 ms; others 14 A"
    )
    unknown = plans.answer(
        text.replace("4.6s", "1s") + output("socket", 3, amps=1.0, load='"socket"'), "module.cupboard.start"
    )
    assert unknown.text == "not checked: the rig does not give peak_amps of output socket"


def test_long_lists_are_short(plans):
    """Of many outputs the sum is told without its terms, and the first missing keys by name."""
    text = MODULE + "limit_amps = 99.0\n" + "".join(output(f"o{one}", one, amps=1.5) for one in range(1, 13))
    assert plans.answer(text, "module.cupboard.current").formula.startswith("1.5 + 1.5 + ")
    more = plans.answer(text + output("o13", 13, amps=2.0), "module.cupboard.current")
    assert more.formula == "sum of 13 outputs = 20 A <= 99 A"
    six = MODULE + "limit_amps = 99.0\n" + "".join(output(f"o{one}", one) for one in range(1, 7))
    assert plans.answer(six, "module.cupboard.current").text.endswith("o5, amps of output o6")
    seven = plans.answer(six + output("o7", 7), "module.cupboard.current")
    assert seven.text.endswith("amps of output o5, 2 more")


def test_coils_alone_start_nothing(plans):
    """A module that feeds only relays is asked for its sum, and for no start."""
    coil = MODULE + 'limit_amps = 1.0\n[[relay]]\nname = "r"\ncoil_amps = 0.1\n'
    keys = {one.key for one in plans.report(coil + output("mat", amps=9.0, relay='"r"')).answers}
    assert "module.cupboard.current" in keys
    assert "module.cupboard.start" not in keys


def test_what_a_branch_carries_is_told(plans):
    """The sum with its shares, and its highest start; what is missing is named."""
    text = '[[branch]]\nname = "outputs"\n' + MODULE + 'branch = "outputs"\n'
    text += output("mat", amps=10.0) + output("lamp", 2, amps=8.0, share_percent=50.0, peak_amps=30.0)
    found = plans.answer(text, "branch.outputs.current")
    assert (found.value, found.judgement) == (14.0, Judgement.GOOD)
    assert found.formula == "sum of 2 parts = 14 A, 40 A at the highest start"
    steady = plans.answer(text.replace("peak_amps = 30.0\n", ""), "branch.outputs.current")
    assert steady.formula == "sum of 2 parts = 14 A"
    unknown = plans.answer(text.replace("amps = 10.0\n", ""), "branch.outputs.current")
    assert "amps of output mat" in unknown.text


def test_the_table_shows_outputs_as_built(plans):
    """A row for each output, with an empty cell where the rig gives nothing."""
    report = plans.report(MODULE + output("lamp", amps=2.0, load='"lamp"', instance=7))
    table = next(one for one in report.tables if one.name == "outputs")
    row = dict(zip(table.columns, table.rows[0], strict=True))
    assert (row["output"], row["instance"], row["start A"], row["limit A"]) == ("lamp", "dimmer 7", "24", "")
    assert (row["load"], row["relay"]) == ("lamp", "")


def test_flags_are_of_the_kind_of_currents(plans):
    """The flag has the part, the text and the formula with its rule."""
    (flag,) = plans.report(MODULE + output("lamp", amps=6.0, limit_amps=5.0)).flags
    assert (flag.kind.value, flag.subject, flag.severity) == ("rig-current", "lamp", Severity.FAULT)
    assert flag.evidence[0] == "6 A > 5 A"


@pytest.mark.parametrize("name", ["brackenlow", "ottersby", "quillhaven"])
def test_the_shipped_rigs_are_sound(name):
    """No flag of currents, identity or providers."""
    rig = load_rig(find_rig(name), settings_models(), for_plan=True)
    given = PlanInput(rig, load_catalogue())
    checks = (check_currents, check_identity, check_providers)
    assert [one.text for check in checks for one in check(given).answers if one.is_flagged] == []
