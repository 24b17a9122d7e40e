"""What nodes report of themselves as faulty: SPN and FMI, in RV-C's own DM_RV and in the DM1 of SAE J1939-73.

Knows: the two byte orders, the standard's names of failure modes, and the code for "no fault". Does not know what an
SPN means: that depends on the function that reports (rv-c.com/node/82). DM1 as engine and display makers' manuals
have it; DM_RV by its definition in dbc/.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rvsim.wire.fields import Origin

NO_FAULT_SPN, NO_FAULT_FMI = 0x7FFFF, 0x1F
"""What stands in DM_RV when nothing is wrong (rv-c.com/node/522)."""
COUNT_NOT_KNOWN = 127
ON = 1
_LAMP_BYTES, _TROUBLE_BYTES = 2, 4

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
    """Tell whether SPN and FMI name a fault: all ones in both are what is sent when nothing is wrong."""
    return (spn, fmi) != (NO_FAULT_SPN, NO_FAULT_FMI)


def failure_mode(spn: int, fmi: int) -> str | None:
    """Return the standard's name of a failure mode, None where it has none; without a fault "no fault", not FMI 31."""
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


def fault_in(raws: Mapping[str, int | None]) -> tuple[int, int] | None:
    """Return SPN and FMI out of the fields of a DM_RV or DM1 by their names; None where the frame has not both.

    The SPN of a DM1 stands in three fields. There SPN 0 with FMI 0 says that nothing is wrong, which is returned as
    ``NO_FAULT_SPN`` and ``NO_FAULT_FMI``.
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
"""The fields of a DM1 that hold its SPN, the least significant first."""


def fault_text(spn: int, fmi: int) -> str:
    """Say which fault a report names: ``no fault``, or the SPN and the FMI with its words."""
    if is_fault(spn):
        return f"fault {ReportedFault(spn, fmi)}"
    mode = f" ({FAILURE_MODES[fmi]})" if fmi in FAILURE_MODES else ""
    return "no fault" if fmi == NO_FAULT_FMI else f"no SPN, but FMI {fmi}{mode}"


def fault_origins(spn: int, fmi: int) -> tuple[Origin, ...]:
    """Return where the words of ``fault_text`` come from: that of no fault is published, as are FMI 0 to 21."""
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


class Report(NamedTuple):
    """A whole DM1: lamps and faults."""

    lamps: Lamps
    troubles: tuple[ReportedFault, ...]


def count_of(raw: int | None) -> int | None:
    """Return an occurrence count, None where the code says that it is not known."""
    return None if raw is None or raw >= COUNT_NOT_KNOWN else raw


def read_dm1(data: bytes) -> Report | None:
    """Read a DM1 of any length, a single frame or a long message; None where it is too short to be one.

    SPN 0 with FMI 0, and all ones, are what is sent when nothing is wrong; they are no faults. A last fault that
    was cut off is left out.
    """
    if len(data) < _LAMP_BYTES + _TROUBLE_BYTES:
        return None
    lamps = Lamps(*(data[0] >> shift & 3 == ON for shift in (0, 2, 4, 6)))
    whole = (len(data) - _LAMP_BYTES) // _TROUBLE_BYTES
    found = (_trouble(data[_LAMP_BYTES + 4 * n : _LAMP_BYTES + 4 * n + 4]) for n in range(whole))
    return Report(lamps, tuple(one for one in found if one is not None))


def _trouble(part: bytes) -> ReportedFault | None:
    spn = part[0] | part[1] << 8 | part[2] >> 5 << 16
    fmi = part[2] & 0x1F
    if (spn, fmi) == (0, 0) or not is_fault(spn):
        return None
    return ReportedFault(spn, fmi, count_of(part[3] & 0x7F))


def pack_dm1(report: Report) -> bytes:
    """Write a DM1: 8 bytes for none or one fault, six and more for several, four for each.

    Raises:
        ValueError: an SPN or FMI does not fit its place.
    """
    body = bytearray([sum(ON << 2 * n for n, on in enumerate(report.lamps) if on), 0xFF])
    for trouble in report.troubles or (ReportedFault(0, 0, 0),):
        body += _packed(trouble)
    return bytes(body).ljust(8, b"\xff")


def _packed(trouble: ReportedFault) -> bytes:
    spn, fmi, times = trouble
    if not 0 <= spn <= NO_FAULT_SPN or not 0 <= fmi <= NO_FAULT_FMI:
        raise ValueError(f"SPN {spn} and FMI {fmi} do not fit 19 and 5 bits")
    often = COUNT_NOT_KNOWN if times is None else min(times, COUNT_NOT_KNOWN - 1)
    return bytes([spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | fmi, often])


def most_urgent(troubles: Sequence[ReportedFault]) -> ReportedFault | None:
    """Return the fault to name first: the most severe failure mode, then the lowest SPN; None without faults."""
    return min(troubles, key=lambda one: (one.fmi not in _MOST_SEVERE, one.spn), default=None)


_MOST_SEVERE = frozenset({0, 1})
