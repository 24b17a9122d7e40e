"""The page of energy: what is measured on the bus, and what a simulation knows beside it."""

import re

import pytest

from rvsim.faces.screen.energy_page import energy_lines
from rvsim.faces.screen.lines import text_of, to_ascii
from rvsim.faces.screen.scene import Mode, Scene
from rvsim.faces.text.display_units import US


def page(scene, width):
    """Return the page as texts."""
    with scene.one_moment():
        return [text_of(line).rstrip() for line in energy_lines(scene, width)]


@pytest.fixture
def large(watched):
    """A larger van with every source, after five minutes."""
    return watched("four_sources", 301)


def test_measured_and_known_are_apart(large, drive):
    """By who, what and rail in the first part; by given, taken and left in the second; none is too wide."""
    narrow = page(large.scene, 80)
    known = narrow.index(" Known to the simulation alone, not on the bus: watts now, and sums of one")
    measured = narrow[:known]
    assert measured[0] == " Measured on the bus"
    subjects = [line.split("  ")[0].strip() for line in measured[1:] if line[1:2].strip()]
    assert subjects == ["heat, air", "water", "mains", "sun", "battery"]
    mains = r" mains      shore charger     takes 0.0 A AC \* +0 ├●─+┤ 12 A"
    assert any(re.fullmatch(mains, line) for line in measured)
    assert any(re.fullmatch(r" {12}generator         gives 0.0 A AC \* +0 ├●─+┤ 29.2 A", line) for line in measured)
    assert any(re.match(r" sun        roof solar        bulk, .*, gives .* A \* ", line) for line in measured)
    assert max(map(len, narrow)) <= 80
    heads = [re.sub(r"  .*", "", line.strip()) for line in narrow[known:] if re.match(r"   [A-Z]", line)]
    assert heads == [
        "Heat of the cabin", "Heat of the bedroom", "Heat of the garage", "Heat of the coolant",
        "Heat of the hot water", "Fuel", "Power of the house battery", "Power of the starter battery",
        "Power of the mains", "Fresh tank", "Grey tank", "Black tank", "Gas tank",
    ]  # fmt: skip
    coolant = next(number for number, line in enumerate(narrow) if line.startswith("   Heat of the coolant"))
    assert re.fullmatch(r"   Heat of the coolant  coolant \d+\.\d °C  0 ├.*▒.*●.*┤ 90 °C", narrow[coolant])
    assert re.fullmatch(r" +now, W +kWh  last 5 min", narrow[coolant + 1])
    assert re.fullmatch(r"     given   heater +\d+ +0\.\d\d  ═{19}", narrow[coolant + 2])
    assert re.fullmatch(r"     taken   hot water +\d+ +0\.\d\d  ═+", narrow[coolant + 3])
    assert any(line.startswith("     left    into the coolant ") for line in narrow[coolant:])
    assert any(line.startswith("   Power of the mains  amps of inverter 0.0 A  0 ├●─") for line in narrow)
    assert any(re.fullmatch(r"     left    out of the tank +0\.\d\d +0\.\d\d  ═+", line) for line in narrow)

    wide = page(large.scene, 200)
    assert len(wide) < len(narrow) - 20
    (beside,) = (line for line in wide if "Heat of the cabin" in line)
    assert re.match(r" {3}Heat of the cabin .{79} {3}(Fuel|Heat|Power)", beside)
    large.scene.units = US
    assert any(re.match(r"   Fuel  fuel \d+\.\d\d US gal  0 ", line) for line in page(large.scene, 80))
    shown = drive(large.app(ascii_only=True), (80, 24), "e", "pagedown")
    assert "\n".join(shown).isascii()
    assert shown[2].startswith("-- Energy: who gives heat, fuel, water and power")
    assert re.search(r"\|-+o-*\|", "\n".join(shown))


def test_what_no_bus_tells(watched):
    """A log or a bus has the first part alone, and says what is missing; without a rig a current has no rail."""
    run = watched("winter_evening", 30)
    known = page(run.scene, 80)
    assert "   The balance begins after a minute of the run." in known
    bus = Scene("log", run.run.watch, run.loaded.rig, mode=Mode.LOG)
    bus.now = run.run.time
    lines = page(bus, 80)
    assert lines[0] == known[0]
    assert lines[-2].startswith(" Not on the bus, so not shown: watts of heat, litres of fuel")
    assert not any("Known to the simulation" in line for line in lines)
    assert any(re.search(r"charger +takes .* A AC \* +0 ├.*┤ 30 A", line) for line in lines)
    strange = Scene("log", run.run.watch, None, mode=Mode.LOG)
    strange.now = run.run.time
    assert any(re.fullmatch(r" mains      charger           takes .* A AC \*", line) for line in page(strange, 80))
    silent = Scene("log", type(run.run.watch)(run.run.catalogue, None), None, mode=Mode.LOG)
    assert page(silent, 80)[1] == "   nothing about energy has been received yet"
    assert all(to_ascii(line).isascii() for line in lines)


def test_a_current_over_its_limit_says_so(watched):
    """In words beside the rail, whose end is the planned limit."""
    run = watched("winter_evening", 30)
    charger = run.scene.plans["charger"]
    run.scene.plans = {**run.scene.plans, "charger": charger.model_copy(update={"settings": {"input_limit_amps": 1.0}})}
    (line,) = (line for line in page(run.scene, 140) if "AC" in line)
    assert re.search(r"takes \d\.\d A AC, over its limit \* +0 ├─*●┤ 1 A$", line)
