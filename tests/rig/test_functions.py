"""The table of functions agrees with the readable tables of the standard, and is found by message and by DSA."""

import csv
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, by_command, by_dsa, by_status
from rvsim.wire.fields import Origin

VECTORS = Path(__file__).parents[1] / "vectors"

# Default source addresses that are published, lowest of each function, and where.
PUBLISHED = {
    "control_panel": (68, "a device maker's manual"),
    "battery_monitor": (69, "rv-c.com/node/527"),
    "tank": (72, "rv-c.com/node/527"),
    "thermostat": (88, "88: profile prefix in rv-c.com/node/572"),
    "air_conditioner": (103, "103: profile prefix in rv-c.com/node/569"),
    "inverter": (66, "66: an inverter/charger maker's manual"),
    "transfer_switch": (79, "rv-c.com/node/527"),
    "dc_dimmer": (131, "rv-c.com/node/72 and 518"),
    "dc_load": (146, "a proposed change in rv-c.com/node/518"),
    "dc_input": (132, "DC input, keypads too: a keypad maker's integrator guide"),
    "awning": (130, "rvia.org/forum, awning submission"),
    "lock": (135, "door control: rv-c.com/node/518"),
    "slide": (84, "84: rv-c.com/node/518"),
    "generator": (64, "rv-c.com/node/82"),
    "waste_dump": (129, "rv-c.com/node/82"),
    "refrigerator": (107, "rv-c.com/node/500: with freezers and the like"),
}
# From memory, and from memory but unsure: no outside source, kept here so that a slip is noticed.
REMEMBERED = {"charger": (74, 75), "water_heater": (101, 102), "generator_start": (65,)}
UNSURE = {
    "furnace": (94, 95, 96, 97, 98),
    "roof_fan": (),
    "ambient_sensor": (),
    "dc_source": (),
    "circulation_pump": (),
    "heat_pump": (),
    "floor_heat": (),
    "solar_controller": (141,),
    "ac_load": (77,),
    "window_shade": (),
    "dc_disconnect": (),
    "gas_sensor": (),
    "water_pump": (128,),
    "autofill": (),
    "weather_station": (80,),
}


def test_published_default_source_addresses_are_the_published_ones():
    """The lowest address of each function whose origin is published is the one in the source named beside it."""
    published = {f.name: f for f in FUNCTIONS.values() if f.origin is Origin.PUBLISHED}
    assert {name: (f.dsas[0], f.source.partition(";")[0]) for name, f in published.items()} == PUBLISHED


def test_what_is_not_published_says_so():
    """Addresses from memory are marked as such, and a function without an established one has none."""
    assert {f.name: f.dsas for f in FUNCTIONS.values() if f.origin is Origin.MEMORY} == REMEMBERED
    assert {f.name: f.dsas for f in FUNCTIONS.values() if f.origin is Origin.UNSURE} == UNSURE
    assert FUNCTIONS["thermostat"].dsas == (88, 89, 90, 91, 92)
    without = {f.source.partition("; ")[0] for f in FUNCTIONS.values() if not f.dsas}
    assert without == {"no default source address is established", "not established"}


def test_what_is_less_sure_than_the_lowest_is_said():
    """Beside a published address, what comes from elsewhere has its own source."""
    rest = {f.name: f.source.partition("; ")[2] for f in FUNCTIONS.values() if ";" in f.source}
    assert rest == {
        "thermostat": "89 to 92: from memory, unsure",
        "dc_source": "that the highest device priority reports an instance: device makers' appendices",
        "air_conditioner": "104 to 106: from memory, unsure",
        "inverter": "67: from memory",
        "dc_dimmer": "DC loads had it too before they got 146",
        "dc_load": "before it 131, shared with dimmers",
        "slide": "85 to 87: from memory, unsure",
        "refrigerator": "its messages are not established",
        "window_shade": "the submission of 2008 used 131",
    }
    assert {FUNCTIONS[name].source for name in REMEMBERED} == {"from memory"}
    assert FUNCTIONS["furnace"].source == "from memory, unsure"


def test_every_message_is_in_the_table_of_messages():
    """Status and command messages are names of the table of DGNs, and no command has a gap in it."""
    with (VECTORS / "dgns.csv").open(encoding="utf-8", newline="") as file:
        rules = {row["name"]: row["broadcast_gap_ms_or_rule"] for row in csv.DictReader(file)}
    for function in FUNCTIONS.values():
        assert not any("ms" in rules[message] for message in function.commands)
        assert all(message in rules for message in function.statuses)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_is_found_by_each_of_its_marks(name):
    """By status, by command and by default source address, each leading back to it alone."""
    function = FUNCTIONS[name]
    assert function.name == name
    assert [by_status(message) for message in function.statuses] == [function] * len(function.statuses)
    assert [by_command(message) for message in function.commands] == [function] * len(function.commands)
    assert [by_dsa(dsa) for dsa in function.dsas] == [function] * len(function.dsas)


def test_what_no_function_has_finds_none():
    """A message that is nobody's status or command and an address of no function give None."""
    assert by_status("FURNACE_COMMAND") is None
    assert by_command("FURNACE_STATUS") is None
    assert by_dsa(255) is None


def test_statuses_and_commands_are_told_apart():
    """The pairs a panel works with."""
    assert by_status("WATERHEATER_STATUS") is by_command("WATERHEATER_COMMAND") is FUNCTIONS["water_heater"]
    assert by_status("CHARGER_STATUS_2") is FUNCTIONS["charger"]
    assert {by_status(f"DC_SOURCE_STATUS_{page}") for page in (1, 2, 3)} == {FUNCTIONS["dc_source"]}
    assert by_status("CIRCULATION_PUMP_STATUS") is by_command("CIRCULATION_PUMP_COMMAND")
    assert by_status("CIRCULATION_PUMP_STATUS") is FUNCTIONS["circulation_pump"]
    assert FUNCTIONS["control_panel"].statuses == FUNCTIONS["control_panel"].commands == ()


def test_only_tanks_have_an_instance_zero_and_only_dc_sources_are_shared():
    """Zero is seldom valid (rv-c.com/node/581); DC sources share an instance by device priority."""
    assert {f.name for f in FUNCTIONS.values() if f.zero_allowed} == {"tank"}
    assert {f.name for f in FUNCTIONS.values() if f.shared} == {"dc_source"}
    assert {f.name: f.lowest_instance for f in FUNCTIONS.values() if f.name in ("tank", "furnace")} == {
        "tank": 0,
        "furnace": 1,
    }
    assert MAX_INSTANCE == 250  # rv-c.com/book/export/html/81


def test_a_battery_is_spoken_for_by_several_but_has_one_monitor():
    """The address of a battery monitor is no sign of the others: the monitor has a function of its own for it."""
    assert by_dsa(69) is FUNCTIONS["battery_monitor"]
    assert FUNCTIONS["battery_monitor"].statuses == FUNCTIONS["dc_source"].dsas == ()
    assert not FUNCTIONS["battery_monitor"].shared


def test_a_function_cannot_be_changed():
    """The table is the same for everyone."""
    with pytest.raises(FrozenInstanceError):
        FUNCTIONS["tank"].shared = True  # type: ignore[misc]


def test_titles_are_spoken():
    """A title is the name with blanks, save for abbreviations and where the trade speaks otherwise."""
    assert {f.title for f in FUNCTIONS.values() if f.title != f.name.replace("_", " ")} == {
        "DC source", "AC load", "DC load", "DC disconnect", "digital input", "dimmer", "genset", "genset start",
        "slide room", "tank filling",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("function", "dsa", "origin"),
    [
        ("thermostat", 88, Origin.PUBLISHED),  # rv-c.com/node/572
        ("thermostat", 89, Origin.UNSURE),
        ("inverter", 66, Origin.PUBLISHED),
        ("inverter", 67, Origin.MEMORY),
        ("charger", 75, Origin.MEMORY),
        ("water_heater", 102, Origin.MEMORY),
        ("furnace", 94, Origin.UNSURE),
        ("slide", 87, Origin.UNSURE),
    ],
)
def test_each_default_source_address_has_its_origin(function, dsa, origin):
    """By the table of default source addresses: the lowest of a function is often better known than the others."""
    assert FUNCTIONS[function].origin_of(dsa) is origin


def test_an_alternator_is_called_by_its_name():
    """An alternator regulator maker's instances of a charger: 30h and the number; others are numbers."""
    charger, tank = FUNCTIONS["charger"], FUNCTIONS["tank"]
    assert [charger.label(instance) for instance in (1, 0x30, 0x31, 0x3F, 0x41)] == [
        "charger 1", "charger 48", "alternator 1", "alternator 15", "charger 65",
    ]  # fmt: skip
    assert tank.label(0x31) == "tank 49"
