"""Which fuses are right: for their wire, their load, their place and a short circuit."""

import pytest

VAN = """
[[battery]]
name = "house"
{battery}

[[branch]]
name = "main"
{fuse}
wire = {{ awg = 4, length_m = 1.0{laid} }}

[[module]]
name = "cupboard"
branch = "main"

[[output]]
name = "mat"
module = "cupboard"
terminal = 1
load = "heater mat"
amps = {amps}
"""
FUSE = "fuse_amps = 100\nfuse_distance_m = 0.1\ninterrupting_amps = 2000"


def van(fuse=FUSE, *, battery="short_circuit_amps = 2000", amps=40.0, laid="", output="", more=""):
    """Return a battery, one branch with its fuse, and one load."""
    return VAN.format(battery=battery, fuse=fuse, amps=amps, laid=laid) + output + more


def pair(plans, key, inside, outside, severity="warning"):
    """Ask the same of two rigs: the first is sound, the second flagged. Return the answer to the second."""
    assert not plans.answer(inside, key).is_flagged
    answer = plans.answer(outside, key)
    assert (answer.is_flagged, answer.severity) == (True, severity)
    return answer


def test_a_sound_fuse_raises_no_flag(plans):
    """Neither a notice."""
    assert not [flag for flag in plans.report(van()).flags if flag.kind in ("rig-fuse", "rig-conductor")]


def test_a_fuse_carries_its_load(plans):
    """1.25 times 80 A is 100 A; a fuse that is below its load opens in use. The next size is named."""
    key = "branch.main.fuse_margin"
    answer = pair(plans, key, van(amps=80.0), van(amps=80.1))
    assert answer.advice == "use a fuse of 125 A"
    assert plans.answer(van(amps=101.0), key).severity == "fault"
    more = "use a fuse of 200 A, and a wire that carries it: this one may have 175 A at most"
    assert plans.answer(van(amps=150.0), key).advice == more
    assert "6.7 %" in answer.rule.disagreement
    rules = "\n[rules]\nfuse_margin = 1.334\n"
    assert plans.answer(van(amps=80.0, more=rules), key).is_flagged
    flags = [flag for flag in plans.report(van(amps=80.1)).flags if flag.kind == "rig-fuse"]
    assert [(flag.subject, flag.severity) for flag in flags] == [("branch main", "warning")]


def test_a_fuse_protects_its_conductor(plans):
    """160 A of 4 AWG; the next size of 175 A is allowed unless the rig says otherwise, 200 A is a fault."""
    key, text = "branch.main.fuse_conductor", FUSE.replace("100", "{}", 1)
    answer = pair(plans, key, van(text.format(175)), van(text.format(200)), "fault")
    assert answer.advice == "use a fuse of 175 A, or use 2 AWG in place of 4 AWG"
    strict = "\n[rules]\nfuse_next_size = false\n"
    answer = pair(plans, key, van(text.format(150), more=strict), van(text.format(175), more=strict), "fault")
    assert answer.advice.startswith("use a fuse of 150 A")


def test_the_next_size_is_allowed_up_to_half_as_much_again_and_not_for_motors(plans):
    """18 AWG in a bundle of 25 carries 8 A: 10 A is the next size. For a motor it is not allowed."""
    wire = "wire = { awg = 18, length_m = 1.0, bundle = 25 }\nfuse_amps = 10\n"
    key = "output.mat.fuse_conductor"
    assert not plans.answer(van(output=wire, amps=2.0), key).is_flagged
    motor = van(output=wire, amps=2.0).replace('"heater mat"', '"motor"')
    assert plans.answer(motor, key).is_flagged
    assert plans.answer(van(output=wire.replace("10", "15"), amps=2.0), key).is_flagged


def test_a_lasting_overload_is_said(plans):
    """A fuse of 15 A may carry 20.25 A for minutes: more than the 17.5 A of its wire in a bundle of 7."""
    key, wire = "output.mat.fuse_conductor", "fuse_amps = 15\nwire = {{ awg = 14, length_m = 1.0{} }}\n"
    assert "20.25 A" in plans.answer(van(output=wire.format(", bundle = 7"), amps=5.0), key).unproven
    assert "20.25 A" not in plans.answer(van(output=wire.format(""), amps=5.0), key).unproven


def test_a_wire_without_a_fuse_is_a_fault(plans):
    """No fuse from the battery on; the advice is a fuse that fits load and wire."""
    answer = plans.answer(van(""), "branch.main.fuse_conductor")
    assert (answer.is_flagged, answer.severity) == (True, "fault")
    assert answer.advice == "put a fuse of at most 175 A and at least 50 A at the battery's end of it"


def test_of_wires_in_series_without_a_fuse_the_first_is_told(plans):
    """The second one says where to begin. A branch without wire and fuse is no wire: it is not checked."""
    text = van("", output="wire = { awg = 10, length_m = 1.0 }\n")
    flags = [flag for flag in plans.report(text).flags if flag.kind == "rig-fuse"]
    assert [flag.subject for flag in flags] == ["branch main"]
    answer = plans.answer(text, "output.mat.fuse_conductor")
    assert (answer.judgement, answer.text) == ("unchecked", "not judged: branch main has no fuse; put one there first")
    bare = plans.answer(text.replace("wire = { awg = 4, length_m = 1.0 }", ""), "branch.main.fuse_conductor")
    assert bare.text == "not checked: the rig does not give fuse_amps of branch main, wire of branch main"


def test_a_fuse_further_up_protects_a_wire_as_far_as_it_carries(plans):
    """100 A before a wire of 6 AWG are right, before one of 14 AWG a fault: the output's own limit is no fuse."""
    key, wire = "output.mat.fuse_conductor", "limit_amps = 8.0\nwire = {{ awg = {}, length_m = 1.0 }}\n"
    answer = pair(plans, key, van(output=wire.format(6), amps=5.0), van(output=wire.format(14), amps=5.0), "fault")
    assert answer.text.endswith("the current limit of its output is no fuse")
    by_relay = van(output=wire.format(14) + 'relay = "mat"\n', amps=5.0, more='[[relay]]\nname = "mat"\n')
    assert plans.answer(by_relay, key).text.endswith("that its wire may carry")
    assert answer.advice == "give it a fuse of 35 A of its own, or use 6 AWG in place of 14 AWG"


def test_a_wire_that_is_too_thin_for_its_table_is_judged_where_it_is_certain(plans):
    """0.5 mm2 carries less than the 16 A of 0.75 mm2: 25 A are too much, 20 A (the next size) are not certain."""
    key, wire = "output.mat.fuse_conductor", "fuse_amps = {}\nwire = {{ area_mm2 = 0.5, length_m = 1.0 }}\n"
    assert plans.answer(van(output=wire.format(20), amps=2.0), key).judgement == "unchecked"
    answer = plans.answer(van(output=wire.format(25), amps=2.0), key)
    assert (answer.is_flagged, answer.severity) == (True, "fault")
    assert answer.advice == "use 1.5 mm2 in place of 0.5 mm2"
    before = van(output=wire.format(5), amps=2.0).replace("fuse_amps = 100", "fuse_amps = 15", 1)
    assert plans.answer(before, "output.mat.fuse_distance").judgement == "unchecked"


def test_a_fuse_is_near_its_source(plans):
    """7 in, in a sheath 40 in, by ABYC E-11; 18 in by the NEC. An unknown place is not checked."""
    key, near = "branch.main.fuse_distance", FUSE.replace("0.1", "{}")
    answer = pair(plans, key, van(near.format(0.178)), van(near.format(0.179)))
    assert "or lay the wire before it in a sheath" in answer.advice
    sheathed = ", sheathed = true"
    pair(plans, key, van(near.format(1.016), laid=sheathed), van(near.format(1.02), laid=sheathed))
    nec = '\n[rules]\nfuse_place = "NEC 552.10"\n'
    pair(plans, key, van(near.format(0.457), more=nec), van(near.format(0.46), more=nec))
    unknown = van(FUSE.replace("fuse_distance_m = 0.1", ""))
    assert plans.answer(unknown, key).text.endswith("fuse_distance_m of branch main")


def test_the_place_does_not_matter_behind_a_fuse_that_protects_the_wire(plans):
    """The branch's 100 A protect a wire of 6 AWG all the way, and not one of 8 AWG."""
    key, own = "output.mat.fuse_distance", "fuse_amps = 20\nwire = {{ awg = {}, length_m = 1.0 }}\n"
    assert plans.answer(van(output=own.format(6), amps=5.0), key).limit.startswith("none")
    assert plans.answer(van(output=own.format(8), amps=5.0), key).judgement == "unchecked"


@pytest.mark.parametrize(
    ("battery", "least", "why"),
    [
        ("short_circuit_amps = 1800", 1800, "1800 A of battery house"),
        ("cold_cranking_amps = 650", 1500, "650 CCA of battery house: 1500 A for a main fuse"),
        ("cold_cranking_amps = 651", 3000, "651 CCA"),
        ("cold_cranking_amps = 1101", 5000, "1101 CCA"),
        ("internal_milliohm = 8.0", 1600, "12.8 V / (8 mohm"),
        ('chemistry = "lfp"\ninternal_milliohm = 10.0', 1340, "13.4 V / (10 mohm"),
        ("short_circuit_amps = 10001", 20_000, "above 10000 A: 20000 A"),
    ],
)
def test_a_fuse_interrupts_what_the_battery_gives(plans, battery, least, why):
    """By its short-circuit current, its cold cranking current, or its voltage and resistance: the answer says which."""
    key, text = "branch.main.fuse_interrupting", FUSE.replace("2000", "{}")
    answer = pair(plans, key, van(text.format(least), battery=battery), van(text.format(least - 1), battery=battery),
                  "fault")  # fmt: skip
    assert why in answer.formula
    assert answer.advice.startswith("use a ")


def test_a_fuse_further_on_interrupts_less(plans):
    """The wires before it limit a short circuit, at 20 C; by cold cranking amperes a branch has its own column."""
    key = "output.mat.fuse_interrupting"
    own = "fuse_amps = 20\ninterrupting_amps = {}\nwire = {{ awg = 10, length_m = 1.0 }}\n"
    wire = 2 * 0.308e-3 * 3.28084 / 1.21615
    amps = 12.8 / (12.8 / 2000 + wire)
    answer = pair(plans, key, van(output=own.format(round(amps) + 1)), van(output=own.format(round(amps) - 1)), "fault")
    assert f"{amps:.4g} A" in answer.formula
    cca = "cold_cranking_amps = 900"
    pair(plans, key, van(output=own.format(1500), battery=cca), van(output=own.format(1499), battery=cca), "fault")


def test_a_large_battery_needs_the_figure_of_its_maker(plans):
    """Above 2200 CCA or 500 Ah the class by cold cranking amperes is not enough."""
    key = "branch.main.fuse_interrupting"
    for battery in ("cold_cranking_amps = 2201", "cold_cranking_amps = 900\ncapacity_ah = 501"):
        assert "short_circuit_amps of battery house" in plans.answer(van(battery=battery), key).text
    for battery in ("cold_cranking_amps = 2200", "cold_cranking_amps = 900\ncapacity_ah = 500"):
        assert plans.answer(van(battery=battery), key).is_flagged  # 2000 A against 5000 and 3000 A
    assert "or internal_milliohm of battery house" in plans.answer(van(battery=""), key).text


def test_a_short_circuit_at_the_far_end_opens_the_fuse(plans):
    """At least twice the fuse, with the wires at 75 C: just inside and just outside by the length of the wire."""
    key, own = "output.mat.fuse_reach", "fuse_amps = 10\nwire = {{ awg = 18, length_m = {} }}\n"
    ohm = 12.0 / 20.0 - 12.8 / 2000 - 2 * 0.308e-3 * 3.28084
    longest = ohm / (2 * 7.95e-3 * 3.28084)
    answer = pair(
        plans, key, van(output=own.format(round(longest - 0.01, 2)), amps=1.0),
        van(output=own.format(round(longest + 0.01, 2)), amps=1.0),
    )  # fmt: skip
    assert answer.advice == "use a fuse of at most 7.5 A, or use a thicker or shorter wire"
    assert answer.value == pytest.approx(2.0, abs=0.01)
    unknown = van(output=own.format(5.0), battery="", amps=1.0)
    assert plans.answer(unknown, key).text.endswith("short_circuit_amps or internal_milliohm of battery house")
    assert plans.answer(van(output=own.format(20.0), battery="", amps=1.0), key).is_flagged  # whatever the battery


def test_a_smaller_fuse_opens_before_the_one_behind_it_is(plans):
    """100 A before 60 A are 1.67 times; before 70 A they are 1.43 times, a notice."""
    key, own = "output.mat.fuse_order", "fuse_amps = {}\nwire = {{ awg = 4, length_m = 1.0 }}\n"
    answer = pair(plans, key, van(output=own.format(60)), van(output=own.format(70)), "notice")
    assert "branch main may open before its fuse of 70 A" in answer.text


def test_a_rating_that_nobody_sells_is_told(plans):
    """11 A lies between 10 and 15 A; a breaker has sizes of its own."""
    key, text = "branch.main.fuse_size", FUSE.replace("100", "{}", 1)
    answer = pair(plans, key, van(text.format(7.5)), van(text.format(11)), "notice")
    assert answer.advice == "the nearest are 10 A and 15 A"
    keys = [answer.key for answer in plans.report(van(text.format(11) + '\nbreaker = "manual"')).answers]
    assert key not in keys


def test_a_fuse_bears_the_start_of_its_load(plans):
    """Twice the rating for 0.15 s is the shortest time of a quick blade; a start that is longer is a notice."""
    key = "output.mat.fuse_start"
    own = 'fuse_amps = 10\nwire = {{ awg = 10, length_m = 1.0 }}\npeak_amps = 20.0\npeak = "{}"\n'
    pair(plans, key, van(output=own.format("150ms"), amps=2.0), van(output=own.format("151ms"), amps=2.0), "notice")
    slight = own.format("10s").replace("20.0", "13.4")
    assert plans.answer(van(output=slight, amps=2.0), key).limit == "none"
    unknown = own.format("1s").replace('peak = "1s"', "")
    assert plans.answer(van(output=unknown, amps=2.0), key).judgement == "unchecked"


def test_a_device_with_a_fuse_of_its_own_is_asked_for_a_wire(plans):
    """It has no key for a wire: a branch has."""
    device = """
    [[device]]
    name = "air heater"
    address = 0x5E
    functions = { furnace = 1 }
    branch = "main"
    fuse_amps = 7.5
    amps = { furnace = [0.1, 6.1] }
    """
    answer = plans.answer(van(), "device.air_heater.fuse_conductor", device=device)
    assert answer.text.endswith("a branch with a wire for device air heater")
    assert plans.answer(van(), "device.air_heater.fuse_margin", device=device).is_flagged
    assert not plans.answer(van(), "device.air_heater.fuse_margin", device=device.replace("6.1", "6.0")).is_flagged


def test_fuses_of_a_module_on_no_branch_are_not_checked(plans):
    """Its branch is named; nothing says that there is no fuse."""
    text = van(output="wire = { awg = 10, length_m = 1.0 }\n").replace('branch = "main"', "")
    answer = plans.answer(text, "output.mat.fuse_conductor")
    assert answer.text == "not checked: the rig does not give branch of module cupboard"


def test_the_table_of_fuses_lists_each_of_them(plans):
    """With its rating, its place and what it interrupts."""
    tables = [table for table in plans.report(van()).tables if table.name == "fuses"]
    assert tables[0].rows == (("branch main", "100", "fuse", "40", "160", "0.1", "2000"),)
