"""The voltage that is lost on the way to loads and devices, and what is left for them."""

import pytest

VAN = """
[[branch]]
name = "main"
fuse_amps = 100
wire = {{ area_mm2 = 25.0, length_m = 1.0 }}

[[branch]]
name = "outputs"
parent = "main"
fuse_amps = 30
wire = {{ area_mm2 = 10.0, length_m = 2.0 }}

[[module]]
name = "cupboard"
branch = "outputs"

[[output]]
name = "galley light"
module = "cupboard"
terminal = 1
{load}
wire = {{ awg = 14, length_m = {length} }}
"""
LIGHT = 'load = "led"\namps = 8.0'
HEATER = """
[[device]]
name = "air heater"
address = 0x5E
functions = {{ furnace = 1 }}
branch = "heater feed"
amps = {{ furnace = [0.1, 3.0] }}
{more}

[[branch]]
name = "heater feed"
fuse_amps = 30
wire = {{ area_mm2 = 4.0, length_m = {length} }}
"""
KEY = "output.galley_light"


def van(load=LIGHT, length=6.0, more=""):
    """Return the tables of a van with one output behind two branches."""
    return VAN.format(load=load, length=length) + more


@pytest.mark.parametrize(("length", "is_flagged"), [(6.7, False), (6.8, True)], ids=["inside", "outside"])
def test_a_drop_is_that_of_the_whole_chain(plans, length, is_flagged):
    """Each wire out and back with what flows in it, each part shown, against 10 % of 12 V."""
    answer = plans.answer(van(length=length), f"{KEY}.drop_percent")
    ohms = [2 * 1.0 * 0.780e-3, 2 * 2.0 * 1.91e-3, 2 * length * 3.14 * 3.28084e-3 / 1.21615]
    assert answer.value == pytest.approx(sum(ohms) * 1.21615 * 8.0 / 12.0 * 100, rel=1e-4)
    assert answer.is_flagged == is_flagged
    assert f"; together {sum(ohms) * 1.21615 * 8.0:.3g} V = " in answer.formula
    assert [part in answer.formula for part in ("branch main", "branch outputs", "output galley light")] == [True] * 3
    assert "NEC chapter 9 table 8" in str(answer.rule)
    assert "IEC 60228 class 5" in str(answer.rule)
    assert "ABYC E-11" in str(answer.rule)


def test_the_flag_names_a_size_that_would_do(plans):
    """The next one by its drop; with it the flag is gone. Its kind is that of conductors."""
    report = plans.report(van(length=6.8))
    assert [(str(flag.kind), flag.subject) for flag in report.flags if flag.kind == "rig-conductor"] == [
        ("rig-conductor", "output galley light")
    ]
    assert report.flags[-1].advice.startswith("wire of output galley light: 12 AWG in place of 14 AWG")
    assert not plans.answer(van(length=6.8).replace("awg = 14", "awg = 12"), f"{KEY}.drop_percent").is_flagged


def test_the_length_that_the_advice_names_is_just_enough(plans):
    """One with it is not flagged, one that is a little longer is."""
    advice = plans.answer(van(length=9.0), f"{KEY}.drop_percent").advice
    longest = float(advice.rpartition(" at most ")[2].removesuffix(" m"))
    assert not plans.answer(van(length=longest), f"{KEY}.drop_percent").is_flagged
    assert plans.answer(van(length=round(longest + 0.01, 2)), f"{KEY}.drop_percent").is_flagged


@pytest.mark.parametrize(("length", "is_flagged"), [(1.6, False), (1.7, True)], ids=["inside", "outside"])
def test_what_is_critical_has_the_lower_limit(plans, length, is_flagged):
    """3 % of 12 V."""
    answer = plans.answer(van(load=f"{LIGHT}\ncritical = true", length=length), f"{KEY}.drop_percent")
    assert answer.limit == "at most 3 % of 12 V"
    assert answer.is_flagged == is_flagged


def test_other_loads_count_with_their_share_and_the_load_itself_in_full(plans):
    """Of 8 A with a share of half the branch counts 4 A, but 8 A while this load is asked for."""
    more = '[[output]]\nname = "desk"\nmodule = "cupboard"\nterminal = 2\namps = 6.0\nshare_percent = 50\n'
    text = van(load=f"{LIGHT}\nshare_percent = 50", more=more)
    formula = plans.answer(text, f"{KEY}.drop_percent").formula
    assert formula.count(" x 11 A") == 2  # both branches: 8 A in full, and half of 6 A
    assert plans.answer(text, "branch.main.drop_percent").formula.count(" x 7 A") == 1


def test_a_branch_counts_with_its_own_share_further_up(plans):
    """Half of 8 A in the main branch; while the light is asked for it is all of it there, too."""
    text = van().replace('parent = "main"', 'parent = "main"\nshare_percent = 50')
    assert "x 4 A" in plans.answer(text, "branch.main.drop_percent").formula
    assert "x 8 A" in plans.answer(text, "branch.outputs.drop_percent").formula
    formula = plans.answer(text, f"{KEY}.drop_percent").formula
    assert formula.count(" x 8 A") == 3


def test_a_branch_that_loses_too_much_is_told_once(plans):
    """What hangs on it is not judged apart, and says so; the branch is the one to correct."""
    text = van().replace("area_mm2 = 10.0, length_m = 2.0", "area_mm2 = 1.0, length_m = 4.0")
    report = plans.report(text)
    assert [flag.subject for flag in report.flags if flag.kind == "rig-conductor"] == ["branch outputs"]
    answer = plans.answer(text, f"{KEY}.drop_percent")
    assert answer.judgement == "unchecked"
    assert answer.text.startswith("not judged: branch outputs alone loses")


START = 'load = "motor"\namps = 2.0\npeak_amps = {amps}\npeak = "{lasts}"'


def test_a_start_of_a_second_is_judged_by_its_drop(plans):
    """Just inside and just outside the limit; a start that is a little shorter is left to trip and cut-off."""
    key = f"{KEY}.peak_drop_percent"
    assert not plans.answer(van(load=START.format(amps=8.8, lasts="1s")), key).is_flagged
    answer = plans.answer(van(load=START.format(amps=9.0, lasts="1s")), key)
    assert answer.is_flagged
    assert "at its start of 9 A for 1 s" in answer.text
    short = plans.answer(van(load=START.format(amps=9.0, lasts="999ms")), key)
    assert not short.is_flagged
    assert short.limit.startswith("none: a start of 0.999 s")
    longer = van(load=START.format(amps=9.0, lasts="999ms"), more='\n[rules]\nshort_start = "0.9s"\n')
    assert plans.answer(longer, key).is_flagged


def test_a_start_of_unknown_length_is_not_judged(plans):
    """Unless its drop is within the limit in any case."""
    text = van(load=START.format(amps=9.0, lasts="1s").replace('peak = "1s"', ""))
    assert plans.answer(text, f"{KEY}.peak_drop_percent").judgement == "unchecked"
    assert not plans.answer(text.replace("9.0", "8.0"), f"{KEY}.peak_drop_percent").text
    unwired = text.replace("wire = { area_mm2 = 25.0, length_m = 1.0 }", "").replace("9.0", "20.0")
    assert plans.answer(unwired, f"{KEY}.peak_drop_percent").judgement == "unchecked"


@pytest.mark.parametrize(("length", "is_flagged"), [(8.3, False), (8.31, True)], ids=["inside", "outside"])
def test_a_heater_runs_on_at_its_glow(plans, length, is_flagged):
    """20 A of a glow plug against the cut-off of heaters at 10 V, with 12 V at the battery: a fault where it stops."""
    rig = HEATER.format(length=length, more='peak_amps = 20.0\npeak = "20s"')
    answer = plans.answer("", "device.air_heater.cut_off", device=rig)
    assert answer.value == pytest.approx(12.0 - 2 * length * 4.95e-3 * 1.21615 * 20.0, abs=1e-4)
    assert (answer.is_flagged, answer.severity == "fault") == (is_flagged, is_flagged)
    more = "wire of branch heater feed: 6 mm2 in place of 4 mm2 (10.67 V left), or 4 mm2 of at most 8.3 m"
    assert not is_flagged or answer.advice == more
    ohm = 2 * 8.31 * 4.95e-3 * 1.21615
    resistive = f"and {12.0 * 0.6 / (0.6 + ohm):.3g} V are left"  # 12 V / 20 A as a resistance behind the wire
    assert (resistive in answer.unproven) == is_flagged


def test_the_cut_off_and_the_worst_hour_are_those_of_the_rig(plans):
    """A cut-off of 10.5 V stops it sooner; so does a battery of 11.5 V."""
    sound = HEATER.format(length=6.0, more="peak_amps = 20.0")
    key = "device.air_heater.cut_off"
    assert not plans.answer("", key, device=sound).is_flagged
    assert plans.answer("", key, device=sound.replace("peak_amps", "cut_off_volts = 10.6\npeak_amps")).is_flagged
    assert plans.answer("[rules]\nsource_volts = 11.4", key, device=sound).is_flagged


def test_an_output_that_can_stop_is_asked_for_its_start(plans):
    """A pump without a peak is unchecked while it runs well; a lamp without its own start is not asked."""
    text = van(load='load = "pump"\namps = 2.0\ncut_off_volts = 9.0')
    assert plans.answer(text, f"{KEY}.cut_off").text.endswith("peak_amps of output galley light")
    assert not plans.answer(text.replace('"pump"', '"heater mat"'), f"{KEY}.cut_off").text


@pytest.mark.parametrize(
    ("old", "new", "missing"),
    [
        ("wire = { awg = 14, length_m = 6.0 }", "", "wire of output galley light"),
        ("amps = 8.0", "", "amps of output galley light"),
        ('branch = "outputs"', "", "branch of module cupboard"),
        ("wire = { area_mm2 = 25.0, length_m = 1.0 }", "", "wire of branch main"),
    ],
)
def test_what_is_left_out_is_named(plans, old, new, missing):
    """And nothing is assumed in its place."""
    answer = plans.answer(van().replace(old, new, 1), f"{KEY}.drop_percent")
    assert answer.judgement == "unchecked"
    assert missing in answer.text


def test_another_load_that_is_left_out_is_named_once(plans):
    """Its current flows through the same branches."""
    more = '[[output]]\nname = "desk"\nmodule = "cupboard"\nterminal = 2\nwire = { awg = 14, length_m = 1.0 }\n'
    answer = plans.answer(van(more=more), f"{KEY}.drop_percent")
    assert answer.text == "not checked: the rig does not give amps of output desk"


def test_what_is_known_can_be_too_much_already(plans):
    """A part is missing, and the others alone are over the limit."""
    text = van(length=7.0).replace("wire = { area_mm2 = 25.0, length_m = 1.0 }", "")
    answer = plans.answer(text, f"{KEY}.drop_percent")
    assert answer.is_flagged
    assert answer.text.endswith("without wire of branch main, which the rig does not give")


def test_a_rig_without_a_supply_says_so_once(plans):
    """One answer for the conductors and one for the fuses."""
    answers = [answer for answer in plans.report("").answers if answer.check in ("conductors", "fuses")]
    assert [(answer.key, answer.judgement) for answer in answers] == [
        ("conductors.supply", "unchecked"),
        ("fuses.supply", "unchecked"),
    ]


def test_devices_on_no_branch_are_named_together(plans):
    """Only those that take a current."""
    device = HEATER.format(length=2.0, more="").replace('branch = "heater feed"', "")
    answer = plans.answer("", "conductors.devices_without_branch", device=device)
    assert answer.text.endswith("branch of device air heater")


def test_a_device_that_takes_nothing_is_not_asked(plans):
    """A sensor of 0 A has no drop; with a current, a start or a cut-off it has."""
    quiet = HEATER.format(length=2.0, more="").replace("furnace", "ambient_sensor").replace("[0.1, 3.0]", "[0.0, 0.0]")

    def keys(device):
        answers = [one for one in plans.report("", device=device).answers if one.check == "conductors"]
        return [answer.key for answer in answers if answer.key.startswith("device.air")]

    assert keys(quiet) == []
    assert keys(quiet.replace("[0.0, 0.0]", "[0.0, 0.1]")) == ["device.air_heater.drop_percent"]
    assert "device.air_heater.cut_off" in keys(quiet.replace("\namps =", "\ncut_off_volts = 9.0\namps ="))
    assert "device.air_heater.peak_drop_percent" in keys(quiet.replace("\namps =", "\npeak_amps = 1.0\namps ="))


def test_no_size_would_do_where_the_branches_leave_nothing(plans):
    """Two branches take nearly all: the advice says that one wire alone cannot make up for it."""
    text = van(load=f"{LIGHT}\ncritical = true").replace("area_mm2 = 10.0, length_m = 2.0", "milliohm = 60.0")
    assert plans.answer(text, f"{KEY}.drop_percent").advice.startswith("no size of one wire alone would do")


def test_the_bench_and_the_plan_have_one_resistance(plans):
    """At 20 C the plan has that of the bench and of the flag low-voltage; at 75 C it is 22 % more."""
    rig = plans.rig(van(more="\n[rules]\nconductor_c = 20\n"))
    bench = rig.branches[0].wire.ohm
    key = "branch.main.drop_percent"
    cold = plans.answer(van(more="\n[rules]\nconductor_c = 20\n"), key).value
    assert cold / 100 * 12.0 == pytest.approx(bench * 8.0)
    assert plans.answer(van(), key).value / cold == pytest.approx(1.21615)


def test_the_table_of_wires_has_the_voltage_at_each_end(plans):
    """For the meter: with all loads running."""
    tables = [table for table in plans.report(van()).tables if table.name == "wires"]
    assert [row[0] for row in tables[0].rows] == ["branch main", "branch outputs", "output galley light"]
    assert [row[-1] for row in tables[0].rows] == ["11.98", "11.91", "10.92"]
