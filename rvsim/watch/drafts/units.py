"""Flags about units that were replaced, that speak for the same thing, or that hide behind one address.

Knows: what to look at after a unit was exchanged, and how two that share what they must not are told apart. Does not
know who is planned.
"""

from rvsim.rig.claimed import written
from rvsim.watch.drafts.addresses import ONE_ADDRESS, unit
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import Difference, InstanceShared, Replaced, TwoVoices, VoiceSign


def _instance(found: InstanceShared) -> FlagDraft:
    functions = " and ".join(found.functions)
    verb = "are" if len(found.functions) > 1 else "is"
    text = f"{functions} {verb} spoken for by two devices: {found.first} and {found.second}"
    advice = (
        f"one of the two is set wrong: give each its own instance, and see by touching one which {found.functions[0]} "
        "it is; until then readings jump between the two, and a command moves both"
    )
    evidence = frame_line(found.last, "last frame")
    return FlagDraft(FlagKind.SHARED_INSTANCE, found.device, Severity.WARNING, text, advice, evidence)


_CHECK = "a replaced unit? check its settings first: instance, calibration, tank range, charge profile, heartbeat rate"


def _replaced(found: Replaced) -> FlagDraft:
    who = f"address {found.source:02X} hex"
    if found.name is not None:
        who += f" ({unit(found.name)})"
    instead = _instead(found)
    text = f"{who} speaks as {found.function} {instead}"
    advice = _CHECK
    if found.planned and found.difference is Difference.INSTANCE:
        advice += f"; it should speak as {found.expected}: set its instance, or correct the rig"
    elif found.planned:
        advice += f"; then write it in the rig: {_line(found)} for {found.device}"
    else:
        advice += "; if nobody exchanged it, see why the first one is silent and where the other came from"
    evidence = (*_names(found), *frame_line(found.last, "last frame"))
    return FlagDraft(FlagKind.REPLACED_DEVICE, found.device, Severity.NOTICE, text, advice, evidence)


def _instead(found: Replaced) -> str:
    before = f"{found.before:02X} hex"
    if found.difference is Difference.INSTANCE:
        return f"in place of {found.expected}, of which nothing is heard"
    if found.difference is Difference.NAME and found.before_name is not None:
        return f"in place of another unit: {unit(found.before_name)}"
    if found.planned:
        return f"and not address {before}, where the rig has it"
    return f"in place of address {before}, of which nothing is heard any more"


def _line(found: Replaced) -> str:
    name = [f'claimed_name = "{written(found.name)}"'] if found.name is not None else []
    moved = [f"address = 0x{found.source:02X}"] if found.source != found.before else []
    return " and ".join((*name, *moved))


def _names(found: Replaced) -> tuple[str, ...]:
    now = (f"NAME {written(found.name)}",) if found.name is not None else ()
    before = (f"NAME before {written(found.before_name)}",) if found.before_name is not None else ()
    return now + before


def _voices(found: TwoVoices) -> FlagDraft:
    where = f"address {found.source:02X} hex speaks with two voices"
    match found.sign:
        case VoiceSign.TWICE_AS_OFTEN:
            text = f"{where}: {found.what} comes twice as often as it kept to, {found.figures}"
        case VoiceSign.TWO_VALUE_TRAINS:
            text = f"{where}: {found.what} alternates between two trains of values, {found.figures}"
        case VoiceSign.OTHER_FUNCTION:
            text = f"{where}: it now also speaks as {found.what}, {found.figures}"
    evidence = frame_line(found.last, "last frame")
    return FlagDraft(FlagKind.SHARED_ADDRESS, found.device, Severity.FAULT, text, ONE_ADDRESS, evidence)


DRAFTS: Drafts = {
    InstanceShared: _instance,
    Replaced: _replaced,
    TwoVoices: _voices,
}
