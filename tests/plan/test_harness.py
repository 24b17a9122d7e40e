"""The plan of the pair: lengths by the chosen rule, ports, nodes, terminators, and what a person reads on it."""

import pytest

from rvsim.errors import InputError
from rvsim.plan.answer import Judgement
from rvsim.plan.harness import check_harness
from rvsim.plan.report import PlanInput
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity
from rvsim.wire.database import load_catalogue

DEVICES = "".join(
    f'[[device]]\nname = "{name}"\naddress = {number + 0x40}\nfunctions = {{ {function} = 1 }}\n'
    for number, (name, function) in enumerate(
        [("panel", "control_panel"), ("heater", "furnace"), ("fan", "roof_fan"), ("pump", "water_pump")]
    )
)


def tap(name, length=None, *drops, **more):
    """Return a tap as a file has it; a drop is its device, its length and whether a terminator is in the device."""
    entries = []
    for device, metres, *rest in drops:
        keys = [f'device = "{device}"', *([] if metres is None else [f"length_m = {metres}"])]
        entries.append("{ " + ", ".join(keys + (["terminator = true"] if rest else [])) + " }")
    lines = [f'name = "{name}"', *([] if length is None else [f"length_m = {length}"])]
    lines += [f"{key} = {value}".replace("True", "true") for key, value in more.items()]
    lines += [f"drops = [{', '.join(entries)}]"] if entries else []
    return "[[tap]]\n" + "\n".join(lines) + "\n"


MIDDLE = tap("middle", 4, ("fan", 1))


def sound(*, middle=MIDDLE, rule=""):
    """Return a sound pair: a terminator in a tap, one in the heater at the other end."""
    head = f'[rules]\nharness = "{rule}"\n' if rule else ""
    return (
        head
        + "[harness]\nloop_ohm_per_m = 0.14\n"
        + tap("front", None, ("panel", 0.5), terminator=True, ports=2)
        + middle
        + tap("rear", 3, ("pump", 1.2), ("heater", 2.5, "terminator"), ports=2)
    )


def flags_of(plans, text):
    """Return the flags of the pair."""
    return [flag for flag in plans.report(text, device=DEVICES).flags if flag.kind == "rig-harness"]


@pytest.mark.parametrize(
    ("rule", "inside", "outside"),
    [
        ("RV-C", 1.83, 1.84),
        ("J1939-11", 1.0, 1.01),
        ("J1939-15", 3.0, 3.01),
        ("marine", 6.0, 6.01),
        ("CiA", 11.0, 11.01),
        ("AN96116", 11.0, 11.01),
    ],
)
def test_a_drop_by_each_rule(plans, rule, inside, outside):
    """Just inside and just outside the longest drop; the answer names the rule and where others differ."""
    for length, is_flagged in ((inside, False), (outside, True)):
        text = sound(middle=tap("middle", 4, ("fan", length)), rule=rule)
        answer = plans.answer(text, "drop.fan.length", device=DEVICES)
        assert (answer.value, answer.is_flagged) == (length, is_flagged)
        assert rule in answer.rule.name
        assert "1.83 m (RV-C)" in answer.rule.disagreement
    assert answer.severity is Severity.WARNING
    assert answer.text == f"drop to fan has {outside:.2f} m, more than {inside:.4g} m"


@pytest.mark.parametrize(
    ("rule", "inside", "outside", "name"),
    [
        ("RV-C", 243.5, 243.6, "CiA 303-1"),
        ("J1939-11", 33.5, 33.6, "SAE J1939-11"),
        ("AN96116", 217.5, 217.6, "AN96116"),
    ],
)
def test_the_trunk_by_rule(plans, rule, inside, outside, name):
    """4 m less than the limit, with 2.5 m to the device that ends it; the rule that says it is named."""
    for length, is_flagged in ((inside, False), (outside, True)):
        text = sound(rule=rule).replace("length_m = 3\n", f"length_m = {length}\n")
        answer = plans.answer(text, "harness.trunk_length", device=DEVICES)
        assert answer.is_flagged is is_flagged
        assert answer.value == pytest.approx(4 + length + 2.5)
        assert name in answer.rule.name
    assert "160 m (40000 / kbit/s)" in answer.rule.disagreement or rule != "RV-C"


def test_drops_in_all(plans):
    """78 m in all by the marine rule: chains count, the device that ends the trunk does not."""
    for metres, is_flagged in ((5.8, False), (5.81, True)):
        middle = "".join(
            tap(f"m{number}", 4, *((f"d{number}", metres if number == 11 else 6),), on='"front"')
            for number in range(12)
        ).replace("length_m = 4\n", "length_m = 0\n")
        devices = DEVICES + "".join(
            f'[[device]]\nname = "d{number}"\naddress = {number + 0x90}\nfunctions = {{ dc_load = {number + 1} }}\n'
            for number in range(12)
        )
        text = sound(middle=middle + tap("middle", 4, ("fan", 4.5)), rule="marine").replace("ports = 2\n", "")
        answer = plans.answer(text, "harness.drops_length", device=devices)
        assert answer.value == pytest.approx(0.5 + 1.2 + 4.5 + 66 + metres)
        assert answer.is_flagged is is_flagged
    assert plans.answer(sound(), "harness.drops_length", device=DEVICES).limit == "no limit"


def test_the_trunk_by_its_resistance(plans):
    """For the rules that say so; by hand for 0.14 ohm/m, 120 ohm and 4 nodes of 30 kilohm: 307.97 m."""
    longest = (1.5 / 1.1 - 1) * 120 * 30_000 / (30_000 + 3 * 120) / 0.14
    assert longest == pytest.approx(307.99, abs=0.1)
    for length, is_flagged in ((longest - 6.6, False), (longest - 6.4, True)):
        text = sound(rule="CiA").replace("length_m = 3\n", f"length_m = {length}\n")
        answer = plans.answer(text, "harness.trunk_ohms", device=DEVICES)
        assert answer.value == pytest.approx(longest, abs=0.1)
        assert answer.is_flagged is is_flagged
    bare = sound(rule="CiA").replace("loop_ohm_per_m = 0.14\n", "")
    answer = plans.answer(bare, "harness.trunk_ohms", device=DEVICES)
    assert answer.text == "not checked: the rig does not give loop_ohm_per_m of the harness"
    assert not [one for one in plans.report(sound(), device=DEVICES).answers if one.key == "harness.trunk_ohms"]


@pytest.mark.parametrize(("chain", "is_flagged"), [(0.43, False), (0.44, True)])
def test_a_chained_tap_counts_with_all_its_drops(plans, chain, is_flagged):
    """1.83 m for the chain and both drops together: our decision, which the answer says."""
    loft = tap("loft", chain, ("fan", 0.6), ("pump", 0.8), on='"middle"')
    text = sound(middle=tap("middle", 4) + loft).replace('{ device = "pump", length_m = 1.2 }, ', "")
    answer = plans.answer(text, "tap.loft.chain_length", device=DEVICES)
    assert answer.is_flagged is is_flagged
    assert answer.value == pytest.approx(chain + 1.4)
    assert answer.rule.origin == "our decision"
    fan = plans.answer(text, "drop.fan.length", device=DEVICES)
    assert fan.value == pytest.approx(chain + 0.6)
    assert not fan.is_flagged


def test_a_chain_of_two_taps_and_one_with_one_device(plans):
    """The length of a device on the second one is that of both chains; one device alone has no answer twice."""
    loft = tap("bed", 0.5, ("pump", 0.5), on='"loft"') + tap("loft", 0.5, ("fan", 0.5), on='"middle"')
    text = sound(middle=tap("middle", 4) + loft).replace('{ device = "pump", length_m = 1.2 }, ', "")
    assert plans.answer(text, "drop.pump.length", device=DEVICES).value == pytest.approx(1.5)
    answer = plans.answer(text, "tap.loft.chain_length", device=DEVICES)
    assert (answer.value, answer.is_flagged) == (2.0, True)
    assert "put tap loft on the trunk" in answer.advice
    keys = [one.key for one in plans.report(text, device=DEVICES).answers]
    assert "tap.bed.chain_length" not in keys
    single = sound(middle=tap("middle", 4) + tap("loft", 1, ("fan", 0.9), on='"middle"'))
    flags = flags_of(plans, single)
    assert [flag.subject for flag in flags] == ["drop to fan"]
    assert "put tap loft on the trunk" in flags[0].advice


def test_ports(plans):
    """Drops, chained taps, and a terminator that is not at an end of the trunk; too few is a fault."""
    for ports, is_flagged in ((3, False), (2, True)):
        middle = tap("middle", 4, ("fan", 1), ports=ports, terminator=True) + tap("loft", 0.2, on='"middle"')
        answer = plans.answer(sound(middle=middle), "tap.middle.ports", device=DEVICES)
        assert (answer.value, answer.is_flagged) == (3, is_flagged)
        assert answer.formula == "1 drop + 1 chained tap + 1 terminator = 3"
    assert answer.severity is Severity.FAULT
    assert plans.answer(sound(), "tap.front.ports", device=DEVICES).value == 1, "its terminator is on the trunk"
    assert plans.answer(sound(), "tap.middle.ports", device=DEVICES).judgement is Judgement.UNCHECKED


def test_nodes(plans):
    """With 1 kilohm a node 104.1 ohm allow 4 and 104.0 ohm 3, by hand; a rule may say less."""
    for ohm, most in ((104.1, 4), (104.0, 3)):
        text = sound().replace("[harness]\n", f"[harness]\nnode_ohm = 1000\nterminator_ohm = {ohm}\n")
        answer = plans.answer(text, "harness.nodes", device=DEVICES)
        assert (answer.value, answer.limit, answer.is_flagged) == (4, f"at most {most}", most == 3)
    marine = plans.answer(sound(rule="marine"), "harness.nodes", device=DEVICES)
    assert (marine.limit, marine.is_flagged) == ("at most 50", False)


@pytest.mark.parametrize(
    ("change", "count", "severity"),
    [
        (("terminator = true\nports", "ports"), 1, Severity.WARNING),
        (('drops = [{ device = "fan"', 'terminator = true\ndrops = [{ device = "fan"'), 3, Severity.WARNING),
    ],
)
def test_too_few_and_too_many_terminators(plans, change, count, severity):
    """One and three are outside the rule; those in devices count."""
    text = sound().replace(*change)
    answer = plans.answer(text, "harness.terminators", device=DEVICES)
    assert (answer.value, answer.is_flagged, answer.severity) == (count, True, severity)
    places = plans.answer(text, "harness.terminator_places", device=DEVICES)
    assert places.text == (
        "no terminator is at the end of the trunk at tap front" if count == 1
        else "not at an end of the trunk: that at tap middle"
    )  # fmt: skip


def test_no_terminator_and_four(plans):
    """Both are faults; without any, nothing is said of their places."""
    none = sound().replace("terminator = true\nports", "ports").replace(", terminator = true", "")
    answer = plans.answer(none, "harness.terminators", device=DEVICES)
    assert (answer.text, answer.severity) == ("the pair has no terminators; it needs two", Severity.FAULT)
    assert not plans.answer(none, "harness.terminator_places", device=DEVICES).is_flagged
    four = sound(middle=tap("middle", 4, ("fan", 1, "t"), terminator=True))
    answer = plans.answer(four, "harness.terminators", device=DEVICES)
    assert (answer.value, answer.severity) == (4, Severity.FAULT)
    assert "4: that at tap front, that at tap middle, that in fan, that in heater; 120 / 4 = 30.0 ohm" in answer.formula


def test_two_terminators_in_the_wrong_places(plans):
    """Both at one end, and one on a chained tap; a trunk of one tap has both its ends there."""
    both = sound().replace(", terminator = true", "").replace('"panel", length_m = 0.5', '"panel", terminator = true')
    assert [flag.text for flag in flags_of(plans, both)] == [
        "no terminator is at the end of the trunk at tap rear",
        "drop to heater has 2.50 m, more than 1.83 m",
    ]
    chained = sound(middle=tap("middle", 4) + tap("loft", 0.2, ("fan", 0.5), on='"middle"', terminator=True)).replace(
        ", terminator = true", ""
    )
    places = plans.answer(chained, "harness.terminator_places", device=DEVICES)
    assert places.text == (
        "no terminator is at the end of the trunk at tap rear; not at an end of the trunk: that at tap loft"
    )
    one = tap("bench", None, ("panel", 9, "t"), ("heater", 1, "t"), ("fan", 1), ("pump", 1))
    assert not flags_of(plans, one)
    assert plans.answer(one, "harness.trunk_length", device=DEVICES).value == 10
    third = tap("bench", None, ("panel", 9, "t"), ("heater", 1), ("fan", 1), ("pump", 1), terminator=True)
    assert plans.answer(third, "drop.panel.length", device=DEVICES).limit == "no limit"
    closed = sound().replace('name = "rear"\n', 'name = "rear"\nterminator = true\n')
    answer = plans.answer(closed, "drop.heater.length", device=DEVICES)
    assert answer.is_flagged, "the tap is the end of the trunk then, and the drop is one"


def test_what_is_left_out_is_not_checked(plans):
    """Lengths, ports, the cable, a device without a tap; a length that is too long by itself is flagged."""
    text = tap("front", None, ("panel", None), terminator=True) + tap("rear", None, ("heater", 1.9), terminator=True)
    answers = {one.key: one for one in plans.report(text, device=DEVICES).answers}
    unchecked = {
        key: one.text.partition("does not give ")[2] for key, one in answers.items() if one.judgement == "unchecked"
    }
    assert unchecked["harness.trunk_length"] == "length_m of tap rear"
    assert unchecked["drop.panel.length"] == "length_m of the drop to panel"
    assert unchecked["drop.fan.length"] == "the tap of device fan"
    assert unchecked["tap.front.ports"] == "ports of tap front"
    assert "harness.drops_length" not in answers, "the rule has no limit"
    marine = plans.answer('[rules]\nharness = "marine"\n' + text, "harness.drops_length", device=DEVICES)
    assert marine.text == "not checked: the rig does not give length_m of the drop to panel"
    assert unchecked["harness.ohms"].startswith("loop_ohm_per_m of the harness, length_m of tap rear, ")
    assert answers["drop.heater.length"].is_flagged
    loft = tap("loft", None, ("fan", 1.9), on='"rear"')
    answer = plans.answer(text + loft, "drop.fan.length", device=DEVICES)
    assert answer.text == "drop to fan has at least 1.90 m, more than 1.83 m"


def test_a_rig_without_taps(plans):
    """One answer, that the pair is not checked; nothing of the shipped rigs is flagged either."""
    section = check_harness(plans.given("", device=DEVICES))
    assert [answer.key for answer in section.answers] == ["harness.taps", "harness.ground_shift"]
    assert section.answers[0].text == "not checked: the rig does not give any tap"
    for name in ("brackenlow", "quillhaven", "ottersby"):
        shipped = check_harness(PlanInput(load_rig(name, for_plan=True), load_catalogue()))
        assert not [answer for answer in shipped.answers if answer.is_flagged]


def test_a_sound_pair_has_no_flag_and_its_ohms(plans):
    """Two terminators, four nodes and the cable, by hand within a tenth; the length of the first tap is not counted."""
    assert not flags_of(plans, sound())
    answer = plans.answer(sound(), "harness.ohms", device=DEVICES)
    assert answer.value == pytest.approx(1 / (1 / 120 + 1 / (120 + 9.5 * 0.14) + 4 / 30_000), abs=0.1)
    assert "60 ohm is right for two terminators" in answer.unproven
    at_rear = sound().replace("[harness]\n", '[harness]\nrecorder = "rear"\n')
    assert "ohm at tap rear" in plans.answer(at_rear, "harness.ohms", device=DEVICES).formula
    bare = plans.answer(tap("one") + "[harness]\nloop_ohm_per_m = 0.1\n", "harness.ohms", device=DEVICES)
    assert bare.value is None, "a figure that JSON has, or none"
    assert bare.formula.endswith(": open at tap one")
    first = sound().replace('name = "front"\n', 'name = "front"\nlength_m = 7\n')
    assert "length_m of front is not counted" in plans.answer(first, "harness.trunk_length", device=DEVICES).formula


def table(plans, text, name):
    """Return the rows of a table of the plan by their columns."""
    found = next(one for one in plans.report(text, device=DEVICES).tables if one.name == name)
    return [dict(zip(found.columns, row, strict=True)) for row in found.rows]


def test_the_pair_as_built(plans):
    """Each tap and drop, what is left of its length, and what the other rules would say of the longest one."""
    rows = {row["device"] or row["tap"]: row for row in table(plans, sound(), "harness")}
    assert rows["middle"]["after"] == "front"
    assert (rows["pump"]["from the trunk, m"], rows["pump"]["left, m"]) == ("1.2", "0.63")
    assert (rows["heater"]["left, m"], rows["heater"]["terminator"], rows["front"]["terminator"]) == (
        "trunk",
        "yes",
        "yes",
    )
    cable = sound().replace("[harness]\n", '[harness]\ncable = "twisted pair of 20 AWG"\n')
    report = plans.report(cable, device=DEVICES)
    assert next(one for one in report.tables if one.name == "harness").note.endswith("cable: twisted pair of 20 AWG")
    rules = {row["rule"]: row["longest drop here, m"] for row in table(plans, sound(), "harness_rules")}
    assert rules["J1939-11"] == "1.2, too long"
    assert {rules[name] for name in rules if name != "J1939-11"} == {"1.2"}


def test_expected_readings(plans):
    """60 at each place, 120 without a terminator or the device that has one, 40 with one more, 0 at a short."""
    ohms = table(plans, sound(), "harness_ohms")
    assert [row["measure at"] for row in ohms][:3] == ["tap front", "tap middle", "tap rear"]
    for row in ohms:
        assert float(row["as built"]) == pytest.approx(60, abs=1.5)
        assert float(row["without the terminator of tap front"]) == pytest.approx(120, abs=3)
        assert float(row["without device heater"]) == pytest.approx(120, abs=3)
        assert float(row["one more here"]) == pytest.approx(40, abs=1)
    short = {
        row["fault"].removeprefix("H and L touch in the plug of "): row
        for row in table(plans, sound(), "harness_shorts")
    }
    assert short["fan"]["at its own tap"] == "0.1"
    assert float(short["fan"]["at tap front"]) == pytest.approx(5 * 0.14, abs=0.06)
    opened = {row["open"]: row for row in table(plans, sound(), "harness_breaks")}
    trunk = opened["the trunk between middle and rear"]
    assert trunk["on the side of the first tap"].startswith("119.")
    assert trunk["on the other side"] == "119.4 at tap rear"
    assert opened["the drop from middle to fan"]["on the other side"] == "30.0 k at plug of fan"
    states = {row["state"]: row for row in table(plans, sound(), "harness_states")}
    built = states["as built"]["meter, power off"]
    assert states["H and L swapped at one drop"]["meter, power off"] == f"{built.partition(' ohm')[0]} ohm, as built"
    assert "never received" in states["H and L swapped at one drop"]["bus"]
    assert states["H to H, and L to L, along the trunk"]["meter, power off"] == "0.49 ohm from front to rear"
    assert states["as built"]["bus"] == "all devices are received"
    assert states["one terminator fewer"]["meter, power off"] == "118.6 to 119.4 ohm at tap front", "by hand"
    three = table(plans, sound(middle=tap("middle", 4, terminator=True)), "harness_states")
    assert three[0]["bus"] == "see the flags"
    assert three[1]["bus"] == "as it should be, with two"
    assert states["one terminator fewer"]["bus"].startswith("a short bus")
    assert three[2]["bus"] == states["one terminator more"]["bus"] == "works on the bench, may fail in a vehicle"
    bench = table(plans, tap("bench", None, ("panel", 1)), "harness_states")
    assert bench[1]["meter, power off"] == "30.0 k ohm at tap bench", "nothing to leave out"
    assert "H to H, and L to L, along the trunk" not in [row["state"] for row in bench]


def test_readings_without_the_cable_say_so(plans):
    """The terminators are counted, and the note names what is missing."""
    text = sound().replace("loop_ohm_per_m = 0.14\n", "")
    report = plans.report(text, device=DEVICES)
    ohms = next(one for one in report.tables if one.name == "harness_ohms")
    assert "the cable counts as no resistance, because the rig does not give loop_ohm_per_m of the harness" in ohms.note
    assert {row[1] for row in ohms.rows} == {"59.5"}


def test_bad_input_is_told_at_once(plans, tmp_path):
    """Two nodes on a drop, a ring of taps, a negative length: each with its line."""
    text = (
        '[[tap]]\nname = "front"\non = "rear"\ndrops = [{ device = ["panel", "heater"], length_m = 1 }]\n'
        '[[tap]]\nname = "rear"\nlength_m = -2\n'
    )
    with pytest.raises(InputError) as told:
        plans.rig(text, device=DEVICES)
    lines = str(told.value).splitlines()
    assert any("a drop has one node at its end, not 2; give each device a drop of its own" in line for line in lines)
    assert any("-2 is below 0" in line for line in lines)
    assert all(", line " in line for line in lines)
    with pytest.raises(InputError, match="one of them must be on the trunk"):
        plans.rig(tap("front", None, on='"rear"') + tap("rear", 1, on='"front"'), device=DEVICES)
    with pytest.raises(InputError, match="501 taps are more than a pair has; write at most 500"):
        plans.rig("".join(tap(f"t{number}", 1) for number in range(501)), device=DEVICES)


@pytest.mark.parametrize(("ohm", "is_flagged"), [(99.9, True), (100, False), (120, False), (132, False), (132.1, True)])
def test_resistance_of_a_terminator(plans, ohm, is_flagged):
    """An embedded board manual has 100 to 130 ohm, a gateway manual 108 to 132: the widest of both."""
    text = sound().replace("[harness]\n", f"[harness]\nterminator_ohm = {ohm}\n")
    answer = plans.answer(text, "harness.terminator_ohm", device=DEVICES)
    assert (answer.value, answer.is_flagged) == (ohm, is_flagged)
    assert "108 to 132 ohm or 100 to 130 ohm" in answer.rule.disagreement


@pytest.mark.parametrize(("volts", "watts"), [(12, "1.20"), (14.4, "1.73")])
def test_power_in_a_terminator(plans, volts, watts):
    """H at battery plus and L held low: a quarter-watt terminator burns."""
    states = table(plans, f"[rules]\nsource_volts = {volts}\n" + sound(), "harness_states")
    assert states[-1]["bus"].endswith(f"H at {volts} V burns {watts} W in a terminator")
