"""Flags about long messages that fail and requests that are refused.

Knows: what to do about each way of failing. Does not know how many failures are too many.
"""

from rvsim.watch.drafts.draft import Drafts, FlagDraft, counted, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import RequestsRefused, TransferFailed
from rvsim.wire.acknowledgment import Code
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL
from rvsim.wire.transfer.outcomes import ProblemKind as Failure
from rvsim.wire.transfer.packets import Reason, reason_text

_HOW = {
    Failure.TIMEOUT: "it broke off: no further packet within the time that SAE J1939-21 gives",
    Failure.BROKEN: "a packet is missing",
    Failure.CHANGED: "a packet was repeated with other bytes",
    Failure.RESTARTED: "its sender began the next message before the end of this one",
    Failure.MISFIT: "its size and its number of packets do not match",
}
_WIRES = "bus load, then plugs and, with the power off, both terminators (60 ohm across the two bus wires)"
_NO_ROOM = frozenset({Reason.BUSY, Reason.RESOURCES})
_NO_FIT = frozenset({Reason.TOO_LONG})
_UNLISTED = "ask its manufacturer: the reason that it gives is not in the standard"
_MIXED = (
    "packets are lost, or two messages are mixed: look for a second unit on the sender's address, then for corrupted "
    f"frames: {_WIRES}"
)


def _frames(frames: tuple[Frame, ...]) -> tuple[str, ...]:
    return tuple(line for frame in frames for line in frame_line(frame))


def _failed(found: TransferFailed) -> FlagDraft:
    if found.reason is not None:
        how = f"{found.ended_by} aborted it, reason {found.reason}: {reason_text(found.reason)}"
    else:
        how = _HOW[found.kind]
    text = f"{found.topic} to {found.to}: failed {counted(found.failures, 'time')}; the last time, {how}"
    return FlagDraft(
        FlagKind.FAILED_TRANSFER,
        found.device,
        Severity.NOTICE,
        text,
        _what_to_try(found),
        _frames(found.last),
        found.topic,
    )


def _what_to_try(found: TransferFailed) -> str:
    if found.kind is Failure.MISFIT or found.reason in _NO_FIT:
        return "check its firmware: it announces a message that cannot be sent like this; ask its manufacturer"
    if found.reason in _NO_ROOM:
        return (
            f"send one request at a time, when {found.ended_by} has finished others; if that does not help, restart it"
        )
    if found.kind is Failure.TIMEOUT or found.reason == Reason.TIMEOUT:
        if found.destination == GLOBAL:
            return f"its sender stops in the middle: check its supply and its firmware; then corrupted frames: {_WIRES}"
        return (
            f"request the address claims of both: is {found.to} there, and does it support this message? then check "
            f"for corrupted frames between them: {_WIRES}"
        )
    return _UNLISTED if found.reason == Reason.OTHER else _MIXED


_REFUSED = {
    Code.UNKNOWN: "it does not support this (code 1, negative acknowledgement)",
    Code.DENIED: "access denied (code 2)",
    Code.BUSY: "it cannot respond now (code 3)",
}


def _refused(found: RequestsRefused) -> FlagDraft:
    often = f"{counted(found.refusals, 'time')} in a row"
    text = f"refuses requests of {found.asker} for {found.topic}, {often}; the last time: {_REFUSED[found.code]}"
    advice = {
        Code.UNKNOWN: f"find the device that has this message and instance, and set {found.asker} to request it there",
        Code.DENIED: "see its manual: it may have to be unlocked, or may need its manufacturer's tool",
        Code.BUSY: "request less often, and not while it starts; if it stays busy, restart it",
    }[found.code]
    return FlagDraft(
        FlagKind.FAILED_TRANSFER, found.device, Severity.NOTICE, text, advice, _frames(found.last), found.topic
    )


DRAFTS: Drafts = {
    TransferFailed: _failed,
    RequestsRefused: _refused,
}
