"""What a scenario changes in its rig: devices that are left out, keys that are replaced.

Knows: how changes are laid over a rig before that is checked, and where what is then there was written. Does not know
what any key means.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from rvsim.errors import did_you_mean
from rvsim.rig.model import part
from rvsim.rig.quantity import shown
from rvsim.rig.toml_file import Place, TomlFile

_REPLACED = ("kind", "address", "functions")


class WrittenAt(NamedTuple):
    """Where a device of a changed rig was written: its place in the rig, and the changes that are laid over it."""

    place: int
    changes: tuple[int, ...] = ()


@dataclass(frozen=True)
class ChangedFile(TomlFile):
    """A file with a rig that a scenario has changed, which knows where each part of a device was written."""

    scenario: TomlFile
    above: Place
    """Where the rig stands in this file."""
    origins: tuple[WrittenAt, ...]

    def line(self, place: Place) -> int:
        """Return the line on which something stands in the file in which it was written."""
        file, origin = self._origin(place)
        return file.line(origin) if file is not self else super().line(origin)

    def where(self, place: Place, *words: str) -> str:
        """Say where something was written, in the rig or in the scenario."""
        file, origin = self._origin(place)
        return file.where(origin, *words) if file is not self else _plain(self).where(origin, *words)

    def _origin(self, place: Place) -> tuple[TomlFile, Place]:
        start = len(self.above) + 1
        if place[:start] != (*self.above, "device") or len(place) <= start:
            return self, place
        number, below = place[start], place[start + 1 :]
        if not isinstance(number, int) or number >= len(self.origins):
            return self, place
        origin = self.origins[number]
        for change in reversed(origin.changes):
            if _has(self.scenario.data["change"][change], below[:2]):
                return _plain(self.scenario), ("change", change, *below)
        return self, (*place[:start], origin.place, *below)


def _plain(file: TomlFile) -> TomlFile:
    return TomlFile(file.path, file.text, file.data)


def _has(entry: object, keys: Sequence[int | str]) -> bool:
    """Tell whether a table, or one in it, has the keys."""
    for key in keys:
        if not isinstance(entry, Mapping) or key not in entry:
            return False
        entry = entry[key]
    return bool(keys)


def changed(file: TomlFile, scenario: TomlFile, above: tuple[str, ...] = ()) -> tuple[TomlFile, tuple[str, ...]]:
    """Return a file whose rig has a scenario's changes, and what is wrong with those that name no device of it.

    What is wrong within a change is left to whoever checks the scenario.
    """
    rig: dict[str, Any] = file.data
    for key in above:
        rig = rig[key]
    changes, devices = scenario.data.get("change", []), rig.get("device", [])
    if not isinstance(changes, list) or not isinstance(devices, list):
        return file, ()
    problems = []
    kept: list[Any] = list(devices)
    origins = [WrittenAt(place) for place in range(len(devices))]
    for number, change in enumerate(changes):
        name = part(change, "device")
        names = [part(device, "name") for device in kept]
        if not isinstance(name, str):
            continue
        if name not in names:
            where = scenario.where(("change", number), f"change {number + 1}")
            known = [one for one in names if isinstance(one, str)]
            problems.append(f"{where}: {shown(name)} is not in the rig{did_you_mean(name, known)}")
            continue
        place = names.index(name)
        if part(change, "absent") is True:
            del kept[place], origins[place]
        else:
            kept[place] = _laid_over(kept[place], change)
            origins[place] = WrittenAt(origins[place].place, (*origins[place].changes, number))
    rig = {**rig, "device": kept}
    data = rig if not above else {**file.data, above[0]: rig}
    return ChangedFile(file.path, file.text, data, scenario, above, tuple(origins)), tuple(problems)


def _laid_over(device: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    new = {**device, **{key: change[key] for key in _REPLACED if key in change}}
    if isinstance(change.get("settings"), dict):
        settings = device.get("settings", {})
        new["settings"] = {**(settings if isinstance(settings, dict) else {}), **change["settings"]}
    return new
