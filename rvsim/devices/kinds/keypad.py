"""A keypad: keys with instances as digital inputs, and commands that some of them send themselves.

Knows: debouncing of its keys, DIGITAL_INPUT_STATUS on change, lamps behind its keys, commands to outputs. Does not know
scenes: a key that calls one only reports its position, and the panel that owns the scene acts.

Messages: sends DIGITAL_INPUT_STATUS (a keypad maker's integrator guide) and, for keys with a command, the messages of
`devices/switching/key_commands.py`; obeys GENERIC_INDICATOR_COMMAND for the lamps behind its keys, whose layout is not
sure and only read here, never sent. GENERIC_INDICATOR_STATUS has no known layout and is not sent.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded
from rvsim.devices.switching.inputs import NO_BANK, DigitalInput, InputBank, InputLine
from rvsim.devices.switching.key_commands import COMMANDED_FUNCTION, CommandFrames, KeyCommand
from rvsim.devices.switching.presses import Presses
from rvsim.errors import did_you_mean
from rvsim.rig.contact_plans import MAINTAINED, default_key, key_contact, key_instances
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.inputs import DEFAULT_BOUNCE_US
from rvsim.rig.module_parts import INPUT_FUNCTION
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US

INDICATOR_COMMAND = "GENERIC_INDICATOR_COMMAND"


class KeySettings(Settings):
    """One key of a keypad."""

    instance: Annotated[int, Field(ge=1, le=250)] | None = None
    """Its instance as a digital input; if omitted, the next of the device's instances that no key names."""
    switch: Literal["momentary", "maintained"] = "momentary"
    """Whether the key springs back, or stays as it was set."""
    bank: Annotated[int, Field(ge=0, le=14)] | None = None
    """The bank of the keypad that it belongs to; none if omitted."""
    debounce_s: Annotated[float, Field(ge=0, le=10)] = 0.03
    """How long its contact must stay as it is to count. Common practice, no source."""
    bounce_s: Annotated[float, Field(ge=0, le=10)] = DEFAULT_BOUNCE_US / SECOND_US
    """How long its contact bounces on average, see the inputs of a module."""
    scene: str | None = None
    """The scene of the rig that it calls: the panel that owns the scene acts on the key, which commands nothing."""


class KeypadSettings(Settings):
    """Settings of a keypad in a rig."""

    keys: Mapping[str, KeySettings] = Field(default_factory=dict)
    """The keys by their names, like { galley = { instance = 21 }, night = { scene = "night" } }; if omitted, each
    instance of the device has a key with the name "key 21"."""
    commands: Mapping[str, KeyCommand] = Field(default_factory=dict)
    """What keys command themselves, by the key, like { galley = { message = "dimmer", instance = 3 } }."""
    long_press_s: Annotated[float, Field(ge=0.1, le=10)] = 0.5
    """From which time on a press is long. Common practice, no source."""
    amps: Amps = 0.02
    """Current of its electronics. Common practice, no source."""
    lamp_amps: Amps = 0.005
    """Current of the lamp behind a key at full brightness. Common practice, no source."""


class Keypad(Device):
    """Sends DIGITAL_INPUT_STATUS of its keys, and commands to outputs."""

    kind = "keypad"
    Settings = KeypadSettings
    settings: KeypadSettings

    @classmethod
    def placed_mistakes(cls, plan: DevicePlan, settings: Any, catalogue: Catalogue) -> Iterator[Mistake]:  # noqa: ARG003
        """Yield keys and instances that do not fit each other, and commands of no key."""
        own = plan.functions.get(INPUT_FUNCTION, ())
        keys = keys_of(plan, settings)
        owners: dict[int, str] = {}
        for name, key in keys.items():
            if key.instance is None:
                continue
            other = owners.setdefault(key.instance, name)
            if other != name:
                text = f"keys: {shown(name)} has the instance {key.instance} of {shown(other)}; give each its own"
                yield Mistake(("keys", name, "instance"), text, key.instance)
            if key.instance not in own:
                text = (
                    f"keys: {shown(name)} has the instance {key.instance}, which is none of the device's digital "
                    f"inputs; add it to its functions: {INPUT_FUNCTION} = [{', '.join(map(str, (*own, key.instance)))}]"
                )
                yield Mistake(("keys", name, "instance"), text, key.instance)
        free = [instance for instance in own if instance not in owners]
        without = [name for name, key in keys.items() if key.instance is None]
        if len(without) > len(free):
            text = (
                f"keys: {shown(without[len(free)])} has no instance left; add one to its functions as {INPUT_FUNCTION}"
            )
            yield Mistake(("keys", without[len(free)]), text, None)
        elif len(free) > len(without) and owners.keys() <= set(own):
            text = f"keys: digital input {free[len(without)]} has no key; add a key, or remove it from its functions"
            yield Mistake(("keys",), text, None)
        for name, command in settings.commands.items():
            for text in _command_mistakes(name, command, keys):
                yield Mistake(("commands", name), f"commands: {text}", name)

    @classmethod
    def commanded_instances(cls, plan: DevicePlan, settings: Any) -> Iterator[tuple[tuple[str, ...], str, int]]:  # noqa: ARG003
        """Yield the outputs that its keys command by instance."""
        for name, command in settings.commands.items():
            if command.instance is not None:
                yield ("commands", name, "instance"), COMMANDED_FUNCTION[command.message], command.instance

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance(INPUT_FUNCTION)
        self._lamps: dict[str, float] = {}
        self._key_by_instance: dict[int, str] = {}
        lines: list[InputLine] = []
        self._actions: dict[str, Callable[[bool], None]] = {}
        keys = keys_of(self.plan, self.settings)
        named = {name: key.instance for name, key in keys.items()}
        for name, instance in key_instances(named, self.plan.functions[INPUT_FUNCTION]).items():
            contact, key = key_contact(self.name, name), keys[name]
            bank = NO_BANK if key.bank is None else key.bank
            switch = DigitalInput(contact, instance, None, key.switch == MAINTAINED, bank)
            lines.append(InputLine(contact, (switch,), round(key.debounce_s * SECOND_US)))
            if instance is not None:
                self._key_by_instance[instance] = name
            if name in self.settings.commands:
                self._actions[contact] = self._action(self.settings.commands[name])
        self.inputs = InputBank(self, lines, self._on_switch)
        self._indicator = self.catalogue.by_name(INDICATOR_COMMAND)
        self.world.set_load(self.name, self.settings.amps)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive what its lamps shall show."""
        return {INDICATOR_COMMAND: self._light}

    def on_start(self) -> None:
        """Read the keys as they are."""
        self.world.set_load(self.name, self.settings.amps)
        self.inputs.start()

    def on_contact(self, name: str) -> None:
        """Read a key again."""
        self.inputs.on_contact(name)

    def send_broadcasts(self, dgn: int, instance: int | None) -> bool:
        """Answer a request for the keys as well."""
        if dgn == self.inputs.dgn:
            return self.inputs.answer(instance)
        return super().send_broadcasts(dgn, instance)

    def lamp_percent(self, key: str) -> float:
        """Return the brightness of the lamp behind a key."""
        return self._lamps.get(key, 0.0)

    # Keys that command.

    def _action(self, command: KeyCommand) -> Callable[[bool], None]:
        """Return what is done when a key goes on or off."""
        frames = CommandFrames(self.catalogue, command)

        def send(data: bytes) -> None:
            self.send(frames.spec, data)

        def act() -> None:
            send(frames.toggle() if command.action == "toggle" else frames.level(on=command.action == "on"))

        if command.dim_while_held:
            long_us = round(self.settings.long_press_s * SECOND_US)
            presses = Presses(self, act, lambda: send(frames.dim()), lambda: send(frames.stop()), long_us)
            return lambda is_on: presses.switched(on=is_on)
        if command.action == "follow":
            return lambda is_on: send(frames.level(on=is_on))
        return lambda is_on: act() if is_on else None

    def _on_switch(self, switch: DigitalInput, is_on: bool) -> None:  # noqa: FBT001 - it is a callback of the inputs
        action = self._actions.get(switch.name)
        if action is not None:
            action(is_on)

    # Lamps.

    def _light(self, data: bytes) -> None:
        given = commanded(self._indicator, data)
        key = self._key_by_instance.get(given.get("instance", 0))
        if key is None or "brightness" not in given:
            return
        self._lamps[key] = self._indicator.by_name["brightness"].value(given["brightness"])
        lit = sum(min(percent, 100.0) for percent in self._lamps.values()) / 100
        self.world.set_load(self.name, self.settings.amps + lit * self.settings.lamp_amps)


def keys_of(plan: DevicePlan, settings: KeypadSettings) -> Mapping[str, KeySettings]:
    """Return the keys of a keypad by name: those of its settings, or one for each of its instances."""
    instances = plan.functions.get(INPUT_FUNCTION, ())
    return settings.keys or {default_key(instance): KeySettings(instance=instance) for instance in instances}


def _command_mistakes(name: str, command: KeyCommand, keys: Mapping[str, KeySettings]) -> Iterator[str]:
    if name not in keys:
        yield f"{shown(name)} is no key{did_you_mean(name, keys)}; the keys are {', '.join(keys)}"
        return
    if (command.instance is None) == (command.group is None):
        yield f"{shown(name)} needs one target; write instance = 3, or group = 1, and not both"
    if keys[name].scene is not None:
        yield f"{shown(name)} calls the scene {shown(keys[name].scene)}, so it commands nothing; remove one of both"
    if command.dim_while_held and command.message != "dimmer":
        yield f"{shown(name)} cannot dim a load; remove dim_while_held"
    if command.dim_while_held and (command.action == "follow" or keys[name].switch == MAINTAINED):
        yield f"{shown(name)} is not held by a long press; remove dim_while_held"
