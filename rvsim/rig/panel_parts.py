"""What a panel has to know of its rig: its scenes, the switches that call them, the outputs that it commands.

Knows: which panel owns which scene, and which names in a panel's settings stand for nothing. Does not know how a panel
commands an output (`devices`).
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, Protocol

from rvsim.rig.contact_plans import ContactPlan, RigWithContacts, contact_plans, key_contact, unknown_contact_text
from rvsim.rig.quantity import shown
from rvsim.rig.scenes import GroupPlan, ScenePlan, SceneTarget, find_target, key_scenes, target_problem, unknown_scene
from rvsim.rig.switching import OutputPlan
from rvsim.rig.table import Mistake

PANEL = "panel"
"""The kind of simulated device that owns scenes."""
SWITCH_SETTINGS = ("switches", "switches_on", "switches_off")
"""The settings of a panel that name an output or a group for each switch."""
_CALLS, _BLOCKS, _SHED = "calls", "blocks", "shed"
_SCENES = "scenes"


class RigWithPanels(RigWithContacts, Protocol):
    """What is read of a rig."""

    @property
    def outputs(self) -> tuple[OutputPlan, ...]:
        """The outputs of the modules."""

    @property
    def groups(self) -> tuple[GroupPlan, ...]:
        """The groups with names."""

    @property
    def scenes(self) -> tuple[ScenePlan, ...]:
        """The scenes."""


class PanelParts(NamedTuple):
    """What belongs to one panel."""

    scenes: Mapping[str, ScenePlan]
    """The scenes that it owns, by name."""
    callers: Mapping[str, str]
    """The scene that each switch or key calls, by the name of the switch."""
    contacts: Mapping[str, ContactPlan]
    """Every switch and key of the rig, by name."""
    outputs: tuple[OutputPlan, ...]
    """The outputs of all modules."""
    groups: tuple[GroupPlan, ...]
    """The groups with names."""

    def target(self, name: str) -> SceneTarget | None:
        """Return the output or the group with a name; None where there is none."""
        return find_target(name, self.outputs, self.groups)


def panel_parts(rig: RigWithPanels, device: str) -> PanelParts | None:
    """Return what belongs to a panel; None for a device that is none."""
    plan = next(one for one in rig.devices if one.name == device)
    if plan.kind != PANEL:
        return None
    scenes = {scene.name: scene for scene in rig.scenes if _owner(rig, scene.name) == device}
    callers = {
        key_contact(one.name, key): scene
        for one in rig.devices
        for key, scene in key_scenes(one.settings).items()
        if scene in scenes
    }
    callers |= dict(_texts(plan.settings, _CALLS))
    return PanelParts(scenes, callers, contact_plans(rig), rig.outputs, rig.groups)


def _owner(rig: RigWithPanels, scene: str) -> str | None:
    """Return the panel that owns a scene: the one that names it, else the first one that names none."""
    panels: dict[str, Mapping[str, Any]] = {one.name: one.settings for one in rig.devices if one.kind == PANEL}
    for name, settings in panels.items():
        if scene in _named_scenes(settings):
            return name
    return next((name for name, settings in panels.items() if settings.get(_SCENES) is None), None)


def _named_scenes(settings: Mapping[str, Any]) -> tuple[str, ...]:
    named = settings.get(_SCENES)
    return tuple(one for one in named if isinstance(one, str)) if isinstance(named, list | tuple) else ()


def _texts(settings: Mapping[str, Any], key: str) -> Iterator[tuple[str, str]]:
    """Yield the pairs of texts in a table of the settings; what is wrong in it is left for its own validation."""
    table = settings.get(key)
    for name, given in table.items() if isinstance(table, Mapping) else ():
        if isinstance(name, str) and isinstance(given, str):
            yield name, given


def _lists(settings: Mapping[str, Any]) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Yield the lists of outputs and groups in the settings: setting, key below it, names."""
    for setting in (_BLOCKS, _SHED):
        table = settings.get(setting)
        for key, given in table.items() if isinstance(table, Mapping) else ():
            if isinstance(given, list | tuple) and (setting == _BLOCKS or key == "outputs"):
                yield setting, key, tuple(name for name in given if isinstance(name, str))


def panel_mistakes(rig: RigWithPanels) -> Iterator[Mistake]:
    """Yield the names in the settings of panels that stand for nothing; places are below ``device``."""
    panels = [(number, device) for number, device in enumerate(rig.devices) if device.kind == PANEL]
    contacts = contact_plans(rig) if panels else {}
    known = [scene.name for scene in rig.scenes]
    owners: dict[str, str] = {}
    for number, panel in panels:
        place = (number, "settings")
        for index, scene in enumerate(_named_scenes(panel.settings)):
            first = owners.setdefault(scene, panel.name)
            if scene not in known:
                yield Mistake((*place, _SCENES, index), unknown_scene(scene, known), scene)
            elif first != panel.name:
                text = f"{shown(scene)} belongs to {shown(first)} already; a scene has one panel"
                yield Mistake((*place, _SCENES, index), text, scene)
        yield from _caller_mistakes(place, rig, panel, contacts)
        yield from _switch_mistakes(place, rig, panel.settings, contacts)


def _caller_mistakes(
    place: tuple[int | str, ...], rig: RigWithPanels, panel: Any, contacts: Mapping[str, ContactPlan]
) -> Iterator[Mistake]:
    known = [scene.name for scene in rig.scenes]
    for contact, scene in _texts(panel.settings, _CALLS):
        yield from _contact_mistakes((*place, _CALLS, contact), contact, contacts)
        if scene not in known:
            yield Mistake((*place, _CALLS, contact), unknown_scene(scene, known), scene)
        elif _owner(rig, scene) != panel.name:
            text = f"{shown(scene)} belongs to {_owner(rig, scene)}; let that panel call it"
            yield Mistake((*place, _CALLS, contact), text, scene)


def _switch_mistakes(
    place: tuple[int | str, ...], rig: RigWithPanels, settings: Mapping[str, Any], contacts: Mapping[str, ContactPlan]
) -> Iterator[Mistake]:
    named = [(setting, contact, (name,)) for setting in SWITCH_SETTINGS for contact, name in _texts(settings, setting)]
    for setting, key, names in (*named, *_lists(settings)):
        if setting != _SHED:
            yield from _contact_mistakes((*place, setting, key), key, contacts)
        for index, name in enumerate(names):
            problem = target_problem(name, rig.outputs, rig.groups)
            if problem is not None:
                below = (key, index) if setting in (_BLOCKS, _SHED) else (key,)
                yield Mistake((*place, setting, *below), problem, name)


def _contact_mistakes(
    place: tuple[int | str, ...], contact: str, contacts: Mapping[str, ContactPlan]
) -> Iterator[Mistake]:
    if contact not in contacts:
        yield Mistake(place, unknown_contact_text(contact, contacts), contact)
    elif contacts[contact].instance is None:
        text = f"{shown(contact)} has no instance, so that no panel receives it; give it one"
        yield Mistake(place, text, contact)
