"""Who sends a message and who takes it in the shipped rigs, read out of their files without checking these.

Knows: functions of planned devices, their statuses and commands. Does not know what a simulated device really sends:
a bench shows it.
"""

import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from rvsim import shipped
from rvsim.rig.functions import FUNCTIONS, canonical
from rvsim.wire.spec import MessageSpec


class Party(NamedTuple):
    """A device of a shipped rig: it sends a message or takes it as a command, for one of its functions."""

    rig: str
    device: str
    address: int
    function: str
    instance: int
    sends: bool

    @property
    def text(self) -> str:
        """The device in a few words."""
        return f"{self.device} (address {self.address:02X}) in {self.rig}"


def parties(spec: MessageSpec) -> list[Party]:
    """Return the devices of the shipped rigs that send a message or take it, in the order of the files."""
    wanted = {
        name: spec.name in function.statuses
        for name, function in FUNCTIONS.items()
        if spec.name in function.statuses or spec.name in function.commands
    }
    return [
        Party(rig, device, address, FUNCTIONS[name].title, instance, wanted[name])
        for rig, device, address, name, instance in _planned(shipped.scenario_folder() / "rigs")
        if name in wanted
    ]


@cache
def _planned(folder: Path) -> tuple[tuple[str, str, int, str, int], ...]:
    """Return rig, device, address, function and its first instance of each function of each rig; read once."""
    return tuple(_in_rigs(folder))


def _in_rigs(folder: Path) -> Iterator[tuple[str, str, int, str, int]]:
    for path in sorted(folder.glob("*.toml")):
        try:
            rig = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):  # a rig that somebody is editing: the message is explained without it
            continue
        for device in rig.get("device", ()):
            yield from _functions(path.stem, device)


def _functions(rig: str, device: dict[str, Any]) -> Iterator[tuple[str, str, int, str, int]]:
    name, address = device.get("name"), device.get("address")
    for written, given in device.get("functions", {}).items():
        first = given[0] if isinstance(given, list) and given else given
        function = canonical(written)
        if isinstance(name, str) and isinstance(address, int) and isinstance(first, int) and function in FUNCTIONS:
            yield rig, name, address, function, first
