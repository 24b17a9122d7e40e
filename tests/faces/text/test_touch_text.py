"""What is told of a touch: what the rig calls it, and whether what a note names has moved."""

import io
import json

import pytest

from rvsim.faces.text.touch_text import TouchNames, show_as_json, show_as_text
from rvsim.rig.model import Rig
from rvsim.watch.touched import TouchedReadings
from rvsim.watch.transitions import ReadingChanged
from rvsim.wire.fields import Reading
from rvsim.wire.frame import SECOND_US

RIG = {
    "schema": 1,
    "name": "touched",
    "title": "A load centre and a keypad",
    "device": [
        {"name": "load centre", "kind": "load_centre", "address": 0x92},
        {
            "name": "bed",
            "kind": "keypad",
            "address": 0x93,
            "functions": {"keypad": [31, 32]},
            "settings": {"keys": {"lamp": {"instance": 31}, "fan": {"instance": 32}}},
        },
    ],
    "module": [{"name": "front", "device": "load centre"}],
    "output": [
        {"name": "galley light", "module": "front", "terminal": 1, "instance": 3, "load": "lamp"},
        {"name": "fan", "module": "front", "terminal": 2, "instance": 4, "load": "motor"},
    ],
}


@pytest.fixture
def say(catalogue):
    """Tell a change of a reading."""
    return Changes(catalogue)


class Changes:
    """Changes of readings with their times in seconds."""

    def __init__(self, catalogue):
        self._catalogue, self.touched, self._last = catalogue, TouchedReadings(), {}

    def __call__(self, seconds, device, message, instance, field, value):
        """A field has a value now."""
        spec = self._catalogue.by_name(message)
        one = spec.by_name[field]
        reading = Reading(one, one.raw(value), one.state(one.raw(value)))
        before, self._last[message, instance] = self._last.get((message, instance)), reading
        self.touched.observe(ReadingChanged(round(seconds * SECOND_US), device, 0x90, spec, instance, reading, before))


def told(say, seconds, note):
    """What is told of a note at a time: as lines, and what JSON says of the names in it."""
    names, found = TouchNames(Rig.model_validate(RIG)), say.touched.touch(round(seconds * SECOND_US))
    text, lines = io.StringIO(), io.StringIO()
    show_as_text(text, names)(found, note)
    show_as_json(lines, names)(found, note)
    expected = {one["name"]: one["moved"] for one in json.loads(lines.getvalue())["expected"]}
    return [line.strip() for line in text.getvalue().splitlines()], expected


def test_an_output_has_its_own_name_and_not_that_of_its_module(say):
    """The module has the instances of all its outputs; a person looks for the lamp."""
    say(0, "load centre", "DC_DIMMER_STATUS_3", 3, "operating_status", 0)
    say(20, "load centre", "DC_DIMMER_STATUS_3", 3, "operating_status", 100)
    lines, expected = told(say, 21, "Galley Light")
    assert lines == [
        "21.000 s  moved in the 5 s before the mark:",
        'dimmer 3 of load centre: operating status 0 % to 100 %, steady before; "galley light" in the rig',
        "galley light is output 3 in the rig, and it moved",
    ]
    assert expected == {"galley light": True}
    assert told(say, 21, "load centre")[1] == {"load centre": True}  # one of its functions is enough


def test_a_key_that_commands_nothing_is_told_by_its_name(say):
    """It is off again before anybody types; the name of its keypad, within its own, is not asked for."""
    say(0, "bed", "DIGITAL_INPUT_STATUS", 31, "switch_position", 0)
    say(20, "bed", "DIGITAL_INPUT_STATUS", 31, "switch_position", 1)
    say(20.2, "bed", "DIGITAL_INPUT_STATUS", 31, "switch_position", 0)
    lines, expected = told(say, 22, "pressed bed lamp")
    assert lines[1:] == [
        'digital input 31 of bed: switch position off to on and back; "bed.lamp" in the rig',
        "bed.lamp is digital input 31 in the rig, and it moved",
    ]
    assert expected == {"bed.lamp": True}


def test_a_name_within_a_word_is_none(say):
    """The rig has a fan and a bed."""
    say(0, "load centre", "DC_LOAD_STATUS", 4, "operating_status", 0)
    assert told(say, 30, "fantastic, embedded")[1] == {}
    lines, expected = told(say, 30, "the fan, again")
    assert lines == [
        "30.000 s  nothing moved in the 5 s before the mark, beyond what moves by itself",
        "fan is output 4 in the rig, and it did not move: check its wiring, or the rig",
    ]
    assert expected == {"fan": False}


@pytest.mark.parametrize("seconds", [0.5, 6, 16.9])
def test_what_is_not_known_for_long_enough_is_not_accused(say, seconds):
    """A lamp that was switched on right after the start did move, but cannot stand out."""
    if seconds > 2:
        say(2, "load centre", "DC_DIMMER_STATUS_3", 3, "operating_status", 0)
    lines, expected = told(say, seconds, "galley light")
    assert "too early to tell what moved: readings have to be known for 10 s" in lines[0]
    assert lines[1:] == [
        "galley light is output 3 in the rig; too early to tell: its readings have to be known for 10 s"
    ]
    assert expected == {"galley light": None}
    assert "nothing moved" in told(say, 17, "galley light")[0][0] or seconds < 2
