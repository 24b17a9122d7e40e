"""Groups of outputs with names, and scenes: several outputs that are set together.

Knows: the names and levels of these tables, which outputs a group has, and which scenes cannot be. Does not know who
calls a scene, nor how it is commanded (`devices` does).
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field

from rvsim.errors import did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.rig.switching import Group, OutputPlan
from rvsim.rig.table import Mistake, OneLineText, Table

FULL_PERCENT = 100.0
_GROUP_PREFIX = "group "

SceneLevel = Literal["on", "off"] | Annotated[float, Field(ge=0, le=100)]
"""What a scene sets an output to: on, off, or a level in percent."""


class GroupPlan(Table):
    """A name for a group of outputs."""

    name: OneLineText
    """The name of the group."""
    number: Group
    """Its number, as the outputs have it in their groups."""


class ScenePlan(Table):
    """A scene: outputs that are set together, by the panel that owns it."""

    name: OneLineText
    """The name of the scene."""
    set: Mapping[OneLineText, SceneLevel]
    """What it sets, in this order: outputs and groups by their names, a group also as "group 3", like { "galley light"
    = 40, "all lamps" = "off" }; on, off, or a level in percent."""
    ramp: bool = False
    """Whether dimmers come to their levels by a ramp, in the time of the output's own."""


class SceneTarget(NamedTuple):
    """What one entry of a scene, or a switch, commands: an output, or the members of a group."""

    name: str
    group: int | None
    """The number of the group, None for a single output."""
    outputs: tuple[OutputPlan, ...]
    """The output, or the members of the group that have an instance."""


def find_target(name: str, outputs: Sequence[OutputPlan], groups: Sequence[GroupPlan]) -> SceneTarget | None:
    """Return the output or the group with a name; None where there is none."""
    output = next((one for one in outputs if one.name == name), None)
    if output is not None:
        return SceneTarget(name, None, (output,))
    number = _group_number(name, groups)
    if number is None:
        return None
    members = tuple(one for one in outputs if number in one.groups and one.instance is not None)
    return SceneTarget(name, number, members)


def level_percent(level: SceneLevel) -> float:
    """Return a level in percent."""
    if isinstance(level, str):
        return FULL_PERCENT if level == "on" else 0.0
    return level


def _group_number(name: str, groups: Sequence[GroupPlan]) -> int | None:
    named = next((group.number for group in groups if group.name == name), None)
    if named is not None or not name.startswith(_GROUP_PREFIX):
        return named
    number = name.removeprefix(_GROUP_PREFIX)
    return int(number) if number.isascii() and number.isdigit() and 1 <= int(number) <= 7 else None


def target_problem(name: str, outputs: Sequence[OutputPlan], groups: Sequence[GroupPlan]) -> str | None:
    """Return why a name stands for nothing that can be commanded; None where it does."""
    target = find_target(name, outputs, groups)
    if target is None:
        known = [*(one.name for one in outputs), *(one.name for one in groups)]
        return unknown_text(name, known, "outputs and groups")
    if target.group is None and target.outputs[0].instance is None:
        return f"{shown(name)} has no instance, so that no panel can command it; give it one"
    if not target.outputs:
        return f"no output with an instance is in {shown(name)}; add it to the groups of an output"
    return None


def group_mistakes(groups: Sequence[GroupPlan], outputs: Sequence[OutputPlan] | None) -> Iterator[Mistake]:
    """Yield each group with the name of an output: it could not be told from it."""
    for number, group in enumerate(groups):
        if any(output.name == group.name for output in outputs or ()):
            text = f"{shown(group.name)} is the name of an output; give the group a name of its own"
            yield Mistake((number, "name"), text, group.name)


def scene_mistakes(
    scenes: Sequence[ScenePlan], outputs: Sequence[OutputPlan], groups: Sequence[GroupPlan]
) -> Iterator[Mistake]:
    """Yield what scenes name that the rig does not have, and levels that an output cannot have."""
    for number, scene in enumerate(scenes):
        if not scene.set:
            text = 'it sets nothing; name an output with its level, like set = { "galley light" = 40 }'
            yield Mistake((number, "set"), text, {})
        for name, level in scene.set.items():
            problem = target_problem(name, outputs, groups)
            if problem is None:
                problem = _level_problem(name, level, outputs, groups)
            if problem is not None:
                yield Mistake((number, "set", name), problem, level)


def _level_problem(
    name: str, level: SceneLevel, outputs: Sequence[OutputPlan], groups: Sequence[GroupPlan]
) -> str | None:
    """Return why an output cannot have a level: a load is on or off; None where it can."""
    target = find_target(name, outputs, groups)
    if target is None or level_percent(level) in (0.0, FULL_PERCENT):
        return None
    loads = [one.name for one in target.outputs if one.form == "load"]
    if not loads:
        return None
    whose = f"{shown(name)} is" if target.group is None else f"{shown(loads[0])} of {shown(name)} is"
    return f'{whose} switched only, and cannot have {level_percent(level):g} %; write "on" or "off"'


# Who calls a scene.


def called_scene_mistakes(devices: Sequence[Any], scenes: Sequence[ScenePlan]) -> Iterator[Mistake]:
    """Yield each key of a device that calls a scene which a rig with scenes does not have; places are in ``device``.

    A rig without any scenes leaves them to a panel that it does not describe.
    """
    known = [scene.name for scene in scenes]
    for number, device in enumerate(devices if known else ()):
        for key, scene in key_scenes(device.settings).items():
            if scene not in known:
                yield Mistake((number, "settings", "keys", key, "scene"), unknown_scene(scene, known), scene)


def key_scenes(settings: Mapping[str, Any]) -> dict[str, str]:
    """Return the scene that each key in a device's settings calls, by the key."""
    keys = settings.get("keys")
    if not isinstance(keys, Mapping):
        return {}
    return {
        key: given["scene"]
        for key, given in keys.items()
        if isinstance(given, Mapping) and isinstance(given.get("scene"), str)
    }


def unknown_scene(name: str, known: Collection[str]) -> str:
    """Return the text on a name that is no scene."""
    if not known:
        return f"{shown(name)} is not in the rig, which has no scenes; add a table [[scene]], or remove the name"
    return f"{shown(name)} is not a scene of the rig{did_you_mean(name, known)}; its scenes are {', '.join(known)}"
