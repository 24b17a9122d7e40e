"""Flags about missing messages, silent devices and a quiet bus.

Knows: what to check first when nothing is received. Does not know the limits that were exceeded.
"""

from rvsim.rig.quantity import time_text
from rvsim.watch.drafts.draft import Drafts, FlagDraft, due, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import BusFellQuiet, FellSilent, GapExceeded
from rvsim.wire.frame import SECOND_US


def _lasted(found: FellSilent | GapExceeded) -> str:
    """Write for how long nothing was received; with the limit, where it was exceeded some time ago."""
    limit = "" if found.lasted_us is None else f" (limit {span(found.limit_us)})"
    return f"{span(found.limit_us if found.lasted_us is None else found.lasted_us)}{limit}{due(found.gap_us)}"


def _silent(found: FellSilent) -> FlagDraft:
    if found.last is None:
        text = f"not heard since the start, for {_lasted(found)}"
        wanted = f", and that it is set to {' and '.join(found.functions)}" if found.functions else ""
        advice = f"check that it is fitted and powered: its fuse, its data plug, its drop{wanted}"
    else:
        text = f"silent for {_lasted(found)}; last frame at {time_text(found.last.time)}"
        advice = "check its power and fuse first, then its data plug, then its drop"
    late_messages = (f"{late.topic}: late since {time_text(late.since)}" for late in found.late_messages)
    evidence = (*frame_line(found.last, "last frame"), *late_messages)
    heard, absent = (found.last.time, False) if found.last else (None, True)
    return FlagDraft(
        FlagKind.SILENT_DEVICE, found.device, Severity.FAULT, text, advice, evidence, heard=heard, absent=absent
    )


def _late(found: GapExceeded) -> FlagDraft:
    text = f"{found.topic}: not received for {_lasted(found)}; last frame at {time_text(found.last.time)}"
    advice = (
        "check its firmware and its setting for this message; if more of its messages are late, check its supply and "
        "its data plug"
    )
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
        f"no frame from any device for {span(found.silence_us)}, where {found.median_us / SECOND_US:.3f} s between "
        f"frames is usual; last frame at {time_text(found.last.time)}"
    )
    advice = (
        "check the supply of the bus and the adapter first; then, with the power off, both terminators: 60 ohm across "
        "the two bus wires is right for two, and does not prove the connectors, the ground or the supply"
    )
    evidence = (*frame_line(found.last, "last frame"), f"{found.missed} sources have missed a message")
    return FlagDraft(FlagKind.BUS_QUIET, "bus", Severity.FAULT, text, advice, evidence, heard=found.last.time)


DRAFTS: Drafts = {
    FellSilent: _silent,
    GapExceeded: _late,
    BusFellQuiet: _quiet,
}
