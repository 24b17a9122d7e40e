"""What dimmers, loads, switches and keys send, as sentences with the names of the rig."""

import re
import tomllib
from io import StringIO

import pytest

from rvsim.faces.text.sentences import Sentences
from rvsim.rig.model import Rig
from rvsim.runs.pipeline import Pipeline
from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame

RIG = """schema = 1
name = "van"
title = "A van with switches"

[[device]]
name = "centre"
kind = "load_centre"
address = 0x90

[[device]]
name = "bed keypad"
kind = "keypad"
address = 0x91
functions = { keypad = [31] }
[device.settings]
keys = { lamp = { instance = 31 } }

[[module]]
name = "front"
device = "centre"

[[output]]
name = "galley light"
module = "front"
terminal = 1
instance = 3
load = "lamp"

[[output]]
name = "water pump"
module = "front"
terminal = 2
instance = 3
load = "pump"

[[input]]
name = "wall"
module = "front"
terminal = 1
instance = 21
ladder = { pull_up_ohm = 1000, rungs = { galley = 200, bed = 510 } }
"""
LIGHT, STATE = ("DC_DIMMER_STATUS_1", 0x90), ("DC_DIMMER_STATUS_3", 0x90)
LOAD, LOAD_STATE = ("DC_LOAD_STATUS", 0x90), ("DC_LOAD_STATUS_2", 0x90)
COMMAND, INPUT, KEY = ("DC_DIMMER_COMMAND_2", 0x91), ("DIGITAL_INPUT_STATUS", 0x90), ("DIGITAL_INPUT_STATUS", 0x91)
SAID = [
    ((*LIGHT, {"instance": 3, "group": 0x7A, "master_brightness": 80}), "centre, galley light: 40 %, in groups 1, 3 *"),
    ((*STATE, {"instance": 3, "group": 0x7A, "operating_status": 80}), None),  # the same again
    ((*STATE, {"instance": 3, "operating_status": 0, "last_command": 5}), "galley light: off, last command toggle *"),
    ((*STATE, {"instance": 3, "operating_status": 0, "override_status": 1}), "light: set by hand at the module *"),
    ((*STATE, {"instance": 3, "operating_status": 0, "override_status": 0}), "galley light: as commanded again *"),
    ((*STATE, {"instance": 3, "operating_status": 0, "lock_status": 1, "interlock_status": 1}),
     "galley light: locked, held by an interlock *"),
    ((*STATE, {"instance": 3, "operating_status": 0, "delay_duration": 30}), "galley light: 30 s left *"),
    ((*STATE, {"instance": 3, "operating_status": 0, "delay_duration": 255}), None),
    ((*STATE, {"instance": 4, "operating_status": 200}), "centre, dimmer 4: 100 % *"),  # the rig has no such output
    ((*LOAD, {"instance": 3, "operating_status": 200, "operating_mode": 0, "present_current": 32_124,
              "demanded_current": 1}), "centre, water pump: on, 6.2 A *"),
    ((*LOAD_STATE, {"instance": 3, "over_current_status": 1}), "centre, water pump: over-current *"),
    ((*LOAD, {"instance": 3, "operating_status": 0, "operating_mode": 1, "present_current": 32_000,
              "demanded_current": 22}), "centre, water pump: off, mode manual, would take 22 A *"),
    ((*LOAD_STATE, {"instance": 3, "over_current_status": 0}), "centre, water pump: over-current ended *"),
    ((*INPUT, {"instance": 22, "switch_position": 1, "configuration": 1, "number_of_positions": 2, "bank_select": 15}),
     "centre, wall.bed: on, momentary"),
    ((*KEY, {"instance": 31, "switch_position": 0, "number_of_positions": 3}),
     "bed keypad, lamp: off, positions 3"),
    ((*COMMAND, {"instance": 3, "group": 255, "desired_level": 120, "command": 0, "delay_duration": 0, "interlock": 3}),
     "bed keypad commands galley light: set level (with delay), 60 %"),
    ((*COMMAND, {"instance": 3, "desired_level": 120, "command": 3, "delay_duration": 20, "interlock": 1}),
     "bed keypad commands galley light: off after delay, delay or duration 20 s, interlock A *"),
    ((*COMMAND, {"instance": 254, "group": 0x7D, "command": 6}),
     "bed keypad commands dimmers by group: memory off, group 2 *"),
    ((*COMMAND, {"instance": 9, "command": 5}), "bed keypad commands dimmer 9: toggle *"),
]  # fmt: skip


@pytest.fixture
def said(catalogue):
    """Let messages be sent 10 ms apart, by name, address and fields; return the lines of each."""

    def send(messages, rig: Rig | None):
        out = StringIO()
        run = Pipeline(Watch(catalogue, rig), Sentences(out, ("opening",), rig=rig))
        found = []
        for second, (message, source, fields) in enumerate(messages):
            before, spec = len(out.getvalue()), catalogue.by_name(message)
            run.observe(Frame(second * 10_000, spec.identifier(source), spec.pack(**fields)))
            new = out.getvalue()[before:].splitlines()
            found.append([line[12:] for line in new if " is present" not in line and "not in the rig" not in line])
        return found

    return send


def test_by_the_names_of_the_rig(said):
    """Outputs, switches of ladders and keys by their names; groups in words; what says nothing is left out."""
    rig = Rig.model_validate(tomllib.loads(RIG))
    lines = said([message for message, _ in SAID], rig)
    for (message, wanted), found in zip(SAID, lines, strict=True):
        found = [line for line in found if not re.search("instance|Try next|cleared", line)]  # no flags
        if wanted is None:
            assert not found, message
        else:
            assert len(found) == 1, (message, found)
            assert found[0].endswith(wanted), message


def test_without_a_rig_by_function_and_instance(said):
    """As everything else without one."""
    lines = said([SAID[0][0], SAID[13][0]], None)
    assert lines[0][-1] == "address 90 hex, dimmer 3: 40 %, in groups 1, 3 *"
    assert lines[1][-1] == "address 90 hex, digital input 22: on, momentary"
