"""Flags about the pair of wires, and about the times of its log.

Knows: where to look when the pair is full, silent or spoilt. Does not know frames.
"""

from rvsim.rig.quantity import moment
from rvsim.watch.bus.overload import BUSY_WARNING
from rvsim.watch.drafts.draft import Drafts, FlagDraft, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.traffic import SECOND
from rvsim.watch.transitions import (
    BusBusy,
    ErrorExtent,
    ErrorsOnBus,
    LoadImpossible,
    LogOutOfOrder,
    NobodyAcknowledges,
    TimesMisread,
    WaitedTooLong,
)
from rvsim.wire.line_events import StateChanged
from rvsim.wire.timing import BIT_RATE


def _busy(found: BusBusy) -> FlagDraft:
    text = (
        f"the pair is {found.percent:.0f} % busy, more than {found.above} %: {found.frames} frames in the second up to "
        f"{moment(found.worst)}, {found.share:.0f} % of its bits from {found.most}"
    )
    advice = (
        "that device first: does it send more often than its messages ask for, or the same again and again; then fewer "
        "devices on this pair, or a second one"
    )
    severity = Severity.WARNING if found.above >= BUSY_WARNING else Severity.NOTICE
    return FlagDraft(FlagKind.BUS_BUSY, "bus", severity, text, advice, ())


def _impossible(found: LoadImpossible) -> FlagDraft:
    text = (
        f"computed load of {found.percent:.1f} %: {found.frames} frames in the second up to {moment(found.since)} are "
        f"more than {BIT_RATE} bit/s can carry, so the times or the bit rate are wrong; no load is judged"
    )
    advice = (
        "the clock of whoever recorded or of the adapter: times that were given in heaps, or in another unit; then the "
        f"bit rate, which is {BIT_RATE} on RV-C"
    )
    return FlagDraft(FlagKind.BUS_BUSY, "bus", Severity.NOTICE, text, advice, ())


def _errors(found: ErrorsOnBus) -> FlagDraft:
    times = moment(found.since) if found.last == found.since else f"{moment(found.since)} to {moment(found.last)}"
    told = [f"{found.errors} error frame{'' if found.errors == 1 else 's'} from {times}"] if found.errors else []
    if found.most > 1:
        told.append(f"{found.most} of them within 10 s")
    told += [f"{one.node} is {one.state}" for one in found.controllers]
    if not found.valid:
        told.append("and not one valid frame")
    wires = (
        "with the power off, both terminators (60 ohm across the pair is right for two); then the wiring: every plug "
        "and drop, swapped or chafed wires"
    )
    rate = f"the bit rate of whoever joined last or records, which is {BIT_RATE} on RV-C"
    if not found.valid:
        rate = f"the bit rate first: with a wrong one nothing valid can come; it is {BIT_RATE} on RV-C"
    evidence = [f"{count} in the second from {second} s" for second, count in found.seconds]
    evidence += [f"{count} times: {about}" for about, count in found.about]
    evidence += [_counters(one) for one in found.controllers]
    return FlagDraft(
        FlagKind.BUS_ERRORS, "bus", _EXTENTS[found.extent], ", ".join(told), f"{rate}; then, {wires}", tuple(evidence)
    )


_EXTENTS = {
    ErrorExtent.FEW: Severity.NOTICE,
    ErrorExtent.MANY: Severity.WARNING,
    ErrorExtent.BUS_OFF: Severity.FAULT,
}


def _counters(one: StateChanged) -> str:
    counters = ((one.transmit_errors, "transmit"), (one.receive_errors, "receive"))
    known = "".join(f", {count} {what} errors" for count, what in counters if count is not None)
    return f"{one.node}: {one.state} since {moment(one.time)}{known}"


def _out_of_order(found: LogOutOfOrder) -> FlagDraft:
    often = "once" if found.steps == 1 else f"{found.steps} times"
    text = (
        f"its times run back {often} in {found.entries} entries, by {found.longest / SECOND:.6g} s at most; nothing is "
        "judged by its times: no lateness, silence, pause or load"
    )
    advice = (
        "sort the file by its times first, then look at it again; where a clock was set while it was recorded, cut the "
        "file there"
    )
    evidence = tuple(f"{where}: back by {back / SECOND:.6g} s" for where, back in found.where)
    return FlagDraft(FlagKind.LOG_OUT_OF_ORDER, "log", Severity.WARNING, text, advice, evidence)


def _misread(found: TimesMisread) -> FlagDraft:
    unit = {1_000: "milliseconds", 1_000_000: "microseconds"}[found.factor]
    text = (
        f"its times look like {unit} written as seconds: {found.messages} messages whose gap is defined stand about "
        f"{found.factor} times as far apart; nothing is judged by its times: no lateness, silence, pause or load"
    )
    advice = f"divide its times by {found.factor} and look at it again, or export it anew with times in seconds"
    return FlagDraft(FlagKind.LOG_OUT_OF_ORDER, "log", Severity.WARNING, text, advice, ())


def _waited(found: WaitedTooLong) -> FlagDraft:
    text = (
        f"{found.message} of {found.device} took {found.response / 1000:.1f} ms to get through, and the plan promises "
        f"{found.promised / 1000:.1f} ms at worst, without errors and if everybody keeps to the plan"
    )
    advice = (
        "who sends more than the plan has, or more often: see who used the pair; or what spoils frames, so that they "
        "are sent again: with the power off, both terminators (60 ohm across the pair) and every plug"
    )
    return FlagDraft(
        FlagKind.BUS_BUSY, "bus", Severity.WARNING, text, advice, (f"ready at {found.since / SECOND:.6f} s",)
    )


def _unacknowledged(found: NobodyAcknowledges) -> FlagDraft:
    text = (
        f"nobody acknowledges what it sends: nothing of it has come through for {span(found.limit)}, and it goes on "
        "trying"
    )
    advice = (
        "one node alone cannot send: is another one powered, with the same bit rate? if so, its two wires, which may "
        "be swapped, then its drop and its data plug"
    )
    evidence = (f"identifier {found.identifier:08X}, first tried at {moment(found.since)}",)
    return FlagDraft(FlagKind.NO_ACKNOWLEDGE, found.device, Severity.FAULT, text, advice, evidence)


DRAFTS: Drafts = {
    BusBusy: _busy,
    LoadImpossible: _impossible,
    ErrorsOnBus: _errors,
    LogOutOfOrder: _out_of_order,
    TimesMisread: _misread,
    WaitedTooLong: _waited,
    NobodyAcknowledges: _unacknowledged,
}
