"""Switches, keys and overrides that a person uses on a running bench, by their names in the rig.

Knows: which of them there are, and that a manual press is the same press that a scenario's step makes. Does not know
keys of a keyboard or screens. Each action returns the sentence that describes it.
"""

from collections.abc import Mapping, Sequence
from typing import Literal

from rvsim.rig.contact_plans import ContactPlan, unknown_contact_text
from rvsim.rig.references import unknown_text
from rvsim.runs.bench import BenchRun
from rvsim.shakedown.switch_steps import DEFAULT_HOLD_US, override_sentences, press_sentence, switch_sentences

LONG_HOLD_US = 2_000_000
"""A long press by hand: longer than the time from which on a press is long. Our decision."""


class ManualInputs:
    """Manual use of the switches of one run; to be called by the run's own thread, or while the run is paused."""

    def __init__(self, run: BenchRun) -> None:
        self._run = run

    @property
    def contacts(self) -> Mapping[str, ContactPlan]:
        """What can be pressed, by name: what a device reads that is simulated here."""
        simulated = self._run.bench.outgoing_gates
        plans = self._run.bench.world.contacts.plans
        return {name: plan for name, plan in plans.items() if plan.device in simulated}

    @property
    def outputs(self) -> Sequence[str]:
        """The outputs that can be set by hand at their modules: those of modules that are simulated here."""
        outputs, simulated = self._run.bench.world.outputs, self._run.bench.outgoing_gates
        return [name for name in outputs.names if outputs[name].device in simulated]

    def is_pressed(self, name: str) -> bool:
        """Tell whether a switch or key is held, or left on; False for a name that is none."""
        return name in self.contacts and self._run.bench.world.contacts.is_pressed(name)

    def press(self, name: str, hold_us: int = DEFAULT_HOLD_US) -> str:
        """Press a switch or key for a time; one that stays as it is set is set to its other position."""
        contact = self.contacts.get(name)
        if contact is None:
            return self._unknown(name)
        if contact.is_maintained:
            return self.switch(name, on=not self.is_pressed(name))
        self._run.bench.world.contacts.press(name, hold_us)
        return press_sentence(name, hold_us)

    def hold(self, name: str) -> str:
        """Press a switch or key until it is released."""
        if name not in self.contacts:
            return self._unknown(name)
        self._run.bench.world.contacts.press(name)
        return f"{name} is held"

    def release(self, name: str) -> str:
        """Release a switch or key."""
        if name not in self.contacts:
            return self._unknown(name)
        self._run.bench.world.contacts.release(name)
        return f"{name} is released"

    def switch(self, name: str, *, on: bool) -> str:
        """Set a switch that stays as it is set."""
        if name not in self.contacts:
            return self._unknown(name)
        self._run.bench.world.contacts.set(name, on=on)
        return next(switch_sentences({name: "on" if on else "off"}))

    def override(self, output: str, override: Literal["on", "off"] | None) -> str:
        """Set an output by hand at its module: on, off, or None: as commanded."""
        outputs = self._run.bench.world.outputs
        if output not in outputs.names:
            return unknown_text(output, outputs.names, "outputs")
        if output not in self.outputs:
            return f"{output} belongs to {outputs[output].device or 'no device'}, which is not simulated here"
        self._run.bench.world.set_override(output, override)
        return next(override_sentences({output: override or "none"}))

    def _unknown(self, name: str) -> str:
        plans = self._run.bench.world.contacts.plans
        if name in plans:
            return f"{name} belongs to {plans[name].device}, which is not simulated here"
        return unknown_contact_text(name, self.contacts)
