"""What a person can press in a vehicle, by name: inputs, switches of ladders, keys of keypads.

Knows: where a rig names them: the inputs of its modules, and devices with keys among their settings. Does not know who
presses them, nor what a device does then.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, Protocol

from rvsim.errors import did_you_mean
from rvsim.rig.inputs import DEFAULT_BOUNCE_US, InputPlan
from rvsim.rig.ladder import NEW_CONTACT_OHM, Ladder
from rvsim.rig.module_parts import INPUT_FUNCTION
from rvsim.rig.quantity import shown
from rvsim.rig.switching import ModulePlan
from rvsim.wire.frame import SECOND_US

KEYPAD = "keypad"
"""The kind of simulated device whose instances are keys, also where none is named."""
MAINTAINED = "maintained"


class RigWithContacts(Protocol):
    """What is read of a rig; devices have a name, a kind, functions and settings."""

    @property
    def modules(self) -> Sequence[ModulePlan]:
        """The modules with inputs."""

    @property
    def inputs(self) -> Sequence[InputPlan]:
        """The inputs of the modules."""

    @property
    def devices(self) -> Sequence[Any]:
        """The devices."""


class ContactPlan(NamedTuple):
    """One contact.

    ``name`` is that of the input ("galley switch"), of a switch of its ladder ("door ladder.galley"), or of a key ("bed
    keypad.night"). ``input`` is the electrical input that it is wired to, which switches of a ladder share; ``rung`` is
    the name of the switch in its ladder. ``device`` reads the input; None where no device of the rig does.
    ``instance`` is that of its message, None where it is not on the network.
    """

    name: str
    input: str
    device: str | None
    rung: str | None = None
    instance: int | None = None
    is_maintained: bool = False
    bounce_us: int = DEFAULT_BOUNCE_US
    ohm: float = NEW_CONTACT_OHM
    """Its resistance while it is closed."""
    ladder: Ladder | None = None
    """The ladder that it belongs to."""


def contact_plans(rig: RigWithContacts) -> Mapping[str, ContactPlan]:
    """Return every contact of a rig by its name: those of inputs in the order of the file, then those of keys."""
    return {plan.name: plan for plan in (*_of_inputs(rig), *_of_keys(rig))}


def _of_inputs(rig: RigWithContacts) -> Iterator[ContactPlan]:
    devices = {module.name: module.device for module in rig.modules}
    for entry in rig.inputs:
        for position in entry.positions:
            yield ContactPlan(
                position.name,
                entry.name,
                devices.get(entry.module),
                position.rung,
                position.instance,
                entry.switch == MAINTAINED,
                entry.bounce,
                NEW_CONTACT_OHM if entry.ladder is None else entry.ladder.contact_ohm,
                None if entry.ladder is None else entry.ladder.ladder,
            )


def _of_keys(rig: RigWithContacts) -> Iterator[ContactPlan]:
    for device in rig.devices:
        keys = device.settings.get("keys")
        own = device.functions.get(INPUT_FUNCTION, ())
        if device.kind == KEYPAD and not keys:
            keys = {default_key(instance): {"instance": instance} for instance in own}
        if not isinstance(keys, Mapping):
            continue
        tables = {key: given for key, given in keys.items() if isinstance(given, Mapping)}
        named = {key: _instance(given) for key, given in tables.items()}
        instances = key_instances(named, own)
        for key, given in tables.items():
            name = key_contact(device.name, key)
            yield ContactPlan(
                name,
                name,
                device.name,
                instance=instances[key],
                is_maintained=given.get("switch") == MAINTAINED,
                bounce_us=_bounce_us(given),
            )


def key_instances(named: Mapping[str, int | None], instances: Sequence[int]) -> Mapping[str, int | None]:
    """Return the instance of each key: its own, or the next of the device's instances that no key names.

    Args:
        named: the instance of each key as it is written, None where it has none; in the order of the file.
        instances: those of the device's digital inputs.
    """
    free = iter([instance for instance in instances if instance not in named.values()])
    return {key: next(free, None) if instance is None else instance for key, instance in named.items()}


def default_key(instance: int) -> str:
    """Return the name of the key with an instance, on a keypad whose keys have no names."""
    return f"key {instance}"


def key_contact(device: str, key: str) -> str:
    """Return the name by which a key of a device is pressed."""
    return f"{device}.{key}"


def _instance(given: Mapping[str, Any]) -> int | None:
    instance = given.get("instance")
    return instance if isinstance(instance, int) else None


def _bounce_us(given: Mapping[str, Any]) -> int:
    seconds = given.get("bounce_s")
    return round(seconds * SECOND_US) if isinstance(seconds, int | float) and seconds >= 0 else DEFAULT_BOUNCE_US


def unknown_contact_text(name: str, plans: Mapping[str, ContactPlan]) -> str:
    """Return the text on a name that stands for nothing that can be pressed."""
    if not plans:
        return f"{shown(name)} cannot be pressed: the rig has no inputs and no keys; add it, or remove the name"
    rungs = [plan.name for plan in plans.values() if plan.input == name]
    if rungs:
        return f"{shown(name)} has several switches; name one of them: {', '.join(rungs)}"
    return (
        f"{shown(name)} cannot be pressed{did_you_mean(name, plans)}; what can be pressed in this rig: "
        f"{', '.join(plans)}"
    )
