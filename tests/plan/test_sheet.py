"""The commissioning sheet as data: tables as built, expected readings, cautions, and the page for the door."""

from dataclasses import replace

import pytest

from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section
from rvsim.plan.as_built import NOT_GIVEN, ranges
from rvsim.plan.report import PlanReport
from rvsim.plan.sheet import Sheet

VAN = """
[[device]]
name = "panel"
address = 0x44
functions = { control_panel = 1 }
branch = "electronics"

[[device]]
name = "load centre"
address = 0x8E
kind = "load_centre"
branch = "electronics"

[[device]]
name = "heater"
address = 0x5E
functions = { furnace = 1 }
branch = "living"
fuse_amps = 20.0
"""
TABLES = """
[battery]
chemistry = "lfp"
capacity_ah = 200.0
zone = "cabin"

[[branch]]
name = "living"
fuse_amps = 60.0
fuse_distance_m = 0.1
wire = { area_mm2 = 16.0, length_m = 2.5 }

[[branch]]
name = "electronics"
parent = "living"
fuse_amps = 5.0
breaker = "manual"
wire = { awg = 14, length_m = 4.0 }

[[ground]]
name = "bar"
wire = { milliohm = 2.0 }

[[module]]
name = "cupboard"
device = "load centre"
branch = "living"
limit_amps = 22.0
output_count = 8
ground = "bar"

[[output]]
name = "porch light"
module = "cupboard"
terminal = 2
instance = 2
load = "led"
amps = 1.5
manual_override = false

[[output]]
name = "water pump"
module = "cupboard"
terminal = 1
instance = 11
load = "pump"
amps = 5.0
peak_amps = 18.0
fuse_amps = 10.0
wire = { area_mm2 = 2.5, length_m = 4.0 }
manual_override = true

[[output]]
name = "mat"
module = "cupboard"
terminal = 3
load = "heater mat"
relay = "mat relay"

[[output]]
name = "stair light"
module = "cupboard"
terminal = 4
load = "led"
manual_override = false

[[relay]]
name = "mat relay"
contact_amps = 30.0
suppressor = "diode"

[[input]]
name = "door"
module = "cupboard"
terminal = 1
instance = 21
ladder = { pull_up_ohm = 1000, rungs = { porch = 330, pump = 1000 } }
switches = { porch = "porch light" }

[harness]
cable = "grey pair"

[[tap]]
name = "front"
terminator = true
ports = 3
drops = [{ device = "panel", length_m = 0.5, terminator = false }]

[[tap]]
name = "side"
on = "front"
length_m = 1.0

[[tap]]
name = "rear"
length_m = 4.0
drops = [{ device = "heater", terminator = true }]
"""


@pytest.fixture
def sheet(plans):
    """The sheet of an invented van of which nothing is checked."""
    return Sheet(PlanReport(plans.rig(TABLES, device=VAN), ()))


def of_sections(plans, *sections, text=""):
    """Return the sheet of the van with sections that are made up."""
    return Sheet(PlanReport(plans.rig(TABLES + text, device=VAN), sections))


def table(tables, name):
    """Return the only table of a name, by the first cell of its rows."""
    (found,) = [one for one in tables if one.name == name]
    return {row[0]: dict(zip(found.columns, row, strict=True)) for row in found.rows}


def test_supplies_as_built(sheet):
    """Batteries with what is known; branches with source, fuse, wire and what they feed, own fuses included."""
    assert table(sheet.built, "as_built_batteries")["house"] == {
        "battery": "house", "chemistry": "LFP", "Ah": "200", "stands in": "cabin",
    }  # fmt: skip
    branches = table(sheet.built, "as_built_branches")
    assert branches["living"] == {
        "branch": "living", "from": "battery house", "fuse A": "60", "fuse after m": "0.1", "wire": "16 mm²",
        "m one way": "2.5", "feeds": "electronics, heater, porch light, water pump, mat, stair light",
    }  # fmt: skip
    assert list(branches) == ["living", "electronics"]
    electronics = branches["electronics"]
    assert (electronics["from"], electronics["fuse A"], electronics["fuse after m"]) == (
        "living", "breaker 5", NOT_GIVEN,
    )  # fmt: skip
    assert (electronics["wire"], electronics["feeds"]) == ("14 AWG", "panel, load centre")


def test_devices_as_built(sheet):
    """Each device with its address in hexadecimal, its instances, its branch, its own fuse and its tap."""
    devices = table(sheet.built, "as_built_devices")
    assert devices["load centre"]["functions and instances"] == "dimmer 2, DC load 11, digital input 21-22"
    heater = devices["heater"]
    assert (heater["address (hex)"], heater["own fuse A"], heater["tap"]) == ("5E", "20", "rear")
    assert devices["panel"]["own fuse A"] == NOT_GIVEN


def test_switching_as_built(sheet):
    """Outputs in the order of their terminals, wires, relays, and the resistor of each switch of a ladder."""
    outputs = table(sheet.built, "as_built_outputs")
    assert [row["output"] for row in outputs.values()] == ["water pump", "porch light", "mat", "stair light"]
    assert outputs["cupboard 1"] == {
        "terminal": "cupboard 1", "output": "water pump", "instance": "load 11", "load": "pump", "running A": "5",
        "highest A": "18", "relay": "", "by hand": "yes",
    }  # fmt: skip
    assert outputs["cupboard 3"]["relay"] == "mat relay"
    assert table(sheet.built, "as_built_wires") == {
        "water pump": {"output": "water pump", "wire": "2.5 mm²", "m one way": "4", "own fuse A": "10"}
    }
    assert table(sheet.built, "as_built_relays")["mat relay"] == {
        "relay": "mat relay", "of output": "mat", "contact": "single throw", "contact A": "30", "suppressor": "diode",
    }  # fmt: skip
    module = table(sheet.built, "as_built_modules")["cupboard"]
    assert (module["outputs used"], module["inputs used"], module["ground"]) == ("4 of 8", "1", "bar")
    (inputs,) = [one for one in sheet.built if one.name == "as_built_inputs"]
    assert inputs.rows == (
        ("cupboard 1", "door.porch", "21", "momentary", "porch light", "330"),
        ("cupboard 1", "door.pump", "22", "momentary", "", "1000"),
    )


def test_what_no_row_has_is_no_column(plans):
    """A column of a figure that nobody gives is left out, as one in which nothing can stand; a gap is explained."""
    text = """
    [[module]]
    name = "box"
    [[output]]
    name = "fan"
    module = "box"
    terminal = 1
    amps = 3.0
    fuse_amps = 5.0
    [[output]]
    name = "lamp"
    module = "box"
    terminal = 2
    """
    tables = {one.name: one for one in Sheet(PlanReport(plans.rig(text), ())).built}
    assert tables["as_built_outputs"].columns == ("terminal", "output", "running A")
    assert tables["as_built_outputs"].note == "- means that the rig does not give the figure."
    assert tables["as_built_devices"].note == ""
    assert tables["as_built_wires"].rows == (("fan", "5"),)


def test_a_module_is_fed_as_its_device_is(plans):
    """Where a rig names no branch of its own for the outputs."""
    text = TABLES.replace('device = "load centre"\nbranch = "living"', 'device = "load centre"')
    sheet = Sheet(PlanReport(plans.rig(text, device=VAN), ()))
    assert table(sheet.built, "as_built_modules")["cupboard"]["outputs fed by"] == "electronics"
    assert "porch light" in table(sheet.built, "as_built_branches")["electronics"]["feeds"]


def test_harness_and_grounds_as_built(sheet):
    """Taps in their order with cable, ports, terminators and drops; a chained tap takes a port and no place."""
    taps = table(sheet.built, "as_built_taps")
    assert taps["front"] == {
        "tap": "front", "where": "start of the trunk", "cable m": NOT_GIVEN, "ports used": "2 of 3",
        "terminator": "yes", "drops": "panel 0.5 m",
    }  # fmt: skip
    assert (taps["rear"]["where"], taps["rear"]["drops"]) == ("after front", "heater - with terminator")
    assert taps["side"]["where"] == "chained to front"
    (harness,) = [one for one in sheet.built if one.name == "as_built_taps"]
    assert harness.note == "Cable: grey pair."
    assert table(sheet.built, "as_built_grounds")["bar"]["wire"] == "2 mΩ out and back"


def test_what_is_measured(sheet):
    """A row for each supply, each device, each switch and each output, with what is expected of it."""
    assert list(table(sheet.expected, "reading_voltages")) == ["battery house", "branch living", "branch electronics"]
    assert table(sheet.expected, "reading_devices")["heater"]["address (hex)"] == "5E"
    assert table(sheet.expected, "reading_switches")["door.pump"]["instance"] == "22"
    pump = table(sheet.expected, "reading_outputs")["water pump"]
    assert (pump["running A"], pump["highest A"]) == ("5", "18")


def test_cautions_belong_to_what_is_there(sheet, plans):
    """Heater, loads and lithium have theirs; a rig without them has those that hold for all work."""
    told = " ".join(sheet.cautions)
    assert "heater: Combustion" in told
    assert "load centre: Loads" in told
    assert "battery house: Lithium" in told
    bare = Sheet(PlanReport(plans.rig(""), ())).cautions
    assert len(bare) == 2
    assert bare[0].startswith("Ohms are measured with all power off")
    assert bare[-1].startswith("This is arithmetic from the figures given.")


def test_lithium_is_cautioned_once(plans):
    """By the charger where there is one, else by the battery."""
    charger = '[[device]]\nname = "charger"\nkind = "charger"\naddress = 0x4A\nfunctions = { charger = 1 }\n'
    lithium = '[battery]\nchemistry = "lfp"\n'
    for device, first in ((charger, "charger: "), ("", "battery house: ")):
        rig = plans.rig(
            lithium, device=device or charger.replace('kind = "charger"\n', "").replace("{ charger = 1 }", "{}")
        )
        told = [line for line in Sheet(PlanReport(rig, ())).cautions if "Lithium" in line]
        assert len(told) == 1
        assert told[0].startswith(first)


def test_a_motor_is_cautioned(plans):
    """What moves is named."""
    outputs = "".join(
        f'[[output]]\nname = "{name}"\nmodule = "box"\nterminal = {place}\n'
        for place, name in enumerate(("out", "in"), 1)
    )
    motion = '[[module]]\nname = "box"\n[[motion]]\nname = "awning"\nwhat = "awning"\nextend = "out"\nretract = "in"\n'
    assert any(
        line.startswith("awning: Motion: ") for line in Sheet(PlanReport(plans.rig(outputs + motion), ())).cautions
    )


def test_the_door_says_what_to_do(sheet):
    """The fuses on the way to the screen and the modules, in steps; 60 ohm of the pair; the heater's lockout last."""
    steps = sheet.door.steps
    assert steps[0].startswith("A gas or CO alarm sounds")
    assert steps[1] == (
        "panel: breaker of 5 A in electronics, fuse of 60 A in living, battery house. Look at these fuses first, then "
        "at the plugs."
    )
    assert steps[3] == (
        "The electronics of load centre: breaker of 5 A in electronics, fuse of 60 A in living, battery house."
    )
    assert "about 60 Ω with both terminators" in steps[5]
    assert steps[-1].startswith("A heater that has locked out")


def test_the_door_says_what_works_without_the_screen(sheet):
    """By hand, by the module alone, over the network alone, and what the rig does not say."""
    door = sheet.door
    assert door.by_hand == ("water pump",)
    assert door.by_module == ("door (porch light)",)
    assert (door.by_network, door.unknown) == (("stair light",), ("mat",))
    fuses = {row[0]: row[1:] for row in door.feeds.rows}
    assert fuses["living"][2].startswith("electronics, heater (20 A), porch light, water pump (10 A), mat")
    assert len(fuses) == 2
    assert fuses["electronics"] == ("5", "living", "panel, load centre")


def test_the_door_says_what_is_built(sheet, plans):
    """Batteries with their places, modules with their limits, the pair with its cable and both terminators."""
    assert sheet.door.built == (
        "Battery house: 200 Ah LFP, in the cabin.",
        "Module cupboard: 4 outputs, at most 22 A together.",
        "CAN pair (grey pair): 3 taps; terminators at front, heater.",
    )
    outside = Sheet(PlanReport(plans.rig('[battery]\ncapacity_ah = 95.0\nzone = "outdoors"\n'), ())).door.built
    assert outside == ("Battery house: 95 Ah AGM, outdoors.",)


def test_a_screen_has_a_step_of_its_own(plans):
    """With its own fuse first, and once where it is a module as well."""
    device = VAN.replace('branch = "electronics"\n', 'branch = "electronics"\nfuse_amps = 3.0\n', 1)
    rig = plans.rig(TABLES.replace('device = "load centre"', 'device = "panel"'), device=device)
    steps = Sheet(PlanReport(rig, ())).door.steps
    assert steps[1].startswith("panel: fuse of 3 A in panel, breaker of 5 A in electronics, fuse of 60 A in living")
    assert not any(step.startswith("The electronics of") for step in steps)


def test_the_door_of_a_bare_rig(plans):
    """Without branches the panel is at the battery; nothing is said of a pair or of heaters that are not there."""
    door = Sheet(PlanReport(plans.rig(""), ())).door
    assert door.steps[1] == (
        "panel: at the terminals of the battery house. Look at these fuses first, then at the plugs."
    )
    assert len(door.steps) == 4
    assert door.feeds.rows == ()


@pytest.mark.parametrize(("numbers", "text"), [((3, 1, 2), "1-3"), ((5, 1, 2, 9), "1-2, 5, 9"), ((7,), "7"), ((), "")])
def test_runs_of_instances_are_short(numbers, text):
    """A run is a range."""
    assert ranges(numbers) == text


def made(name, *columns):
    """Return a table of one row that is made up."""
    return PlanTable(name, name, columns, (tuple(f"{column} 1" for column in columns),), "its note")


def test_tables_of_checks_have_their_places(plans):
    """Wires and fuses are built, ohms are measured, breaks are for faults; the rest follows; nothing stands twice."""
    names = ("outputs", "harness", "addresses", "grounds", "wires", "fuses", "ladder_readings", "harness_ohms")
    more = ("harness_breaks", "single_failures", "bill", "night")
    tables = tuple(made(name, "part", "left at its end (V)") for name in (*names, *more))
    sheet = of_sections(plans, Section(Check.CONDUCTORS, (), tables))
    built, expected = ([one.name for one in group] for group in (sheet.built, sheet.expected))
    assert built[-2:] == ["wires", "fuses"]
    assert "as_built_wires" not in built
    assert expected[:3] == ["ladder_readings", "harness_ohms", "reading_voltages"]
    assert [one.name for one in sheet.failures] == ["harness_breaks", "single_failures"]
    assert [one.name for one in sheet.others] == ["bill", "night"]


def test_voltages_come_from_the_wires(plans):
    """What the checks computed for the end of each wire is what the meter should show; an end without is left out."""
    rows = (("branch main", "0.14", "11.86"), ("output mat", "", ""))
    wires = PlanTable("wires", "Wires", ("part", "lost (V)", "left at its end (V)"), rows, "12 V at the battery")
    sheet = of_sections(plans, Section(Check.CONDUCTORS, (), (wires,)))
    (voltages,) = [one for one in sheet.expected if one.name == "reading_voltages"]
    assert (voltages.columns, voltages.rows) == (("at the end of", "expected V"), (("branch main", "11.86"),))
    assert voltages.note == "12 V at the battery"


def test_failures_that_silence_nobody_are_left_out(plans):
    """The fuse of a lamp silences no device."""
    rows = (("the branch main", "heater"), ("the branch lamp", ""))
    failures = PlanTable("single_failures", "", ("failure", "silent then"), rows)
    assert of_sections(plans, Section(Check.HARNESS, (), (failures,))).failures[0].rows == rows[:1]


def test_formulas_are_those_that_are_computed(plans):
    """What is only compared or counted stands in tables; what is wrong stands there in any case."""
    answers = [
        Answer(
            key=f"{check}.{judgement}", check=check, subject="", question="", formula="1 > 0",
            rule=Rule(check, "our decision"), judgement=judgement, unproven=f"not {check}",
        )
        for check in (Check.CURRENTS, Check.IDENTITY, Check.SPARE)
        for judgement in (Judgement.GOOD, Judgement.FLAGGED)
        if (check, judgement) != (Check.SPARE, Judgement.FLAGGED)
    ]  # fmt: skip
    answers.append(replace(answers[0], key="without", formula=""))
    sheet = of_sections(plans, Section(Check.CURRENTS, tuple(answers)))
    assert {check: [one.key for one in found] for check, found in sheet.computed.items()} == {
        Check.CURRENTS: ["currents.good", "currents.flagged"], Check.IDENTITY: ["identity.flagged"],
    }  # fmt: skip
    assert [rule.name for rule in sheet.rules] == ["currents", "identity"]
    assert sheet.unproven == ("not currents", "not identity")


def test_an_alternator_is_named(plans):
    """An instance of a charger that says what it is, is written so."""
    device = '[[device]]\nname = "engine"\naddress = 0x4B\nfunctions = { charger = [0x31, 1, 2] }\n'
    sheet = Sheet(PlanReport(plans.rig("", device=device), ()))
    row = table(sheet.built, "as_built_devices")["engine"]
    assert row["functions and instances"] == "alternator 1, charger 1-2"


def test_a_caution_is_told_once(plans):
    """One that another contains is left out, and that it is arithmetic comes last."""
    last = (
        "This is arithmetic from the figures given. Local law, the makers' instructions and a licensed person decide."
    )
    told = (last, "A number on the bus never replaces a listed CO or gas alarm.", "Lead-acid: ventilate its place.")
    cautions = of_sections(plans, Section(Check.ENDURANCE, (), (), told)).cautions
    assert cautions[-2:] == ("Lead-acid: ventilate its place.", last)
    assert sum("listed CO or gas alarm" in line for line in cautions) == 1
    assert cautions.count(last) == 1


def test_what_the_rig_accepts_is_apart(plans):
    """An accepted answer is no flag, and stands with the reason of the rig."""
    entry = '[[accepted]]\nflag = "rig-current"\nanswer = "output.mat.current"\nreason = "measured"\n'
    answers = tuple(
        Answer(
            key=f"output.{name}.current", check=Check.CURRENTS, subject=name, question="", formula="",
            rule=Rule("a rule", "our decision"), judgement=Judgement.FLAGGED, text="too much", advice="less",
        )
        for name in ("mat", "pump")
    )  # fmt: skip
    sheet = of_sections(plans, Section(Check.CURRENTS, answers), text=entry)
    assert [answer.subject for _, answer in sheet.flagged] == ["pump"]
    assert [(answer.subject, accepted.reason) for answer, accepted in sheet.accepted] == [("mat", "measured")]
