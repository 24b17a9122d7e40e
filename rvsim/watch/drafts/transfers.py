"""Flags about long messages that fail and requests that are refused.

Knows: what to do about each way of failing. Does not know how many failures are too many.
"""

from rvsim.watch.drafts.draft import Drafts, FlagDraft, counted, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import RequestsRefused, TransferFailed
from rvsim.wire.acknowledgment import AcknowledgmentCode
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL_ADDRESS
from rvsim.wire.transfer.outcomes import ProblemKind
from rvsim.wire.transfer.packets import AbortReason, reason_text

_HOW = {
    ProblemKind.TIMEOUT: "it broke off: no further packet within the time that SAE J1939-21 gives",
    ProblemKind.INCOMPLETE: "a packet is missing",
    ProblemKind.CONTRADICTED: "a packet was repeated with other bytes",
    ProblemKind.RESTARTED: "its sender began the next message before the end of this one",
    ProblemKind.SIZE_MISMATCH: "its size and its number of packets do not match",
}
_WIRES = "bus load, then plugs and, with the power off, both terminators (60 ohm across the two bus wires)"
_NO_ROOM = frozenset({AbortReason.BUSY, AbortReason.RESOURCES})
_NO_FIT = frozenset({AbortReason.TOO_LONG})
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
    if found.kind is ProblemKind.SIZE_MISMATCH or found.reason in _NO_FIT:
        return "check its firmware: it announces a message that cannot be sent like this; ask its manufacturer"
    if found.reason in _NO_ROOM:
        return (
            f"send one request at a time, when {found.ended_by} has finished others; if that does not help, restart it"
        )
    if found.kind is ProblemKind.TIMEOUT or found.reason == AbortReason.TIMEOUT:
        if found.destination == GLOBAL_ADDRESS:
            return f"its sender stops in the middle: check its supply and its firmware; then corrupted frames: {_WIRES}"
        return (
            f"request the address claims of both: is {found.to} there, and does it support this message? then check "
            f"for corrupted frames between them: {_WIRES}"
        )
    return _UNLISTED if found.reason == AbortReason.OTHER else _MIXED


_REFUSED = {
    AcknowledgmentCode.UNKNOWN: "it does not support this (code 1, negative acknowledgement)",
    AcknowledgmentCode.DENIED: "access denied (code 2)",
    AcknowledgmentCode.BUSY: "it cannot respond now (code 3)",
}


def _refused(found: RequestsRefused) -> FlagDraft:
    often = f"{counted(found.refusals, 'time')} in a row"
    text = f"refuses requests of {found.asker} for {found.topic}, {often}; the last time: {_REFUSED[found.code]}"
    advice = {
        AcknowledgmentCode.UNKNOWN: "find the device that has this message and instance, "
        f"and set {found.asker} to request it there",
        AcknowledgmentCode.DENIED: "see its manual: it may have to be unlocked, or may need its manufacturer's tool",
        AcknowledgmentCode.BUSY: "request less often, and not while it starts; if it stays busy, restart it",
    }[found.code]
    return FlagDraft(
        FlagKind.FAILED_TRANSFER, found.device, Severity.NOTICE, text, advice, _frames(found.last), found.topic
    )


DRAFTS: Drafts = {
    TransferFailed: _failed,
    RequestsRefused: _refused,
}
