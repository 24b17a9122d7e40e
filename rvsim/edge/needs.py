"""What each interface of python-can needs in addition to python-can, and whether it is installed.

Knows: Python packages by interface. Does not know which adapters are present, does not load a driver.

The packages are the optional dependencies of python-can 4.6.1 in its own metadata. Which module a driver imports, and
which drivers need a library of the maker, was read in its files below can/interfaces/. Our extras in pyproject.toml
have the same names.
"""

from collections.abc import Iterator
from importlib.util import find_spec
from typing import NamedTuple

from can.interfaces import BACKENDS


class Package(NamedTuple):
    """A Python package, the module that shows that it is installed, and the extra that names it."""

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
MAKER_DRIVER_INTERFACES = ("etas", "iscan", "ixxat", "kvaser", "neousys", "nican", "pcan", "systec", "vector")
"""Interfaces that need the driver of the adapter's maker, but no Python package."""
LINUX_INTERFACES = ("socketcan",)
"""Interfaces that are part of Linux, and of no other system."""
INTERFACES_WITHOUT_NEEDS = ("rvsim", "socketcand", "virtual")
"""Interfaces that need nothing."""


def missing_package(interface: str) -> Package | None:
    """Return the package that an interface needs, if it is not installed."""
    package = PACKAGES.get(interface)
    return None if package is None or find_spec(package.module) else package


def interface_needs() -> Iterator[str]:
    """Yield a line for each need, with the interfaces of python-can that have it."""
    for package in dict.fromkeys(PACKAGES.values()):
        interfaces = sorted(name for name, needed in PACKAGES.items() if needed is package)
        need = f"pip install {package.name}" if missing_package(interfaces[0]) else "installed"
        yield f"{', '.join(interfaces)}: {need}"
    yield f"{', '.join(MAKER_DRIVER_INTERFACES)}: the driver of the adapter's maker"
    yield f"{', '.join(LINUX_INTERFACES)}: part of Linux"
    yield f"{', '.join(INTERFACES_WITHOUT_NEEDS)}: nothing"
    others = sorted({*BACKENDS} - {*PACKAGES, *MAKER_DRIVER_INTERFACES, *LINUX_INTERFACES, *INTERFACES_WITHOUT_NEEDS})
    if others:
        yield f"{', '.join(others)}: see the package that provides it"
