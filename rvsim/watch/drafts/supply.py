"""Flags about supply voltages, and about what is too cold.

Knows: how voltages, drops and temperatures are written, and which caution belongs to what. Does not know which limits
apply.
"""

from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line
from rvsim.watch.drafts.values import origin_text
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import BatteryDark, ColdPlace, CurrentSignContradicts, SupplyLow, TooCold
from rvsim.wire.quantity_text import Part, compose

_SUPPLY_ADVICE = (
    "measure the voltage at the terminals of the device while it takes its current, and at the battery: if they "
    "differ, look at wire, fuse and plugs between them; if not, charge the battery"
)
_DARK_ADVICE = (
    "find what has opened: the protection of the battery (a voltage, a current or a temperature beyond its limits), "
    "the main switch or the main fuse; find why before it is closed again, and bridge no protection"
)
_COLD_ADVICE = {
    ColdPlace.TANK: "heat the place, or drain tanks and lines; measure there: the sensor may be in the draught",
    ColdPlace.WATER_HEATER: "heat it, or drain it before the night; a drained one can be accepted in the rig",
    ColdPlace.FUEL: "fill up with fuel of a colder grade before the heater is needed; look at the filter when it does "
    "not start. A lockout is a safety function: find the cause before it is reset",
    ColdPlace.LITHIUM: "stop the charging and warm the battery first. Lithium: no charging below 0 °C cell "
    "temperature; the protection may open at any time",
}


def _supply_low(found: SupplyLow) -> FlagDraft:
    reading, field = found.reading, found.reading.field
    parts: list[Part] = [f"{found.topic}: {field.title} ", reading.brief]
    if found.branch is not None and reading.value is not None:
        left = field.figure(round(reading.value - found.drop, 1))
        drop = field.figure(round(found.drop, 2))
        wire = f" for the device: its branch {found.branch} loses "
        parts += [", which leaves ", left, wire, drop, f" at the planned {found.amps:.3g} A"]
    side = ", below " if found.is_below else ", near "
    whose = "its cut-off of " if found.limits_named else "the usual cut-off of 12 V heaters and inverters, "
    text = compose(*parts, side, whose, field.figure(found.cut_off), origin_text(reading))
    severity = Severity.FAULT if found.is_below else Severity.WARNING
    evidence = frame_line(found.last)
    return FlagDraft(
        FlagKind.LOW_VOLTAGE, found.device, severity, text, _SUPPLY_ADVICE, evidence, found.topic, field.name
    )


def _dark(found: BatteryDark) -> FlagDraft:
    reading, field = found.reading, found.reading.field
    text = compose(
        f"{found.topic}: {field.title} ",
        reading.brief,
        ", where there was a battery before: it is disconnected from what it feeds",
        origin_text(reading),
    )
    evidence = frame_line(found.last)
    return FlagDraft(
        FlagKind.LOW_VOLTAGE, found.device, Severity.FAULT, text, _DARK_ADVICE, evidence, found.topic, field.name
    )


def _too_cold(found: TooCold) -> FlagDraft:
    reading, field = found.reading, found.reading.field
    parts: list[Part] = [f"{found.topic}: {field.title} ", reading.brief, ", below ", field.figure(found.limit)]
    match found.place:
        case ColdPlace.TANK:
            parts.append(f", where there is water in {found.contents}")
        case ColdPlace.WATER_HEATER:
            parts.append(": its water may freeze")
        case ColdPlace.FUEL:
            parts.append(f": diesel of grade {found.contents} (EN 590) may no longer pass a filter")
        case ColdPlace.LITHIUM:
            assert found.other is not None
            parts += [f", while {found.other.field.title} is ", found.other.brief, ": a lithium battery is charged"]
    severity = Severity.FAULT if found.is_beyond else Severity.WARNING
    return FlagDraft(
        FlagKind.FREEZE_RISK,
        found.device,
        severity,
        compose(*parts, origin_text(reading)),
        _COLD_ADVICE[found.place],
        frame_line(found.last),
        found.topic,
        field.name,
    )


def _sign(found: CurrentSignContradicts) -> FlagDraft:
    reading, other = found.reading, found.other
    parts: list[Part] = [f"{found.topic}: {reading.field.title} ", reading.brief]
    if found.before is None:
        parts += [f" (out of the battery), while {other.field.title} is ", other.brief, ", as during charging"]
    else:
        way = "out of" if (reading.value or 0) > 0 else "into"
        parts += [
            f" ({way} the battery), while {other.field.title} went from ",
            found.before.brief,
            " to ",
            other.brief,
        ]
    advice = (
        "check the direction of the shunt: its battery side belongs to the battery, every other wire to the other "
        "side; then the sign in the monitor's settings"
    )
    return FlagDraft(
        FlagKind.BAD_VALUE,
        found.device,
        Severity.WARNING,
        compose(*parts, origin_text(reading)),
        advice,
        frame_line(found.last),
        found.topic,
        reading.field.name,
    )


DRAFTS: Drafts = {SupplyLow: _supply_low, BatteryDark: _dark, TooCold: _too_cold, CurrentSignContradicts: _sign}
