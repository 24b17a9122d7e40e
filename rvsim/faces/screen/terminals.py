"""The terminals of a module and the keys of a keypad as rows that can be chosen: outputs, switches, keys.

Knows: which outputs, inputs and keys a device has, by the rig and by the functions that it speaks for. Does not know
what they do at present, nor how a row is drawn.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from rvsim.rig.contact_plans import ContactPlan, contact_plans, key_contact
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.inputs import InputPlan
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import INPUT_FUNCTION, module_parts, unplanned_output
from rvsim.rig.switching import FUNCTION_BY_FORM, OutputPlan, RelayPlan

TERMINAL_FUNCTIONS = frozenset((*FUNCTION_BY_FORM.values(), INPUT_FUNCTION))
"""The functions of which a device has one for each terminal."""

TerminalKey = tuple[str, str]
"""Whether a row is an output or a contact, and its name: a switch may be called as the lamp that it switches."""


class OutputRow(NamedTuple):
    """One output; ``function`` and ``instance`` are None where it is not on the network."""

    name: str
    function: str | None
    instance: int | None
    plan: OutputPlan | None = None
    limit_amps: float | None = None
    """What it can carry all the time; with a relay, what the contact of that can."""

    @property
    def key(self) -> TerminalKey:
        """What tells it from every other row of the rig."""
        return "output", self.name

    @property
    def label(self) -> str:
        """Its name on the page; without a rig its function and instance."""
        if self.plan is None and self.function is not None and self.instance is not None:
            return FUNCTIONS[self.function].label(self.instance)
        return self.name

    @property
    def on_it(self) -> str:
        """What hangs on it, in words; empty where no rig says so."""
        if self.plan is None:
            return ""
        return (self.plan.load or "load") + (", relay" if self.plan.relay is not None else "")

    @property
    def terminal(self) -> int | None:
        """Its number on the module; None where no rig has it."""
        return None if self.plan is None else self.plan.terminal


class ContactRow(NamedTuple):
    """One switch, or one key; ``input`` is the electrical input that it is on, of which a ladder has several."""

    name: str
    instance: int | None
    input: str
    terminal: int | None = None
    plan: ContactPlan | None = None
    does: str = ""
    """What it does by itself, in words: "to galley light", "scene evening"."""

    @property
    def key(self) -> TerminalKey:
        """What tells it from every other row of the rig."""
        return "contact", self.name

    @property
    def function(self) -> str | None:
        """The function that it is on the network; None where it is not on it."""
        return INPUT_FUNCTION if self.instance is not None else None

    @property
    def label(self) -> str:
        """Its name on the page: of a key, or of a switch of a ladder, the part of its own."""
        if self.plan is None:
            return self.name
        if self.plan.rung is not None:
            return self.plan.rung
        return self.name.removeprefix(f"{self.plan.device}.")


TerminalRow = OutputRow | ContactRow


class Terminals(NamedTuple):
    """The rows of one device: outputs by their terminals, then switches by theirs, or keys."""

    outputs: tuple[OutputRow, ...] = ()
    contacts: tuple[ContactRow, ...] = ()
    limit_amps: float | None = None
    """The limit of all outputs of the module together."""

    @property
    def rows(self) -> tuple[TerminalRow, ...]:
        """All rows from above."""
        return (*self.outputs, *self.contacts)


class PlannedTerminals:
    """The terminals of every device by the rig; without one, by the functions of each device."""

    def __init__(self, rig: Rig | None) -> None:
        self._rig = rig
        self._contacts = {} if rig is None else contact_plans(rig)
        self._inputs: Mapping[str, InputPlan] = {} if rig is None else {entry.name: entry for entry in rig.inputs}
        self._scenes = {} if rig is None else dict(_scene_keys(rig))
        self._known: dict[str, Terminals] = {}

    def of(self, device: str, functions: Mapping[str, Sequence[int]]) -> Terminals:
        """Return the terminals of a device that has these functions with these instances."""
        known = self._known.get(device)
        if known is None:
            known = self._known[device] = self._planned(device)
        if not TERMINAL_FUNCTIONS & functions.keys():
            return known
        outputs = (*known.outputs, *_unplanned_outputs(device, known, functions))
        return known._replace(outputs=outputs, contacts=(*known.contacts, *_unplanned_contacts(known, functions)))

    def _planned(self, device: str) -> Terminals:
        parts = None if self._rig is None else module_parts(self._rig.vehicle, device)
        outputs = () if parts is None else sorted(parts.outputs, key=lambda output: output.terminal)
        rows = tuple(self._output_row(plan, {} if parts is None else parts.relays) for plan in outputs)
        contacts = [self._contact_row(plan) for plan in self._contacts.values() if plan.device == device]
        contacts.sort(key=lambda row: row.terminal or 0)  # keys stay in the order of the file
        return Terminals(rows, tuple(contacts), None if parts is None else parts.module.limit_amps)

    @staticmethod
    def _output_row(plan: OutputPlan, relays: Mapping[str, RelayPlan]) -> OutputRow:
        limit = plan.limit_amps
        if plan.relay is not None:
            contact = relays[plan.relay].limit_for(plan.load) if plan.relay in relays else None
            limit = None if contact is None else contact.amps
        return OutputRow(plan.name, plan.function if plan.instance is not None else None, plan.instance, plan, limit)

    def _contact_row(self, plan: ContactPlan) -> ContactRow:
        entry = self._inputs.get(plan.input)
        if entry is None:
            return ContactRow(plan.name, plan.instance, plan.input, None, plan, self._scenes.get(plan.name, ""))
        switched = next((position.output for position in entry.positions if position.name == plan.name), None)
        does = "" if switched is None else f"to {switched}"
        return ContactRow(plan.name, plan.instance, plan.input, entry.terminal, plan, does)


def _scene_keys(rig: Rig) -> Iterator[tuple[str, str]]:
    """Yield the name of each key that calls a scene, and the scene in words."""
    for device in rig.devices:
        keys = device.settings.get("keys")
        for key, given in keys.items() if isinstance(keys, Mapping) else ():
            scene = given.get("scene") if isinstance(given, Mapping) else None
            if isinstance(scene, str):
                yield key_contact(device.name, key), f"scene {scene}"


def _unplanned_outputs(device: str, known: Terminals, functions: Mapping[str, Sequence[int]]) -> Iterator[OutputRow]:
    """Yield the outputs that no rig has, by the names that they have on a bench."""
    planned = {(row.function, row.instance) for row in known.outputs}
    for form, function in FUNCTION_BY_FORM.items():
        for instance in functions.get(function, ()):
            if (function, instance) not in planned:
                yield OutputRow(unplanned_output(device, form, instance), function, instance)


def _unplanned_contacts(known: Terminals, functions: Mapping[str, Sequence[int]]) -> Iterator[ContactRow]:
    planned = {row.instance for row in known.contacts}
    for instance in functions.get(INPUT_FUNCTION, ()):
        if instance not in planned:
            name = FUNCTIONS[INPUT_FUNCTION].label(instance)
            yield ContactRow(name, instance, name)
