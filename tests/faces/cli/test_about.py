"""What `rvsim about` says."""

import re
from importlib.metadata import version

import pytest

from rvsim import shipped
from rvsim.devices.device import Device
from rvsim.devices.registry import kinds_by_name
from rvsim.faces.cli import about
from rvsim.faces.cli.about import lines


def test_it_says_where_everything_was_found(catalogue):
    """Versions as installed, the folders, the number of messages by origin, the interfaces."""
    said = "\n".join(lines(catalogue))
    assert f"rvsim {version('rvsim-bench')}, Python 3." in said
    assert f"cantools {version('cantools')}" in said
    assert f"definitions  {len(catalogue)} messages (" in said
    assert f") in {shipped.dbc_folder()}" in said
    assert sum(int(n) for n in re.search(r"messages \((.*?)\)", said)[1].split() if n.isdigit()) == len(catalogue)
    assert str(shipped.scenario_folder()) in said
    (interfaces,) = (line for line in said.splitlines() if line.startswith("interfaces"))
    assert "virtual" in interfaces
    assert (
        "devices      panel, heater, air_furnace, water_heater, water_pump, circulation_pump, roof_fan, "
        "air_conditioner, charger, solar_controller, alternator, dc_dc_charger, inverter, generator, dc_disconnect, "
        "battery_monitor, tank, ambient, fridge, keypad, load_centre, awning, window_shade, lock, own"
    ) in said


def test_it_names_kinds_of_other_packages(catalogue, monkeypatch):
    """Each with the module that it comes from, and a line for each that cannot be used."""
    lamp = type("Lamp", (Device,), {"kind": "lamp", "__module__": "van_lamp"})
    kinds = {**kinds_by_name(), "lamp": lamp}
    monkeypatch.setattr(about, "kinds_by_name", lambda: kinds)
    monkeypatch.setattr(about, "kind_problems", lambda: ('entry point "bad" of rvsim.devices: mend it',))
    said = list(lines(catalogue))
    place = next(number for number, line in enumerate(said) if line.startswith("devices"))
    assert said[place + 1 : place + 3] == [
        "             lamp, from van_lamp",
        'entry point "bad" of rvsim.devices: mend it',
    ]
    assert said[place + 3].startswith("shipped")


@pytest.mark.parametrize(
    ("asked", "first", "has"),
    [
        (("--words",), "Words of rvsim's own", "bus-off"),
        (("--words", "dgn"), "DGN (data group number)", "Origin: published: rv-c.com/node/12"),
        (("--words=dgn",), "DGN (data group number)", "Origin: published: rv-c.com/node/12"),
        (("--keys",), "Keys: rvsim about --keys PART", 'settings of a device with kind = "roof_fan"'),
        (("--keys", "rig"), "Each line: key = type", "[[device]]: "),
        (("--keys", "scenario"), "Each line: key = type", 'fault = "silent": '),
        (("--keys", "heater"), "Each line: key = type", "burner_amps = number, 0 to 1000 A (2.5): "),
        (("--guide",), "Guides: rvsim about --guide TOPIC", "own-devices"),
        (("--guide", "Student"), "# ", "rvsim spell"),
        (("--keys", "--ascii"), "Keys: ", "rig"),
    ],
)
def test_an_explanation(rvsim, asked, first, has):
    """All of them, or the one that is named; it is data, and goes to stdout."""
    code, out, err = rvsim("about", *asked)
    assert (code, err) == (0, "")
    assert out.startswith(first)
    assert has in out


def test_the_keys_of_a_scenario_are_those_of_shakedown(rvsim):
    """Both commands print the same."""
    assert rvsim("about", "--keys", "scenario") == rvsim("shakedown", "--keys")


def test_keys_of_a_kind_of_another_package(rvsim, monkeypatch):
    """It is listed with the others, and its settings like theirs."""
    lamp = type("Lamp", (Device,), {"kind": "lamp", "__doc__": "Shines."})
    kinds = {**kinds_by_name(), "lamp": lamp}
    monkeypatch.setattr(about, "kinds_by_name", lambda: kinds)
    assert 'settings of a device with kind = "lamp"' in rvsim("about", "--keys")[1]
    assert 'kind = "lamp": Shines.' in rvsim("about", "--keys", "lamp")[1]


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("--words", "dng"), '--words: "dng" is not in the glossary; did you mean "DGN"?'),
        (
            ("--keys", "heter"),
            '--keys: "heter" is neither rig, scenario nor a kind of device (did you mean "heater"?); ',
        ),
        (("--guide", "suport"), '--guide: "suport" is no topic (did you mean "support"?); the topics are integrator, '),
        (("--words", "dgn", "--keys", "rig"), "--words and --keys cannot go together: ask for one at a time"),
        (("--keys", "--guide"), "--keys and --guide cannot go together: ask for one at a time"),
    ],
)
def test_what_cannot_be_explained(rvsim, asked, said):
    """One clear line, and exit code 2."""
    code, out, err = rvsim("about", *asked)
    assert (code, out) == (2, "")
    assert err.startswith(f"rvsim: {said}")
    assert err.count("\n") == 1
