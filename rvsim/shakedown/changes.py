"""Changes of a scenario to its rig: devices that are left out, keys that are replaced.

Knows: how a rig is changed before it is checked, and where each key of a changed device was written. Does not know
what any key means.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from rvsim.errors import did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import entry_value
from rvsim.rig.toml_file import Place, TomlFile

_REPLACED_KEYS = ("real", "kind", "address", "functions")


class DeviceLocation(NamedTuple):
    """Where a device of a changed rig was written: its index in the rig, and the indices of its changes."""

    place: int
    changes: tuple[int, ...] = ()


@dataclass(frozen=True)
class ChangedFile(TomlFile):
    """A file with a rig that a scenario has changed; it knows where each key of a device was written."""

    scenario: TomlFile
    above: Place
    """The place of the rig in this file."""
    locations: tuple[DeviceLocation, ...]
    """Where each device was written."""

    def line(self, place: Place) -> int:
        """Return the line of a place, in the file in which it was written."""
        file, written_at = self._written_at(place)
        return file.line(written_at) if file is not self else super().line(written_at)

    def where(self, place: Place, *words: str) -> str:
        """Return where a place was written, in the rig or in the scenario, as text."""
        file, written_at = self._written_at(place)
        return file.where(written_at, *words) if file is not self else _plain(self).where(written_at, *words)

    def _written_at(self, place: Place) -> tuple[TomlFile, Place]:
        start = len(self.above) + 1
        if place[:start] != (*self.above, "device") or len(place) <= start:
            return self, place
        number, below = place[start], place[start + 1 :]
        if not isinstance(number, int) or number >= len(self.locations):
            return self, place
        location = self.locations[number]
        for change in reversed(location.changes):
            if _has(self.scenario.data["change"][change], below[:2]):
                return _plain(self.scenario), ("change", change, *below)
        return self, (*place[:start], location.place, *below)


def _plain(file: TomlFile) -> TomlFile:
    return TomlFile(file.path, file.text, file.data)


def _has(entry: object, keys: Sequence[int | str]) -> bool:
    """Tell whether a table has the first key, the table under that has the second, and so on."""
    for key in keys:
        if not isinstance(entry, Mapping) or key not in entry:
            return False
        entry = entry[key]
    return bool(keys)


def changed_file(file: TomlFile, scenario: TomlFile, above: tuple[str, ...] = ()) -> tuple[TomlFile, tuple[str, ...]]:
    """Return a rig's file with a scenario's changes, and a line for each change of a device that is not in the rig.

    Mistakes within a change are found when the scenario is checked.

    Args:
        file: the file with the rig.
        scenario: the file with the changes.
        above: the keys under which the rig is in its file; none if the file is the rig.
    """
    rig: dict[str, Any] = file.data
    for key in above:
        rig = rig[key]
    changes, devices = scenario.data.get("change", []), rig.get("device", [])
    if not isinstance(changes, list) or not isinstance(devices, list):
        return file, ()
    problems = []
    kept: list[Any] = list(devices)
    locations = [DeviceLocation(place) for place in range(len(devices))]
    for number, change in enumerate(changes):
        name = entry_value(change, "device")
        names = [entry_value(device, "name") for device in kept]
        if not isinstance(name, str):
            continue
        if name not in names:
            where = scenario.where(("change", number), f"change {number + 1}")
            known = [device for device in names if isinstance(device, str)]
            problems.append(f"{where}: {shown(name)} is not in the rig{did_you_mean(name, known)}")
            continue
        place = names.index(name)
        if entry_value(change, "absent") is True:
            del kept[place], locations[place]
        else:
            kept[place] = _with_change(kept[place], change)
            locations[place] = DeviceLocation(locations[place].place, (*locations[place].changes, number))
    rig = {**rig, "device": kept}
    data = rig if not above else {**file.data, above[0]: rig}
    return ChangedFile(file.path, file.text, data, scenario, above, tuple(locations)), tuple(problems)


def _with_change(device: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    new = {**device, **{key: change[key] for key in _REPLACED_KEYS if key in change}}
    if isinstance(change.get("settings"), dict):
        settings = device.get("settings", {})
        new["settings"] = {**(settings if isinstance(settings, dict) else {}), **change["settings"]}
    return new
