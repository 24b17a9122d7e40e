"""The faults that nodes report: SPN and FMI, in RV-C's own DM_RV and in the DM1 of SAE J1939-73.

Knows: the two byte orders, the standard's names of failure modes, and the code for "no fault". Does not know what an
SPN means: that depends on the function that reports it (rv-c.com/node/82). The layout of DM1 is that of engine and
display makers' manuals; DM_RV has its definition in dbc/.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rvsim.wire.fields import Origin

NO_FAULT_SPN, NO_FAULT_FMI = 0x7FFFF, 0x1F
"""The content of a DM_RV that reports no fault (rv-c.com/node/522)."""
UNKNOWN_COUNT = 127
LAMP_ON = 1
_LAMP_BYTES, _FAULT_BYTES = 2, 4

FAILURE_MODES: Mapping[int, str] = {
    0: "above normal, most severe",
    1: "below normal, most severe",
    2: "erratic",
    3: "voltage high, or shorted high",
    4: "voltage low, or shorted low",
    5: "current low, or open circuit",
    6: "current high, or grounded circuit",
    7: "mechanical fault",
    8: "abnormal frequency or pulse",
    9: "abnormal update rate",
    10: "abnormal rate of change",
    11: "cause unknown",
    12: "bad device",
    13: "out of calibration",
    14: "special instructions",
    15: "above normal, least severe",
    16: "above normal, moderately severe",
    17: "below normal, least severe",
    18: "below normal, moderately severe",
    19: "network data in error",
    20: "drifted high",
    21: "drifted low",
    31: "condition exists",
}
"""FMI (SAE J1939-73, as an engine maker's manual lists 0 to 21; 31 from memory)."""


def is_fault(spn: int, fmi: int = NO_FAULT_FMI) -> bool:
    """Return whether SPN and FMI name a fault; all ones in both mean no fault."""
    return (spn, fmi) != (NO_FAULT_SPN, NO_FAULT_FMI)


def failure_mode(spn: int, fmi: int) -> str | None:
    """Return the standard's name of a failure mode, None where it has none; "no fault" for the code of no fault."""
    return FAILURE_MODES.get(fmi) if is_fault(spn, fmi) else "no fault"


class ReportedFault(NamedTuple):
    """One reported fault; ``times`` is how often it occurred, None where that is not known."""

    spn: int
    fmi: int
    times: int | None = None

    def __str__(self) -> str:
        if not is_fault(self.spn, self.fmi):
            return "no fault"
        mode = failure_mode(self.spn, self.fmi)
        often = "" if self.times is None else ", once" if self.times == 1 else f", {self.times} times"
        spn = f"SPN {self.spn}" if self.spn != NO_FAULT_SPN else "no SPN"
        return f"{spn}, FMI {self.fmi}" + (f" ({mode})" if mode else "") + often


def fault_in_fields(raws: Mapping[str, int | None]) -> tuple[int, int] | None:
    """Return SPN and FMI from the raw fields of a DM_RV or DM1 by name, None where the frame does not have both.

    The SPN of a DM1 has three fields. In a DM1 SPN 0 with FMI 0 means no fault; ``NO_FAULT_SPN`` and ``NO_FAULT_FMI``
    are returned for it.
    """
    fmi = raws.get("fmi")
    if fmi is None:
        return None
    if "spn" in raws:
        spn = raws["spn"]
        return None if spn is None else (spn, fmi)
    low, second, high = (raws.get(name) for name in SPN_PARTS)
    if low is None or second is None or high is None:
        return None
    spn = low | second << 8 | high << 16
    return (NO_FAULT_SPN, NO_FAULT_FMI) if (spn, fmi) == (0, 0) else (spn, fmi)


SPN_PARTS = ("spn_low_byte", "spn_second_byte", "spn_high_3_bits")
"""The fields of a DM1 with its SPN, the least significant first."""


def fault_text(spn: int, fmi: int) -> str:
    """Return the fault of a report as text: ``no fault``, or the SPN, the FMI and the name of the failure mode."""
    if is_fault(spn):
        return f"fault {ReportedFault(spn, fmi)}"
    mode = f" ({FAILURE_MODES[fmi]})" if fmi in FAILURE_MODES else ""
    return "no fault" if fmi == NO_FAULT_FMI else f"no SPN, but FMI {fmi}{mode}"


def fault_origins(spn: int, fmi: int) -> tuple[Origin, ...]:
    """Return the origins of ``fault_text``: no fault and FMI 0 to 21 are published, other FMIs from memory."""
    if spn == NO_FAULT_SPN and fmi == NO_FAULT_FMI:
        return (Origin.PUBLISHED,)
    return (Origin.PUBLISHED if fmi <= _LAST_PUBLISHED_FMI else Origin.MEMORY,)


_LAST_PUBLISHED_FMI = 21


class Lamps(NamedTuple):
    """Which lamps of a DM1 are on."""

    protect: bool = False
    amber: bool = False
    red: bool = False
    malfunction: bool = False


class Dm1Report(NamedTuple):
    """A whole DM1: lamps and faults."""

    lamps: Lamps
    faults: tuple[ReportedFault, ...]


def occurrence_count(raw: int | None) -> int | None:
    """Return an occurrence count, None where the code means that it is not known."""
    return None if raw is None or raw >= UNKNOWN_COUNT else raw


def read_dm1(data: bytes) -> Dm1Report | None:
    """Return a DM1 from a frame or a long message, None where it is too short.

    SPN 0 with FMI 0, and all ones, mean no fault. A last fault that is incomplete is left out.
    """
    if len(data) < _LAMP_BYTES + _FAULT_BYTES:
        return None
    lamps = Lamps(*(data[0] >> shift & 3 == LAMP_ON for shift in (0, 2, 4, 6)))
    whole = (len(data) - _LAMP_BYTES) // _FAULT_BYTES
    found = (_read_fault(data[_LAMP_BYTES + 4 * n : _LAMP_BYTES + 4 * n + 4]) for n in range(whole))
    return Dm1Report(lamps, tuple(fault for fault in found if fault is not None))


def _read_fault(data: bytes) -> ReportedFault | None:
    spn = data[0] | data[1] << 8 | data[2] >> 5 << 16
    fmi = data[2] & 0x1F
    if (spn, fmi) == (0, 0) or not is_fault(spn):
        return None
    return ReportedFault(spn, fmi, occurrence_count(data[3] & 0x7F))


def pack_dm1(report: Dm1Report) -> bytes:
    """Return the bytes of a DM1: 8 for no fault or one, else 2 and 4 for each fault.

    Raises:
        ValueError: an SPN or FMI does not fit in its bits.
    """
    body = bytearray([sum(LAMP_ON << 2 * n for n, on in enumerate(report.lamps) if on), 0xFF])
    for fault in report.faults or (ReportedFault(0, 0, 0),):
        body += _packed_fault(fault)
    return bytes(body).ljust(8, b"\xff")


def _packed_fault(fault: ReportedFault) -> bytes:
    spn, fmi, times = fault
    if not 0 <= spn <= NO_FAULT_SPN or not 0 <= fmi <= NO_FAULT_FMI:
        raise ValueError(f"SPN {spn} and FMI {fmi} do not fit 19 and 5 bits")
    often = UNKNOWN_COUNT if times is None else min(times, UNKNOWN_COUNT - 1)
    return bytes([spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi, often])


def most_urgent(faults: Sequence[ReportedFault]) -> ReportedFault | None:
    """Return the fault to report first: the most severe failure mode, then the lowest SPN; None without faults."""
    return min(faults, key=lambda fault: (fault.fmi not in _MOST_SEVERE_FMIS, fault.spn), default=None)


_MOST_SEVERE_FMIS = frozenset({0, 1})
