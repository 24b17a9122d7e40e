"""Flags about how nodes claim their addresses, and about restarts.

Knows: what to look at when a node has no address, a NAME stands twice, or a device starts again and again. Does not
know how that was found.
"""

from rvsim.rig.claimed import written
from rvsim.watch.drafts.addresses import unit
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import AddressMissing, CannotClaim, NameShared, Restarted
from rvsim.wire.ident import NULL_ADDRESS


def _homeless(found: CannotClaim) -> FlagDraft:
    before = f"; it was at {found.before:02X} hex before" if found.before is not None else ""
    text = f"it could not claim an address and sends nothing more: {unit(found.name)}{before}"
    advice = (
        "another unit holds the address that it wants: find the two that want one address, and give one of them "
        "another, or let it choose an address by itself, if it can"
    )
    evidence = (f"NAME {written(found.name)}", *frame_line(found.last))
    return FlagDraft(FlagKind.CANNOT_CLAIM, found.device, Severity.FAULT, text, advice, evidence)


def _twice(found: NameShared) -> FlagDraft:
    one, other = found.sources
    text = f"addresses {one:02X} hex and {other:02X} hex both speak under one NAME: {unit(found.name)}"
    advice = (
        "two units were given one serial number, or settings were copied from one to the other: unplug one and see "
        "which address goes, then have its NAME set right by its maker's tool"
    )
    evidence = (f"NAME {written(found.name)}", *frame_line(found.last, "last frame"))
    return FlagDraft(FlagKind.SHARED_NAME, found.device, Severity.FAULT, text, advice, evidence)


def _addressless(found: AddressMissing) -> FlagDraft:
    which = "null" if found.topic.source == NULL_ADDRESS else "global"
    text = f"{found.topic} comes from the {which} address ({found.topic.source:02X} hex), which no device can have"
    advice = (
        "its sender speaks before it has an address, or has lost it: find it by what the message says or by "
        "unplugging, then its firmware, and who else wants its address"
    )
    return FlagDraft(
        FlagKind.NO_ADDRESS, found.device, Severity.WARNING, text, advice, frame_line(found.last), found.topic
    )


def _restarted(found: Restarted) -> FlagDraft:
    how = "claims its address again" if found.claimed else "begins again with its start-up sequence"
    if found.times == 1 or found.shortest is None:
        text = f"restarted once: it {how}, and nobody asked it to"
    else:
        between = f"{found.shortest / SECOND:.3g} s"
        text = f"restarted {found.times} times, the shortest time between two {between}; nobody asked it to"
    advice = (
        "its supply first: the voltage at its plug while the heaviest load starts, its fuse, its ground, its plug; "
        "then its firmware, which may start again by itself"
    )
    return FlagDraft(
        FlagKind.RESTARTED, found.device, Severity.WARNING, text, advice, frame_line(found.last, "last restart")
    )


DRAFTS: Drafts = {
    CannotClaim: _homeless,
    NameShared: _twice,
    AddressMissing: _addressless,
    Restarted: _restarted,
}
