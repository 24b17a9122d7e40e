"""Flags: one noticed problem each, with its evidence and what to try next.

Knows: the kinds of flag and the severities. Does not know what raises a flag: ``rules`` does.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from rvsim.rig.flag_kinds import FlagKind as FlagKind
from rvsim.rig.functions import by_status
from rvsim.wire.diagnostics import ReportedFault


class Severity(StrEnum):
    """How serious a flag is."""

    NOTICE = "notice"
    """For information; nothing has to be done."""
    WARNING = "warning"
    """Something is not as it should be."""
    FAULT = "fault"
    """Something does not work."""


WORST_FIRST = (Severity.FAULT, Severity.WARNING, Severity.NOTICE)
"""The severities, the worst first: the order in which flags are listed."""


GAS_SENSOR = "gas_sensor"
"""The function whose reports come before all others."""
_BRACKETS = {Severity.NOTICE: "()", Severity.WARNING: "<>", Severity.FAULT: "[]"}


@dataclass(frozen=True, slots=True)
class Flag:
    """One problem, raised once and cleared when its cause goes.

    ``number`` counts from 1 in the order of raising. ``since`` and ``until`` are microseconds; ``since`` is when the
    limit was exceeded, which can be a little before the moment at which that could be known. ``until`` is None while
    the flag stands. ``message`` (its name, or its DGN as five hex digits) and ``field`` are None where a flag concerns
    none: with kind and subject they are what a rig can accept. ``heard`` is the time of the last frame, set only where
    something is missing. ``fault`` is set only where a node reports a fault by its number.
    """

    number: int
    kind: FlagKind
    subject: str
    severity: Severity
    since: int
    text: str
    advice: str
    evidence: tuple[str, ...] = ()
    until: int | None = None
    message: str | None = None
    field: str | None = None
    heard: int | None = None
    fault: ReportedFault | None = None

    @property
    def silence(self) -> int | None:
        """How long the silence lasted, in microseconds; None while it lasts, and where nothing was missing."""
        return None if self.until is None or self.heard is None else self.until - self.heard

    @property
    def tag(self) -> str:
        """The number in brackets that show the severity: ``(n)`` notice, ``<n>`` warning, ``[n]`` fault."""
        brackets = _BRACKETS[self.severity]
        return f"{brackets[0]}{self.number}{brackets[1]}"

    @property
    def is_gas(self) -> bool:
        """Whether it reports gas, which comes before all others."""
        function = by_status(self.message or "") if self.kind is FlagKind.REPORTED_FAULT else None
        return function is not None and function.name == GAS_SENSOR

    def renewed(self, severity: Severity, text: str, advice: str, evidence: tuple[str, ...]) -> "Flag":
        """Return the same flag with the text and figures of a later moment."""
        return replace(self, severity=severity, text=text, advice=advice, evidence=evidence)

    def cleared(self, time: int) -> "Flag":
        """Return the same flag, cleared at ``time``."""
        return replace(self, until=time)


class FlagRaised(NamedTuple):
    """A flag was raised at ``time`` (microseconds)."""

    time: int
    flag: Flag


class FlagCleared(NamedTuple):
    """The problem of a flag has ended; ``flag`` has the number that it was raised with, and ``until`` is set."""

    time: int
    flag: Flag
