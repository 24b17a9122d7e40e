"""Switches and keys that people press: which are closed, how they bounce, and with which resistance.

Knows: contacts by name, the inputs that they are wired to, bounce, contacts that age or stick. Does not know what an
input means, nor the time: its host calls back later, and is told of each change of an input.
"""

import math
from collections.abc import Callable, Mapping
from random import Random

from rvsim.rig.contact_plans import ContactPlan
from rvsim.rig.ladder import OPEN, parallel

MAX_BOUNCES = 6
"""A contact opens and closes again at most so often while it bounces. Common practice, no source."""
MAX_BOUNCE_RATIO = 4
"""The longest bounce, as a multiple of the mean one: 1.6 ms on average and most under 6.2 ms, from memory."""
After = Callable[[int, Callable[[], None]], None]
"""Calls a function so many microseconds from now."""
OnChange = Callable[[str, str], None]
"""Receives the device and the input of which a contact has changed."""


class _Contact:
    """The state of one contact."""

    def __init__(self, plan: ContactPlan, random: Random) -> None:
        self.plan, self.random = plan, random
        self.is_pressed = False
        """Whether a person presses it, or has left it on."""
        self.is_target = False
        """What it comes to rest at."""
        self.is_closed = False
        """Whether metal touches metal now."""
        self.stuck_by: set[str] = set()
        """Who makes it stick: it closes when it is pressed and does not open again."""
        self.added_ohm: dict[str, float] = {}
        """What its age adds to its resistance, by the owner that says so."""
        self.presses = 0
        self.moves = 0

    @property
    def ohm(self) -> float:
        return self.plan.ohm + sum(self.added_ohm.values()) if self.is_closed else OPEN


class Contacts:
    """The contacts of one vehicle.

    Args:
        plans: each contact by its name.
        seed: decides how each bounces.
        after: plans a call; without it nothing bounces, and a press with a time is not released.
        on_change: is told of each change of an input that a device reads.
    """

    def __init__(
        self,
        plans: Mapping[str, ContactPlan],
        seed: int = 1,
        after: After | None = None,
        on_change: OnChange | None = None,
    ) -> None:
        self.plans = plans
        self._after, self._on_change = after, on_change
        self._contacts = {name: _Contact(plan, Random(f"{seed}:contact:{name}")) for name, plan in plans.items()}
        self._by_input: dict[str, list[_Contact]] = {}
        for contact in self._contacts.values():
            self._by_input.setdefault(contact.plan.input, []).append(contact)

    # What people do.

    def press(self, name: str, hold_us: int | None = None) -> None:
        """Press a contact; after ``hold_us`` it is released, unless it was pressed again meanwhile.

        Raises:
            KeyError: nothing has this name; so do all that take one.
        """
        contact = self._contacts[name]
        contact.presses += 1
        presses = contact.presses
        self._set(contact, is_pressed=True)
        if hold_us is not None and self._after is not None:
            self._after(hold_us, lambda: self._release_after(contact, presses))

    def release(self, name: str) -> None:
        """Release a contact."""
        self._set(self._contacts[name], is_pressed=False)

    def set(self, name: str, *, on: bool) -> None:
        """Put a switch that stays as it is set to on or off."""
        self._set(self._contacts[name], is_pressed=on)

    def is_pressed(self, name: str) -> bool:
        """Tell whether a contact is pressed, or left on, by a person."""
        return self._contacts[name].is_pressed

    def _release_after(self, contact: _Contact, presses: int) -> None:
        if contact.presses == presses:
            self._set(contact, is_pressed=False)

    # What goes wrong.

    def stick(self, owner: str, name: str) -> None:
        """Make a contact stay closed from its next press on, or from now on where it is closed, in an owner's name."""
        self._contacts[name].stuck_by.add(owner)

    def unstick(self, owner: str, name: str) -> None:
        """Let a contact follow the finger again, unless another owner makes it stick."""
        self._contacts[name].stuck_by.discard(owner)
        self._follow(self._contacts[name])

    def age(self, owner: str, name: str, added_ohm: float) -> None:
        """Add to the resistance of a contact, or of all contacts of an input, in an owner's name; 0 is none.

        Raises:
            KeyError: neither a contact nor an input has this name.
        """
        for contact in [self._contacts[name]] if name in self._contacts else self._by_input[name]:
            contact.added_ohm[owner] = added_ohm
            if not added_ohm:
                del contact.added_ohm[owner]
            if contact.is_closed:
                self._changed(contact)

    # What inputs see.

    def input_ohm(self, name: str) -> float:
        """Return the resistance of an input to ground, infinite while nothing on it is closed.

        Raises:
            KeyError: there is no such input.
        """
        contacts = self._by_input[name]
        ladder = contacts[0].plan.ladder
        if ladder is not None:
            closed = {contact.plan.rung: contact.ohm for contact in contacts if contact.is_closed}
            return ladder.ohm({rung: ohm for rung, ohm in closed.items() if rung is not None})
        total = OPEN
        for contact in contacts:
            total = parallel(total, contact.ohm)
        return total

    # How a contact moves.

    def _set(self, contact: _Contact, *, is_pressed: bool) -> None:
        contact.is_pressed = is_pressed
        self._follow(contact)

    def _follow(self, contact: _Contact) -> None:
        """Move a contact to where it belongs, with its bounces."""
        target = contact.is_pressed or (bool(contact.stuck_by) and contact.is_target)
        if target == contact.is_target:
            return
        contact.is_target = target
        contact.moves += 1
        moves = contact.moves
        self._touch(contact, moves, is_closed=target)
        if self._after is None or not contact.plan.bounce_us:
            return
        for place, delay in enumerate(self._bounce_times(contact)):
            is_closed = target if place % 2 else not target
            self._after(delay, lambda is_closed=is_closed: self._touch(contact, moves, is_closed=is_closed))  # type: ignore[misc]

    @staticmethod
    def _bounce_times(contact: _Contact) -> list[int]:
        """Return when it opens and closes again, an even number of times, in microseconds after the first touch."""
        draw, mean = contact.random, contact.plan.bounce_us
        lasts = min(draw.expovariate(1 / mean), MAX_BOUNCE_RATIO * mean)
        bounces = min(MAX_BOUNCES, 1 + math.floor(lasts / mean * 2))
        times = sorted({1 + round(draw.random() * lasts) for _ in range(2 * bounces - 1)} | {2 + round(lasts)})
        return times[len(times) % 2 :]

    def _touch(self, contact: _Contact, moves: int, *, is_closed: bool) -> None:
        if contact.moves != moves or contact.is_closed == is_closed:  # it has been moved again meanwhile
            return
        contact.is_closed = is_closed
        self._changed(contact)

    def _changed(self, contact: _Contact) -> None:
        if self._on_change is not None and contact.plan.device is not None:
            self._on_change(contact.plan.device, contact.plan.input)
