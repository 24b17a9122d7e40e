"""Modules and keypads on the screen: their terminals in words, what keys press, and what moved."""

import os
import re
from pathlib import Path

import pytest

from rvsim.faces.screen.ledger import ledger_of
from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.pages import page_rows
from rvsim.faces.screen.scene import Mode, Page, Scene
from rvsim.faces.screen.terminal_strip import strip_lines

GOLDEN = Path(__file__).parent / "golden"
RIG = """schema = 1
name = "van"
title = "A van with switches"

[[device]]
name = "front centre"
kind = "load_centre"
address = 0x90

[[device]]
name = "bed keypad"
kind = "keypad"
address = 0x91
functions = { keypad = [31, 32] }
[device.settings]
keys = { lamp = { instance = 31 }, fan = { instance = 32, scene = "night" } }
commands = { lamp = { instance = 3 } }

[[device]]
name = "rear module"
kind = "load_centre"
address = 0x92
functions = { dc_dimmer = [50] }

[[scene]]
name = "night"
set = { "galley light" = 10 }

[[module]]
name = "front"
device = "front centre"
limit_amps = 30

[[relay]]
name = "awning relay"
contact_amps = 60
coil_amps = 0.15

[[output]]
name = "galley light"
module = "front"
terminal = 1
instance = 3
load = "led"
amps = 1.2
limit_amps = 5
groups = [1, 3]

[[output]]
name = "water pump"
module = "front"
terminal = 3
instance = 9
load = "pump"
amps = 6
limit_amps = 10

[[output]]
name = "awning motor"
module = "front"
terminal = 4
instance = 10
load = "motor"
amps = 9
limit_amps = 1
relay = "awning relay"

[[output]]
name = "porch light"
module = "front"
terminal = 2
load = "lamp"
amps = 1

[[input]]
name = "galley switch"
module = "front"
terminal = 1
instance = 21
switches = "galley light"

[[input]]
name = "bilge switch"
module = "front"
terminal = 3
instance = 25
switch = "maintained"
switches = "water pump"

[[input]]
name = "wall"
module = "front"
terminal = 2
instance = 22
ladder = { pull_up_ohm = 1000, rungs = { galley = 200, bed = 510, door = 1000 } }
"""
SCENARIO = """schema = 1
title = "Switches"
rig = "van.toml"
lasts = "600s"
[[step]]
at = "8s"
switch = { "bilge switch" = "on" }
[[step]]
at = "7s"
override = { "awning motor" = "on" }
[[fault]]
fault = "output_overload"
output = "water pump"
amps = 20
from = "10500ms"
until = "15s"
"""


@pytest.fixture(scope="session")
def switches(tmp_path_factory) -> str:
    """A scenario with a module, a keypad, and a module of which the rig says no more than its functions."""
    folder = tmp_path_factory.mktemp("switches")
    (folder / "van.toml").write_text(RIG, encoding="utf-8")
    (folder / "switches.toml").write_text(SCENARIO, encoding="utf-8")
    return str(folder / "switches.toml")


def strip(scene, device="front centre", width=80):
    """Return the terminals of a device as texts without the edge."""
    with scene.one_moment():
        (line,) = (line for line in scene.roll_call if line.device == device)
        lines = [text_of(one) for one in strip_lines(scene, line, width)]
    assert max(map(len, lines), default=0) <= width
    return [line[5:].rstrip() for line in lines]


def row_text(scene, device="front centre", width=200):
    """Return the row of a device on Aboard."""
    with scene.one_moment():
        texts = [text_of(row.line()) for row in page_rows(scene, width)[0]]
    return next(text for text in texts if f"══ {device}" in text).rstrip()


@pytest.mark.parametrize("size", [(80, 24), (140, 40)])
def test_the_terminals_are_as_agreed(switches, seen, drive, size):
    """Whole screens of the open module, an output chosen. RVSIM_GOLDEN=write keeps what is shown now."""
    lines = "\n".join(drive(seen(switches, 14).app(), size, "enter", "down", "down", "down")) + "\n"
    kept = GOLDEN / f"terminals_{size[0]}x{size[1]}.txt"
    if os.environ.get("RVSIM_GOLDEN") == "write":
        kept.write_text(lines, encoding="utf-8")
    assert lines == kept.read_text(encoding="utf-8")


def test_outputs_and_inputs_in_words(switches, watched):
    """By terminal: what hangs on it, its state, amperes on a rail to the limit; a relay's contact has its own limit."""
    run = watched(switches, 10)
    lines = strip(run.scene, width=140)
    assert lines[0].startswith(" Outputs, 2 of 4 on, amperes as simulated, 6.2 A together  ├────●──")
    assert lines[0].endswith("┤ 30 A")
    assert re.fullmatch(r"   1 galley light +led +off \* +0\.0 A ├●─+┤ 5 A", lines[1])
    assert re.fullmatch(r"   2 porch light +lamp +off, not on the bus +0\.0 A", lines[2])
    assert re.fullmatch(r"   3 water pump +pump +on \* +6\.0 A ├─+●─+┤ 10 A", lines[3])
    assert re.fullmatch(r"   4 awning motor +motor, relay +on \*, on by hand +9\.0 A ├─+●─+┤ 10 A", lines[4])
    assert lines[5] == " Inputs, ohms as simulated:"
    assert re.fullmatch(r"   1 galley switch +momentary +off +open, to galley light", lines[6])
    assert re.fullmatch(r"   2 wall +ladder of 3 +open", lines[7])
    assert re.fullmatch(r"       galley +momentary +off +181 to 221 ohm", lines[8])
    assert re.fullmatch(r"   3 bilge switch +maintained +on +0\.10 ohm, to water pump", lines[11])
    assert row_text(run.scene).endswith(
        "present    2 of 4 outputs on, 6.2 A: water pump and awning motor; bilge switch on"
    )
    assert row_text(run.scene, "bed keypad").endswith("no key on")
    assert strip(run.scene, "bed keypad")[0] == " Keys, ohms as simulated:"
    assert re.fullmatch(r"     lamp +momentary +off +open", strip(run.scene, "bed keypad")[1])
    assert re.fullmatch(r"     fan +momentary +off +open, scene night", strip(run.scene, "bed keypad")[2])

    run.manual_inputs.hold("wall.bed")
    run.run.bench.world.contacts.age("test", "wall.door", 5)
    assert "510 ohm, 345/1024 counts, read as bed" in "\n".join(strip(run.scene))
    run.run.bench.world.contacts.age("test", "wall.bed", 130)
    assert "640 ohm, 399/1024 counts, read as bed, in no band" in "\n".join(strip(run.scene, width=140))
    run.manual_inputs.override("galley light", "off")
    run.until(14)
    lines = strip(run.scene)
    assert re.fullmatch(r"   1 galley light +led +off \* +0\.0 A ├●─+┤ 5 A", lines[1])
    assert lines[2].strip() == "off by hand"
    assert re.fullmatch(r"   3 water pump +pump +off \* +0\.0 A ├●─+┤ 10 A", lines[5])
    assert lines[6].strip() == "tripped, tries again"
    assert "wall.bed and bilge switch on" in row_text(run.scene)


def test_without_a_simulation_only_what_is_reported(switches, seen):
    """A log has no ohms and no amperes of dimmers; without a rig outputs have the names of their functions."""
    run = seen(switches, 14)
    log = Scene("log", run.run.watch, run.loaded.rig, mode=Mode.LOG)
    log.now = run.run.time
    lines = strip(log, width=140)
    assert lines[0] == " Outputs, 1 of 3 on, loads report 0.0 A:"
    assert re.fullmatch(r"   1 galley light +led +off \* +├─+┤ 5 A", lines[1])
    assert re.fullmatch(r"   2 porch light +lamp +not on the bus", lines[2])
    assert re.fullmatch(r"   3 water pump +pump +off, over-current \* +0\.0 A ├●─+┤ 10 A", lines[3])
    assert re.fullmatch(r"   4 awning motor +motor, relay +on, by hand \* +├─+┤ 10 A", lines[4])
    assert lines[5] == " Inputs:"
    assert re.fullmatch(r"   2 wall +ladder of 3", lines[7])
    strange = Scene("log", run.run.watch, None, mode=Mode.LOG)
    strange.now = run.run.time
    assert re.fullmatch(r"     dimmer 3 +off \*", strip(strange)[1])
    assert re.fullmatch(r"     digital input 25 +on", strip(strange)[-1])
    assert "1 of 3 outputs on, loads report 0.1 A: DC load 10; digital input 25 on" in row_text(strange)
    assert "no switch on" in row_text(strange, "bed keypad")
    assert re.fullmatch(r"     dimmer 50 +off \*", strip(log, "rear module")[1])
    assert row_text(log, "rear module").endswith("0 of 1 outputs on")
    switched = dict(ledger_of(log).taken)
    assert switched == {"front centre": 9.0}  # the motor by the rig: its module reports the coil of the relay


def test_what_is_too_much_stands_out(switches, watched):
    """The rail of an output above its limit, and that of a module above its own, in the style of a fault."""
    run = watched(switches, 12)
    of = run.scene.module_state
    run.scene.module_state = lambda device: (state := of(device)) and state._replace(amps=31.0)
    with run.scene.one_moment():
        lines = strip_lines(run.scene, run.scene.roll_call[0], 140)
    faults = [text_of(line) for line in lines if any("├" in text and style == "fault" for text, style in line)]
    assert len(faults) == 2
    assert "Outputs, 2 of 4 on" in faults[0]
    assert "water pump" in faults[1]
    run.scene.row = ("output", "water pump")
    run.scene.choose("bed keypad")
    assert run.scene.row is None


def test_the_limit_of_a_relay_is_not_cut(tmp_path, watched):
    """A sixth of its class for a motor: 9.17 of 55 A, in the columns that a narrow terminal leaves for it."""
    (tmp_path / "van.toml").write_text(RIG.replace("contact_amps = 60", "contact_amps = 55"), encoding="utf-8")
    (tmp_path / "switches.toml").write_text(SCENARIO, encoding="utf-8")
    lines = strip(watched(str(tmp_path / "switches.toml"), 3).scene)
    assert any(re.fullmatch(r"   4 awning motor .*┤ 9\.17 A", line) for line in lines)


def test_rows_are_chosen_one_after_the_other(switches, watched, drive):
    """Down goes through an open module and on to the next device; the tape shows the chosen row's message."""
    run = watched(switches, 10)
    app = run.app()
    lines = drive(app, (100, 30), "enter", "down", "down", "down", "down")
    assert run.scene.row == ("output", "awning motor")
    assert any(re.match(r" ║ │ ►  4 awning motor ", line) for line in lines)
    assert " awning motor, DC load 10.  by hand: 1 on  0 off  u as commanded" in lines
    assert any("DC_LOAD_STATUS, instance 10 at" in line for line in lines)
    lines = drive(run.app(), (100, 30), *["down"] * 4)
    assert run.scene.row == ("contact", "wall.door")
    assert " wall.door, digital input 24.  space press  1 hold  0 release" in lines
    lines = drive(run.app(), (100, 30), "down")
    assert " bilge switch, digital input 25.  space change over  1 on  0 off" in lines
    drive(run.app(), (100, 30), "down")
    assert (run.scene.chosen, run.scene.row) == ("bed keypad", None)
    drive(run.app(), (100, 30), "up")
    assert (run.scene.chosen, run.scene.row) == ("front centre", ("contact", "bilge switch"))
    drive(run.app(), (100, 30), "enter")
    assert (run.scene.chosen, run.scene.row, run.scene.open_devices) == ("front centre", None, set())
    lines = drive(run.app(), (80, 24), "enter", *["down"] * 8)
    assert any(line.startswith(" ║ │ ►") for line in lines)  # scrolled into the window
    lines = drive(run.app(), (80, 24), *["up"] * 7)
    assert " galley light, dimmer 3, groups 1 and 3.  by hand: 1 on  0 off  u as commanded" in lines


PUMP, SWITCH, BED, BILGE, LAMP = (
    ("front centre", "output", "water pump"),
    ("front centre", "contact", "galley switch"),
    ("front centre", "contact", "wall.bed"),
    ("front centre", "contact", "bilge switch"),
    ("bed keypad", "contact", "bed keypad.lamp"),
)
USED = (
    (BED, "1", "wall.bed is held", ("pressed", True)),
    (BED, "0", "wall.bed is released", ("pressed", False)),
    (BED, "u", "wall.bed is no output: only an output is set by hand.", ("pressed", False)),
    (BILGE, "space", "bilge switch is switched on", ("pressed", True)),
    (BILGE, "0", "bilge switch is switched off", ("pressed", False)),
    (BILGE, "1", "bilge switch is switched on", ("pressed", True)),
    (BILGE, "space", "bilge switch is switched off", ("pressed", False)),
    (PUMP, "1", "water pump is set on by hand at its module", ("override", "on")),
    (PUMP, "0", "water pump is set off by hand at its module", ("override", "off")),
    (PUMP, "space", "water pump is an output: 1 and 0 set it on or off by hand, u lets it be as commanded.",
     ("override", "off")),
    (PUMP, "u", "water pump is as commanded again", ("override", None)),
    (("rear module", "output", "rear module dimmer 50"), "1",
     "rear module dimmer 50 is set on by hand at its module", ("override", "on")),
    (LAMP, "space", "bed keypad.lamp is pressed for 0.2 s", ("pressed", True)),
)  # fmt: skip
"""A row, a key, what is said, and what is so afterwards."""


def test_keys_press_and_set(switches, watched, drive):
    """Space presses, 1 and 0 hold and release, or set by hand; u leaves it to commands; each says what it did."""
    run = watched(switches, 5)
    contacts, outputs = run.run.bench.world.contacts, run.run.bench.world.outputs
    app = run.app()

    def choose(device, kind, name):
        run.scene.open_devices.add(device)
        run.scene.choose(device)
        run.scene.row = (kind, name)

    async def use_all(pilot):
        choose(*SWITCH)
        await pilot.press("space")
        assert run.scene.status_text.startswith("galley switch is pressed for 0.2 s. Caution, though")
        assert contacts.is_pressed("galley switch")
        for row, key, text, (what, is_so) in USED:
            choose(*row)
            await pilot.press(key)
            assert run.scene.status_text == text or run.scene.status_text.startswith(f"{text}. Caution")
            assert (contacts.is_pressed(row[2]) if what == "pressed" else outputs[row[2]].override) == is_so

    lines = drive(app, (100, 40), use_all)
    assert any(line.startswith("bed keypad.lamp is pressed for 0.2 s") for line in lines)
    run.until(7)
    assert not contacts.is_pressed("galley switch")
    assert outputs["galley light"].duty == 0.0  # switched on by the switch, and off again by the key
    run.scene.row = None
    assert "Open a module or a keypad (enter), and choose one of its rows (↓)." in drive(run.app(), (100, 40), "1")
    run.scene.mode = Mode.BUS
    app = run.app()
    app._manual_inputs = None
    assert "A bus that is listened to cannot be disturbed; rvsim bench can." in drive(app, (100, 40), "space")


def test_a_mark_shows_what_moved(switches, watched, drive):
    """The note is kept with what moved before m was pressed, and with whether the rig says it should have."""
    run = watched(switches, 30)
    run.manual_inputs.press("galley switch")
    run.until(32)

    async def go_on(_):
        run.until(40)  # somebody types slowly

    note = list("galley switch, galley light, porch light, wall.bed")
    names = {" ": "space", ",": "comma", ".": "full_stop"}
    lines = drive(run.app(), (140, 40), "m", go_on, *(names.get(letter, letter) for letter in note), "enter")
    assert run.scene.page is Page.MOVED
    at = lines.index(" Marked at 40 s: galley switch, galley light, porch light, wall.bed")
    assert lines[3:5] == [" In the last 5 s moved:", "     nothing, beyond what moves by itself"]
    assert lines[at + 1] == "   in the 5 s before it moved:"
    assert any(
        line == '     dimmer 3 of front centre: operating status 0 % to 100 %, steady before; "galley light" in the rig'
        for line in lines
    )
    assert "   galley light is output 3 in the rig, and it moved" in lines
    assert "   galley switch is digital input 21 in the rig, and it moved" in lines
    assert any("digital input 21 of front centre: switch position off to on and back" in line for line in lines)
    assert any(line.startswith("   wall.bed is digital input 23 in the rig, and it did not move") for line in lines)

    assert run.scene.page is Page.MOVED
    lines = drive(run.app(), (100, 40), "m", "x", "escape")
    assert not any("Marked at 40 s: x" in line for line in lines)
    lines = drive(run.app(), (100, 40), "m", "enter")
    assert " Marked at 40 s" in lines
    assert lines.index(" Marked at 40 s") < lines.index(
        " Marked at 40 s: galley switch, galley light, porch light, wall.bed"
    )
    drive(run.app(), (100, 40), "v")
    assert run.scene.page is Page.ABOARD
    run.scene.ended = "The run has ended."
    assert "The run has ended; no moment can be marked." in drive(run.app(), (100, 40), "m")


def test_a_mark_that_cannot_be_kept_is_told(switches, watched, drive):
    """A recording that cannot be written ends no screen."""
    from rvsim.errors import InputError

    def fail(_):
        raise InputError("no space left on the disk")

    run = watched(switches, 5)
    app = run.app()
    app._mark = fail
    assert "no space left on the disk" in drive(app, (80, 24), "m", "a", "enter")
