"""Devices that restart at one moment: their supply was gone for less time than a silence is noticed in.

Knows: that devices which restart together have a supply in common, which the rig may name. Does not know how a restart
is recognised, nor what the parts of a rig are (`rig.shared_parts` does).
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from typing import TYPE_CHECKING

from rvsim.rig.quantity import time_text
from rvsim.rig.shared_parts import shared_parts
from rvsim.watch.cause import Cause, CauseKind, cause_of, explained_evidence, names_text
from rvsim.watch.flag import Flag
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import Restarted
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

SAME_RESTART_US = 3 * SECOND_US
"""Devices that claim their addresses within this time of each other started together: they need different times to
start. Our decision."""
MIN_DEVICES_TOGETHER = 2
ALMOST_ALL_PERCENT = 80
"""From this share of all devices on, the file may hold two recordings. Our decision."""


def joint_restarts(
    roots: Sequence[Finding], all_explained: Callable[[Flag], list[Flag]], rig: "Rig | None", heard: Collection[str]
) -> Iterator[Cause]:
    """Yield a cause for each group of devices that restarted together, equally often."""
    restarted = sorted(
        ((one.flag, one.problem.times) for one in roots if isinstance(one.problem, Restarted)),
        key=lambda one: one[0].since,
    )
    group: list[tuple[Flag, int]] = []
    for one in [*restarted, None]:
        if one is not None and (not group or one[0].since - group[0][0].since <= SAME_RESTART_US):
            group.append(one)
            continue
        for times in sorted({count for _, count in group}):
            alike = [flag for flag, count in group if count == times]
            if len(alike) >= MIN_DEVICES_TOGETHER:
                yield _cause(alike, times, all_explained, rig, heard)
        group = [one] if one is not None else []


def _cause(
    flags: Sequence[Flag],
    times: int,
    all_explained: Callable[[Flag], list[Flag]],
    rig: "Rig | None",
    heard: Collection[str],
) -> Cause:
    names = sorted({flag.subject for flag in flags})
    often = f", {times} times, first" if times > 1 else ""
    text = f"{names_text(names)} restarted together{often} at {time_text(flags[0].since)}, without a silence before"
    parts = tuple(shared_parts(rig, names, set(heard) - set(names))) if rig is not None else ()
    if parts:
        text += f"; by the rig only {' or '.join(part.text for part in parts)} would take away these and no others"
        advice = "; or ".join(part.advice for part in parts)
    else:
        advice = (
            "look for a shared supply that fails for a moment: a fuse, a branch, a ground or a plug that they have in "
            "common, or a voltage that drops while a heavy load starts"
        )
    if 100 * len(names) >= ALMOST_ALL_PERCENT * len(heard):
        advice += "; unless the file holds two recordings, one after the other: then cut it there"
    explained_flags = [other for flag in flags for other in all_explained(flag)]
    evidence = explained_evidence(explained_flags)
    return cause_of(CauseKind.RESTARTED_TOGETHER, ", ".join(names), explained_flags, text, advice, evidence)
