"""Flags about the values of fields.

Knows: how a reading is written with its limits and the origin of its layout. Does not know which limits apply.
"""

from rvsim.rig.quantity import time_text
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import (
    DataLost,
    Drive,
    DrivenValueStuck,
    KeyHeld,
    Limits,
    OffOutputDraws,
    ReadingsContradict,
    ValueOutOfRange,
    ValueStuck,
)
from rvsim.wire.fields import Origin, Reading
from rvsim.wire.quantity_text import Part, compose, figure

_LAYOUT_DOUBT = {Origin.MEMORY: "; layout from memory", Origin.UNSURE: "; layout not sure"}

_TEMPERATURE_ADVICE = (
    "measure at the sensor with a thermometer; look for the sun on it, the outlet of a heater beside it, a door, or a "
    "sensor that hangs loose"
)

DRAWS_WHILE_OFF = " while the output is off"
"""What the text of a flag says of an output that is off and draws current."""
_UNMEASURED = (
    ", which is no measurement: a common digital temperature sensor reports it until its first one (from memory: its "
    "power-on value)"
)
_UNMEASURED_ADVICE = (
    "check the supply of the sensor, its wire and its plug: it lost its power for a moment, or was read before it had "
    "measured; then the device that reads it, which should leave this value out"
)
_VOLTAGE_ADVICE = (
    "measure at both with a meter: the one that is wrong has a bad sensor or calibration; if both are right, "
    "the difference lies across the wire, the fuse and the plugs between them, and they get hot"
)


def origin_text(reading: Reading) -> str:
    """Mark a layout that is not published: the definition may be what is wrong."""
    return _LAYOUT_DOUBT.get(reading.field.grades.layout, "")


def _between(limits: Limits | None, reading: Reading) -> str:
    if limits is None:
        return ""
    low, high = reading.field.figure(limits.low, names_unit=False), reading.field.figure(limits.high)
    return compose(", outside ", low, " to ", high, f" ({limits.origin})")


def _bad(found: ValueOutOfRange) -> FlagDraft:
    reading = found.reading
    title = f"{found.topic}: {reading.field.title} "
    why = _UNMEASURED if found.is_unmeasured else _between(found.limits, reading)
    text = compose(title, reading.brief, why, origin_text(reading))
    advice = "check the sensor, its wire and its plug; compare with another reading of the same quantity"
    if found.is_unmeasured:
        advice = _UNMEASURED_ADVICE
    return FlagDraft(
        FlagKind.BAD_VALUE,
        found.device,
        Severity.WARNING,
        text,
        advice,
        frame_line(found.last),
        found.topic,
        reading.field.name,
    )


def _no_data(found: DataLost) -> FlagDraft:
    title = f"{found.topic}: {found.reading.field.title}"
    if found.before is not None:
        text = compose(f"{title} now reports no data; last value ", found.before.brief)
    else:
        text = f"{title} reports no data, and the rig requires a value"
    advice = "check the sensor's wire and plug: a disconnected sensor reads as no data; then the sensor itself"
    text += origin_text(found.reading)
    field = found.reading.field.name
    return FlagDraft(
        FlagKind.NO_DATA, found.device, Severity.WARNING, text, advice, frame_line(found.last), found.topic, field
    )


def _contradiction(found: ReadingsContradict) -> FlagDraft:
    reading, other = found.reading, found.other
    text = compose(f"{found.topic}: {reading.field.title} ", reading.brief)
    if found.other_topic == found.topic:
        text += compose(f", above {found.rule}, ", other.brief)
        advice = "check its setting and its calibration; then the sensor, its wire and its plug"
    else:
        text += compose(
            f", while {found.other_device} reports {other.field.title} ",
            other.brief,
            f" for the same quantity ({found.other_topic})",
        )
        advice = _TEMPERATURE_ADVICE if reading.field.unit == "degC" else _VOLTAGE_ADVICE
    text += origin_text(reading)
    evidence = frame_line(found.last)
    field = reading.field.name
    return FlagDraft(FlagKind.BAD_VALUE, found.device, Severity.WARNING, text, advice, evidence, found.topic, field)


def _off_output(found: OffOutputDraws) -> FlagDraft:
    reading, level = found.reading, found.level
    text = compose(
        f"{found.topic}: {reading.field.title} ",
        reading.brief,
        f"{DRAWS_WHILE_OFF}, {level.field.title} ",
        level.brief,
        origin_text(reading),
    )
    advice = (
        "take the fuse of this load out and see whether the current ends: if so, a contact is welded or a switch is "
        "shorted, or somebody has switched it on past the module; if not, its current is measured wrong"
    )
    evidence = frame_line(found.last)
    field = reading.field.name
    return FlagDraft(FlagKind.BAD_VALUE, found.device, Severity.WARNING, text, advice, evidence, found.topic, field)


def _key_held(found: KeyHeld) -> FlagDraft:
    reading, began = found.reading, time_text(found.since - found.held_us)
    text = compose(
        f"{found.topic}: {reading.field.title} has been ",
        reading.brief,
        f" for more than {span(found.held_us)} since {began}, and the switch is a momentary one",
        origin_text(reading),
    )
    advice = (
        "look at this switch or key: is it stuck, wet, shorted, or does something lie on it; then unplug its wire and "
        "see whether the reading changes"
    )
    evidence = frame_line(found.last)
    field = reading.field.name
    return FlagDraft(FlagKind.STUCK_VALUE, found.device, Severity.WARNING, text, advice, evidence, found.topic, field)


def _stuck(found: ValueStuck) -> FlagDraft:
    reading, low, high = found.reading, found.low, found.high
    lasted = found.limit_us if found.lasted_us is None else found.lasted_us
    text = compose(
        f"{found.topic}: {reading.field.title} has been ",
        reading.brief,
        f" for {span(lasted)}, since {time_text(found.stuck_since)}, while {low.field.title} of "
        f"{found.neighbour_device} moved between ",
        low.brief,
        " and ",
        high.brief,
        f" ({found.neighbour}){origin_text(reading)}",
    )
    evidence = frame_line(found.last)
    field = reading.field.name
    advice = _BATTERY_ADVICE if reading.field.unit == "V" else _STUCK_ADVICE
    return FlagDraft(FlagKind.STUCK_VALUE, found.device, Severity.WARNING, text, advice, evidence, found.topic, field)


_STUCK_ADVICE = (
    "check the sensor, its place, its wire and its plug: warm it by hand and see whether the reading moves; then "
    "restart the device that reports it"
)
_BATTERY_ADVICE = (
    "measure voltage and current at the battery with a meter; check the wires of the shunt, then restart the device "
    "that reports the value"
)
_PUMP_ADVICE = (
    "look whether water comes while the pump runs: if so, check the level sender, its wire and its plug; if not, the "
    "pump draws air or its suction line is closed"
)
_DRIVE_ADVICE = {Drive.CHARGE_OUT: _BATTERY_ADVICE, Drive.CHARGE_IN: _BATTERY_ADVICE, Drive.PUMP: _PUMP_ADVICE}
_US_PER_AH = 3600 * 1000 * 1_000_000
"""Milliamperes over microseconds in an ampere-hour."""


def _work(found: DrivenValueStuck) -> tuple[Part, ...]:
    """Return what was done that moves the value."""
    source, worked = found.source_device, span(found.amount)
    if found.drive in (Drive.CHARGE_OUT, Drive.CHARGE_IN):
        way = "out of" if found.drive is Drive.CHARGE_OUT else "into"
        return "at least ", figure(round(found.amount / _US_PER_AH, 1), "Ah"), f" flowed {way} the battery"
    if found.drive is Drive.PUMP:
        return (f"{source} ran for {worked}",)
    if found.drive is Drive.WATER_HEATER:
        return (f"{source} heated the water for {worked}",)
    return (f"{source} gave full heat for {worked}",)


def _driven_stuck(found: DrivenValueStuck) -> FlagDraft:
    reading = found.reading
    text = compose(
        f"{found.topic}: {reading.field.title} has been ",
        reading.brief,
        f" for {span(found.lasted_us)}, since {time_text(found.stuck_since)}, while ",
        *_work(found),
        f" ({found.source}){origin_text(reading)}",
    )
    advice = _DRIVE_ADVICE.get(found.drive, _STUCK_ADVICE)
    evidence = frame_line(found.last)
    field = reading.field.name
    return FlagDraft(FlagKind.STUCK_VALUE, found.device, Severity.WARNING, text, advice, evidence, found.topic, field)


DRAFTS: Drafts = {
    ValueOutOfRange: _bad,
    DataLost: _no_data,
    ReadingsContradict: _contradiction,
    OffOutputDraws: _off_output,
    KeyHeld: _key_held,
    ValueStuck: _stuck,
    DrivenValueStuck: _driven_stuck,
}
