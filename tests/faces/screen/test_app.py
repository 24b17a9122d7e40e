"""The screen with Textual's pilot: every key, every page at three sizes, over a bench in virtual time."""

import asyncio
import os
import re
from pathlib import Path

import pytest

from rvsim.errors import ExitCode
from rvsim.faces.screen.head import head_lines
from rvsim.faces.screen.keys import available_actions, key_texts
from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.pages import page_rows
from rvsim.faces.screen.palettes import LIGHT
from rvsim.faces.screen.scene import Mode, Order, Page
from rvsim.faces.screen.tape import pieces
from rvsim.rig.model import Rig
from rvsim.watch.watch import Watch
from rvsim.wire.fields import State
from rvsim.wire.frame import Frame

GOLDEN = Path(__file__).parent / "golden"
SIZES = [(80, 24), (100, 30), (140, 40)]


@pytest.mark.parametrize(
    ("name", "size", "pressed"),
    [
        ("aboard", (80, 24), ()),
        ("heater_open", (80, 24), ("down", "enter")),
        ("heater_open", (140, 40), ("down", "enter", "right", "right")),
        ("tape", (100, 30), ("down", "t", "right", "right")),
        ("ledger", (100, 30), ("l",)),
        ("flags", (100, 30), ("f",)),
        ("keys", (80, 24), ("question_mark",)),
    ],
)
def test_the_screen_is_as_it_was_agreed(seen, drive, name, size, pressed):
    """Whole screens at 43 s of the quiet heater, kept as text. RVSIM_GOLDEN=write keeps what is shown now."""
    lines = "\n".join(drive(seen("heater_goes_quiet", 43).app(), size, *pressed)) + "\n"
    kept = GOLDEN / f"{name}_{size[0]}x{size[1]}.txt"
    if os.environ.get("RVSIM_GOLDEN") == "write":
        kept.parent.mkdir(exist_ok=True)
        kept.write_text(lines, encoding="utf-8")
    assert lines == kept.read_text(encoding="utf-8")


@pytest.mark.parametrize("size", [*SIZES, (60, 12), (220, 60)])
@pytest.mark.parametrize("page", list(Page))
def test_every_page_fits_every_size(seen, drive, page, size):
    """No page raises or overflows, from a corner of a terminal to a wall of one."""
    watched_run = seen("heater_goes_quiet", 100)
    watched_run.scene.page = page
    lines = drive(watched_run.app(), size, "down", "enter")
    assert len(lines) == size[1]
    assert all(len(line) <= size[0] for line in lines)
    assert "heater_goes_quiet, 100 s in" in lines[0]


def test_without_box_drawing_everything_is_ascii(seen, drive):
    """The same screen in pure ASCII, marks and rails included."""
    lines = "\n".join(drive(seen("heater_goes_quiet", 43).app(ascii_only=True), (80, 24), "down", "enter"))
    assert lines.isascii()
    assert "|= =" in lines
    assert "|===" in lines
    assert "|-----o" in lines or "|o---" in lines


def test_meaning_is_never_in_colour_alone(seen, drive, monkeypatch):
    """With NO_COLOR the words and tags are the same."""
    coloured = drive(seen("heater_goes_quiet", 43).app(), (100, 30))
    monkeypatch.setenv("NO_COLOR", "1")
    assert drive(seen("heater_goes_quiet", 43).app(palette=None), (100, 30)) == coloured
    assert any("silent" in line and line.endswith("[4]") for line in coloured)


def test_light_and_dark_show_the_same_text(seen, drive):
    """A light theme changes no character."""
    light = seen("heater_goes_quiet", 43).app(palette=LIGHT)
    assert drive(light, (100, 30)) == drive(seen("heater_goes_quiet", 43).app(), (100, 30))


def test_places_stay_while_values_change(seen, drive):
    """A minute later every device stands in the same line and column, whatever it says."""
    before = drive(seen("winter_evening", 60).app(), (100, 30))
    after = drive(seen("winter_evening", 120).app(), (100, 30))
    assert [line[:34] for line in before[3:17]] == [line[:34] for line in after[3:17]]


# Keys.


def test_up_and_down_choose_a_device(seen, drive):
    """The arrow keys move the choice and stop at both ends."""
    run = seen()
    drive(run.app(), (80, 24), "up", "down", "down", "up")
    assert run.scene.chosen == "heater"
    drive(run.app(), (80, 24), *["down"] * 30)
    assert run.scene.chosen == "outdoor sensor"


def test_enter_opens_in_place_and_closes_again(seen, drive):
    """Enter shows rails under the device, and a second one takes them away."""
    run = seen()
    opened = drive(run.app(), (80, 24), "down", "enter")
    assert any("its fan" in line and "●" in line for line in opened)
    assert not any("its fan" in line for line in drive(run.app(), (80, 24), "enter"))


@pytest.mark.parametrize(
    ("key", "page", "word"),
    [
        ("i", Page.READINGS, "control panel sends"),
        ("t", Page.TAPE, "THERMOSTAT_STATUS_1, instance 1, 19FFE244"),
        ("l", Page.LEDGER, "Ledger, house battery, amps"),
        ("f", Page.FLAGS, "No flag so far."),
        ("question_mark", Page.KEYS, "silence the device"),
    ],
)
def test_a_key_opens_its_page_and_goes_back(seen, drive, key, page, word):
    """The key of a page opens it; the same key, or escape, goes back aboard."""
    run = seen()
    lines = drive(run.app(), (100, 30), key)
    assert run.scene.page is page
    assert any(word in line for line in lines)
    drive(run.app(), (100, 30), key)
    assert run.scene.page is Page.ABOARD
    drive(run.app(), (100, 30), key, "escape")
    assert run.scene.page is Page.ABOARD


def test_the_tape_opens_byte_by_byte_with_the_arithmetic(seen, drive):
    """Right opens a byte, further rights go on, left goes back; n spells the next message."""
    run = seen()
    third = drive(run.app(), (100, 30), "down", "t", "right", "right", "right")
    assert any("circulation fan speed" in line and "× 0.5 =" in line for line in third)
    back = drive(run.app(), (100, 30), "left")
    assert any("operating mode  00 binary = 0: automatic" in line for line in back)
    following = drive(run.app(), (100, 30), "n")
    assert any("WATERHEATER_STATUS, instance 1, 19FFF75E" in line for line in following)


@pytest.mark.parametrize("size", SIZES)
def test_the_sums_of_the_ledger_are_never_cut(seen, drive, size):
    """At every size the three sums that the page is for stand there with their figures."""
    lines = drive(seen("winter_evening", 60).app(), size, "l")
    for words in ("left for the battery", "battery monitor measures", "not accounted for"):
        (line,) = (line for line in lines if words in line)
        float(line.split(words)[1])


def test_what_is_disturbed_by_hand_is_marked(watched, drive):
    """A silenced device is marked in its row and counted at the top until it is restored."""
    run = watched("winter_evening", 20)
    lines = drive(run.app(), (100, 30), "down", "s", "s", "s")
    assert "1 disturbed by hand" in lines[1]
    assert any("heater" in line and "by hand:" in line for line in lines)
    assert len(run.run.bench.outgoing_gates["heater"]) == 1
    assert not any("by hand" in line for line in drive(run.app(), (100, 30), "b"))


def test_after_the_end_nothing_pretends_to_be_done(watched, drive):
    """When the run has ended a key reports it, and pausing does nothing."""
    run = watched()
    run.scene.ended = "The run has ended."
    assert any("devices can no longer be changed" in line for line in drive(run.app(), (100, 30), "s"))
    assert "paused" not in drive(run.app(), (100, 30), "p")[0]
    assert not run.manual_faults.has_fault("control panel")


def test_a_device_without_a_rail_has_readings_all_the_same(watched, drive):
    """The pump has no number on a rail: its first reading is corrupted, or a byte that is open on the tape."""
    run = watched()
    run.scene.choose("circulation pump")
    lines = drive(run.app(), (100, 30), "x")
    assert any("circulation pump reports a corrupted output status" in line for line in lines)
    lines = drive(run.app(), (100, 30), "t", "right", "right", "x")
    assert any("circulation pump reports a corrupted" in line for line in lines)


def test_a_device_without_a_reading_says_so(watched, drive):
    """Before the first message there is nothing to corrupt."""
    run = watched("winter_evening", 0)
    lines = drive(run.app(), (100, 30), "x", "h")
    assert any("control panel has sent no reading yet" in line for line in lines)
    assert not run.manual_faults.has_fault("control panel")


def test_nothing_missing_is_zero(watched, drive):
    """On a healthy evening the ledger comes out even, and an even ledger never says -0.0."""
    run = watched("winter_evening", 600)
    for seconds in (600, 605, 610, 615):
        run.scene.page = Page.ABOARD
        lines = drive(run.until(seconds).app(), (100, 30), "l")
        (missing,) = (line.split()[-1] for line in lines if "not accounted for" in line)
        assert abs(float(missing)) <= 0.2
        assert missing != "-0.0"


def test_the_order_turns(seen, drive):
    """o goes from the rig's order to zones to trouble first and round again."""
    run = seen("heater_goes_quiet", 43)
    first = drive(run.app(), (100, 30), "o", "o")
    assert run.scene.order is Order.TROUBLE
    assert "heater" in first[4]
    drive(run.app(), (100, 30), "o")
    assert run.scene.order is Order.PLANNED


def test_silence_and_restore(watched, drive):
    """A silenced device is silent within its limit and is present again when restored."""
    run = watched("winter_evening", 20)
    lines = drive(run.app(), (80, 24), "down", "s")
    assert any("heater silenced; b restores it" in line for line in lines)
    assert "Combustion: a lockout is a safety function" in " ".join(lines)
    assert sum("Caution" in line for line in lines) == 1
    assert not any("Caution" in line for line in drive(run.app(), (80, 24), "w"))  # the heater's again, once in a run
    run.until(50)
    assert any("silent" in line and "[" in line for line in drive(run.app(), (80, 24)) if "heater " in line)
    assert any("heater: manual faults removed" in line for line in drive(run.app(), (80, 24), "b"))
    run.until(60)
    assert any("present" in line for line in drive(run.app(), (80, 24)) if "heater " in line)


def test_corrupt_and_hold_act_on_the_first_number(watched, drive):
    """A corrupted indoor sensor reports the highest value it can and is flagged; held, it repeats itself."""
    run = watched("winter_evening", 20)
    run.scene.choose("indoor sensor")
    assert any(
        "reports a corrupted ambient temperature: 1774.81 °C; b restores it" in line
        for line in drive(run.app(), (80, 24), "x")
    )
    run.until(30)
    assert any("1774.81 °C" in line and "<" in line for line in drive(run.app(), (80, 24)))
    assert any("holds its ambient temperature; b restores it" in line for line in drive(run.app(), (80, 24), "b", "h"))


def test_on_the_tape_the_open_byte_is_the_target(watched, drive):
    """With a byte of the tape open, a manual fault acts on the reading of that byte."""
    run = watched("winter_evening", 20)
    lines = drive(run.app(), (100, 30), "down", "t", "right", "right", "right", "x")
    assert any("heater reports a corrupted circulation fan speed: out of range" in line for line in lines)


def test_left_and_right_choose_a_reading(seen, drive):
    """Right goes to the next reading of the device, left back, and both stop at the ends; the foot says which it is."""
    run = seen("winter_evening", 20)
    first = drive(run.app(), (100, 30), "down")
    assert any("Reading 1 of " in line and "for h and x: heat output level" in line for line in first)
    second = drive(run.app(), (100, 30), "right")
    assert any("Reading 2 of " in line and "for h and x: circulation fan speed" in line for line in second)
    number = len(run.scene.readings())
    last = drive(run.app(), (100, 30), *["right"] * (number + 3))
    assert any(f"Reading {number} of {number} " in line for line in last)
    back = drive(run.app(), (100, 30), *["left"] * (number + 3))
    assert any("Reading 1 of " in line for line in back)
    assert number > 3


def test_corrupt_and_hold_act_on_the_chosen_reading(watched, drive):
    """The second reading of the heater is its fan: that one is corrupted, and stays chosen while it is."""
    run = watched("winter_evening", 20)
    lines = drive(run.app(), (100, 30), "down", "right", "x")
    assert any("heater reports a corrupted circulation fan speed" in line for line in lines)
    run.until(30)
    sent = [last for last in run.scene.chosen_frames() if last.topic.message == "FURNACE_STATUS"]
    assert [last.frame.data[2] for last in sent] == [0xFE]
    assert run.scene.target().field == "circulation_fan_speed"
    lines = drive(run.app(), (100, 30), "right", "h")
    assert any("heater holds its water temperature; b restores it" in line for line in lines)


def test_the_tape_and_the_open_device_follow_the_chosen_reading(seen, drive):
    """The tape spells the message of the reading with its byte in brackets; the rail's name is highlighted."""
    run = seen("winter_evening", 20)
    app = run.app()
    lines = drive(app, (140, 40), "down", "enter", "right", "right")
    assert any("Tape  WATERHEATER_STATUS, instance 1" in line for line in lines)
    assert any("water temperature" in line and "]" in line for line in lines)
    rows, _ = page_rows(run.scene, 140)
    marked = [text for row in rows for text, style in row.line() if style == "chosen"]
    assert marked == ["heater", "hot water"]


def test_another_device_has_its_own_first_reading(watched, drive):
    """After another device the first reading is chosen again, and the text at the bottom is removed."""
    run = watched("winter_evening", 20)
    lines = drive(run.app(), (100, 30), "down", "right", "right", "x", "down", "up")
    assert any("Reading 1 of " in line and "heat output level" in line for line in lines)
    assert not any("b restores it" in line for line in lines)


def test_the_page_of_all_readings_follows_the_chosen_one(seen, drive):
    """The chosen reading is marked and comes into view; page down is free to leave it."""
    run = seen("winter_evening", 20)
    lines = drive(run.app(), (80, 24), "down", "i", *["right"] * 9)
    assert sum(line.startswith("►") for line in lines) == 1
    assert not any(line.startswith("►") for line in drive(run.app(), (80, 24), "pagedown", "pagedown"))


def test_no_reading_is_of_the_protocol_or_without_a_value(seen):
    """Claims, heartbeats, instances and fields without data cannot be chosen."""
    run = seen("winter_evening", 20)
    for device in ("control panel", "heater", "battery monitor", "outdoor sensor"):
        run.scene.choose(device)
        choices = run.scene.readings()
        assert choices
        assert len({choice.target for choice in choices}) == len(choices)
        assert not {choice.target.message for choice in choices} & {"ADDRESS_CLAIM", "DM_RV", "PRODUCT_IDENTIFICATION"}
        assert not any(choice.target.field.endswith("instance") for choice in choices)
        assert {State.NO_DATA, State.MISSING, State.UNCHANGED}.isdisjoint(choice.reading.state for choice in choices)
        for choice in choices:
            last = run.scene.chosen_frames()[choice.topic_index]
            assert last.topic.message == choice.target.message
            held = pieces(last.spec, last.frame.data)[choice.piece_index].readings
            assert choice.target.field in {reading.field.name for reading in held}


# The arrangement.


@pytest.mark.parametrize("size", [(120, 40), (200, 50)])
def test_rails_stand_beside_what_they_are_of(seen, drive, size):
    """On wide screens rails begin near column 70 in one column, and the tag follows them."""
    lines = drive(seen("heater_goes_quiet", 43).app(), size)
    places = {line.index("├") for line in lines if "├" in line}
    assert len(places) == 1
    assert 66 <= places.pop() <= 78
    (tagged,) = (line for line in lines if "[4]" in line)
    assert 100 <= tagged.index("[4]") <= 112


def test_a_long_sentence_is_not_cut_by_a_rail(seen, drive):
    """The heater says two things: at 120 columns it has no room for a rail, at 200 it has one further right."""
    run = seen("heater_goes_quiet", 100)
    (line,) = (line for line in drive(run.app(), (120, 40)) if line.startswith(" ╠═══ heater"))
    assert line.endswith("burner lit *")
    (line,) = (line for line in drive(run.app(), (200, 50)) if line.startswith(" ╠═══ heater"))
    assert "burner lit *  " in line
    assert "├" in line


@pytest.mark.parametrize(
    ("width", "first", "second"),
    [
        (
            80,
            "x, 43 s in, all simulated.   Bus load 0.6 %, peak 4.5 %.",
            "10 of 11 planned present; 1 fault.   Order: as the rig lists them.",
        ),
        (50, "x, 43 s in.   Bus load 0.6 %, peak 4.5 %.", "10 of 11 planned present; 1 fault."),
        (32, "x, 43 s in.   Bus load 0.6 %.", "10 of 11 present; 1 fault."),
        (28, "43 s in.   Bus load 0.6 %.", "10 of 11 present; 1 fault."),
        (24, "43 s in.   Bus load 0.6…", "1 fault."),
    ],
)
def test_the_head_drops_what_matters_least_first(seen, width, first, second):
    """The order and the kind of run go first, flags and time last."""
    scene = seen("heater_goes_quiet", 43).scene
    scene.name = "x"
    assert [text_of(line).rstrip() for line in head_lines(scene, (0.6, 4.5), width)][:2] == [first, second]


def test_a_run_that_ended_says_so_however_narrow(seen):
    """The end is no less important than the load."""
    scene = seen("heater_goes_quiet", 43).scene
    scene.ended = "The run has ended."
    for width in (30, 40, 60, 80):
        assert "The run has ended." in text_of(head_lines(scene, (0.6, 4.5), width)[0])


@pytest.mark.parametrize(
    ("page", "title"),
    [
        (Page.ABOARD, "Aboard: every device on the trunk"),
        (Page.READINGS, "It says: everything that control panel sends"),
        (Page.TAPE, "Tape: control panel, message 1 of 9, byte by byte"),
        (Page.LEDGER, "Ledger, house battery, amps"),
        (Page.FLAGS, "Flags: 1 stands, 3 cleared"),
        (Page.WIRES, "Wires: one turn on the bus, who sent, who waited; ← the turn before"),
        (Page.KEYS, "Keys"),
    ],
)
def test_every_page_has_a_title(seen, drive, page, title):
    """In a rule as wide as the window."""
    run = seen("heater_goes_quiet", 43)
    run.scene.page = page
    line = drive(run.app(), (90, 30))[2]
    assert line == f"── {title} " + "─" * (90 - len(title) - 4)


def test_a_fault_below_the_edge_is_announced(seen, drive):
    """The heater that fell silent is named by its tag where the window ends above it."""
    lines = drive(seen("heater_goes_quiet", 43).app(), (80, 8))
    assert any(line.endswith("more rows below, worst: [4] FAULT") for line in lines)


def test_the_keys_lead_to_the_words(seen, drive):
    """The page of keys names the command that explains the words, at the size of the smallest terminal."""
    assert "rvsim about --words explains the words." in drive(seen().app(), (80, 24), "question_mark")


def test_warmer_and_cooler_command_the_thermostat(watched, drive):
    """w and c change the set point by half a degree through a frame that the panel obeys, without any flag."""
    run = watched("winter_evening", 20)
    assert any("thermostat 1 is commanded to 21.50 °C" in line for line in drive(run.app(), (80, 24), "w"))
    run.until(21)
    assert any("wants 21.50 °C" in line for line in drive(run.app(), (80, 24)))
    drive(run.app(), (80, 24), "c")
    run.until(60)
    lines = drive(run.app(), (80, 24))
    assert any("wants 21.00 °C" in line for line in lines)
    assert "no flag" in lines[1]


def test_pause_is_asked_of_the_run_and_said(seen, drive):
    """p pauses the run and the head shows it; a second p lets it go on."""
    run = seen()
    assert "paused" in drive(run.app(), (80, 24), "p")[0]
    assert run.control.paused
    assert "paused" not in drive(run.app(), (80, 24), "p")[0]
    assert not run.control.paused


@pytest.mark.parametrize(("key", "code"), [("q", ExitCode.GOOD), ("ctrl+c", ExitCode.INTERRUPTED)])
def test_leaving(seen, key, code):
    """q leaves with 0 and Ctrl-C with 130."""

    async def script():
        app = seen().app()
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press(key)
        return app.return_value

    assert asyncio.run(script()) == code


def test_the_origin_of_a_layout_is_never_cut(seen, drive):
    """At 80 columns "not sure" is still there."""
    lines = drive(seen("winter_evening", 30).app(), (80, 40), "down", "i")
    assert any(line.endswith("from memory, not sure") for line in lines if "dead band" in line)


def test_pages_scroll(seen, drive):
    """Page down moves over a long page and page up comes back."""
    run = seen()
    top = drive(run.app(), (80, 24), "i")
    app = run.app()
    run.scene.page = Page.READINGS
    run.scene.choose("battery monitor")
    there = drive(app, (80, 12), "pagedown")
    assert there[3] != top[3]
    assert "battery monitor sends" in drive(run.app(), (80, 12), "pagedown", "pageup")[2]


def test_every_key_is_in_the_palette_and_in_the_keys_page(seen, drive):
    """Every action has a name in the palette, and every key on the page of keys is bound."""
    run = seen()

    async def script():
        app = run.app()
        async with app.run_test(size=(80, 24)):
            return [command.title for command in app.get_system_commands(app.screen)]

    titles = asyncio.run(script())
    here = list(available_actions(Mode.BENCH))
    assert {entry.name for entry in here} <= set(titles)
    assert "Go on to the next flag and pause there" not in titles
    bound = {entry.key for entry in here}
    listed = {key for named, _ in key_texts(Mode.BENCH) for key in named.split() if len(key) == 1 and key.isalnum()}
    assert listed <= bound
    assert {key for key in bound if len(key) == 1} <= listed | {"n"}


# Trouble.


def test_a_device_that_vanishes_while_open_stays_readable(watched, drive):
    """An open device that falls silent keeps its place, its last words and its flag under it."""
    run = watched("heater_goes_quiet", 15)
    drive(run.app(), (100, 30), "down", "enter")
    run.until(45)
    lines = drive(run.app(), (100, 30))
    assert any("silent" in line and "heater" in line for line in lines)
    assert any("[4] fault since" in line for line in lines)
    assert any("Last reported at" in line for line in lines)


def test_a_stranger_is_shown_as_unplanned(watched, drive):
    """A source that is not in the rig stands at the end with its own mark and no fault of the screen's."""
    run = watched("winter_evening", 20)
    run.run.watch.observe(Frame(20_500_000, 0x19FFE49C, bytes.fromhex("0700C864FFFFFFFF")))
    run.scene.now = 20_500_000
    lines = drive(run.app(), (100, 30))
    (line,) = (line for line in lines if "address 9C hex" in line)
    assert "+═══" in line
    assert "unplanned" in line
    run.scene.choose("address 9C hex")
    for pressed in (("enter",), ("i",), ("t", "right"), ("h",), ("x",)):
        drive(run.app(), (100, 30), *pressed, "escape")


def test_two_hundred_devices(watched, drive, catalogue):
    """A rig of two hundred sensors scrolls to its last one, and only what is visible is put into words."""
    run = watched()
    devices = [
        {"name": f"sensor {n}", "kind": "ambient", "address": n, "functions": {"ambient_sensor": n + 1}}
        for n in range(200)
    ]
    rig = Rig.model_validate({"schema": 1, "name": "big", "title": "Big", "device": devices})
    watch = Watch(catalogue, rig)
    for n in range(200):
        watch.observe(Frame(n * 1000, 0x19FF9C00 | n, bytes([n + 1]) + bytes.fromhex("602EFFFFFFFFFF")))
    scene = type(run.scene)("big", watch, rig)
    spoken = []
    scene.sent.of = lambda device, say=scene.sent.of: spoken.append(device.device) or say(device)
    run.scene = scene
    drive(run.app(), (80, 24))
    assert 10 < len(set(spoken)) < 24
    lines = drive(run.app(), (80, 24), *["pagedown"] * 15)
    assert any("►" in line and "sensor 199" in line for line in lines)


def test_a_full_bus(watched, drive, catalogue):
    """Two thousand frames a second with four looks at them: every frame is taken, every device is there."""
    run = watched()
    devices = [
        {"name": f"sensor {n}", "kind": "ambient", "address": n, "functions": {"ambient_sensor": n + 1}}
        for n in range(200)
    ]
    rig = Rig.model_validate({"schema": 1, "name": "full", "title": "Full", "device": devices})
    watch = Watch(catalogue, rig)
    run.scene = type(run.scene)("full", watch, rig)
    sent = iter(
        Frame(n * 500, 0x19FF9C00 | n % 200, bytes([n % 200 + 1, n & 0xFF, 0x24]) + b"\xff" * 5) for n in range(4000)
    )

    async def a_quarter(pilot):
        for _ in range(500):
            frame = next(sent)
            watch.observe(frame)
        run.scene.now = frame.time

    lines = drive(run.app(), (80, 24), *[a_quarter] * 8)
    assert watch.statistics.frames == 4000
    assert "200 of 200 planned present; 1 notice" in lines[1]
    # 2000 frames of 131 to 160 bits are more than the 250,000 that fit: no bus carries them, and the head says that.
    assert re.search(r"peak 1[0-2]\d %: impossible", lines[0])
    (flag,) = watch.flags
    assert flag.text.startswith("computed bus load 1")


def test_markup_in_names_is_text(seen, drive):
    """A name that looks like markup is shown as it is."""
    run = seen()
    rig = Rig.model_validate(
        {
            "schema": 1,
            "name": "m",
            "title": "M",
            "device": [{"name": "[red]odd[/x]", "kind": "ambient", "address": 1, "functions": {"ambient_sensor": 1}}],
        }
    )
    run.scene = type(run.scene)("m", Watch(run.run.catalogue, rig), rig)
    assert any("[red]odd[/x]" in line for line in drive(run.app(), (80, 24), "enter"))


def test_a_run_that_ended_says_so(seen, drive):
    """When the run is over or has failed, the head says so and the screen stays."""
    run = seen()
    run.scene.ended = "The run has ended."
    assert "The run has ended." in drive(run.app(), (80, 24))[0]


def test_a_simulated_device_that_broke_is_told_at_the_bottom(seen, drive):
    """A simulated device that was taken out is named at the bottom."""
    run = seen()
    run.scene.problems = [
        "the simulated device heater stopped at 3.000 s with ValueError: x; the bench goes on without it"
    ]
    assert any("the simulated device heater stopped" in line for line in drive(run.app(), (100, 30)))
