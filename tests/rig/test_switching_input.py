"""Hasty mistakes in the switching tables of the shipped rig: one line each, with its place and what to do."""

import re

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.rig.load import load_rig
from rvsim.shipped import scenario_folder

TEXT = (scenario_folder() / "rigs" / "brackenlow.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("terminal = 2\ninstance = 2", "terminal = 1\ninstance = 2", 'terminal 1 of "cupboard" is already that of'),
        ("terminal = 2\ninstance = 2", "terminal = 2\ninstance = 1", 'dimmer 1 is already "galley light"'),
        ('name = "seat light"', 'name = "galley light"', '"galley light" is already the name of output 1'),
        ("amps = 5.0\nlimit_amps = 8", "amps = 9.0\nlimit_amps = 8", "its load of 9 A is above its limit of 8 A"),
        ("contact_amps = 30.0", "contact_amps = 15.0", "its load of 20 A is above the 15 A of a heater mat"),
        ("fan = 3000 }", "fan = 1010 }", '"fan" cannot be told from "pump": with parts of 1 % they are read as'),
        ("fan = 3000 }", "fan = 1000 }", '"fan" has the same resistance to ground as "pump"'),
        ('set = { "group 1" = "off" }', "set = { }", "it sets nothing; name an output with its level"),
        ('set = { "group 1" =', 'set = { "galey light" =', '"galey light" is not in the rig (did you mean'),
        ('set = { "group 1" = "off"', 'set = { "fan" = 40', '"fan" is switched only, and cannot have 40 %'),
        ('set = { "group 1" = "off"', 'set = { "group 1" = 140', "140 is no level"),
        ('scene = "dark"', 'scene = "drak"', '"drak" is not a scene of the rig (did you mean "dark"?)'),
        ('"bed keypad.fan" = "fan"', '"bed keypad.fen" = "fan"', '"bed keypad.fen" cannot be pressed (did you mean'),
        ('relay = "mat relay"', 'relay = "mat rely"', '"mat rely" is not in the rig (did you mean "mat relay"?)'),
    ],
)
def test_one_line_with_its_place(tmp_path, old, new, line):
    """The file, the line, the entry by number and name, the key, what is wrong and what to do."""
    assert old in TEXT
    path = tmp_path / "rig.toml"
    path.write_text(TEXT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_rig(path, settings_models())
    (problem,) = caught.value.problems
    assert re.match(r'.*rig\.toml, line \d+, \w+ \d "[^"]+", [^:]+: ', problem)
    assert line in problem
    assert ";" in problem or "did you mean" in problem
