"""What python-can's interfaces need, held against python-can's own metadata and our extras."""

import re
import tomllib
from importlib.metadata import metadata, requires
from pathlib import Path

import pytest
from can.interfaces import BACKENDS

from rvsim.edge import needs as needs_module
from rvsim.edge.needs import (
    INTERFACES_WITHOUT_NEEDS,
    LINUX_INTERFACES,
    MAKER_DRIVER_INTERFACES,
    PACKAGES,
    interface_needs,
    missing_package,
)
from rvsim.edge.port import Port
from rvsim.errors import BusError

EXTRA = re.compile(r"([\w.-]+).*extra == .(?P<extra>[\w-]+).$")


def test_each_interface_of_python_can_is_listed_once():
    """None is left out, and none is in two places."""
    listed = [*PACKAGES, *MAKER_DRIVER_INTERFACES, *LINUX_INTERFACES, *INTERFACES_WITHOUT_NEEDS]
    assert sorted(listed) == sorted({*BACKENDS} & {*listed})
    assert {name for name, (module, _) in BACKENDS.items() if module.startswith("can.interfaces")} <= {*listed}


def test_the_packages_are_those_of_python_cans_extras():
    """Under the extra's name, which is ours as well."""
    theirs = {(found["extra"], found[1]) for one in requires("python-can") or () if (found := EXTRA.match(one))}
    assert {(package.extra, package.name) for package in PACKAGES.values()} <= theirs
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].items()
    ours = {extra: those for extra, those in extras if all(one.startswith("python-can[") for one in those)}
    assert ours == {package.extra: [f"python-can[{package.extra}]"] for package in PACKAGES.values()}
    assert {*ours} <= {*metadata("python-can").get_all("Provides-Extra")}


def test_missing_and_installed_packages_are_listed(monkeypatch):
    """A line for those that need the same."""
    there: set[str] = set()
    monkeypatch.setattr(needs_module, "find_spec", lambda module: module in there or None)
    assert next(iter(interface_needs())) == "robotell, seeedstudio, serial, slcan: pip install pyserial"
    assert (missing_package("slcan").name, missing_package("socketcan"), missing_package("virtual")) == (
        "pyserial",
        None,
        None,
    )
    there.add("serial")
    assert next(iter(interface_needs())) == "robotell, seeedstudio, serial, slcan: installed"
    assert missing_package("slcan") is None


def test_an_interface_of_another_package_is_named(monkeypatch):
    """It is not python-can's, so its needs are not known."""
    assert not any("see the package" in line for line in interface_needs())
    monkeypatch.setitem(BACKENDS, "of_the_house", ("house", "Bus"))
    assert list(interface_needs())[-1] == "of_the_house: see the package that provides it"


def test_the_error_without_a_package_names_it(monkeypatch):
    """The line ends with what to type."""
    monkeypatch.setattr(needs_module, "find_spec", lambda module: None)
    with pytest.raises(
        BusError, match=r"^slcan COM5: the bus could not be opened .*; pip install pyserial, which this"
    ):
        Port("slcan", "COM5")
