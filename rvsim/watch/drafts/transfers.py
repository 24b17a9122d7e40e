"""Flags about what does not come through between two nodes: long messages and requests.

Knows: what each way of failing asks for. Does not know how often is too often.
"""

from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import RequestsRefused, TransferFailed
from rvsim.wire.acknowledgment import Code
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL
from rvsim.wire.transfer.outcomes import ProblemKind as Failure
from rvsim.wire.transfer.packets import Reason, reason_text

_HOW = {
    Failure.TIMEOUT: "it broke off, nothing more of it came in the time that SAE J1939-21 gives",
    Failure.BROKEN: "a packet was left out",
    Failure.CHANGED: "a packet came again with other bytes",
    Failure.RESTARTED: "its sender began the next one before its end",
    Failure.MISFIT: "its size and its number of packets do not go together",
}
_WIRES = "bus load, then plugs and, with the power off, both terminators (60 ohm across the pair)"
_NO_ROOM = frozenset({Reason.BUSY, Reason.RESOURCES})
_NO_FIT = frozenset({Reason.TOO_LONG})
_UNLISTED = "its maker: the standard does not list the reason that it gives"
_MIXED = (
    "packets are lost, or two messages are mixed: look for a second unit on the sender's address, then for spoilt "
    f"frames: {_WIRES}"
)


def _frames(frames: tuple[Frame, ...]) -> tuple[str, ...]:
    return tuple(line for frame in frames for line in frame_line(frame))


def _failed(found: TransferFailed) -> FlagDraft:
    if found.reason is not None:
        how = f"{found.ended_by} aborted it, reason {found.reason}: {reason_text(found.reason)}"
    else:
        how = _HOW[found.kind]
    text = f"{found.topic} to {found.to} has failed {found.failures} times; the last time {how}"
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
        return "its firmware: it offers a message that cannot be sent like that; ask its maker"
    if found.reason in _NO_ROOM:
        return f"one request at a time, when {found.ended_by} is done with others; if it stays so, restart it"
    if found.kind is Failure.TIMEOUT or found.reason == Reason.TIMEOUT:
        if found.destination == GLOBAL:
            return f"its sender stops in the middle: its supply and its firmware; then spoilt frames: {_WIRES}"
        return (
            f"ask both for their address claim: is {found.to} there, and does it know this message? then spoilt frames "
            f"between them: {_WIRES}"
        )
    return _UNLISTED if found.reason == Reason.OTHER else _MIXED


_REFUSED = {
    Code.UNKNOWN: "it does not support this (code 1, negative acknowledgement)",
    Code.DENIED: "access denied (code 2)",
    Code.BUSY: "it cannot respond now (code 3)",
}


def _refused(found: RequestsRefused) -> FlagDraft:
    often = f"{found.refusals} times in a row"
    text = f"refuses {found.topic} to {found.asker}, {often}; the last time: {_REFUSED[found.code]}"
    advice = {
        Code.UNKNOWN: f"which device has this message and instance, and set {found.asker} to ask that one",
        Code.DENIED: "its manual: it may want to be unlocked, or its maker's own tool",
        Code.BUSY: "ask it less often, and not while it starts; if it stays busy, restart it",
    }[found.code]
    return FlagDraft(
        FlagKind.FAILED_TRANSFER, found.device, Severity.NOTICE, text, advice, _frames(found.last), found.topic
    )


DRAFTS: Drafts = {
    TransferFailed: _failed,
    RequestsRefused: _refused,
}
