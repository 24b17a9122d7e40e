"""Flags about whole messages, and about what a node says of itself.

Knows: what a wrong length, an unknown message and a reported fault ask for. Does not know the definitions.
"""

from rvsim.rig.functions import by_dsa
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import FaultReported, LengthWrong, NameMissing


def _length(found: LengthWrong) -> FlagDraft:
    if found.fields:
        without = ", ".join(name.replace("_", " ") for name in found.fields)
        text = f"{found.topic} has {found.length} bytes, its fields need {found.needed}; without {without}"
    else:
        text = f"{found.topic} has {found.length} bytes, more than the {found.needed} that are defined"
    if found.harmless:
        severity, advice = Severity.NOTICE, "nothing: what is missing counts as no data"
    else:
        severity, advice = Severity.WARNING, "its firmware, and whether the definition of this message is right"
    return FlagDraft(FlagKind.WRONG_LENGTH, found.device, severity, text, advice, frame_line(found.last), found.topic)


def _nameless(found: NameMissing) -> FlagDraft:
    text = f"DGN {found.topic.dgn:05X} hex has no definition here"
    advice = "nothing is wrong with the bus; to see what it says, give a DBC file that defines it"
    return FlagDraft(
        FlagKind.UNKNOWN_MESSAGE, found.device, Severity.NOTICE, text, advice, frame_line(found.last), found.topic
    )


_HEATING = frozenset({"furnace", "water_heater"})


def _reported(found: FaultReported) -> FlagDraft:
    function = by_dsa(found.topic.dsa) if found.topic.dsa is not None else None
    whose = f"its {function.title}" if function else "it"
    lamps = [lamp for lamp, on in zip(("protect", "amber", "red", "malfunction"), found.lamps, strict=True) if on]
    lit = f", with the {' and the '.join(lamps)} lamp on" if lamps else ""
    what = str(found.trouble) if found.trouble is not None else "a fault that it does not name"
    advice = "its manual says what this SPN means for this function; mend that, and see whether the report goes"
    if function is not None and function.name in _HEATING:
        advice = (
            "fuel, voltage and exhaust first, then its manual for this SPN: a lockout is a safety function, and "
            "resetting it again and again mends nothing"
        )
    severity = Severity.FAULT if found.lamps.red else Severity.WARNING
    return FlagDraft(
        FlagKind.REPORTED_FAULT,
        found.device,
        severity,
        f"{whose} reports {what}{lit}",
        advice,
        frame_line(found.last),
        found.topic,
    )


DRAFTS: Drafts = {
    LengthWrong: _length,
    NameMissing: _nameless,
    FaultReported: _reported,
}
