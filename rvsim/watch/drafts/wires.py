"""Flags about the pair of wires.

Knows: where to look when the pair is full, silent or spoilt. Does not know frames.
"""

from rvsim.rig.quantity import moment
from rvsim.watch.busyness import BUSY_WARNING
from rvsim.watch.drafts.draft import Draft, Drafts, span
from rvsim.watch.flag import Kind, Severity
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import BusBusy, NobodyAcknowledges, WaitedTooLong


def _busy(found: BusBusy) -> Draft:
    text = (
        f"the pair is {found.percent:.0f} % busy, more than {found.above} %: {found.frames} frames in a second, "
        f"{found.share:.0f} % of its bits from {found.most}"
    )
    advice = (
        "that device first: does it send more often than its messages ask for, or the same again and again; then fewer "
        "devices on this pair, or a second one"
    )
    severity = Severity.WARNING if found.above >= BUSY_WARNING else Severity.NOTICE
    return Draft(Kind.BUS_BUSY, "bus", severity, text, advice, ())


def _waited(found: WaitedTooLong) -> Draft:
    text = (
        f"{found.message} of {found.device} took {found.response / 1000:.1f} ms to get through, and the plan promises "
        f"{found.promised / 1000:.1f} ms at worst, without errors and if everybody keeps to the plan"
    )
    advice = (
        "who sends more than the plan has, or more often: see who used the pair; or what spoils frames, so that they "
        "are sent again: with the power off, both terminators (60 ohm across the pair) and every plug"
    )
    return Draft(Kind.BUS_BUSY, "bus", Severity.WARNING, text, advice, (f"ready at {found.since / SECOND:.6f} s",))


def _unacknowledged(found: NobodyAcknowledges) -> Draft:
    text = (
        f"nobody acknowledges what it sends: nothing of it has come through for {span(found.limit)}, and it goes on "
        "trying"
    )
    advice = (
        "one node alone cannot send: is another one powered, with the same bit rate? if so, its two wires, which may "
        "be swapped, then its drop and its data plug"
    )
    evidence = (f"identifier {found.identifier:08X}, first tried at {moment(found.since)}",)
    return Draft(Kind.NO_ACKNOWLEDGE, found.device, Severity.FAULT, text, advice, evidence)


DRAFTS: Drafts = {
    BusBusy: _busy,
    WaitedTooLong: _waited,
    NobodyAcknowledges: _unacknowledged,
}
