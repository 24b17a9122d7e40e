"""Flags about units that were replaced, that send as the same function and instance, or that share one address.

Knows: what to check after a unit was replaced, and how two units with one setting are told apart. Does not know which
units are planned.
"""

from typing import assert_never

from rvsim.rig.claimed import name_text
from rvsim.watch.drafts.addresses import ONE_ADDRESS, unit
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import Difference, InstanceShared, Replaced, TwoSenders, TwoSendersSign


def _instance(found: InstanceShared) -> FlagDraft:
    functions = " and ".join(found.functions)
    verb = "are" if len(found.functions) > 1 else "is"
    text = f"{functions} {verb} sent by two devices: {found.first} and {found.second}"
    advice = (
        f"one of the two has a wrong setting: give each its own instance, and operate one of them to see which "
        f"{found.functions[0]} it is; until then readings jump between the two, and a command moves both"
    )
    evidence = frame_line(found.last, "last frame")
    return FlagDraft(FlagKind.SHARED_INSTANCE, found.device, Severity.WARNING, text, advice, evidence)


_CHECK_SETTINGS = (
    "if the unit was replaced, check its settings first: instance, calibration, tank range, charge profile, heartbeat "
    "rate"
)


def _replaced(found: Replaced) -> FlagDraft:
    who = f"address {found.source:02X} hex"
    if found.name is not None:
        who += f" ({unit(found.name)})"
    instead = _instead(found)
    text = f"{who} sends as {found.function} {instead}"
    advice = _CHECK_SETTINGS
    if found.planned and found.difference is Difference.INSTANCE:
        advice += f"; it should send as {found.expected}: set its instance, or correct the rig"
    elif found.planned:
        advice += f"; then write it in the rig: {_line(found)} for {found.device}"
    else:
        advice += "; if it was not replaced, find out why the first one is silent and where the other one came from"
    evidence = (*_names(found), *frame_line(found.last, "last frame"))
    return FlagDraft(FlagKind.REPLACED_DEVICE, found.device, Severity.NOTICE, text, advice, evidence)


def _instead(found: Replaced) -> str:
    before = f"{found.before:02X} hex"
    if found.difference is Difference.INSTANCE:
        return f"in place of {found.expected}, which is not heard"
    if found.difference is Difference.NAME and found.before_name is not None:
        return f"in place of another unit: {unit(found.before_name)}"
    if found.planned:
        return f"instead of address {before}, where the rig has it"
    return f"in place of address {before}, which is no longer heard"


def _line(found: Replaced) -> str:
    name = [f'claimed_name = "{name_text(found.name)}"'] if found.name is not None else []
    moved = [f"address = 0x{found.source:02X}"] if found.source != found.before else []
    return " and ".join((*name, *moved))


def _names(found: Replaced) -> tuple[str, ...]:
    now = (f"NAME {name_text(found.name)}",) if found.name is not None else ()
    before = (f"NAME before {name_text(found.before_name)}",) if found.before_name is not None else ()
    return now + before


def _voices(found: TwoSenders) -> FlagDraft:
    where = f"two units seem to send from address {found.source:02X} hex"
    match found.sign:
        case TwoSendersSign.TWICE_AS_OFTEN:
            text = f"{where}: {found.what} comes twice as often as before, {found.figures}"
        case TwoSendersSign.TWO_VALUE_TRAINS:
            text = f"{where}: {found.what} alternates between two series of values, " + found.figures
        case TwoSendersSign.OTHER_FUNCTION:
            text = f"{where}: it now also sends as {found.what}, {found.figures}"
        case _:
            assert_never(found.sign)
    evidence = frame_line(found.last, "last frame")
    return FlagDraft(FlagKind.SHARED_ADDRESS, found.device, Severity.FAULT, text, ONE_ADDRESS, evidence)


DRAFTS: Drafts = {
    InstanceShared: _instance,
    Replaced: _replaced,
    TwoSenders: _voices,
}
