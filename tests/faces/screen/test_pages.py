"""The pages mark what they say by the weakest part that it rests on, and say fault and alternator in words."""

import re

import pytest

from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.pages import page_rows, readings_lines, tape_lines
from rvsim.faces.screen.scene import Page, Scene
from rvsim.rig.load import load_rig
from rvsim.watch.watch import Watch
from rvsim.wire.fields import Origin
from rvsim.wire.frame import Frame


@pytest.fixture
def scene(catalogue):
    """Return the scene of a bus without a rig, on which frames were heard, given as (identifier, bytes)."""

    def observe(*frames):
        watch = Watch(catalogue)
        for number, (identifier, data) in enumerate(frames):
            watch.observe(Frame(number * 1000, identifier, bytes.fromhex(data)))
        seen = Scene("log", watch, None)
        seen.devices()
        return seen

    return observe


def says(found):
    """The lines of the page "It says"."""
    return [text_of(line) for line in readings_lines(found)]


def test_a_field_is_no_surer_than_the_number_of_its_message(scene, catalogue):
    """That of the solar controller's command to force a charge is published, the message's number is from memory."""
    command = catalogue.by_name("SOLAR_CONTROLLER_COMMAND")
    found = scene((command.identifier(0x44), "01 FF 1F FF FF FF FF FF"))
    (line,) = (line for line in says(found) if "force charge" in line)
    assert set(command.by_name["force_charge"].grades) == {Origin.PUBLISHED}
    assert line.endswith("from memory")


def test_an_alternator_stands_on_the_trunk_by_its_name(scene):
    """An alternator regulator's instances of a charger are 30h and the number; its numbers are published or not."""
    found = scene((0x19FFC74A, "31 10 01 68 7E FF 03 FF"))
    found.open_devices = {"address 4A hex"}
    rows, _ = page_rows(found, 100)
    lines = [text_of(row.line()).rstrip() for row in rows]
    assert any("alternator 1: absorption, 13.6 V, gives 18.0 A *" in line for line in lines)
    assert any("voltage           13.6 V " in line for line in lines)


def test_a_sender_that_is_not_identified_yet_was_heard(catalogue):
    """The claim of an address does not say which planned device has it; the devices of the rig are awaited."""
    watch = Watch(catalogue, load_rig("ottersby"))
    watch.observe(Frame(0, 0x18EEFF5E, bytes.fromhex("0102030405060780")))
    found = Scene("log", watch, None)
    found.devices()
    lines = [text_of(row.line()).rstrip() for row in page_rows(found, 100)[0]]
    assert any(re.search(r"address 5E hex +heard +not identified yet$", line) for line in lines)
    assert any(re.search(r"heater +awaited +not heard yet$", line) for line in lines)


def test_the_tape_page_has_the_legend_and_the_meaning(scene):
    """A heartbeat without a fault says so, and under it stands what a star means."""
    found = scene((0x19FECA58, "05 58 FF FF FF FF FF FF"))
    found.page = Page.TAPE
    shown = " ".join(text_of(line).strip() for line in tape_lines(found, 100))
    assert "58 dsa 88, thermostat * · FF FF FF no fault * ·" in shown
    assert "Marked *: from memory; marked **: from memory, not sure." in shown


def test_a_manual_fault_acts_on_no_field_that_only_a_connection_frame_has(scene):
    """The length of a long message is shown on the tape, and is no field of the definition."""
    found = scene((0x1CECFF58, "20 14 00 03 FF B0 FE 00"))
    found.page, found.piece_index = Page.TAPE, 1
    target = found.target()
    assert target is not None
    assert target.field == "dgn_of_the_long_message"
