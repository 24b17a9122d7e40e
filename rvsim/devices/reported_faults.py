"""The faults that a simulated node reports: one at a time in its heartbeat, all of them in its DM1.

Knows: the faults of each function, the lamp of each fault, and that several faults take turns in the heartbeat. Does
not know why a node has a fault, nor when it sends.
"""

from rvsim.wire.diagnostics import NO_FAULT_FMI, NO_FAULT_SPN, UNKNOWN_COUNT, Dm1Report, Lamps, ReportedFault, pack_dm1

DM1 = 0x0FECA
NO_FAULT_FIELDS = {
    "yellow_lamp_status": 0,
    "red_lamp_status": 0,
    "spn": NO_FAULT_SPN,
    "fmi": NO_FAULT_FMI,
    "occurrence_count": UNKNOWN_COUNT,
}
"""The fault fields of the heartbeat of a function without a fault."""


class ReportedFaults:
    """The faults of one node by function."""

    def __init__(self) -> None:
        self._faults: dict[str, dict[ReportedFault, bool]] = {}
        """By function: each fault, and whether its lamp is the red one."""
        self._turns: dict[str, int] = {}

    def __bool__(self) -> bool:
        return bool(self._faults)

    @property
    def functions(self) -> tuple[str, ...]:
        """The functions that have a fault."""
        return tuple(self._faults)

    def affects(self, function: str) -> bool:
        """Tell whether a function has a fault."""
        return function in self._faults

    def add(self, function: str, fault: ReportedFault, *, red: bool) -> None:
        """Add a fault, with the red lamp or the yellow one."""
        self._faults.setdefault(function, {})[fault] = red
        self._turns[function] = -1

    def remove(self, function: str, fault: ReportedFault | None = None) -> None:
        """Remove a fault, or all faults of a function."""
        faults = self._faults.get(function, {})
        for removed in [fault] if fault is not None else list(faults):
            faults.pop(removed, None)
        if not faults:
            self._faults.pop(function, None)

    def next_heartbeat_fields(self, function: str) -> dict[str, int]:
        """Return the fault fields of a function's next heartbeat: the newest fault first, then each in turn."""
        faults = list(reversed(self._faults.get(function, {}).items()))
        if not faults:
            return NO_FAULT_FIELDS
        self._turns[function] += 1
        fault, red = faults[self._turns[function] % len(faults)]
        return {
            "yellow_lamp_status": int(not red),
            "red_lamp_status": int(red),
            "spn": fault.spn,
            "fmi": fault.fmi,
            "occurrence_count": UNKNOWN_COUNT if fault.times is None else fault.times,
        }

    def dm1(self) -> bytes:
        """Return the data of the DM1: 8 bytes for none or one fault, more for several."""
        lamp_by_fault = {fault: red for faults in self._faults.values() for fault, red in faults.items()}
        lamps = Lamps(amber=not all(lamp_by_fault.values()), red=any(lamp_by_fault.values()))
        return pack_dm1(Dm1Report(lamps, tuple(lamp_by_fault)))
