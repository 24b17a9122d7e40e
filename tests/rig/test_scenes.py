"""Scenes, groups and the switches of panels: what a rig may name, and the line of each mistake."""

import pytest

from rvsim.errors import InputError
from rvsim.rig.load import load_rig
from rvsim.rig.panel_parts import panel_parts
from rvsim.rig.scenes import level_percent

RIG = """
schema = 1
name = "van"
title = "a van"

[[device]]
name = "panel"
kind = "panel"
address = 0x44
functions = { control_panel = 1 }
settings = { PANEL }

[[device]]
name = "second panel"
kind = "panel"
address = 0x45
functions = { control_panel = 2 }
settings = { SECOND }

[[device]]
name = "keypad"
kind = "keypad"
address = 0x93
functions = { keypad = [31, 32] }
settings = { keys = { night = { instance = 31, scene = "night" }, galley = { instance = 32 } } }

[[device]]
name = "centre"
kind = "load_centre"
address = 0x80

[[module]]
name = "front"
device = "centre"

[[output]]
name = "galley light"
module = "front"
terminal = 1
instance = 21
load = "led"
groups = [1]

[[output]]
name = "pump"
module = "front"
terminal = 2
instance = 31
load = "pump"
groups = [1]

[[output]]
name = "spare"
module = "front"
terminal = 3

[[input]]
name = "switch"
module = "front"
terminal = 21

GROUPS

[[scene]]
name = "night"
set = { SET }
"""
GROUP = '[[group]]\nname = "everything"\nnumber = 1\n'


@pytest.fixture
def load(tmp_path):
    """Load the rig with other entries: ``load(PANEL='scenes = ["night"]')``."""

    def go(**parts):
        text = RIG
        defaults = {"SECOND": "", "PANEL": "", "GROUPS": GROUP, "SET": '"galley light" = 40, "everything" = "off"'}
        for name, given in {**defaults, **parts}.items():
            text = text.replace(name, given)
        (tmp_path / "van.toml").write_text(text, encoding="utf-8")
        return load_rig(tmp_path / "van.toml")

    return go


def test_a_scene_names_outputs_and_groups_in_its_order(load):
    """Levels in percent or on and off; a group by its name or its number, with its members."""
    rig = load(SET='"galley light" = 40, "everything" = "off", "group 1" = "on"')
    (scene,) = rig.scenes
    assert [(name, level_percent(level)) for name, level in scene.set.items()] == [
        ("galley light", 40.0),
        ("everything", 0.0),
        ("group 1", 100.0),
    ]
    parts = panel_parts(rig, "panel")
    assert [one.name for one in parts.target("everything").outputs] == ["galley light", "pump"]
    assert parts.target("group 1").group == parts.target("everything").group == 1
    assert parts.target("galley light").group is None
    assert parts.target("group 8") is parts.target("group one") is parts.target("none") is None


def test_a_scene_has_one_owner(load):
    """The panel that names it; else the first one that names none. Keys call it at its owner."""
    rig = load()
    assert (list(panel_parts(rig, "panel").scenes), list(panel_parts(rig, "second panel").scenes)) == (["night"], [])
    assert panel_parts(rig, "panel").callers == {"keypad.night": "night"}
    assert panel_parts(rig, "second panel").callers == {}
    rig = load(SECOND='scenes = ["night"]')
    assert (list(panel_parts(rig, "panel").scenes), list(panel_parts(rig, "second panel").scenes)) == ([], ["night"])
    assert panel_parts(load(PANEL="scenes = []"), "panel").scenes == {}
    assert panel_parts(rig, "keypad") is None


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ({"SET": ""}, ', scene 1 "night", set: it sets nothing; name an output with its level, like'),
        (
            {"SET": '"galey light" = 40'},
            '"galey light" is not in the rig (did you mean "galley light"?); its outputs and',
        ),
        ({"SET": '"group 3" = 0'}, 'no output with an instance is in "group 3"; add it to the groups of an output'),
        ({"SET": "spare = 0"}, '"spare" has no instance, so that no panel can command it; give it one'),
        ({"SET": "pump = 40"}, '"pump" is switched only, and cannot have 40 %; write "on" or "off"'),
        ({"SET": "everything = 40"}, '"pump" of "everything" is switched only, and cannot have 40 %'),
        ({"SET": "pump = 101"}, "101 is above 100"),
        ({"SET": 'pump = "half"'}, '"half"'),
        ({"GROUPS": GROUP.replace("everything", "pump")}, '"pump" is the name of an output; give the group a name of'),
        ({"GROUPS": GROUP + GROUP.replace("1", "2")}, '"everything" is already the name of group 1; give each its own'),
        ({"GROUPS": GROUP + GROUP.replace("every", "any")}, "1 is already the number of group 1; give each its own"),
        ({"GROUPS": GROUP.replace("1", "8")}, "8 is above 7"),
        ({"PANEL": 'scenes = ["nigth"]'}, '"nigth" is not a scene of the rig (did you mean "night"?); its scenes are'),
        (
            {"PANEL": 'scenes = ["night"]', "SECOND": 'scenes = ["night"]'},
            '"night" belongs to "panel" already; a scene',
        ),
        ({"PANEL": 'calls = { "keypad.galey" = "night" }'}, '"keypad.galey" cannot be pressed (did you mean'),
        ({"PANEL": 'calls = { "keypad.galley" = "x" }'}, '"x" is not a scene of the rig'),
        ({"SECOND": 'calls = { "keypad.galley" = "night" }'}, '"night" belongs to panel; let that panel call it'),
        ({"PANEL": 'switches = { "keypad.galley" = "spare" }'}, '"spare" has no instance, so that no panel can'),
        ({"PANEL": 'switches_on = { switch = "pump" }'}, '"switch" has no instance, so that no panel receives it'),
        ({"PANEL": 'switches_off = { "keypad.galley" = "x" }'}, '"x" is not in the rig; its outputs and groups are'),
    ],
)
def test_a_name_that_stands_for_nothing_is_one_line(load, parts, expected):
    """With the file, the line, and what to do."""
    with pytest.raises(InputError) as caught:
        load(**parts)
    lines = [problem for problem in caught.value.problems if expected in problem]
    assert lines, caught.value.problems
    assert "van.toml, line " in lines[0]
    others = [problem for problem in caught.value.problems if problem not in lines]
    assert not others or "SET" in parts or "GROUPS" in parts, others


def test_a_key_may_call_only_a_scene_that_there_is(load, tmp_path):
    """In a rig with scenes; one without any leaves them to a panel that it does not describe."""
    load()
    path = tmp_path / "van.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('scene = "night"', 'scene = "nigth"'), encoding="utf-8")
    with pytest.raises(InputError, match=r'line \d+, device 3 "keypad", settings.keys.night.scene: "nigth" is not a'):
        load_rig(path)
    path.write_text(text.partition("[[scene]]")[0], encoding="utf-8")
    assert load_rig(path).scenes == ()
