"""A relay: its coil and its contact, which can be welded or open.

Knows: at which voltage the coil pulls the contact in and at which it lets it go, what the coil takes, and both forms of
contact. Does not know what switches the coil, nor what the contact feeds. Times of the contact, some milliseconds, are
left out.
"""

from typing import Literal

from rvsim.rig.switching import RelayPlan
from rvsim.world.loads import NOMINAL_VOLTS

PULL_IN_VOLTS, RELEASE_VOLTS = 8.0, 1.5
"""A mini relay of 12 V operates by the first and releases at the second, at 23 °C: a relay maker's data sheet."""
COIL_AMPS = 0.141
"""Current of a coil of 85 ohm at 12 V, where the rig gives none: the same sheet."""
Contact = Literal["welded", "open"]
"""What can be wrong with a contact."""


class Relay:
    """One relay; without current in its coil the normally open contact is open."""

    def __init__(self, plan: RelayPlan) -> None:
        self.plan = plan
        self._is_pulled_in = False
        self.fault: Contact | None = None
        """What is wrong with its contact: "welded": the normally open one stays closed; "open": it never closes."""

    @property
    def coil_amps(self) -> float:
        """The current of its coil at 12 V."""
        return COIL_AMPS if self.plan.coil_amps is None else self.plan.coil_amps

    def set_coil(self, volts: float) -> float:
        """Put a voltage, averaged over pulses, on its coil; return the current of the coil."""
        if volts >= PULL_IN_VOLTS:
            self._is_pulled_in = True
        elif volts <= RELEASE_VOLTS:
            self._is_pulled_in = False
        return self.coil_amps * volts / NOMINAL_VOLTS

    @property
    def is_closed(self) -> bool:
        """Whether the normally open contact is closed, which feeds the load."""
        if self.fault is not None:
            return self.fault == "welded"
        return self._is_pulled_in

    @property
    def is_rest_contact_closed(self) -> bool:
        """Whether the normally closed contact of a changeover relay is closed; a single throw has none."""
        return self.plan.contact == "changeover" and self.fault is None and not self._is_pulled_in
