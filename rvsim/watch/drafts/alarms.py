"""Flags about codes that mean trouble.

Knows: what to do first when a device says by a code that something is wrong, gas before all else. Does not know which
codes mean trouble.
"""

from rvsim.rig.functions import by_status
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.flag import GAS_SENSOR, FlagKind, Severity
from rvsim.watch.transitions import CodeAlarmed
from rvsim.wire.fields import AlarmSeverity, Origin, weakest

_SEVERITIES = {
    AlarmSeverity.NOTICE: Severity.NOTICE,
    AlarmSeverity.WARNING: Severity.WARNING,
    AlarmSeverity.FAULT: Severity.FAULT,
}
_DOUBT = {Origin.MEMORY: "; the word is from memory", Origin.UNSURE: "; the word is not sure"}
_HEATING = frozenset({"furnace", "water_heater"})
GAS = (
    "leave, let air in on the way, touch no switch and light nothing; outside, close the gas and call a qualified "
    "person; what this bus says never replaces a listed alarm"
)
HEATER = (
    "fuel, voltage and exhaust first: a lockout is a safety function; find the cause before it is reset, and do not "
    "reset it again and again"
)
_MAINS = "shore, inverter and generator are for a licensed person: leave it off"
_BY_WORD = (
    (
        ("over_current", "overcurrent"),
        "what hangs on this output: a short, a seized motor, too much load; then its fuse",
    ),
    (("power", "voltage"), "its supply: voltage at the device under load, fuse, plugs, ground"),
    (("temperature", "thermal"), "let it cool down, and see what keeps its heat in; then its sensor"),
    (("open", "under_current", "disconnect"), "what is connected there: a broken wire, a plug, a blown lamp or fuse"),
    (("leak", "water"), "close the water, and look for where it comes out"),
)
"""What to try first, by a word in the field's name. Common practice, no source."""
_OTHERWISE = "its manual says what this means; mend that, and see whether the word goes"


def _alarmed(found: CodeAlarmed) -> FlagDraft:
    reading = found.reading
    doubt = _DOUBT.get(weakest(reading.origin, found.alarm.origin), "")
    text = f"{found.topic} {reading.field.title}: {reading.brief}{doubt}"
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


def _advice(found: CodeAlarmed) -> str:
    function, field = by_status(found.topic.message or ""), found.reading.field.name
    if function is not None and function.name == GAS_SENSOR:
        return GAS
    if "_AC_STATUS" in (found.topic.message or ""):
        return _MAINS
    if function is not None and function.name in _HEATING and "power" not in field:
        return HEATER
    return next((advice for words, advice in _BY_WORD if any(word in field for word in words)), _OTHERWISE)


DRAFTS: Drafts = {CodeAlarmed: _alarmed}
