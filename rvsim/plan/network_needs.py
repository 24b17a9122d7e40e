"""Who sends, needs and commands what by plan: of a rig's own keys, its functions, and its simulated kinds.

Knows: where a rig says it: ``needs`` and ``sends`` of devices, the status messages of their functions, the instances in
the settings of panels, the messages of own devices, outputs and inputs of modules. Does not judge (`providers` does),
nor does it know how often a message comes.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from pydantic import ValidationError

from rvsim.devices.registry import kinds_by_name
from rvsim.rig.contact_plans import contact_plans
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS, by_command
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import INPUT_FUNCTION
from rvsim.rig.panel_parts import PANEL, SWITCH_SETTINGS, PanelParts, panel_parts
from rvsim.wire.catalogue import Catalogue

OWN_KIND = "own"
"""The kind of simulated device whose messages are settings."""
COMMANDED = frozenset({"furnace", "water_heater", "roof_fan", "circulation_pump", "air_conditioner"})
"""What a panel commands by itself, of what its settings name."""
REQUIRED = frozenset({"indoor_sensor", "furnace"})
"""The settings without which a panel cannot be a thermostat; without the others it does less."""
_INPUT_STATUS = FUNCTIONS[INPUT_FUNCTION].statuses[0]


class Topic(NamedTuple):
    """A message with its instance; None: it has none, or any."""

    message: str
    instance: int | None = None

    def __str__(self) -> str:
        return self.message if self.instance is None else f"{self.message} {self.instance}"


class Target(NamedTuple):
    """What a command is for: a function with its instance; None: every one, or a function that has one."""

    function: str
    instance: int | None = None


@dataclass
class NetworkPlan:
    """What a rig says of who sends, needs and commands; lists are in the order of the rig."""

    senders: dict[Topic, list[str]] = field(default_factory=dict)
    """The devices that send a topic."""
    needs: dict[str, dict[Topic, str]] = field(default_factory=dict)
    """What each device needs, and by which key of the rig."""
    wishes: dict[str, dict[Topic, str]] = field(default_factory=dict)
    """What a simulated kind reads where somebody sends it, by a setting that the rig does not write."""
    commanders: dict[Target, list[str]] = field(default_factory=dict)
    """The devices that command a target by themselves."""
    switchers: dict[str, list[str]] = field(default_factory=dict)
    """What can switch each output, by its name: inputs, keys of panels, scenes, devices that send its command."""
    unknown: list[str] = field(default_factory=list)
    """Devices of which the rig does not say what they send."""
    unread: list[str] = field(default_factory=list)
    """Devices whose settings cannot be read, so that their needs are not known."""

    @cached_property
    def by_message(self) -> Mapping[str, Sequence[Topic]]:
        """What is sent, by the message; read only when all is in place."""
        found: dict[str, list[Topic]] = {}
        for topic in self.senders:
            found.setdefault(topic.message, []).append(topic)
        return found


def read_topic(text: str) -> Topic:
    """Return a message with its instance as a rig writes it: "TANK_STATUS 1"."""
    message, _, number = text.strip().rpartition(" ")
    if message and number.isascii() and number.isdigit():
        return Topic(message.strip(), int(number))
    return Topic(text.strip())


def network_plan(rig: Rig, catalogue: Catalogue) -> NetworkPlan:
    """Return who sends, needs and commands what."""
    found = NetworkPlan()
    outputs_by_device = _part_topics(rig)
    for device in rig.devices:
        topics = [*_function_topics(device, catalogue), *outputs_by_device.get(device.name, ()), *_own_topics(device)]
        given = [read_topic(text) for text in device.sends]
        topics += [topic for topic in given if by_command(topic.message) is None]
        if not device.functions and not device.sends and not device.kind and not topics:
            found.unknown.append(device.name)
        for topic in dict.fromkeys(topics):
            found.senders.setdefault(topic, []).append(device.name)
        for topic in given:
            function = by_command(topic.message)
            if function is not None:
                found.commanders.setdefault(Target(function.name, topic.instance), []).append(device.name)
        needs = {read_topic(text): "needs" for text in device.needs}
        found.needs[device.name], found.wishes[device.name] = needs, {}
        _add_settings(found, rig, device)
    _add_switchers(found, rig)
    for name, wishes in found.wishes.items():
        for topic, by in wishes.items():
            if topic in found.senders:
                found.needs[name].setdefault(topic, by)
    return found


def _function_topics(device: DevicePlan, catalogue: Catalogue) -> Iterator[Topic]:
    for name, instances in device.functions.items():
        for status in FUNCTIONS[name].statuses:
            spec = catalogue.by_name(status)
            if spec.instance is None:
                yield Topic(status)
            else:
                yield from (Topic(status, instance) for instance in instances)


def _part_topics(rig: Rig) -> Mapping[str, Sequence[Topic]]:
    """Return what devices send for the outputs and inputs of their modules."""
    found: dict[str, list[Topic]] = {}
    device_of = {module.name: module.device for module in rig.modules}
    parts = [(one.module, FUNCTIONS[one.function].statuses, one.instance) for one in rig.outputs]
    parts += [(one.module, (_INPUT_STATUS,), place.instance) for one in rig.inputs for place in one.positions]
    for module, statuses, instance in parts:
        device = device_of[module]
        if device is not None and instance is not None:
            found.setdefault(device, []).extend(Topic(status, instance) for status in statuses)
    return found


def _own_topics(device: DevicePlan) -> Iterator[Topic]:
    """Yield what an own device sends beside the statuses of its functions."""
    tables = device.settings.get("message") if device.kind == OWN_KIND else None
    for table in tables if isinstance(tables, list | tuple) else ():
        message, instance = (
            (table.get("message"), table.get("instance")) if isinstance(table, Mapping) else (None, None)
        )
        if isinstance(message, str) and (isinstance(instance, int) or not device.functions):
            yield Topic(message, instance)


def _add_settings(found: NetworkPlan, rig: Rig, device: DevicePlan) -> None:
    """Add what a simulated kind needs and commands by its settings."""
    kind = kinds_by_name().get(device.kind)
    if kind is None:
        return
    try:
        settings = device.settings_as(kind.Settings)
    except ValidationError:
        found.unread.append(device.name)
        return
    for setting, function, instance in kind.named_instances(device, settings):
        statuses = FUNCTIONS[function].statuses
        if statuses:
            is_written = "." in setting or setting in device.settings or setting in REQUIRED
            needs = found.needs if is_written or _reads_battery(setting, settings) else found.wishes
            needs[device.name].setdefault(Topic(statuses[0], instance), f"settings, {setting}")
        if device.kind == PANEL and function in COMMANDED:
            commanders = found.commanders.setdefault(Target(function, instance), [])
            commanders += [] if device.name in commanders else [device.name]
    if device.kind == PANEL:
        _add_panel(found, rig, device, settings)


def _reads_battery(setting: str, settings: Any) -> bool:
    """Tell whether a panel switches loads or a generator by the battery that this setting names."""
    return setting == "dc_source" and (settings.shed is not None or settings.generator is not None)


def _add_panel(found: NetworkPlan, rig: Rig, device: DevicePlan, settings: Any) -> None:
    """Add the switches, scenes and the generator of a panel."""
    if settings.generator is not None:
        found.commanders.setdefault(Target("generator"), []).append(device.name)
    parts = panel_parts(rig, device.name)
    if parts is None:
        return
    contacts = contact_plans(rig)
    pressed: dict[str, tuple[str, ...]] = {
        contact: (target,) for key in SWITCH_SETTINGS for contact, target in getattr(settings, key).items()
    }
    for contact in (*pressed, *parts.callers):
        plan = contacts.get(contact)
        if plan is not None and plan.instance is not None and plan.device != device.name:
            found.needs[device.name].setdefault(Topic(_INPUT_STATUS, plan.instance), f"the switch {contact}")
    named = [(f"{device.name} by {contact}", targets) for contact, targets in pressed.items()]
    named += [(f"{device.name} by scene {scene.name}", tuple(scene.set)) for scene in parts.scenes.values()]
    if settings.shed is not None:
        named.append((f"{device.name} at low voltage", settings.shed.outputs))
    for by, targets in named:
        _add_targets(found, parts, by, targets)


def _add_targets(found: NetworkPlan, parts: PanelParts, by: str, targets: Sequence[str]) -> None:
    for name in targets:
        target = parts.target(name)
        for output in () if target is None else target.outputs:
            switchers = found.switchers.setdefault(output.name, [])
            switchers += [] if by in switchers else [by]


def _add_switchers(found: NetworkPlan, rig: Rig) -> None:
    """Add the inputs that switch an output by themselves, and the devices that send its command."""
    for entry in rig.inputs:
        for place in entry.positions:
            if place.output is not None:
                found.switchers.setdefault(place.output, []).append(f"input {place.name}")
    for output in rig.outputs:
        for target, devices in found.commanders.items():
            if target.function == output.function and target.instance in (None, output.instance):
                found.switchers.setdefault(output.name, []).extend(devices)
