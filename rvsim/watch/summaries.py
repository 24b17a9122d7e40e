"""A summary of the present state of a function: one sentence, numbers on rails, and how much current it takes or gives.

Knows: how each function is described, from the last readings of its status messages. Does not know devices, screens, or
earlier readings. For a function without a sentence of its own the fields are listed, so a new kind of device has a
summary before one is written for it.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from rvsim.rig.functions import Function
from rvsim.watch.motion_words import awning_text, lock_text, shade_text
from rvsim.watch.output_words import LOAD_AMPS, GetReading, level_of, output_text, position_text
from rvsim.wire.fields import Origin, Reading, State, weakest
from rvsim.wire.quantity_text import compose, join

LastReadings = Mapping[str, Mapping[str, Reading]]
"""The last readings of one function: by message name, then by field name."""


class Rail(NamedTuple):
    """A number on a scale from ``low`` to ``high``, in the unit of the field.

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
    """The summary of a function.

    ``output_amps`` is the current that it gives, in amperes; None where it reports none. ``load_fraction`` is the part
    of its full current that it takes in its present state, 0 to 1; None where that is unknown. ``origin`` is the
    weakest grade that the sentence rests on.
    """

    sentence: str
    rails: tuple[Rail, ...] = ()
    output_amps: float | None = None
    load_fraction: float | None = None
    origin: Origin = Origin.PUBLISHED


def summary(function: Function, readings: LastReadings, numbers: Mapping[str, Origin]) -> Summary:
    """Summarise the last readings of a function.

    Args:
        function: the function.
        readings: its last readings.
        numbers: the origin of the number of each of the messages.
    """
    sentence = _SENTENCES.get(function.name)
    last = _Last(readings, numbers)
    summarised = sentence(last) if sentence is not None else None
    if summarised is None:
        last = _Last(readings, numbers)
        summarised = _listed(last, readings)
    return summarised._replace(origin=last.origin)


class _Last:
    """The last readings of a function; keeps the weakest origin of those that were used in the sentence."""

    def __init__(self, readings: LastReadings, numbers: Mapping[str, Origin]) -> None:
        self._said = readings
        self._numbers = numbers
        self.origin = Origin.PUBLISHED
        """The weakest grade of the readings used so far, except those on rails."""

    def reading(self, message: str, field: str) -> Reading | None:
        """Return a reading, None where the message was never received."""
        found = self._said.get(message, {}).get(field)
        if found is not None:
            self.origin = weakest(self.origin, self._number(message), _text_origin(found))
        return found

    def number(self, message: str, field: str) -> float | None:
        """Return a value, None where there is none."""
        reading = self.reading(message, field)
        return None if reading is None else reading.value

    def unmentioned_value(self, message: str, field: str) -> float | None:
        """Return a value that is not in the sentence, None where there is none."""
        reading = self.unmentioned(message, field)
        return None if reading is None else reading.value

    def unmentioned(self, message: str, field: str) -> Reading | None:
        """Return a reading that is not in the sentence, None where the message was never received."""
        return self._said.get(message, {}).get(field)

    def text(self, message: str, field: str) -> str:
        """Return a reading as text; its state where it has no value."""
        reading = self.reading(message, field)
        return "not received" if reading is None else reading.brief

    def rail(self, title: str, message: str, field: str, low: float, high: float) -> tuple[Rail, ...]:
        """Return a reading on its rail, an empty tuple where it was never received."""
        reading = self._said.get(message, {}).get(field)
        if reading is None:
            return ()
        return (Rail(title, message, reading, low, high, weakest(self._number(message), reading.origin)),)

    def _number(self, message: str) -> Origin:
        return self._numbers.get(message, Origin.PUBLISHED)


def _text_origin(reading: Reading) -> Origin:
    """Return the weakest grade of a reading as text: the name of a code has a grade of its own."""
    field, raw = reading.field, reading.raw
    is_code = bool(field.labels) and raw is not None and reading.state is State.VALUE
    return weakest(reading.origin, field.code_grade(raw)) if is_code and raw is not None else reading.origin


def _listed(last: _Last, readings: LastReadings) -> Summary:
    """List the first readings that have a value."""
    with_value = [
        (message, name)
        for message, readings in readings.items()
        for name, reading in readings.items()
        if reading.state is State.VALUE and not name.endswith(("instance", "priority"))
    ]
    summarised = [reading for message, name in with_value[:4] if (reading := last.reading(message, name)) is not None]
    return Summary(join(", ", (compose(f"{reading.field.title} ", reading.brief) for reading in summarised)))


def _fan_effort(percent: float | None) -> float | None:
    """Return the part of its full power that a fan takes at a speed: its third power (fan laws)."""
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
    return Summary(compose("wants ", wanted, " in the cabin") if known else compose("set point ", wanted), rail)


def _sensor(last: _Last) -> Summary | None:
    message, field = "THERMOSTAT_AMBIENT_STATUS", "ambient_temperature"
    rail = last.rail("air", message, field, -30.0, 50.0)
    return Summary(last.text(message, field), rail) if rail else None


def _furnace(last: _Last) -> Summary | None:
    message = "FURNACE_STATUS"
    if last.reading(message, "heat_output_level") is None:
        return None
    heat, readings = last.number(message, "heat_output_level"), last.text(message, "heat_output_level")
    rails = last.rail("heat", message, "heat_output_level", 0.0, 100.0)
    rails += last.rail("its fan", message, "circulation_fan_speed", 0.0, 100.0)
    if heat is None:
        gives = compose("heat ", readings)
    else:
        gives = compose("gives ", readings, " heat") if heat else "gives no heat"
    return Summary(gives, rails, load_fraction=_fan_effort(last.unmentioned_value(message, "circulation_fan_speed")))


def _water_heater(last: _Last) -> Summary | None:
    message = "WATERHEATER_STATUS"
    water = last.text(message, "water_temperature")
    burner, mode = last.number(message, "burner_status"), last.reading(message, "operating_mode")
    if mode is None:
        return None
    known = "burner lit" if burner else "off" if mode.raw == 0 else "burner out"
    doing = f"burner {last.text(message, 'burner_status')}" if burner is None else known
    rails = last.rail("hot water", message, "water_temperature", 0.0, 80.0)
    return Summary(compose("water ", water, f", {doing}"), rails, load_fraction=burner)


def _roof_fan(last: _Last) -> Summary | None:
    message = "ROOF_FAN_STATUS_1"
    on, speed = last.reading(message, "system_status"), last.number(message, "fan_speed_setting")
    if on is None:
        return None
    rails = last.rail("its speed", message, "fan_speed_setting", 0.0, 100.0)
    if on.state is not State.VALUE:
        return Summary(on.brief, rails)
    if on.raw == 0:
        return Summary("off", rails, load_fraction=0.0)
    way = {"air in": " in", "air out": " out"}.get(last.text(message, "wind_direction_switch"), "")
    at = " at" if speed is not None else ", speed"
    said = compose(f"blows{way}{at} ", last.text(message, "fan_speed_setting"))
    return Summary(said, rails, load_fraction=_fan_effort(speed))


def _charger(last: _Last) -> Summary | None:
    state = last.reading("CHARGER_STATUS", "operating_state")
    message, volts, amps = "CHARGER_STATUS_2", "charging_voltage", "charging_current"
    if last.reading(message, amps) is None:
        message, volts, amps = "CHARGER_STATUS", "charge_voltage", "charge_current"
    if state is None and last.reading(message, amps) is None:
        return None
    rails = last.rail("voltage", message, volts, 10.0, 16.0) + last.rail("current", message, amps, 0.0, 60.0)
    gives, readings = last.number(message, amps), last.text(message, amps)
    current = compose(", current " if gives is None else ", gives ", readings)
    return Summary(compose(_stage(state), last.text(message, volts), current), rails, output_amps=gives)


def _stage(state: Reading | None) -> str:
    """Return the stage of a charger as text; codes 0 and 1 have several names in use, and mean no charging in all."""
    if state is None:
        return ""
    return compose(
        "does not charge" if state.raw in (0, 1) else state.shown_label or compose("state ", state.brief), ", "
    )


def _dc_source(last: _Last) -> Summary | None:
    if last.reading("DC_SOURCE_STATUS_1", "dc_voltage") is None:
        return None
    charge, volts = last.text("DC_SOURCE_STATUS_2", "state_of_charge"), last.text("DC_SOURCE_STATUS_1", "dc_voltage")
    known = last.number("DC_SOURCE_STATUS_2", "state_of_charge") is not None
    rails = last.rail("voltage", "DC_SOURCE_STATUS_1", "dc_voltage", 10.0, 16.0)
    rails += last.rail("charge", "DC_SOURCE_STATUS_2", "state_of_charge", 0.0, 100.0)
    said = ("battery ", charge, " full, ", volts) if known else ("battery ", volts, ", charge ", charge)
    return Summary(compose(*said), rails)


def _tank(last: _Last) -> Summary | None:
    message = "TANK_STATUS"
    level, steps = last.number(message, "relative_level"), last.number(message, "resolution")
    if level is None or not steps:
        return (
            Summary(compose("level ", last.text(message, "relative_level")))
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
            return Summary("runs" if reading.raw == 1 else reading.brief, load_fraction=effort)
    return None


def _solar_controller(last: _Last) -> Summary | None:
    message = "SOLAR_CONTROLLER_STATUS"
    state, gives = last.reading(message, "operating_state"), last.number(message, "charge_current")
    if state is None:
        return None
    rails = last.rail("voltage", message, "charge_voltage", 10.0, 16.0)
    rails += last.rail("current", message, "charge_current", 0.0, 30.0)
    current = compose(", current " if gives is None else ", gives ", last.text(message, "charge_current"))
    said = compose(_stage(state), last.text(message, "charge_voltage"), current)
    return Summary(said, rails, output_amps=gives)


def _inverter(last: _Last) -> Summary | None:
    state = last.reading("INVERTER_STATUS", "status")
    if state is None:
        return None
    rails = last.rail("battery side", "INVERTER_DC_STATUS", "dc_voltage", 10.0, 16.0)
    rails += last.rail("its current", "INVERTER_DC_STATUS", "dc_current", 0.0, 150.0)
    taken = last.reading("INVERTER_DC_STATUS", "dc_current")
    current = () if taken is None else (", takes " if taken.value is not None else ", current ", taken.brief)
    return Summary(compose(state.brief, *current), rails)


def _air_conditioner(last: _Last) -> Summary | None:
    message = "AIR_CONDITIONER_STATUS"
    if last.reading(message, "output_level") is None:
        return None
    output = last.number(message, "output_level")
    rails = last.rail("cooling", message, "output_level", 0.0, 100.0) + last.rail(
        "its fan", message, "fan_speed", 0.0, 100.0
    )
    cools = compose("cools with ", last.text(message, "output_level")) if output else "does not cool"
    fan = last.number(message, "fan_speed")
    return Summary(compose(cools, ", fan ", last.text(message, "fan_speed")) if fan else cools, rails)


def _generator(last: _Last) -> Summary | None:
    message = "GENERATOR_STATUS_1"
    state = last.reading(message, "status")
    if state is None:
        return None
    rails = last.rail("load", message, "engine_load", 0.0, 100.0)
    return Summary(compose(state.brief, ", load ", last.text(message, "engine_load")), rails)


def _dc_disconnect(last: _Last) -> Summary | None:
    state = last.reading("DC_DISCONNECT_STATUS", "circuit_status")
    return None if state is None else Summary(state.brief)


def _water_pump(last: _Last) -> Summary | None:
    message = "WATER_PUMP_STATUS"
    enabled, runs = last.reading(message, "operating_status"), last.reading(message, "pump_status")
    if enabled is None or runs is None:
        return None
    rails = last.rail("pressure", message, "current_system_pressure", 0.0, 500.0)
    effort = float(runs.raw) if runs.raw in (0, 1) else None
    return Summary(runs.brief if enabled.raw else enabled.brief, rails, load_fraction=effort)


def _output(last: _Last, function: str, rails: tuple[Rail, ...]) -> Summary | None:
    text = output_text(function, last.reading)
    level = level_of(function, last.unmentioned)
    value = None if level is None else level.value
    return None if text is None else Summary(text, rails, load_fraction=None if value is None else value / 100)


def _dimmer(last: _Last) -> Summary | None:
    return _output(last, "dc_dimmer", ())


def _load(last: _Last) -> Summary | None:
    return _output(last, "dc_load", last.rail("current", *LOAD_AMPS, 0.0, 20.0))


def _by_text(text: Callable[[GetReading], str | None]) -> "_Sentence":
    """Return what makes the sentence of a function that is one text."""

    def say(last: _Last) -> Summary | None:
        said = text(last.reading)
        return None if said is None else Summary(said)

    return say


_Sentence = Callable[[_Last], Summary | None]
_SENTENCES: Mapping[str, _Sentence] = {
    "thermostat": _thermostat,
    "ambient_sensor": _sensor,
    "furnace": _furnace,
    "water_heater": _water_heater,
    "roof_fan": _roof_fan,
    "charger": _charger,
    "dc_source": _dc_source,
    "tank": _tank,
    "circulation_pump": _pump,
    "solar_controller": _solar_controller,
    "inverter": _inverter,
    "air_conditioner": _air_conditioner,
    "generator": _generator,
    "dc_disconnect": _dc_disconnect,
    "water_pump": _water_pump,
    "dc_dimmer": _dimmer,
    "dc_load": _load,
    "dc_input": _by_text(position_text),
    "window_shade": _by_text(shade_text),
    "lock": _by_text(lock_text),
    "awning": _by_text(awning_text),
}
"""What makes the sentence of each function, by the name of the function."""
