"""The roll call: which planned device speaks from which address, and who is present, late, silent or asleep.

Knows: identity goes from NAME to function and instance to address, never by the address alone. A source is bound
to a planned device by a status message of one of its functions and instances; or, where only one planned device
has the function, by the default source address in its heartbeat, which has no instance. Functions that devices
share by design bind nobody, commands and requests bind nobody. Does not know what a message says beyond that, nor
flags: it emits transitions.
"""

from collections.abc import Callable, Iterator

from rvsim.rig.functions import FUNCTIONS, by_dsa
from rvsim.rig.model import Rig
from rvsim.watch.attendance import HEARTBEAT_FLOOR, Attendance, Entry, Node, Part, attendance
from rvsim.watch.traffic import Agenda, Duty
from rvsim.watch.transitions import (
    Cause,
    Ended,
    FellSilent,
    GapExceeded,
    Presence,
    PresenceChanged,
    Stranger,
    Transition,
)
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import Frame
from rvsim.wire.ident import NULL_ADDRESS
from rvsim.wire.name import Name

IDENTIFY_WITHIN = HEARTBEAT_FLOOR
"""So long a source may take to say what it is: three heartbeats."""


class RollCall:
    """Everyone who is planned or was heard."""

    def __init__(
        self,
        rig: Rig | None,
        catalogue: Catalogue,
        start: int,
        agenda: Agenda,
        emit: Callable[[Transition], None],
        forget: Callable[[Part], None],
    ) -> None:
        self._planned_only = rig is not None
        self._agenda = agenda
        self._emit = emit
        self._forget = forget
        self._nodes: dict[int, Node] = {}
        self._silence = Duty(0, self._silence_due, self._fall_silent)
        self._lateness = Duty(1, self._lateness_due, self._miss)
        self._identity = Duty(2, self._identity_due, self._stay_unknown)
        self._entries: list[Entry] = []
        self._owners: dict[tuple[str, int], Entry] = {}
        self._by_function: dict[str, list[Entry]] = {}
        for plan in rig.devices if rig else ():
            gaps = [
                catalogue.by_name(message).gap_us
                for function in plan.functions
                for message in FUNCTIONS[function].statuses
                if message in catalogue.names
            ]
            entry = self._add(plan.name, start, plan, max((gap for gap in gaps if gap), default=None))
            for function, instances in plan.functions.items():
                self._by_function.setdefault(function, []).append(entry)
                self._owners.update({(function, instance): entry for instance in instances})
            self._arm_silence(entry)

    def _add(self, name: str, waiting_from: int, plan=None, planned_gap: int | None = None) -> Entry:  # type: ignore[no-untyped-def]
        entry = Entry(len(self._entries), name, plan, planned_gap)
        entry.waiting_from = waiting_from
        self._entries.append(entry)
        return entry
