"""Faults of switches and keys: what each does to the contacts of a bench, and undoes.

Knows: how a contact is made to stick, and how its resistance grows. Does not know when a fault starts, nor who reads
the contact.
"""

from collections.abc import Iterator
from functools import partial

from rvsim.rig.contact_plans import contact_plans, unknown_contact_text
from rvsim.rig.model import Rig
from rvsim.shakedown.faults import contact_fault_plans as plans
from rvsim.sim.bench import Bench

GROWTH_STEPS = 50
"""In so many steps a resistance grows. Our decision: each is far below the room between two switches."""


class StuckKey:
    """A contact that sticks, in the name of an owner."""

    def __init__(self, owner: str, key: str) -> None:
        self._owner, self._key = owner, key

    def apply(self, bench: Bench) -> None:
        """Make it stick."""
        bench.world.contacts.stick(self._owner, self._key)

    def remove(self, bench: Bench) -> None:
        """Let it follow the finger again, unless something else makes it stick."""
        bench.world.contacts.unstick(self._owner, self._key)


class AgedContacts:
    """Contacts whose resistance is higher, at once or growing, in the name of an owner."""

    def __init__(self, owner: str, name: str, ohm: float, within_us: int | None) -> None:
        self._owner, self._name, self._ohm, self._within_us = owner, name, ohm, within_us
        self._is_applied = False

    def apply(self, bench: Bench) -> None:
        """Raise the resistance, or begin to."""
        self._is_applied = True
        if self._within_us is None:
            bench.world.contacts.age(self._owner, self._name, self._ohm)
            return
        for step in range(1, GROWTH_STEPS + 1):
            time = bench.now + self._within_us * step // GROWTH_STEPS
            bench.plan(time, partial(self._grow, bench, self._ohm * step / GROWTH_STEPS))

    def _grow(self, bench: Bench, ohm: float) -> None:
        if self._is_applied:
            bench.world.contacts.age(self._owner, self._name, ohm)

    def remove(self, bench: Bench) -> None:
        """Make the contacts as they were."""
        self._is_applied = False
        bench.world.contacts.age(self._owner, self._name, 0.0)


class ContactFaults:
    """Makes the effects of the faults of switches and keys of one rig."""

    def __init__(self, rig: Rig) -> None:
        self._contacts = contact_plans(rig)
        self._inputs = {plan.input for plan in self._contacts.values()}

    def effects(self, fault: plans.ContactFaultPlan, owner: str) -> Iterator[StuckKey | AgedContacts]:
        """Yield the effects of a fault, in the name of an owner.

        Raises:
            ValueError: the rig has no such switch.
        """
        match fault:
            case plans.KeyStuckPlan():
                if fault.key not in self._contacts:
                    raise ValueError(unknown_contact_text(fault.key, self._contacts))
                yield StuckKey(owner, fault.key)
            case plans.LadderResistancePlan():
                if fault.input not in self._inputs and fault.input not in self._contacts:
                    raise ValueError(unknown_contact_text(fault.input, self._contacts))
                yield AgedContacts(owner, fault.input, fault.ohm, fault.within)
