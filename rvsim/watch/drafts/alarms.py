"""Flags about codes that report a problem.

Knows: what to do first when a device reports a problem by a code; gas comes before all else. Does not know which codes
report a problem: their definitions do.
"""

from rvsim.rig.functions import by_status
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import GAS_SENSOR, FlagKind, Severity
from rvsim.watch.transitions import AlarmCodeReported
from rvsim.wire.fields import AlarmSeverity, Origin, weakest
from rvsim.wire.quantity_text import compose

_SEVERITIES = {
    AlarmSeverity.NOTICE: Severity.NOTICE,
    AlarmSeverity.WARNING: Severity.WARNING,
    AlarmSeverity.FAULT: Severity.FAULT,
}
_DOUBT = {Origin.MEMORY: "; the name of this code is from memory", Origin.UNSURE: "; the name of this code is not sure"}
_HEATING_FUNCTIONS = frozenset({"furnace", "water_heater"})
GAS = (
    "leave the vehicle and let air in on the way; touch no switch and light nothing; outside, close the gas valve and "
    "call a qualified person; what is read on this bus never replaces a listed gas alarm"
)
HEATER = (
    "check fuel, voltage and exhaust first; a lockout is a safety function: find the cause before resetting it, and do "
    "not reset it repeatedly"
)
_MAINS = "leave it off: work on shore power, inverter and generator is for a licensed person"
_ADVICE_BY_FIELD_NAME = (
    (
        ("over_current", "overcurrent"),
        "check what is connected to this output: a short circuit, a blocked motor, too much load; then its fuse",
    ),
    (
        ("low_temp",),
        "let it warm up; a lithium battery that is this cold is not charged: see that nothing charges it; then check "
        "its sensor",
    ),
    (
        ("high_voltage",),
        "measure the voltage at its terminals, then check the set points of all that charge it, and their sense wires",
    ),
    (("state_of_charge",), "charge the battery, and find what has taken its charge"),
    (("power", "voltage"), "check its supply: voltage at the device under load, fuse, plugs, ground"),
    (("temperature", "thermal"), "let it cool down, and find what keeps the heat in; then check its sensor"),
    (
        ("open", "under_current", "disconnect"),
        "check what is connected there: a broken wire, a plug, a blown lamp or fuse",
    ),
    (("leak", "water"), "close the water valve, and find where the water comes out"),
)
"""What to try first, by words that occur in the name of the field. Common practice, no source."""
_OTHER_ADVICE = "look up in its manual what this code means; repair that, and check whether the code goes away"


def _alarmed(found: AlarmCodeReported) -> FlagDraft:
    reading = found.reading
    doubt = _DOUBT.get(weakest(reading.origin, found.alarm.origin), "")
    text = compose(f'{found.topic}: {reading.field.title} reports "', reading.brief, f'"{doubt}')
    return FlagDraft(
        FlagKind.REPORTED_FAULT,
        found.device,
        _SEVERITIES[found.alarm.severity],
        text,
        _advice(found),
        frame_line(found.last),
        found.topic,
        reading.field.name,
    )


def _advice(found: AlarmCodeReported) -> str:
    function, field = by_status(found.topic.message or ""), found.reading.field.name
    if function is not None and function.name == GAS_SENSOR:
        return GAS
    if "_AC_STATUS" in (found.topic.message or ""):
        return _MAINS
    if function is not None and function.name in _HEATING_FUNCTIONS and "power" not in field:
        return HEATER
    matching = (advice for words, advice in _ADVICE_BY_FIELD_NAME if any(word in field for word in words))
    return next(matching, _OTHER_ADVICE)


DRAFTS: Drafts = {AlarmCodeReported: _alarmed}
