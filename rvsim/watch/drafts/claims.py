"""Flags about address claims and about restarts.

Knows: what to check when a node has no address, two units have one NAME, or a device restarts repeatedly. Does not know
how that was found.
"""

from rvsim.rig.claimed import name_text
from rvsim.watch.drafts.addresses import unit
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import CannotClaim, NameShared, Restarted, SentWithoutAddress
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import NULL_ADDRESS


def _cannot_claim(found: CannotClaim) -> FlagDraft:
    before = f"; its address before was {found.before:02X} hex" if found.before is not None else ""
    text = f"could not claim an address and has stopped sending: {unit(found.name)}{before}"
    advice = (
        "another unit holds the address that it wants: find the two that want the same address, and give one of them "
        "another one, or let it choose its address itself, if it can"
    )
    evidence = (f"NAME {name_text(found.name)}", *frame_line(found.last))
    return FlagDraft(FlagKind.CANNOT_CLAIM, found.device, Severity.FAULT, text, advice, evidence)


def _shared_name(found: NameShared) -> FlagDraft:
    one, other = found.sources
    text = f"addresses {one:02X} hex and {other:02X} hex both send under one NAME: {unit(found.name)}"
    advice = (
        "two units have one serial number, or settings were copied from one to the other: unplug one to see which "
        "address stops, then have its NAME corrected with its manufacturer's tool"
    )
    evidence = (f"NAME {name_text(found.name)}", *frame_line(found.last, "last frame"))
    return FlagDraft(FlagKind.SHARED_NAME, found.device, Severity.FAULT, text, advice, evidence)


def _no_address(found: SentWithoutAddress) -> FlagDraft:
    which = "null" if found.topic.source == NULL_ADDRESS else "global"
    text = f"{found.topic}: sent from the {which} address ({found.topic.source:02X} hex), which no device can have"
    advice = (
        "its sender sends before it has an address, or has lost it: identify it by the content of the message or by "
        "unplugging; then check its firmware, and which other device wants its address"
    )
    return FlagDraft(
        FlagKind.NO_ADDRESS, found.device, Severity.WARNING, text, advice, frame_line(found.last), found.topic
    )


def _restarted(found: Restarted) -> FlagDraft:
    how = "claimed its address again" if found.claimed else "repeated its start-up sequence"
    if found.times == 1 or found.shortest_us is None:
        text = f"restarted once: it {how} without a request"
    else:
        between = f"{found.shortest_us / SECOND_US:.3g} s"
        text = f"restarted {found.times} times without a request; the shortest time between two restarts is {between}"
    advice = (
        "check its supply first: the voltage at its plug while the heaviest load starts, its fuse, its ground, its "
        "plug; then its firmware, which may restart by itself"
    )
    return FlagDraft(
        FlagKind.RESTARTED, found.device, Severity.WARNING, text, advice, frame_line(found.last, "last restart")
    )


DRAFTS: Drafts = {
    CannotClaim: _cannot_claim,
    NameShared: _shared_name,
    SentWithoutAddress: _no_address,
    Restarted: _restarted,
}
