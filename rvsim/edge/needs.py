"""What each interface of python-can needs beside python-can itself, and whether it is there.

Knows: Python packages by interface. Does not know which adapters there are, nor load a driver.

The packages are the optional dependencies of python-can 4.6.1 in its own metadata; which module a driver imports, and
which need a library of the maker, was read in its files below can/interfaces/. Our extras in pyproject.toml have the
same names.
"""

from collections.abc import Iterator
from importlib.util import find_spec
from typing import NamedTuple

from can.interfaces import BACKENDS


class Package(NamedTuple):
    """A Python package, the module by which it is known to be installed, and the extra that names it."""

    name: str
    module: str
    extra: str


PACKAGES = {
    **dict.fromkeys(("robotell", "seeedstudio", "serial", "slcan"), Package("pyserial", "serial", "serial")),
    "canalystii": Package("canalystii", "canalystii", "canalystii"),
    "cantact": Package("cantact", "cantact", "cantact"),
    "gs_usb": Package("gs-usb", "gs_usb", "gs-usb"),
    "neovi": Package("python-ics", "ics", "neovi"),
    "nixnet": Package("nixnet", "nixnet", "nixnet"),
    "udp_multicast": Package("msgpack", "msgpack", "multicast"),
    "usb2can": Package("pywin32", "pythoncom", "pywin32"),
}
MAKERS = ("etas", "iscan", "ixxat", "kvaser", "neousys", "nican", "pcan", "systec", "vector")
"""Interfaces that need the driver of the adapter's maker and no Python package."""
LINUX = ("socketcan",)
"""Interfaces that are part of Linux, and of no other system."""
NOTHING = ("rvsim", "socketcand", "virtual")
"""Interfaces that need nothing."""


def missing(interface: str) -> Package | None:
    """Return the package that an interface needs and that is not installed."""
    package = PACKAGES.get(interface)
    return None if package is None or find_spec(package.module) else package


def needs() -> Iterator[str]:
    """Say what each interface that python-can names needs, those that need the same together."""
    for package in dict.fromkeys(PACKAGES.values()):
        those = ", ".join(sorted(name for name, needed in PACKAGES.items() if needed is package))
        yield f"{those}: " + (f"pip install {package.name}" if missing(those.split(", ")[0]) else "installed")
    yield f"{', '.join(MAKERS)}: the driver of the adapter's maker"
    yield f"{', '.join(LINUX)}: part of Linux"
    yield f"{', '.join(NOTHING)}: nothing"
    others = sorted({*BACKENDS} - {*PACKAGES, *MAKERS, *LINUX, *NOTHING})
    if others:
        yield f"{', '.join(others)}: see the package that brings it"
