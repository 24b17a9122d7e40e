"""What a scenario changes in its rig: devices that are left out, keys that are replaced.

Knows: how changes are laid over a rig before that is checked. Does not know what any key means.
"""

from typing import Any

from rvsim.errors import did_you_mean
from rvsim.rig.model import part
from rvsim.rig.quantity import shown
from rvsim.rig.toml_file import TomlFile

_REPLACED = ("kind", "address", "functions")


def changed(rig: dict[str, Any], scenario: TomlFile) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return a rig's table with a scenario's changes, and what is wrong with those that name no device of it.

    What is wrong within a change is left to whoever checks the scenario.
    """
    changes, devices = scenario.data.get("change", []), rig.get("device", [])
    if not isinstance(changes, list) or not isinstance(devices, list):
        return rig, ()
    problems = []
    kept: list[Any] = list(devices)
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
            del kept[place]
        else:
            kept[place] = _laid_over(kept[place], change)
    return {**rig, "device": kept}, tuple(problems)


def _laid_over(device: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    new = {**device, **{key: change[key] for key in _REPLACED if key in change}}
    if isinstance(change.get("settings"), dict):
        settings = device.get("settings", {})
        new["settings"] = {**(settings if isinstance(settings, dict) else {}), **change["settings"]}
    return new
