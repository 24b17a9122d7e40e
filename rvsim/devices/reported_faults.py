"""The faults that a simulated node reports: one at a time in its heartbeat, all of them in its DM1.

Knows: which function has which fault, which lamp goes with it, and that several take turns in the heartbeat. Does not
know why a node is faulty, nor when it speaks.
"""

from rvsim.wire.diagnostics import COUNT_NOT_KNOWN, NO_FAULT_FMI, NO_FAULT_SPN, Lamps, Report, ReportedFault, pack_dm1

DM1 = 0x0FECA


class ReportedFaults:
    """The faults of one node by function."""

    def __init__(self) -> None:
        self._known: dict[str, dict[ReportedFault, bool]] = {}
        self._turns: dict[str, int] = {}

    def __bool__(self) -> bool:
        return bool(self._known)

    @property
    def functions(self) -> tuple[str, ...]:
        """The functions that have a fault."""
        return tuple(self._known)

    def put(self, function: str, trouble: ReportedFault, red: bool) -> None:
        """Note a fault, with the red lamp or the yellow one."""
        self._known.setdefault(function, {})[trouble] = red
        self._turns[function] = -1

    def take_back(self, function: str, trouble: ReportedFault | None = None) -> None:
        """Forget a fault, or all of a function's."""
        known = self._known.get(function, {})
        for one in [trouble] if trouble is not None else list(known):
            known.pop(one, None)
        if not known:
            self._known.pop(function, None)

    def next_of(self, function: str) -> dict[str, int]:
        """Return what the function's next heartbeat says of faults, by field: the newest first, then each in turn."""
        known = list(reversed(self._known.get(function, {}).items()))
        if not known:
            return {
                "yellow_lamp_status": 0,
                "red_lamp_status": 0,
                "spn": NO_FAULT_SPN,
                "fmi": NO_FAULT_FMI,
                "occurrence_count": COUNT_NOT_KNOWN,
            }
        self._turns[function] += 1
        trouble, red = known[self._turns[function] % len(known)]
        return {
            "yellow_lamp_status": int(not red),
            "red_lamp_status": int(red),
            "spn": trouble.spn,
            "fmi": trouble.fmi,
            "occurrence_count": COUNT_NOT_KNOWN if trouble.times is None else trouble.times,
        }

    def dm1(self) -> bytes:
        """Return the DM1: 8 bytes for none or one fault, more for several."""
        known = {trouble: red for those in self._known.values() for trouble, red in those.items()}
        lamps = Lamps(amber=not all(known.values()), red=any(known.values()))
        return pack_dm1(Report(lamps, tuple(known)))
