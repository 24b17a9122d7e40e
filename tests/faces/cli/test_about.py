"""What `rvsim about` says."""

import re
from importlib.metadata import version

from rvsim import shipped
from rvsim.devices.device import Device
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
        "devices      panel, heater, circulation_pump, roof_fan, charger, battery_monitor, tank, ambient, own" in said
    )


def test_it_names_kinds_of_other_packages(catalogue, monkeypatch):
    """Each with the module that it comes from, and a line for each that cannot be used."""
    lamp = type("Lamp", (Device,), {"kind": "lamp", "__module__": "van_lamp"})
    monkeypatch.setattr(about, "KINDS", {**about.KINDS, "lamp": lamp})  # type: ignore[attr-defined]
    monkeypatch.setattr(about, "PROBLEMS", ('entry point "bad" of rvsim.devices: mend it',))
    said = list(lines(catalogue))
    place = next(number for number, line in enumerate(said) if line.startswith("devices"))
    assert said[place + 1 : place + 3] == [
        "             lamp, from van_lamp",
        'entry point "bad" of rvsim.devices: mend it',
    ]
    assert said[place + 3].startswith("shipped")
