"""Flags about whole messages, and about faults that a node reports.

Knows: what to do about a wrong length, an unknown message and a reported fault. Does not know the definitions.
"""

from rvsim.rig.functions import by_dsa
from rvsim.watch.drafts.draft import Drafts, FlagDraft, counted, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import FaultReported, LengthWrong, MessageUndefined


def _length(found: LengthWrong) -> FlagDraft:
    if found.fields:
        missing = ", ".join(name.replace("_", " ") for name in found.fields)
        text = f"{found.topic}: {counted(found.length, 'byte')}, its fields need {found.needed}; missing: {missing}"
    else:
        text = f"{found.topic}: {counted(found.length, 'byte')}, more than the {found.needed} that are defined"
    if found.harmless:
        severity, advice = Severity.NOTICE, "nothing to do: the missing fields count as no data"
    else:
        severity, advice = Severity.WARNING, "check its firmware, and whether the definition of this message is right"
    return FlagDraft(FlagKind.WRONG_LENGTH, found.device, severity, text, advice, frame_line(found.last), found.topic)


def _unknown(found: MessageUndefined) -> FlagDraft:
    text = f"DGN {found.topic.dgn:05X} hex is not defined here"
    advice = "nothing is wrong with the bus; to decode the message, give a DBC file that defines it"
    return FlagDraft(
        FlagKind.UNKNOWN_MESSAGE, found.device, Severity.NOTICE, text, advice, frame_line(found.last), found.topic
    )


_HEATING_FUNCTIONS = frozenset({"furnace", "water_heater"})


def _reported(found: FaultReported) -> FlagDraft:
    function = by_dsa(found.topic.dsa) if found.topic.dsa is not None else None
    reporter = f"{function.title} function " if function else ""
    lamps = [lamp for lamp, on in zip(("protect", "amber", "red", "malfunction"), found.lamps, strict=True) if on]
    lit = f", {' and '.join(lamps)} lamp{'s' if len(lamps) > 1 else ''} on" if lamps else ""
    what = str(found.fault) if found.fault is not None else "a fault without a number"
    advice = (
        "look up in its manual what this SPN means for this function; repair that, and check whether the report ends"
    )
    if function is not None and function.name in _HEATING_FUNCTIONS:
        advice = (
            "check fuel, voltage and exhaust first, then look up this SPN in its manual; a lockout is a safety "
            "function, and resetting it repeatedly repairs nothing"
        )
    severity = Severity.FAULT if found.lamps.red else Severity.WARNING
    return FlagDraft(
        FlagKind.REPORTED_FAULT,
        found.device,
        severity,
        f"{reporter}reports {what}{lit}",
        advice,
        frame_line(found.last),
        found.topic,
        fault=found.fault,
    )


DRAFTS: Drafts = {
    LengthWrong: _length,
    MessageUndefined: _unknown,
    FaultReported: _reported,
}
