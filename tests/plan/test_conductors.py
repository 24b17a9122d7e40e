"""What conductors carry, and how thin they may be; the drop never excuses either."""

import pytest

FEED = """
[[branch]]
name = "feed"
fuse_amps = 10
wire = {{ {wire} }}

[[module]]
name = "cupboard"
branch = "feed"

[[output]]
name = "mat"
module = "cupboard"
terminal = 1
amps = {amps}
"""
KEY = "branch.feed.wire_amps"


def feed(wire, amps=1.0, rules=""):
    """Return a branch with this wire and one load."""
    return FEED.format(wire=wire, amps=amps) + (f"\n[rules]\n{rules}\n" if rules else "")


@pytest.mark.parametrize(
    ("wire", "limit", "rules"),
    [
        ("awg = 14", 35, ""),
        ("awg = 14, insulation_c = 60", 20, ""),
        ("awg = 14", 20, "insulation_c = 75"),
        ("awg = 14, engine_space = true", 29.75, ""),
        ("awg = 14, bundle = 2", 35, ""),
        ("awg = 14, bundle = 3", 24.5, ""),
        ("awg = 14, bundle = 7", 17.5, ""),
        ("awg = 14, bundle = 25", 14, ""),
        ("awg = 14, bundle = 25", 35, "count_bundles = false"),
        ("awg = 14, bundle = 4, engine_space = true", 17.85, ""),
        ("area_mm2 = 2.5", 35, ""),
        ("area_mm2 = 2.5, insulation_c = 75", 25, ""),
        ("area_mm2 = 2.5, engine_space = true", 30.1, ""),
        ("awg = 14", 15, 'ampacity_table = "NEC 552.10"'),
        ("awg = 8", 80, 'ampacity_table = "NEC 552.10"'),
        ("awg = 14", 25, 'ampacity_table = "ISO 10133"'),
        ("area_mm2 = 1.0", 20, 'ampacity_table = "33 CFR 183.425"'),
        ("area_mm2 = 3.0", 35, ""),
    ],
)
def test_a_wire_carries_what_its_table_allows(plans, wire, limit, rules):
    """With its insulation, its bundle and an engine's space; a size between two counts as the thinner one.

    At the limit it is sound, just above it is a fault whatever the drop.
    """
    wire += ", length_m = 0.1"
    answer = plans.answer(feed(wire, limit - 0.01, rules), KEY)
    assert not answer.is_flagged
    assert float(answer.limit.removeprefix("at most ").removesuffix(" A")) == pytest.approx(limit, abs=0.01)
    if limit == int(limit):
        assert not plans.answer(feed(wire, limit, rules), KEY).is_flagged
    above = plans.answer(feed(wire, limit + 0.01, rules), KEY)
    assert above.is_flagged
    assert above.severity == "fault"


def test_the_advice_is_a_size_that_carries_it(plans):
    """Laid the same way: in a bundle of 7 it has to be thicker; a wire out of it would do as well."""
    answer = plans.answer(feed("awg = 14, length_m = 0.1, bundle = 7", 20.0), KEY)
    assert answer.advice == "use 12 AWG in place of 14 AWG, or lay it away from the other wires and the engine"
    assert plans.answer(feed("awg = 12, length_m = 0.1, bundle = 7", 20.0), KEY).text == ""
    assert plans.answer(feed("awg = 14, length_m = 0.1", 40.0), KEY).advice == "use 12 AWG in place of 14 AWG"


def test_a_thicker_wire_for_the_drop_has_to_carry_its_fuse_too(plans):
    """By its drop 12 AWG would do; the fuse of 50 A needs 8 AWG in this bundle of three."""
    text = feed("awg = 14, length_m = 9.0, bundle = 3", 7.0).replace("fuse_amps = 10", "fuse_amps = 50")
    assert "8 AWG in place of 14 AWG" in plans.answer(text, "branch.feed.drop_percent").advice


def test_what_a_rule_has_no_figure_for_is_not_checked(plans):
    """20 AWG is thinner than its table; a resistance has no size."""
    answer = plans.answer(feed("awg = 20, length_m = 1.0"), KEY)
    assert (answer.judgement, answer.text) == (
        "unchecked",
        "not checked: 33 CFR 183.425 table 5 has no figure for 20 AWG",
    )
    too_much = plans.answer(feed("awg = 20, length_m = 1.0", 20.1), KEY)
    assert (too_much.is_flagged, too_much.severity) == (True, "fault")  # the thinnest of the table carries 20 A
    assert not plans.answer(feed("awg = 20, length_m = 1.0", 20.0), KEY).is_flagged
    assert plans.answer(feed("area_mm2 = 0.5, length_m = 1.0", 16.1), KEY).is_flagged
    assert plans.answer(feed("awg = 20, length_m = 1.0", 6.1, 'ampacity_table = "NEC 552.10"'), KEY).is_flagged
    answer = plans.answer(feed("milliohm = 10.0"), KEY)
    assert answer.text == "not checked: the rig does not give area_mm2 or awg of the wire of branch feed"


def test_a_bundle_that_the_rig_does_not_give_is_said(plans):
    """It counts as one pair by itself, and that is not proved."""
    assert "no bundle" in plans.answer(feed("awg = 14, length_m = 1.0"), KEY).unproven
    assert "no bundle" not in plans.answer(feed("awg = 14, length_m = 1.0, bundle = 2"), KEY).unproven


@pytest.mark.parametrize(
    ("wire", "is_flagged"),
    [
        ("awg = 16, length_m = 1.0", False),
        ("awg = 18, length_m = 1.0", True),
        ("awg = 18, length_m = 1.0, sheathed = true", False),
        ("awg = 20, length_m = 1.0, sheathed = true", True),
        ("area_mm2 = 1.0, length_m = 1.0", False),
        ("area_mm2 = 0.75, length_m = 1.0", True),
        ("area_mm2 = 0.75, length_m = 0.2", False),
        ("area_mm2 = 0.75, length_m = 0.21", True),
        ("area_mm2 = 0.75, length_m = 1.0, sheathed = true", False),
        ("area_mm2 = 0.5, length_m = 1.0, sheathed = true", True),
    ],
)
def test_a_conductor_has_a_smallest_size(plans, wire, is_flagged):
    """Of boats, so a notice: 16 AWG or 1 mm2, in a sheath 18 AWG or 0.75 mm2, up to 200 mm any area."""
    answer = plans.answer(feed(wire), "branch.feed.wire_size")
    assert answer.is_flagged == is_flagged
    assert not is_flagged or answer.severity == "notice"


def test_every_answer_names_its_rule_and_no_key_is_there_twice(plans):
    """Also where wires, fuses and figures are missing."""
    more = '[[output]]\nname = "lamp"\nmodule = "cupboard"\nterminal = 2\nfuse_amps = 5\n'
    answers = plans.report(feed("awg = 14, length_m = 1.0") + more).answers
    keys = [answer.key for answer in answers]
    assert len(keys) == len(set(keys))
    assert all(answer.rule.name and answer.rule.origin and answer.question for answer in answers)
    assert all(answer.formula or answer.judgement == "unchecked" for answer in answers)
    assert all(answer.advice for answer in answers if answer.is_flagged)


GROUNDS = """
[[ground]]
name = "body"
wire = {{ awg = 10, length_m = 1.0 }}

[[ground]]
name = "bar"
parent = "body"
wire = {{ awg = 12, length_m = 1.0 }}

[[module]]
name = "cupboard"
ground = "bar"

[[output]]
name = "mat"
module = "cupboard"
terminal = 1
amps = {amps}
share_percent = 50
"""
HEATER = """
[[device]]
name = "air heater"
address = 0x5E
functions = { furnace = 1 }
ground = "body"
amps = { furnace = [0.1, 25.0] }
"""


def test_a_ground_carries_all_that_returns_through_it(plans):
    """Half of the output's current through both grounds, and the heater's 25 A through the one at the battery."""
    sound = plans.report(GROUNDS.format(amps=69.9), device=HEATER)
    assert not [flag for flag in sound.flags if flag.kind == "rig-conductor"]
    answer = plans.answer(GROUNDS.format(amps=70.1), "ground.body.wire_amps", device=HEATER)
    assert answer.value == pytest.approx(25.0 + 35.05)
    assert (answer.is_flagged, answer.advice) == (True, "use 8 AWG in place of 10 AWG")
    assert not plans.answer(GROUNDS.format(amps=70.1), "ground.bar.wire_amps", device=HEATER).is_flagged
    unknown = GROUNDS.format(amps=1.0).replace("amps = 1.0", "")
    answer = plans.answer(unknown, "ground.body.wire_amps", device=HEATER)
    assert answer.text == "not checked: the rig does not give amps of output mat"
