"""Flags about what stays away: messages, devices, the whole bus.

Knows: what to look at first when nothing is heard. Does not know how long that was allowed for.
"""

from rvsim.rig.quantity import moment
from rvsim.watch.drafts.draft import Drafts, FlagDraft, due, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import BusFellQuiet, FellSilent, GapExceeded


def _lasted(found: FellSilent | GapExceeded) -> str:
    """Say for how long nothing was heard; the limit too, where that has gone by for long."""
    limit = "" if found.lasted is None else f" (limit {span(found.limit)})"
    return f"{span(found.limit if found.lasted is None else found.lasted)}{limit}{due(found.gap)}"


def _silent(found: FellSilent) -> FlagDraft:
    if found.last is None:
        text = f"not heard at all for {_lasted(found)}"
        wanted = f", and that it is set to {' and '.join(found.functions)}" if found.functions else ""
        advice = f"see that it is fitted and powered: its fuse, its data plug, its drop{wanted}"
    else:
        text = f"nothing heard for {_lasted(found)}; last at {moment(found.last.time)}"
        advice = "its power and fuse first, then its data plug, then its drop"
    late = (f"{one.topic} late since {moment(one.since)}" for one in found.late)
    evidence = (*frame_line(found.last, "last frame"), *late)
    heard, absent = (found.last.time, False) if found.last else (None, True)
    return FlagDraft(
        FlagKind.SILENT_DEVICE, found.device, Severity.FAULT, text, advice, evidence, heard=heard, absent=absent
    )


def _late(found: GapExceeded) -> FlagDraft:
    text = f"{found.topic} not heard for {_lasted(found)}; last at {moment(found.last.time)}"
    advice = "its firmware or setting for this message; if more of its messages are late, its supply and its data plug"
    evidence = frame_line(found.last, "last frame")
    return FlagDraft(
        FlagKind.LATE_MESSAGE,
        found.device,
        Severity.WARNING,
        text,
        advice,
        evidence,
        found.topic,
        heard=found.last.time,
    )


def _quiet(found: BusFellQuiet) -> FlagDraft:
    text = (
        f"nothing from anyone for {span(found.silence)}, where {found.median / SECOND:.3f} s between frames is usual; "
        f"last at {moment(found.last.time)}"
    )
    advice = (
        "the supply of the bus and the adapter first; then, with the power off, both terminators: 60 ohm across the "
        "pair is right for two, and does not prove the connectors, the ground or the supply"
    )
    evidence = (*frame_line(found.last, "last frame"), f"{found.missed} sources have missed a message")
    return FlagDraft(FlagKind.BUS_QUIET, "bus", Severity.FAULT, text, advice, evidence, heard=found.last.time)


DRAFTS: Drafts = {
    FellSilent: _silent,
    GapExceeded: _late,
    BusFellQuiet: _quiet,
}
