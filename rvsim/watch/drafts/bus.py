"""Flags about bus load, bus errors and acknowledgement, and about the times of a log.

Knows: what to check when the bus is too busy or disturbed, or frames are not acknowledged. Does not know frames.
"""

from rvsim.rig.quantity import time_text
from rvsim.watch.bus.overload import BUSY_WARNING
from rvsim.watch.drafts.draft import Drafts, FlagDraft, counted, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import (
    BusBusy,
    ErrorExtent,
    ErrorsOnBus,
    LoadImpossible,
    LogOutOfOrder,
    SenderNotAcknowledged,
    TimesInWrongUnit,
    WorstCaseExceeded,
)
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import StateChanged
from rvsim.wire.timing import BIT_RATE

MAX_PARTS = 20
"""The largest number of parts into which a person is told to cut a file. Our decision."""
HOUR_US = 3600 * SECOND_US
MAX_ZONE_HOURS = 14
"""The largest step of a time zone, in hours: local times are 12 hours behind to 14 hours ahead (from memory)."""
MAX_OFF_THE_HOUR_US = 2 * SECOND_US
"""How far a step may be from whole hours, since a frame comes some time after the step. Our decision."""


def _busy(found: BusBusy) -> FlagDraft:
    text = (
        f"bus load {found.percent:.0f} %, above {found.above} %: {counted(found.frames, 'frame')} in the second up to "
        f"{time_text(found.worst)}, {found.share:.0f} % of the bits from {found.most}"
    )
    advice = (
        "check that device first: does it send more often than its messages require, or the same frame repeatedly; "
        "then connect fewer devices to this bus, or divide it into two"
    )
    severity = Severity.WARNING if found.above >= BUSY_WARNING else Severity.NOTICE
    return FlagDraft(FlagKind.BUS_BUSY, "bus", severity, text, advice, ())


def _impossible(found: LoadImpossible) -> FlagDraft:
    text = (
        f"computed bus load {found.percent:.1f} %: {counted(found.frames, 'frame')} in the second up to "
        f"{time_text(found.since)} exceed what {BIT_RATE} bit/s can carry, so the times or the bit rate are wrong; bus "
        "load is no longer judged"
    )
    advice = (
        "check the clock of the recorder or the adapter: one time for many frames, or times in another unit; then "
        f"check the bit rate, which is {BIT_RATE} bit/s on RV-C"
    )
    return FlagDraft(FlagKind.BUS_BUSY, "bus", Severity.NOTICE, text, advice, ())


def _errors(found: ErrorsOnBus) -> FlagDraft:
    first, last = time_text(found.since), time_text(found.last)
    times = f"at {first}" if found.last == found.since else f"from {first} to {last}"
    texts = [f"{counted(found.errors, 'error frame')} {times}"] if found.errors else []
    if found.most > 1:
        texts.append(f"{found.most} of them within 10 s")
    texts += [f"{controller.node} is {controller.state}" for controller in found.controllers]
    if not found.valid:
        texts.append("no valid frame")
    wires = (
        "with the power off, both terminators (60 ohm across the two bus wires is right for two); then the wiring: "
        "every plug and drop, swapped or chafed wires"
    )
    rate = f"check the bit rate of the device that joined last and of the recorder: {BIT_RATE} bit/s on RV-C"
    if not found.valid:
        rate = f"check the bit rate first, {BIT_RATE} bit/s on RV-C: with a wrong one no valid frame can come"
    evidence = [f"{counted(count, 'error frame')} in the second from {second} s" for second, count in found.seconds]
    evidence += [f"{counted(count, 'error frame')}: {about}" for about, count in found.about]
    evidence += [_counters(controller) for controller in found.controllers]
    return FlagDraft(
        FlagKind.BUS_ERRORS, "bus", _EXTENTS[found.extent], ", ".join(texts), f"{rate}; then, {wires}", tuple(evidence)
    )


_EXTENTS = {
    ErrorExtent.FEW: Severity.NOTICE,
    ErrorExtent.MANY: Severity.WARNING,
    ErrorExtent.BUS_OFF: Severity.FAULT,
}


def _counters(controller: StateChanged) -> str:
    counters = ((controller.transmit_errors, "transmit"), (controller.receive_errors, "receive"))
    known = "".join(f", {counted(count, f'{what} error')}" for count, what in counters if count is not None)
    return f"{controller.node}: {controller.state} since {time_text(controller.time)}{known}"


def _out_of_order(found: LogOutOfOrder) -> FlagDraft:
    often = "once" if found.steps == 1 else f"{found.steps} times"
    text = (
        f"its times run backwards {often} in {found.entries} entries, by {found.longest_us / SECOND_US:.6g} s at most; "
        "lateness, silence, pauses and bus load are not judged"
    )
    if 0 < found.restarts <= MAX_PARTS and found.restarts == found.steps:
        places = f"at {found.where[0][0]}" if found.steps == 1 else f"at each step, first at {found.where[0][0]}"
        advice = f"cut the file {places}, and survey each part by itself: {_restart_reason(found.longest_us)}"
    else:
        advice = (
            "sort the file by its times (rvsim export --frames LOG --sort --output NEW), then survey that; where a "
            "clock was set during the recording, cut the file there"
        )
    evidence = tuple(f"{where}: back by {back / SECOND_US:.6g} s" for where, back in found.where)
    return FlagDraft(FlagKind.LOG_OUT_OF_ORDER, "log", Severity.WARNING, text, advice, evidence)


def _restart_reason(back_us: int) -> str:
    """Return what makes the times of a file begin again, for a step of ``back_us`` microseconds."""
    hours = round(back_us / HOUR_US)
    if 1 <= hours <= MAX_ZONE_HOURS and abs(back_us - hours * HOUR_US) <= MAX_OFF_THE_HOUR_US:
        back = "an hour" if hours == 1 else f"{hours} hours"
        return f"its clock went back by {back}, as at the end of daylight saving time or by another time zone"
    if abs(back_us - 24 * HOUR_US) <= MAX_OFF_THE_HOUR_US:
        return "its times are times of day, and midnight passed"
    return "it holds two recordings, or a clock was set; sorting would mix them"


def _misread(found: TimesInWrongUnit) -> FlagDraft:
    unit = {1_000: "milliseconds", 1_000_000: "microseconds"}[found.factor]
    text = (
        f"its times look like {unit} written as seconds: {counted(found.messages, 'message')} with a defined gap, each "
        f"about {found.factor} times as far apart as defined; lateness, silence, pauses and bus load are not judged"
    )
    advice = f"divide its times by {found.factor} and survey it again, or export it again with times in seconds"
    return FlagDraft(FlagKind.LOG_OUT_OF_ORDER, "log", Severity.WARNING, text, advice, ())


def _waited(found: WorstCaseExceeded) -> FlagDraft:
    text = (
        f"{found.message} of {found.device} took {found.response_us / 1000:.1f} ms to get through; computed from the "
        f"plan: at most {found.worst_case_us / 1000:.1f} ms, without errors and if every device keeps to the plan"
    )
    advice = (
        "find the device that sends more than planned, or more often; or what corrupts frames, so that they are sent "
        "again: with the power off, check both terminators (60 ohm across the two bus wires) and every plug"
    )
    return FlagDraft(
        FlagKind.BUS_BUSY, "bus", Severity.WARNING, text, advice, (f"ready at {found.since / SECOND_US:.6f} s",)
    )


def _unacknowledged(found: SenderNotAcknowledged) -> FlagDraft:
    text = f"its frames are not acknowledged: none of them got through for {span(found.limit_us)}, and it keeps trying"
    advice = (
        "a device alone on the bus cannot send: check that another one is powered and has the same bit rate; if so, "
        "check its two bus wires, which may be swapped, then its drop and its data plug"
    )
    evidence = (f"identifier {found.identifier:08X}, first tried at {time_text(found.since)}",)
    return FlagDraft(FlagKind.NO_ACKNOWLEDGE, found.device, Severity.FAULT, text, advice, evidence)


DRAFTS: Drafts = {
    BusBusy: _busy,
    LoadImpossible: _impossible,
    ErrorsOnBus: _errors,
    LogOutOfOrder: _out_of_order,
    TimesInWrongUnit: _misread,
    WorstCaseExceeded: _waited,
    SenderNotAcknowledged: _unacknowledged,
}
