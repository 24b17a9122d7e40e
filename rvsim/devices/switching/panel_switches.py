"""What a panel does when somebody presses a switch or a key on the bus: it switches outputs, dims them, calls scenes.

Knows: which switch belongs to which output or scene, that one press is one command, and that a status which is repeated
is no press. Does not know how an output obeys (`output_control`).
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Protocol

from rvsim.devices.switching.output_control import OutputControl, PanelHost
from rvsim.devices.switching.presses import LONG_PRESS_US, Presses
from rvsim.rig.contact_plans import ContactPlan
from rvsim.rig.panel_parts import PanelParts
from rvsim.rig.scenes import FULL_PERCENT, SceneTarget, level_percent
from rvsim.wire.ident import dgn_of

STATUS = "DIGITAL_INPUT_STATUS"
MIN_BETWEEN_PRESSES_US = 50_000
"""A press so soon after a press or a release is none: the switch bounces, and its module lets that through. Common
practice, no source: nobody presses twenty times a second."""

_Act = Callable[[bool], None]


class SwitchSettings(Protocol):
    """The settings of a panel that say which switch switches what."""

    @property
    def switches(self) -> Mapping[str, str]:
        """The output or group that each switch toggles."""

    @property
    def switches_on(self) -> Mapping[str, str]:
        """The output or group that each switch switches on."""

    @property
    def switches_off(self) -> Mapping[str, str]:
        """The output or group that each switch switches off."""

    @property
    def blocks(self) -> Mapping[str, tuple[str, ...]]:
        """The outputs and groups that are not switched on while a switch is on, by the switch."""

    @property
    def restore(self) -> bool:
        """Whether commands are repeated after a module has started anew."""


class PanelSwitches:
    """The switches and keys that a panel follows."""

    def __init__(self, host: PanelHost, parts: PanelParts, settings: SwitchSettings) -> None:
        self._host, self._parts = host, parts
        self.control = self._control = OutputControl(host, parts.outputs, restores=settings.restore)
        self._spec = host.catalogue.by_name(STATUS)
        self._is_on: dict[int, bool] = {}
        self._changed_at: dict[int, int] = {}
        """When each switch changed last: the contact of a release bounces as that of a press does."""
        self._ignored: set[int] = set()
        self._actions: dict[int, list[_Act]] = {}
        for contact, scene in parts.callers.items():
            self._add(contact, self._on_press(partial(self.call, scene)))
        for contact, name in settings.switches.items():
            self._add(contact, self._switch(parts.contacts.get(contact), name))
        for table, percent in ((settings.switches_on, FULL_PERCENT), (settings.switches_off, 0.0)):
            for contact, name in table.items():
                target = parts.target(name)
                if target is not None:
                    set_level = self._setter(target, percent)
                    self._add(contact, self._on_press(set_level))

        self._blocks: list[tuple[str, int, frozenset[str]]] = []
        """Switches with their instances, and the outputs that each blocks."""
        for contact, names in settings.blocks.items():
            plan = parts.contacts.get(contact)
            targets = [target for target in map(parts.target, names) if target is not None]
            blocked = frozenset(output.name for target in targets for output in target.outputs)
            if plan is not None and plan.instance is not None:
                self._blocks.append((contact, plan.instance, blocked))
        if self._blocks:
            self._control.blocked_by = self._blocked_by

    def _blocked_by(self, output: str) -> str | None:
        """Return why an output is not switched on: a switch is on, or its position is not known."""
        for contact, instance, outputs in self._blocks:
            is_on = self._is_on.get(instance)
            if output in outputs and is_on is not False:
                return f"{contact} is on" if is_on else f"the position of {contact} is not known"
        return None

    @property
    def dgns(self) -> frozenset[int]:
        """The DGNs of what it receives."""
        return self._control.dgns | {self._spec.dgn}

    @property
    def requested_messages(self) -> Sequence[str]:
        """The statuses that are asked for when nothing is known any more."""
        return [*self._control.requested_messages, STATUS]

    def _setter(self, target: SceneTarget, percent: float) -> Callable[[], None]:
        return lambda: self._control.set_level(target, percent)

    @staticmethod
    def _on_press(act: Callable[[], None]) -> _Act:
        return lambda is_on: act() if is_on else None

    def _add(self, contact: str, act: _Act) -> None:
        plan = self._parts.contacts.get(contact)
        if plan is not None and plan.instance is not None:
            self._actions.setdefault(plan.instance, []).append(act)

    def _switch(self, contact: ContactPlan | None, name: str) -> _Act:
        """Return what a switch does: one that stays as it is set is followed, another toggles, and dims while held."""
        target, control = self._parts.target(name), self._control
        if contact is None or target is None:
            return lambda _: None
        if contact.is_maintained:
            return lambda is_on: control.set_level(target, FULL_PERCENT if is_on else 0.0)
        if all(output.form == "load" for output in target.outputs):
            return self._on_press(lambda: control.toggle(target))
        presses = Presses(
            self._host,
            lambda: control.toggle(target),
            lambda: control.dim(target),
            lambda: control.stop(target),
            LONG_PRESS_US,
        )
        return lambda is_on: presses.switched(on=is_on)

    def call(self, scene: str) -> None:
        """Set the outputs of a scene, in its order."""
        plan = self._parts.scenes[scene]
        for name, level in plan.set.items():
            target = self._parts.target(name)
            if target is not None:
                self._control.set_level(target, level_percent(level), ramp=plan.ramp)

    # What it receives.

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of another node."""
        if dgn_of(identifier) == self._spec.dgn:
            self._observe(data)
        else:
            self._control.receive(identifier, data)

    def _observe(self, data: bytes) -> None:
        """Take in a status of a switch: only a change is a press or a release."""
        fields = self._spec.by_name
        instance, position = fields["instance"].raw_in(data), fields["switch_position"].raw_in(data)
        if instance is None or position not in (0, 1):
            return
        is_on, before = position == 1, self._is_on.get(instance)
        self._is_on[instance] = is_on
        if before is None or before == is_on or instance not in self._actions:
            return
        now, last = self._host.now, self._changed_at.get(instance)
        self._changed_at[instance] = now
        if is_on:
            if last is not None and now - last < MIN_BETWEEN_PRESSES_US:
                self._ignored.add(instance)
                return
        elif instance in self._ignored:
            self._ignored.discard(instance)
            return
        for act in self._actions[instance]:
            act(is_on)

    def forget(self) -> None:
        """Forget all outputs and the positions of all switches: nothing was received for a time."""
        self._control.forget()
        self._is_on.clear()
        self._ignored.clear()
