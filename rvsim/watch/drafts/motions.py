"""Flags about motions.

Knows: what to do where something moves although its interlock does not hold. Does not know how that was found.
"""

from rvsim.rig.quantity import time_text
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import MovedWithoutInterlock

_OTHER = {"on": "off", "off": "on"}
_WAY_WORDS = {"extend": "moves out", "retract": "moves back"}


def _without_interlock(found: MovedWithoutInterlock) -> FlagDraft:
    wrong = " and ".join(f"{name} is {_OTHER[wanted]} (must be {wanted})" for name, wanted in found.inputs)
    began = "started" if found.is_start else "was not stopped when that changed"
    text = (
        f"{found.motion} {_WAY_WORDS[found.way]} while {wrong}; it {began}: {found.by} is on since "
        f"{time_text(found.status.time)}"
    )
    advice = (
        "stop it, and keep clear of it; then find who commanded it: what commands a motion has to read its interlock "
        "first, and the module should hold the output off by itself, by its own interlock or a relay on the same wire"
    )
    evidence = (*frame_line(found.status, "motion"), *frame_line(found.input_status, "interlock"))
    return FlagDraft(
        FlagKind.MOTION_WITHOUT_INTERLOCK, found.device, Severity.FAULT, text, advice, evidence, found.topic
    )


DRAFTS: Drafts = {MovedWithoutInterlock: _without_interlock}
