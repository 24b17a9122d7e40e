"""What a function of a device says now: one sentence, what of it lies on a rail, and how hard it works.

Knows: the words of the trade for each function, from the last readings of its status messages. Does not know who
speaks, screens, or the past. A function that has no words of its own gets its fields listed, so a new kind of device
is spoken of before anybody writes a line for it.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from rvsim.rig.functions import Function
from rvsim.wire.fields import Origin, Reading, State, weakest

Said = Mapping[str, Mapping[str, Reading]]
"""The last readings of one function: by message name, then by field name."""


class Rail(NamedTuple):
    """A number between two ends: where it is on its way from ``low`` to ``high``, in the field's unit.

    The ends are what is usual in a vehicle: common practice, no source. ``origin`` is the weakest grade that the number
    rests on.
    """

    title: str
    message: str
    reading: Reading
    low: float
    high: float
    origin: Origin


class Summary(NamedTuple):
    """What a function says.

    ``gives`` is the current it gives in amperes, where it says so. ``effort`` is the part of its full draw that its
    state stands for, 0 to 1; None where it cannot be told. ``origin`` is the weakest grade that the sentence rests on.
    """

    sentence: str
    rails: tuple[Rail, ...] = ()
    gives: float | None = None
    effort: float | None = None
    origin: Origin = Origin.PUBLISHED


def summary(function: Function, said: Said, numbers: Mapping[str, Origin]) -> Summary:
    """Put the last readings of a function into words.

    Args:
        function: who speaks.
        said: its last readings.
        numbers: where the number of each of the messages comes from.
    """
    words = _WORDS.get(function.name)
    last = _Last(said, numbers)
    spoken = words(last) if words is not None else None
    if spoken is None:
        last = _Last(said, numbers)
        spoken = _listed(last, said)
    return spoken._replace(origin=last.origin)


class _Last:
    """The last readings of a function, with short ways to ask for one; what was asked for makes the sentence."""

    def __init__(self, said: Said, numbers: Mapping[str, Origin]) -> None:
        self._said = said
        self._numbers = numbers
        self.origin = Origin.PUBLISHED
        """The weakest grade of what was asked for, but for rails."""

    def reading(self, message: str, field: str) -> Reading | None:
        """Return a reading, None where the message was never heard."""
        found = self._said.get(message, {}).get(field)
        if found is not None:
            self.origin = weakest(self.origin, self._number(message), _word_origin(found))
        return found

    def number(self, message: str, field: str) -> float | None:
        """Return a value, None where there is none."""
        reading = self.reading(message, field)
        return None if reading is None else reading.value

    def unsaid(self, message: str, field: str) -> float | None:
        """Return a value that the sentence does not speak of, None where there is none."""
        reading = self._said.get(message, {}).get(field)
        return None if reading is None else reading.value

    def text(self, message: str, field: str) -> str:
        """Return a reading as it is spoken; its state where it has no value."""
        reading = self.reading(message, field)
        return "not heard" if reading is None else reading.brief

    def rail(self, title: str, message: str, field: str, low: float, high: float) -> tuple[Rail, ...]:
        """Return a reading on its rail, nothing where it was never heard."""
        reading = self._said.get(message, {}).get(field)
        if reading is None:
            return ()
        return (Rail(title, message, reading, low, high, weakest(self._number(message), reading.origin)),)

    def _number(self, message: str) -> Origin:
        return self._numbers.get(message, Origin.PUBLISHED)


def _word_origin(reading: Reading) -> Origin:
    """Return the weakest grade of a reading where it is put into a word, which rests on the code of a value."""
    field, raw = reading.field, reading.raw
    is_code = bool(field.labels) and raw is not None and reading.state is State.VALUE
    return weakest(reading.origin, field.code_grade(raw)) if is_code and raw is not None else reading.origin


def _listed(last: _Last, said: Said) -> Summary:
    """List the first readings that have a value."""
    telling = [
        (message, name)
        for message, readings in said.items()
        for name, reading in readings.items()
        if reading.state is State.VALUE and not name.endswith(("instance", "priority"))
    ]
    spoken = [reading for message, name in telling[:4] if (reading := last.reading(message, name)) is not None]
    return Summary(", ".join(f"{reading.field.title} {reading.brief}" for reading in spoken))


def _fan_effort(percent: float | None) -> float | None:
    """Return the part of its full draw that a fan takes at a speed: its third power (fan laws)."""
    return None if percent is None else min(1.0, (percent / 100) ** 3)


def _thermostat(last: _Last) -> Summary | None:
    message, field = "THERMOSTAT_STATUS_1", "set_point_temperature_heat"
    mode = last.reading(message, "operating_mode")
    if mode is None:
        return None
    rail = last.rail("set point", message, field, 5.0, 30.0)
    if mode.raw == 0:
        return Summary("switched off", rail)
    wanted = last.text(message, field)
    known = last.number(message, field) is not None
    return Summary(f"wants {wanted} in the cabin" if known else f"set point {wanted}", rail)


def _sensor(last: _Last) -> Summary | None:
    message, field = "THERMOSTAT_AMBIENT_STATUS", "ambient_temperature"
    rail = last.rail("air", message, field, -30.0, 50.0)
    return Summary(last.text(message, field), rail) if rail else None


def _furnace(last: _Last) -> Summary | None:
    message = "FURNACE_STATUS"
    if last.reading(message, "heat_output_level") is None:
        return None
    heat, said = last.number(message, "heat_output_level"), last.text(message, "heat_output_level")
    rails = last.rail("heat", message, "heat_output_level", 0.0, 100.0)
    rails += last.rail("its fan", message, "circulation_fan_speed", 0.0, 100.0)
    gives = f"heat {said}" if heat is None else f"gives {said} heat" if heat else "gives no heat"
    return Summary(gives, rails, effort=_fan_effort(last.unsaid(message, "circulation_fan_speed")))


def _water_heater(last: _Last) -> Summary | None:
    message = "WATERHEATER_STATUS"
    water = last.text(message, "water_temperature")
    burner, mode = last.number(message, "burner_status"), last.reading(message, "operating_mode")
    if mode is None:
        return None
    known = "burner lit" if burner else "off" if mode.raw == 0 else "burner out"
    doing = f"burner {last.text(message, 'burner_status')}" if burner is None else known
    rails = last.rail("hot water", message, "water_temperature", 0.0, 80.0)
    return Summary(f"water {water}, {doing}", rails, effort=burner)


def _roof_fan(last: _Last) -> Summary | None:
    message = "ROOF_FAN_STATUS_1"
    on, speed = last.reading(message, "system_status"), last.number(message, "fan_speed_setting")
    if on is None:
        return None
    rails = last.rail("its speed", message, "fan_speed_setting", 0.0, 100.0)
    if on.state is not State.VALUE:
        return Summary(on.brief, rails)
    if on.raw == 0:
        return Summary("off", rails, effort=0.0)
    way = {"air in": " in", "air out": " out"}.get(last.text(message, "wind_direction_switch"), "")
    at = " at" if speed is not None else ", speed"
    return Summary(f"blows{way}{at} {last.text(message, 'fan_speed_setting')}", rails, effort=_fan_effort(speed))


def _charger(last: _Last) -> Summary | None:
    state = last.reading("CHARGER_STATUS", "operating_state")
    message, volts, amps = "CHARGER_STATUS_2", "charging_voltage", "charging_current"
    if last.reading(message, amps) is None:
        message, volts, amps = "CHARGER_STATUS", "charge_voltage", "charge_current"
    if state is None and last.reading(message, amps) is None:
        return None
    rails = last.rail("voltage", message, volts, 10.0, 16.0) + last.rail("current", message, amps, 0.0, 60.0)
    gives, said = last.number(message, amps), last.text(message, amps)
    current = f"current {said}" if gives is None else f"gives {said}"
    return Summary(f"{_stage(state)}{last.text(message, volts)}, {current}", rails, gives=gives)


def _stage(state: Reading | None) -> str:
    """Say how a charger charges; 0 and 1 have several names in use, and charge in none of them."""
    if state is None:
        return ""
    return f"{'does not charge' if state.raw in (0, 1) else state.shown_label or f'state {state.brief}'}, "


def _dc_source(last: _Last) -> Summary | None:
    if last.reading("DC_SOURCE_STATUS_1", "dc_voltage") is None:
        return None
    charge, volts = last.text("DC_SOURCE_STATUS_2", "state_of_charge"), last.text("DC_SOURCE_STATUS_1", "dc_voltage")
    known = last.number("DC_SOURCE_STATUS_2", "state_of_charge") is not None
    rails = last.rail("voltage", "DC_SOURCE_STATUS_1", "dc_voltage", 10.0, 16.0)
    rails += last.rail("charge", "DC_SOURCE_STATUS_2", "state_of_charge", 0.0, 100.0)
    return Summary(f"battery {charge} full, {volts}" if known else f"battery {volts}, charge {charge}", rails)


def _tank(last: _Last) -> Summary | None:
    message = "TANK_STATUS"
    level, steps = last.number(message, "relative_level"), last.number(message, "resolution")
    if level is None or not steps:
        return (
            Summary(f"level {last.text(message, 'relative_level')}")
            if last.reading(message, "relative_level")
            else None
        )
    rails = last.rail("level", message, "relative_level", 0.0, steps)
    return Summary(f"{100 * level / steps:.0f} % full", rails)


def _pump(last: _Last) -> Summary | None:
    for field in ("output_status", "output_status_command"):
        reading = last.reading("CIRCULATION_PUMP_STATUS", field)
        if reading is not None:
            effort = float(reading.raw) if reading.raw in (0, 1) else None
            return Summary("runs" if reading.raw == 1 else reading.brief, effort=effort)
    return None


_WORDS: Mapping[str, Callable[[_Last], Summary | None]] = {
    "thermostat": _thermostat,
    "ambient_sensor": _sensor,
    "furnace": _furnace,
    "water_heater": _water_heater,
    "roof_fan": _roof_fan,
    "charger": _charger,
    "dc_source": _dc_source,
    "tank": _tank,
    "circulation_pump": _pump,
}
