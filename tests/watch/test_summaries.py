"""What each function says in words, from bytes written by hand through the shipped definitions."""

import pytest

from rvsim.rig.functions import FUNCTIONS, Function
from rvsim.watch.summaries import Summary, summary
from rvsim.wire.fields import FieldSpec, Grades, Origin, Reading, State


@pytest.fixture
def says(catalogue):
    """Say what a function says: ``says("furnace", FURNACE_STATUS="01 00 C8 64")``."""

    def say(function: str | Function, **frames: str) -> Summary:
        said = {
            message: {r.field.name: r for r in catalogue.by_name(message).decode(bytes.fromhex(data))}
            for message, data in frames.items()
        }
        numbers = {message: catalogue.by_name(message).origin for message in frames}
        return summary(FUNCTIONS[function] if isinstance(function, str) else function, said, numbers)

    return say


def rails(words: Summary) -> list[tuple[str, str, str, str, float, float]]:
    """The rails of a saying: title, message, field, what it says, and the two ends."""
    return [(r.title, r.message, r.reading.field.name, r.reading.brief, r.low, r.high) for r in words.rails]


# Each row: function, its messages, the sentence, current given, effort. Bytes by hand: a percentage has half a percent
# a step, a temperature (21 + 273) / 0.03125 = 9408 = 24C0 hex, a voltage 13.6 / 0.05 = 272 = 0110 hex, a charger's
# current (18 + 1600) / 0.05 = 32360 = 7E68 hex.
SAID = [
    ("dc_dimmer", {"DC_DIMMER_STATUS_1": "03 FF 50 FF FF FF FF FF"}, "40 %", None, 0.4),
    ("dc_dimmer", {"DC_DIMMER_STATUS_1": "03 FF 00 FF FF FF FF FF"}, "off", None, 0.0),
    ("dc_dimmer", {"DC_DIMMER_STATUS_1": "03 FF FF FF FF FF FF FF"}, "level no data", None, None),
    ("dc_dimmer", {"DC_DIMMER_STATUS_3": "03 FF 00 FF FF FF F7 FF"}, "off, flashing", None, 0.0),
    (
        "dc_dimmer",
        {"DC_DIMMER_STATUS_3": "03 FF 50 D5 FF FF F5 FF"},
        "40 %, over-current, by hand, locked, held by an interlock",
        None,
        0.4,
    ),
    ("dc_load", {"DC_LOAD_STATUS": "09 FF C8 FF FF 06 78 7D"}, "on", None, 1.0),
    ("dc_load", {"DC_LOAD_STATUS": "09 FF 00 FF FF 06 00 7D"}, "off", None, 0.0),
    ("dc_load", {"DC_LOAD_STATUS": "09 FF 50 FF FF 06 00 7D"}, "40 %", None, 0.4),
    ("dc_input", {"DIGITAL_INPUT_STATUS": "15 01 FD 02 FF FF FF FF"}, "on", None, None),
    ("dc_input", {"DIGITAL_INPUT_STATUS": "15 00 FD 02 FF FF FF FF"}, "off", None, None),
    ("thermostat", {"THERMOSTAT_STATUS_1": "01 02 FF C0 24 FF FF FF"}, "wants 21.00 °C in the cabin", None, None),
    ("thermostat", {"THERMOSTAT_STATUS_1": "01 00 FF C0 24 FF FF FF"}, "switched off", None, None),
    ("thermostat", {"THERMOSTAT_STATUS_1": "01 02 FF FF FF FF FF FF"}, "set point no data", None, None),
    ("thermostat", {"THERMOSTAT_STATUS_1": "01 02 FF"}, "set point missing", None, None),
    ("thermostat", {"THERMOSTAT_STATUS_1": "01"}, "set point missing", None, None),
    ("ambient_sensor", {"THERMOSTAT_AMBIENT_STATUS": "01 C0 24 FF FF FF FF FF"}, "21.00 °C", None, None),
    ("ambient_sensor", {"THERMOSTAT_AMBIENT_STATUS": "01 FF FF FF FF FF FF FF"}, "no data", None, None),
    ("ambient_sensor", {"THERMOSTAT_AMBIENT_STATUS": "01 FE FF"}, "out of range", None, None),
    ("ambient_sensor", {"THERMOSTAT_AMBIENT_STATUS": "01"}, "missing", None, None),
    ("furnace", {"FURNACE_STATUS": "01 00 64 64 FF FF FF FF"}, "gives 50 % heat", None, 0.125),
    ("furnace", {"FURNACE_STATUS": "01 00 C8 00 FF FF FF FF"}, "gives no heat", None, 1.0),
    ("furnace", {"FURNACE_STATUS": "01 00 FA C8 FF FF FF FF"}, "gives 100 % heat", None, 1.0),
    ("furnace", {"FURNACE_STATUS": "01 00 FF FF FF FF FF FF"}, "heat no data", None, None),
    ("furnace", {"FURNACE_STATUS": "01 00 00"}, "heat missing", None, 0.0),
    ("water_heater", {"WATERHEATER_STATUS": "01 01 FF FF C0 24 F5 FF"}, "water 21.00 °C, burner lit", None, 1.0),
    ("water_heater", {"WATERHEATER_STATUS": "01 01 FF FF C0 24 F1 FF"}, "water 21.00 °C, burner out", None, 0.0),
    ("water_heater", {"WATERHEATER_STATUS": "01 00 FF FF C0 24 F1 FF"}, "water 21.00 °C, off", None, 0.0),
    ("water_heater", {"WATERHEATER_STATUS": "01 01 FF FF FF FF FF FF"}, "water no data, burner no data", None, None),
    ("water_heater", {"WATERHEATER_STATUS": "01 01"}, "water missing, burner missing", None, None),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 01 64 00 FF FF FF FF"}, "blows out at 50 %", None, 0.125),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 01 C8 01 FF FF FF FF"}, "blows in at 100 %", None, 1.0),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 01 FA FF FF FF FF FF"}, "blows at 125 %", None, 1.0),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 01 FF 00 FF FF FF FF"}, "blows out, speed no data", None, None),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 00 64 00 FF FF FF FF"}, "off", None, 0.0),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 FF 64 00 FF FF FF FF"}, "no data", None, None),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01 FE 64 00 FF FF FF FF"}, "error", None, None),
    ("roof_fan", {"ROOF_FAN_STATUS_1": "01"}, "missing", None, None),
    ("charger", {"CHARGER_STATUS": "01 10 01 68 7E FF 03 FF"}, "absorption, 13.6 V, gives 18.0 A", 18.0, None),
    ("charger", {"CHARGER_STATUS": "01 10 01 00 7D FF 00 FF"}, "does not charge, 13.6 V, gives 0.0 A", 0.0, None),
    ("charger", {"CHARGER_STATUS": "01 10 01 00 7D FF 01 FF"}, "does not charge, 13.6 V, gives 0.0 A", 0.0, None),
    ("charger", {"CHARGER_STATUS": "01 10 01 68 7E FF 09 FF"}, "state 9, 13.6 V, gives 18.0 A", 18.0, None),
    ("charger", {"CHARGER_STATUS": "01 FF FF FF FF FF FF FF"}, "state no data, no data, current no data", None, None),
    ("charger", {"CHARGER_STATUS": "01 10 01"}, "state missing, 13.6 V, current missing", None, None),
    ("charger", {"CHARGER_STATUS_2": "01 01 50 10 01 68 7E FF"}, "13.6 V, gives 18.0 A", 18.0, None),
    (
        "charger",
        {"CHARGER_STATUS": "01 00 01 00 7D FF 02 FF", "CHARGER_STATUS_2": "01 01 50 10 01 68 7E FF"},
        "bulk, 13.6 V, gives 18.0 A",
        18.0,
        None,
    ),
    (
        "solar_controller",
        {"SOLAR_CONTROLLER_STATUS": "01 10 01 68 7E FF 02 FF"},
        "bulk, 13.6 V, gives 18.0 A",
        18.0,
        None,
    ),
    (
        "solar_controller",
        {"SOLAR_CONTROLLER_STATUS": "01 10 01 FF FF FF 02 FF"},
        "bulk, 13.6 V, current no data",
        None,
        None,
    ),
    ("inverter", {"INVERTER_STATUS": "01 01 FF FF FF FF FF FF"}, "invert", None, None),
    (
        "inverter",
        {"INVERTER_STATUS": "01 02 FF FF FF FF FF FF", "INVERTER_DC_STATUS": "01 10 01 68 7E FF FF FF"},
        "AC pass-through, takes 18.0 A",
        None,
        None,
    ),
    (
        "air_conditioner",
        {"AIR_CONDITIONER_STATUS": "01 01 C8 C8 64 C8 FF FF"},
        "cools with 100 %, fan 50 %",
        None,
        None,
    ),
    ("air_conditioner", {"AIR_CONDITIONER_STATUS": "01 01 C8 C8 00 00 FF FF"}, "does not cool", None, None),
    ("air_conditioner", {"AIR_CONDITIONER_STATUS": "01 01 C8 C8 64 00 FF FF"}, "does not cool, fan 50 %", None, None),
    ("generator", {"GENERATOR_STATUS_1": "03 FF FF FF FF 64 FF FF"}, "running, load 50 %", None, None),
    ("generator", {"GENERATOR_STATUS_1": "00 FF FF FF FF FF FF FF"}, "stopped, load no data", None, None),
    ("dc_disconnect", {"DC_DISCONNECT_STATUS": "01 FD FF FF FF FF FF FF"}, "connected", None, None),
    ("dc_disconnect", {"DC_DISCONNECT_STATUS": "01 FC FF FF FF FF FF FF"}, "disconnected", None, None),
    ("water_pump", {"WATER_PUMP_STATUS": "F5 FF FF FF FF FF FF FF"}, "running", None, 1.0),
    ("water_pump", {"WATER_PUMP_STATUS": "F1 FF FF FF FF FF FF FF"}, "not running", None, 0.0),
    ("water_pump", {"WATER_PUMP_STATUS": "F0 FF FF FF FF FF FF FF"}, "pump disabled", None, 0.0),
    (
        "dc_source",
        {"DC_SOURCE_STATUS_1": "01 78 10 01 00 94 35 77", "DC_SOURCE_STATUS_2": "01 78 FF FF A0 FF FF FF"},
        "battery 80 % full, 13.6 V",
        None,
        None,
    ),
    (
        "dc_source",
        {"DC_SOURCE_STATUS_1": "01 78 10 01 FF FF FF FF", "DC_SOURCE_STATUS_2": "01 78 FF FF FF FF FF FF"},
        "battery 13.6 V, charge no data",
        None,
        None,
    ),
    (
        "dc_source",
        {"DC_SOURCE_STATUS_1": "01 78 FF FF 00 94 35 77"},
        "battery no data, charge not received",
        None,
        None,
    ),
    ("tank", {"TANK_STATUS": "00 0F 14 FF FF FF FF FF"}, "75 % full", None, None),
    ("tank", {"TANK_STATUS": "00 00 14 FF FF FF FF FF"}, "0 % full", None, None),
    ("tank", {"TANK_STATUS": "00 FF 14 FF FF FF FF FF"}, "level no data", None, None),
    ("tank", {"TANK_STATUS": "00 05 FF FF FF FF FF FF"}, "level 5", None, None),
    ("tank", {"TANK_STATUS": "00 05 00 FF FF FF FF FF"}, "level 5", None, None),
    ("tank", {"TANK_STATUS": "00"}, "level missing", None, None),
    ("window_shade", {"WINDOW_SHADE_CONTROL_STATUS": "05 7D C8 14 FF 81 FF FF"}, "moves forward", None, None),
    ("window_shade", {"WINDOW_SHADE_CONTROL_STATUS": "05 7D C8 44 FF 41 FF FF"}, "moves back", None, None),
    ("window_shade", {"WINDOW_SHADE_CONTROL_STATUS": "05 7D 00 01 FF 21 FF FF"}, "stands, locked", None, None),
    ("window_shade", {"WINDOW_SHADE_CONTROL_STATUS": "05 7D 00 FF FF FF FF FF"}, "motor no data", None, None),
    ("window_shade", {"WINDOW_SHADE_CONTROL_STATUS": "05"}, "motor missing", None, None),
    ("lock", {"LOCK_STATUS": "01 FD FF FF FF FF FF FF"}, "locked", None, None),
    ("lock", {"LOCK_STATUS": "01 FF FF FF FF FF FF FF"}, "no data", None, None),
    ("awning", {"AWNING_STATUS": "01 FF FF FF 7F F1 FF FF"}, "light on, will not extend", None, None),
    ("awning", {"AWNING_STATUS": "01 FF FF FF 3F F0 FF FF"}, "light off", None, None),
    ("awning", {"AWNING_STATUS": "01"}, "light missing", None, None),
    ("circulation_pump", {"CIRCULATION_PUMP_STATUS": "01 F1 FF FF FF FF FF FF"}, "runs", None, 1.0),
    ("circulation_pump", {"CIRCULATION_PUMP_STATUS": "01 F0 FF FF FF FF FF FF"}, "off", None, 0.0),
    ("circulation_pump", {"CIRCULATION_PUMP_STATUS": "01 F5 FF FF FF FF FF FF"}, "test", None, None),
    ("circulation_pump", {"CIRCULATION_PUMP_STATUS": "01 FF FF FF FF FF FF FF"}, "no data", None, None),
    ("circulation_pump", {"CIRCULATION_PUMP_STATUS": "01"}, "missing", None, None),
]


@pytest.mark.parametrize(("function", "frames", "sentence", "gives", "effort"), SAID)
def test_a_function_says_in_words_what_its_bytes_say(says, function, frames, sentence, gives, effort):
    """Sentence, current given and effort; what has no value is said to have none, and never passes for off or zero.

    A fan's effort is the third power of its speed (fan laws): half the speed takes an eighth.
    """
    words = says(function, **frames)
    assert (words.sentence, words.output_amps, words.load_fraction) == (sentence, gives, effort)


RAILS = [
    (
        "thermostat",
        {"THERMOSTAT_STATUS_1": "01 02 FF C0 24 FF FF FF"},
        [("set point", "THERMOSTAT_STATUS_1", "set_point_temperature_heat", "21.00 °C", 5.0, 30.0)],
    ),
    (
        "thermostat",
        {"THERMOSTAT_STATUS_1": "01 00 FF C0 24 FF FF FF"},
        [("set point", "THERMOSTAT_STATUS_1", "set_point_temperature_heat", "21.00 °C", 5.0, 30.0)],
    ),
    (
        "ambient_sensor",
        {"THERMOSTAT_AMBIENT_STATUS": "01 FF FF FF FF FF FF FF"},
        [("air", "THERMOSTAT_AMBIENT_STATUS", "ambient_temperature", "no data", -30.0, 50.0)],
    ),
    (
        "furnace",
        {"FURNACE_STATUS": "01 00 C8 64 FF FF FF FF"},
        [
            ("heat", "FURNACE_STATUS", "heat_output_level", "50 %", 0.0, 100.0),
            ("its fan", "FURNACE_STATUS", "circulation_fan_speed", "100 %", 0.0, 100.0),
        ],
    ),
    (
        "water_heater",
        {"WATERHEATER_STATUS": "01 01 FF FF C0 24 F5 FF"},
        [("hot water", "WATERHEATER_STATUS", "water_temperature", "21.00 °C", 0.0, 80.0)],
    ),
    (
        "roof_fan",
        {"ROOF_FAN_STATUS_1": "01 01 64 00 FF FF FF FF"},
        [("its speed", "ROOF_FAN_STATUS_1", "fan_speed_setting", "50 %", 0.0, 100.0)],
    ),
    (
        "roof_fan",
        {"ROOF_FAN_STATUS_1": "01 00 64 00 FF FF FF FF"},
        [("its speed", "ROOF_FAN_STATUS_1", "fan_speed_setting", "50 %", 0.0, 100.0)],
    ),
    (
        "roof_fan",
        {"ROOF_FAN_STATUS_1": "01 FF 64 00 FF FF FF FF"},
        [("its speed", "ROOF_FAN_STATUS_1", "fan_speed_setting", "50 %", 0.0, 100.0)],
    ),
    (
        "charger",
        {"CHARGER_STATUS": "01 10 01 68 7E FF 03 FF"},
        [
            ("voltage", "CHARGER_STATUS", "charge_voltage", "13.6 V", 10.0, 16.0),
            ("current", "CHARGER_STATUS", "charge_current", "18.0 A", 0.0, 60.0),
        ],
    ),
    (
        "charger",
        {"CHARGER_STATUS": "01 10 01 68 7E FF 03 FF", "CHARGER_STATUS_2": "01 01 50 10 01 00 7D FF"},
        [
            ("voltage", "CHARGER_STATUS_2", "charging_voltage", "13.6 V", 10.0, 16.0),
            ("current", "CHARGER_STATUS_2", "charging_current", "0.0 A", 0.0, 60.0),
        ],
    ),
    (
        "dc_source",
        {"DC_SOURCE_STATUS_1": "01 78 10 01 00 94 35 77", "DC_SOURCE_STATUS_2": "01 78 FF FF A0 FF FF FF"},
        [
            ("voltage", "DC_SOURCE_STATUS_1", "dc_voltage", "13.6 V", 10.0, 16.0),
            ("charge", "DC_SOURCE_STATUS_2", "state_of_charge", "80 %", 0.0, 100.0),
        ],
    ),
    (
        "dc_source",
        {"DC_SOURCE_STATUS_1": "01 78 10 01 00 94 35 77"},
        [("voltage", "DC_SOURCE_STATUS_1", "dc_voltage", "13.6 V", 10.0, 16.0)],
    ),
    ("tank", {"TANK_STATUS": "00 0F 14 FF FF FF FF FF"}, [("level", "TANK_STATUS", "relative_level", "15", 0.0, 20.0)]),
    ("tank", {"TANK_STATUS": "00 0F FF FF FF FF FF FF"}, []),
    ("circulation_pump", {"CIRCULATION_PUMP_STATUS": "01 F1 FF FF FF FF FF FF"}, []),
]


@pytest.mark.parametrize(("function", "frames", "expected"), RAILS)
def test_numbers_lie_on_rails(says, function, frames, expected):
    """Each function's numbers with the ends of their rails; a number without a value keeps its rail."""
    assert rails(says(function, **frames)) == expected


@pytest.mark.parametrize("function", sorted(FUNCTIONS))
def test_a_function_that_was_never_heard_says_nothing(says, function):
    """No words, no rails, no figures."""
    assert says(function) == Summary("")


@pytest.mark.parametrize(
    ("function", "frames", "sentence"),
    [
        (
            "dc_source",
            {"DC_SOURCE_STATUS_2": "01 78 C0 24 A0 FF FF FF"},
            "source temperature 21.00 °C, state of charge",
        ),
        ("charger", {"DC_SOURCE_STATUS_2": "01 78 FF FF A0 FF FF FF"}, "state of charge 80 %"),
        ("thermostat", {"THERMOSTAT_AMBIENT_STATUS": "01 C0 24 FF FF FF FF FF"}, "ambient temperature 21.00 °C"),
        ("tank", {"CIRCULATION_PUMP_STATUS": "01 F5 FF FF FF FF FF FF"}, "output status command test"),
    ],
)
def test_what_its_words_are_not_made_for_is_listed(says, function, frames, sentence):
    """A function of which only other messages were heard lists what they hold."""
    assert says(function, **frames).sentence.startswith(sentence)


NEW = Function("step_light", "step light", (), ("FURNACE_STATUS",), (), Origin.UNSURE, "none")


def test_an_unknown_function_lists_its_fields(says):
    """Four values at most, in the order of the message, by their names; neither instance, priority nor no data."""
    assert says(NEW, FURNACE_STATUS="01 00 C8 64 FF 0A FF FF").sentence == (
        "operating mode automatic, heat source combustion, circulation fan speed 100 %, heat output level 50 %"
    )
    assert says(NEW, DC_SOURCE_STATUS_1="01 78 10 01 FF FF FF FF").sentence == "dc voltage 13.6 V"
    assert says(NEW, CHARGER_STATUS_2="01 02 50 FF FF FF FF 3C").sentence == "charger temperature 20 °C"


def test_a_pump_with_a_field_for_its_output_is_believed_before_its_command():
    """In a user's definition the pump's status may stand apart from what it was told."""
    told = {
        name: Reading(FieldSpec(name, 0, 4), raw, State.VALUE)
        for name, raw in (("output_status_command", 0), ("output_status", 1))
    }
    words = summary(FUNCTIONS["circulation_pump"], {"CIRCULATION_PUMP_STATUS": told}, {})
    assert words == Summary("runs", load_fraction=1.0, origin=Origin.USER)


# How sure it is.

P, M, U = Origin.PUBLISHED, Origin.MEMORY, Origin.UNSURE


def graded(name: str, raw: int, layout: Origin, codes: Origin = P, labels: dict[int, str] | None = None) -> Reading:
    """A reading of a field that is published but for what is given."""
    return Reading(FieldSpec(name, 0, 8, labels=labels or {}, grades=Grades(P, layout, codes)), raw, State.VALUE)


@pytest.mark.parametrize(
    ("readings", "number", "expected"),
    [
        ([graded("charge_voltage", 130, P), graded("charge_current", 9, P)], P, P),
        ([graded("charge_voltage", 130, M), graded("charge_current", 9, P)], P, M),
        ([graded("charge_voltage", 130, P), graded("charge_current", 9, P)], U, U),
        # 3 has a name, which is as sure as the codes; a word for 0 rests on the codes too, though 0 has no name here
        ([graded("charge_current", 9, P), graded("operating_state", 3, P, M, {3: "absorption"})], P, M),
        ([graded("charge_current", 9, P), graded("operating_state", 0, P, U, {3: "absorption"})], P, U),
        # a number rests on no code
        ([graded("charge_voltage", 130, P, U), graded("charge_current", 9, P)], P, P),
        # the message has a field that is less sure, and the sentence does not speak of it
        ([graded("charge_current", 9, P), graded("default_state_on_power_up", 1, U)], P, P),
    ],
)
def test_a_sentence_is_as_sure_as_its_weakest_part(readings, number, expected):
    """Numbers rest on layouts, words on codes, and all on the number of the message."""
    said = {"CHARGER_STATUS": {reading.field.name: reading for reading in readings}}
    assert summary(FUNCTIONS["charger"], said, {"CHARGER_STATUS": number}).origin is expected


def test_a_rail_is_as_sure_as_its_number():
    """It stands beside the sentence and has a grade of its own."""
    said = {"THERMOSTAT_STATUS_1": {
        "operating_mode": graded("operating_mode", 0, P, P, {0: "off"}),
        "set_point_temperature_heat": graded("set_point_temperature_heat", 9, M),
    }}  # fmt: skip
    words = summary(FUNCTIONS["thermostat"], said, {"THERMOSTAT_STATUS_1": P})
    assert (words.sentence, words.origin, [rail.origin for rail in words.rails]) == ("switched off", P, [M])
    (rail,) = summary(FUNCTIONS["thermostat"], said, {"THERMOSTAT_STATUS_1": U}).rails
    assert rail.origin is U
