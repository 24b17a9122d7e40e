"""The keys of a copy on the tape, and of the turns on the bus, pressed in the real screen."""

import asyncio

import pytest
from textual.widgets import Input

from rvsim.faces.screen.keys import DRAFT_ACTIONS, draft_hint_line, draft_key_texts
from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.pages import page_rows, tape_lines
from rvsim.faces.screen.scene import IDENTIFIER_PIECE, Mode, Page, Scene
from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame

THERMOSTAT, FURNACE = 0x19FFE244, 0x19FFE45E


@pytest.fixture
def scene(catalogue):
    """The scene of a bus on which three messages of two devices were heard."""
    watch = Watch(catalogue)
    for time, identifier, data in (
        (1_000_000, THERMOSTAT, "0102C8C0244025FF"),
        (1_500_000, FURNACE, "0100C864FFFFFFFF"),
        (1_500_568, 0x19FFE4A1, "0100C864FFFFFFFF"),
    ):
        watch.observe(Frame(time, identifier, bytes.fromhex(data)))
    found = Scene("bus", watch, None, mode=Mode.BUS)
    found.devices()
    found.page = Page.TAPE
    found.now = 1_600_000
    return found


def shown(scene: Scene, width: int = 200) -> str:
    """The page as one text."""
    return " ".join(text_of(row.line()).strip() for row in page_rows(scene, width)[0])


# A copy on the tape, key by key.


def test_a_copy_is_changed_by_keys_and_nothing_is_sent(seen, drive):
    """The bits, a value between two steps with the nearest offered, undo, back to the frame, and the copy again."""
    run = seen("heater_goes_quiet", 43)
    scene, said = run.scene, []

    async def note(pilot):
        await pilot.pause()
        said.append(scene.status_text)

    async def line(pilot):
        await pilot.pause()
        said.append(pilot.app.screen.query_one(Input).value)

    app = run.app()
    keys = ["t", "right", "right", "right", "d", "space", note]
    lines = drive(app, (80, 24), *keys)
    assert "── Tape: a copy of a frame of control panel; nothing is sent" in lines[2]
    text = " ".join(each.strip() for each in lines)
    assert "nothing is sent. 1 bit changed." in text
    assert "[80 = (1)0000000 fan speed 64 % *]" in text
    assert lines[-1].startswith("← → bit  ↑ ↓ byte  space flip  enter value")
    assert lines[-1].endswith("? keys")
    draft = scene.draft
    assert draft is not None
    held = []

    async def keep(_):
        held.append(draft.frame.data.hex())

    typed = ("down", "enter", *"21.01", "enter", note, "down", line, "down", line, "enter", note)
    changed = ("u", "plus", "plus", "minus", "1", "0", keep, "s", note, "x", "w", note)
    lines = drive(
        run.app(), (80, 24), *typed, *changed, "b", note, "u", keep, "escape", note, "d", note, "question_mark"
    )
    assert said[1].startswith("set_point_temperature_heat=21.01 lies between two steps of 0.03125: write the nearest")
    assert said[2:4] == ["21", "21.03125"]
    assert said[4] == "Set point temperature heat: (21.03125 + 273) / 0.03125 = 9409 = 24C1 hex."
    assert said[5] == said[6] == "A copy is on the tape, and nothing is sent from it; esc goes back to the frame."
    assert held == ["01028081244025ff", "01028081244025ff"]
    assert said[7] == "The frame as it was heard; u takes that back."
    assert said[8] == "Your changes are kept: d takes the copy again on THERMOSTAT_STATUS_1, instance 1."
    assert said[9] == "Your copy as you left it; b makes it the frame as heard again."
    assert scene.draft is draft
    assert any("In the copy on the tape (t goes back to it):" in each for each in lines)
    drive(run.app(), (80, 24), "escape", "d", *["u"] * 12, note)
    assert said[10] == "Nothing to undo: this is the frame as it was heard."
    assert not draft.changed_bits


def test_bits_without_a_value_and_unknown_names_are_told(seen, drive):
    """An unused bit has no value to write; a wrong name is answered, and the line asks again; Escape leaves it."""
    run, said = seen("heater_goes_quiet", 43), []

    async def note(pilot):
        await pilot.pause()
        said.append(run.scene.status_text)

    keys = ("t", "d", *["down"] * 9, "enter", note, *["up"] * 9, "right", "right", "right", "plus", note, "enter")
    drive(run.app(), (80, 24), *keys, *"nothing", "enter", note, "escape", "escape", note)
    assert said[0] == "Bit 7 of byte 7 belongs to no field: space changes the bit alone."
    assert said[1] == "A DGN has no next one: enter takes the name of a message or its number."
    assert said[2].startswith("No message is called nothing")
    assert said[3] == ""
    assert run.scene.draft is None


def test_every_key_of_a_copy_is_in_the_palette(seen):
    """While a copy is on the tape, and not before."""
    run = seen("heater_goes_quiet", 43)

    async def script():
        app = run.app()
        async with app.run_test(size=(80, 24)) as pilot:
            before = {command.title for command in app.get_system_commands(app.screen)}
            await pilot.press("t", "d")
            return before, {command.title for command in app.get_system_commands(app.screen)}

    before, drafting = asyncio.run(script())
    names = {entry.name for entry in DRAFT_ACTIONS}
    assert not names & before
    assert names <= drafting
    signs = {"plus": "+", "minus": "-", "escape": "esc", "left": "←", "right": "→", "up": "↑", "down": "↓"}
    listed = {key for keys, _ in draft_key_texts() for key in keys.split()}
    assert {signs.get(entry.key, entry.key) for entry in DRAFT_ACTIONS} == listed


def test_hints_of_a_copy_fit():
    """What cannot be guessed is left out last."""
    for width in range(60, 140):
        line = draft_hint_line(width)
        assert len(line) <= width
        assert {"← → bit", "space flip", "enter value", "esc frame", "? keys"} <= set(line.split("  "))


# Where a copy goes.


def test_a_copy_belongs_to_its_message(scene):
    """Another message or device puts it away; it comes back, with its changes, for its own message only."""
    scene.watch.observe(Frame(1_600_000, 0x19FF9C44, bytes(8)))
    assert scene.take_draft() == ""
    scene.draft.flip()
    changed = scene.draft
    assert "d takes the copy again on THERMOSTAT_STATUS_1" in scene.next_message()
    assert scene.draft is None
    assert scene.put_draft_away() == ""
    assert scene.take_draft() == ""
    assert scene.draft_source.topic.startswith("THERMOSTAT_AMBIENT_STATUS")
    scene.choose("address 5E hex")
    assert scene.draft is None
    scene.choose("address 44 hex")
    assert "as you left it" in scene.take_draft()
    assert scene.draft is changed
    assert scene.is_drafting
    scene.page = Page.ABOARD
    assert not scene.is_drafting


def test_a_copy_begins_at_the_open_byte(scene):
    """Or at the first one; where the identifier is open, at its first bit."""
    for piece, place in ((None, 29), (3, 29 + 24), (99, 29 + 56), (IDENTIFIER_PIECE, 0)):
        scene.piece_index = piece
        scene.take_draft()
        assert scene.draft.place == place
        scene.put_draft_away()


def test_nothing_heard_has_no_copy(catalogue):
    """It is told; the tape stays."""
    scene = Scene("bus", Watch(catalogue), None)
    assert scene.take_draft().startswith("There is no frame to copy")
    assert scene.draft is None


def test_the_identifier_opens_before_the_first_byte(scene):
    """In brackets with its parts in words; the next key to the right opens byte 0."""
    scene.step_piece(-1)
    assert scene.piece_index == IDENTIFIER_PIECE
    scene.step_piece(-1)
    text = shown(scene)
    assert "THERMOSTAT_STATUS_1, instance 1, [19FFE244]: priority 6, DGN 1FFE2, from 44" in text
    assert "11100010  low byte of the DGN (PDU specific): E2 hex" in text
    assert "As text: rvsim spell 19FFE244 0102C8C0244025FF" in text
    assert "unused, filled" not in text
    assert scene.target() is not None
    scene.step_piece(1)
    assert "[01 instance 1 *]" in " ".join(text_of(line) for line in tape_lines(scene, 200))


# Turns.


def test_turns_are_stepped_through(scene):
    """The turn stays while the bus goes on; behind the last one the page follows the bus again."""
    scene.page = Page.WIRES
    assert "2 were ready" in shown(scene)
    assert "rvsim spell 19FFE45E 0100C864FFFFFFFF --wire --against 19FFE4A1" in shown(scene)
    scene.turns.step(1)
    assert scene.turns.held is None
    scene.turns.step(-1)
    assert scene.turns.turn().frame.identifier == THERMOSTAT
    assert "Turn 1 of 3, which stays" in shown(scene)
    scene.turns.step(-1)
    assert scene.turns.turn().frame.identifier == THERMOSTAT
    scene.watch.observe(Frame(1_700_000, 0x19FFE345, bytes(8)))
    assert scene.turns.turn().frame.identifier == THERMOSTAT
    scene.turns.step(1)
    assert scene.turns.turn().frame.identifier == FURNACE
    assert [waiting.frame.identifier for waiting in scene.turns.turn().waiting] == [0x19FFE4A1]
    scene.turns.step(1)
    assert scene.turns.held is not None
    scene.turns.step(1)
    assert scene.turns.held is None
    scene.turns.step(-1)
    scene.observe_by(scene.watch)
    assert scene.turns.held is None


def test_no_turn_yet(catalogue):
    """Nothing to step through, and nothing raised."""
    scene = Scene("bus", Watch(catalogue), None)
    scene.turns.step(-1)
    assert scene.turns.held is None


def test_the_page_of_a_turn_is_stepped_by_keys(seen, drive):
    """← is the turn before; the title says which one stays."""
    run = seen("heater_goes_quiet", 43)
    lines = drive(run.app(), (100, 60), "r", "left")
    assert "── Wires: turn " in lines[2]
    assert ", which stays" in lines[2]
    assert any("As text: rvsim spell 1" in line and "--wire" in line for line in lines)
