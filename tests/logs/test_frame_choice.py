"""Which frames of a log a watch is given in columns: one log for each need, each with the flag that it is about."""

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.flag import FlagKind
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US

NAME = "8000000000000001"
TANKS = {"name": "tanks", "address": 0x72, "functions": {"tank": [0, 1, 2]}}
SENSOR = {"name": "sensor", "address": 0x91, "functions": {"ambient_sensor": 1}}
HEATER = {"name": "heater", "address": 0x5E, "functions": {"furnace": 1}}
FAN = {"name": "fan", "address": 0x90, "functions": {"roof_fan": 1}}
BUSY = {"name": "monitor", "address": 0x22, "functions": {"dc_source": 9}}
OWN_MESSAGE = """VERSION "1"

BO_ 2566852862 PUMP_CONTROLLER_STATUS: 3 Maker
 SG_ level : 0|8@1+ (0.5,0) [0|125] "%" Maker
 SG_ pressure : 8|16@1+ (1,0) [0|65530] "Pa" Maker
"""
DC_VOLTS, CELSIUS = 20, 32
"""Raw steps of a volt, and of a degree Celsius, in fields of 16 bits."""


def charge(bench, seconds, step, voltage):
    """Add what a charger says of its current, of some 10 A, and of its voltage (raw)."""
    instances = {"charger_instance": 1, "dc_source_instance": 1}
    current = 32000 + 200 + step % 5
    bench.say(seconds, "CHARGER_STATUS_2", 0x4A, **instances, charging_voltage=voltage, charging_current=current)


@pytest.fixture
def bench(hand_made):
    """Return an empty log."""
    return hand_made()


@pytest.fixture
def flags(bench, survey_both):
    """Survey the log frame by frame and in columns, which must find the same; return the flags by kind."""

    def survey(*devices, most_examined=0.5, is_busy=True, sizes=(65_536, 100), **tables):
        rig = (
            Rig.model_validate({"schema": 1, "name": "test", "title": "Test", "device": [*devices, BUSY], **tables})
            if devices
            else None
        )
        if is_busy:
            bench.keep_busy(int(max(bench.frames).time / SECOND_US))
        found, examined = survey_both(bench, rig, sizes)
        share = len(examined) / len(bench.frames)
        assert share <= most_examined, "the watch was given nearly every frame, so this tests nothing"
        kinds = {}
        for flag in found.flags:
            kinds.setdefault(flag.kind, []).append(flag)
        return kinds

    return survey


def test_a_changed_frame_binds_a_device_while_its_sender_is_in_question(bench, flags):
    """A device known by its NAME and address alone is silent: new data from its address bind it, the same do not."""
    bench.claim(1, 0x31)
    for second in range(2, 40):
        bench.say(second, "DATE_TIME_STATUS", 0x31, hour=second % 24)
    for step in range(1000):
        bench.say(2 + step / 5, "VEHICLE_ENVIRONMENT_STATUS", 0x30, ambient_light_level=50 + step // 50)
    found = flags({"name": "lights", "address": 0x30, "claimed_name": NAME})
    (flag,) = found[FlagKind.SILENT_DEVICE]
    assert flag.until == 62 * SECOND_US


def test_every_instance_counts_towards_the_end_of_a_length_flag(bench, flags):
    """One short frame of one instance; three frames of another one with new data end the flag."""
    for step in range(400):
        bench.say(step / 2, "TANK_STATUS", 0x72, instance=0, relative_level=20 + step % 5, resolution=100)
    for step in range(100):
        bench.say(step / 2 + 0.1, "TANK_STATUS", 0x72, instance=1, relative_level=20 + step % 5, resolution=100)
    bench.say(51, "TANK_STATUS", 0x72, length=2, instance=1, relative_level=20, resolution=100)
    found = flags(TANKS)
    (flag,) = found[FlagKind.WRONG_LENGTH]
    assert flag.until is not None
    assert flag.until < 54 * SECOND_US


def test_little_is_examined_while_a_length_is_wrong(bench, flags):
    """A charger's frames are too short for 46 minutes, its voltage changes with most of them; then they are right."""
    for step in range(6000):
        length = 3 if 200 < step < 5700 else 8
        bench.say(step / 2, "CHARGER_STATUS", 0x4A, length, charger_instance=1, charge_voltage=270 + step % 7)
    found = flags(most_examined=0.01)
    (flag,) = found[FlagKind.WRONG_LENGTH]
    assert flag.until == 2851 * SECOND_US


@pytest.mark.parametrize("short_from", [80, 100])
def test_a_short_frame_breaks_a_row_of_right_ones_though_it_repeats(bench, flags, short_from):
    """One instance is too short, with the same data; twice as often another one is right, with new data or not. A third
    one repeats its data from before.
    """
    for step in range(800):
        length = 2 if short_from <= step < 600 else 8
        bench.say(step / 2, "TANK_STATUS", 0x72, length, instance=0, relative_level=20, resolution=100)
        for part in range(2):
            level = 20 if step % 100 < 50 else 2 * step + part
            bench.say(step / 2 + 0.1 + part / 10, "TANK_STATUS", 0x72, instance=1, relative_level=level % 99)
        bench.say(step / 2 + 0.3, "TANK_STATUS", 0x72, instance=2, relative_level=30)
    (flag,) = flags(TANKS, most_examined=0.9)[FlagKind.WRONG_LENGTH]
    assert flag.since == short_from / 2 * SECOND_US
    assert flag.until == 300 * SECOND_US


def test_bytes_behind_a_message_end_with_the_first_frame_without_them(bench, flags, tmp_path):
    """A message of three bytes is sent with a fourth for a time; the numbers of its flag are those of its frames."""
    own = tmp_path / "own.dbc"
    own.write_text(OWN_MESSAGE)
    bench.catalogue = load_catalogue([own], tmp_path)
    for step in range(1200):
        behind = b"\x07" if 200 <= step < 400 else b"\xff"
        bench.say(step / 2, "PUMP_CONTROLLER_STATUS", 0x31, behind=behind, level=step % 3, pressure=1000)
    (flag,) = flags(most_examined=0.5)[FlagKind.WRONG_LENGTH]
    assert (flag.since, flag.until) == (100 * SECOND_US, 201 * SECOND_US)


def test_a_lost_reading_is_reported_with_its_last_value(bench, flags):
    """The value before "no data" is in a frame that was passed over; the flag still names it."""
    for step in range(400):
        raw = 0xFFFF if step > 350 else (273 + 20) * CELSIUS + step
        bench.say(step, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=raw)
    found = flags(SENSOR)
    assert FlagKind.NO_DATA in found


def test_two_alternating_values_are_found_behind_others(bench, flags):
    """A temperature that drifts, and then is that of two units in turn."""
    for step in range(400):
        away = 40 * CELSIUS * (step % 2) if 300 < step < 330 else 0
        raw = (273 + 5) * CELSIUS + step + away
        bench.say(step, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=raw)
    found = flags(SENSOR)
    assert any("in turn" in flag.text for flag in found[FlagKind.SHARED_ADDRESS])


def test_a_value_that_rests_while_its_neighbour_moves_is_found(bench, flags):
    """An air temperature that changes, and then is constant while the furnace heats more and more."""
    for step in range(1100):
        raw = (273 + 20) * CELSIUS + min(step, 200) + step // 1000
        bench.say(2 * step, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=raw)
        level = 100 + (step % 3) + (step - 400) // 20 * (step > 400)
        bench.say(2 * step + 0.5, "FURNACE_STATUS", 0x5E, instance=1, heat_output_level=min(200, level))
    found = flags(SENSOR, HEATER)
    (flag,) = found[FlagKind.STUCK_VALUE]
    assert flag.until == 2000 * SECOND_US


@pytest.mark.parametrize(("senders", "moves"), [(1, "charger"), (1, "monitor"), (2, "charger"), (1, "both")])
def test_voltages_that_differ_for_some_time_are_found(bench, flags, senders, moves):
    """A charger's voltage or that of its battery drifts away and comes back; one battery monitor, or two."""
    for step in range(900):
        away = 3 * DC_VOLTS if 300 < step < 400 or 600 < step < 603 else step // 30
        charger, monitor = (away, 0) if moves == "charger" else (0, away)
        if moves == "both":
            charger, monitor = -min(step // 10, 30), DC_VOLTS if 400 < step < 500 else 0
        bench.say(
            step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, device_priority=100, dc_voltage=260 + step % 3 + monitor
        )
        if senders > 1:
            bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x47, instance=1, device_priority=90, dc_voltage=261 + step % 4)
        charge(bench, step / 2 + 0.1, step, 262 + step % 4 + charger)
    assert any(" V" in flag.text for flag in flags(most_examined=senders / 2)[FlagKind.BAD_VALUE])


@pytest.mark.parametrize("priority", [90, 110])
@pytest.mark.parametrize(
    ("first_away", "spans"),
    [
        (300, [(0, 2)]),
        (300, [(0, 290)]),
        (300, [(0, 350)]),
        (300, [(0, 296), (420, 424)]),
        (0, [(0, 40)]),
        (300, [(500, 900)]),
        (300, [(0, 0)]),
    ],
)
def test_a_second_monitor_that_is_silent_is_not_compared(bench, flags, priority, first_away, spans):
    """A second monitor, which is right, sends a battery's voltage for a time only; the first one drifts."""
    for step in range(1800):
        seconds = step / 2 + 1.5 * (step // 400)
        away = 3 * DC_VOLTS if first_away <= step < 700 or 800 < step < 830 else step // 90
        bench.say(
            seconds, "DC_SOURCE_STATUS_1", 0x46, instance=1, device_priority=100, dc_voltage=260 + step % 3 + away
        )
        if any(start <= step < end for start, end in spans):
            bench.say(
                seconds, "DC_SOURCE_STATUS_1", 0x47, instance=1, device_priority=priority, dc_voltage=261 + step % 4
            )
        charge(bench, seconds + 0.1, step, 262 + step % 4)
    longest = max(end - start for start, end in spans)
    found = flags(most_examined=0.2 if longest < 50 else 1, sizes=(65_536, 1000, 100))
    assert any(" V" in flag.text for flag in found[FlagKind.BAD_VALUE])


def test_voltages_are_compared_in_columns_across_silences(bench, flags):
    """The bus is silent for more than a second every five, once for three; the voltages differ for a time."""
    for step in range(2000):
        seconds = step / 4 + 1.2 * (step // 20) + 3 * (step > 1000)
        away = 3 * DC_VOLTS if 900 < step < 1100 else step % 3
        bench.say(
            seconds, "DC_SOURCE_STATUS_1", 0x46, instance=1, device_priority=100, dc_voltage=260 + away, dc_current=step
        )
        charge(bench, seconds + 0.1, step, 262 + step % 4)
    found = flags(most_examined=0.3, is_busy=False)
    assert any(" V" in flag.text for flag in found[FlagKind.BAD_VALUE])


def test_little_is_examined_while_a_value_is_reported_as_stuck(bench, flags):
    """A charger's voltage is constant, its current is not, and that of the battery rises and falls, until it ends."""
    for step in range(6000):
        moved = abs(step % 600 - 300) if step < 2400 else step - 2400
        volts = 270 if 200 < step < 5700 else 271
        bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, device_priority=100, dc_voltage=200 + moved // 10)
        bench.say(
            step / 2 + 0.1,
            "CHARGER_STATUS",
            0x4A,
            charger_instance=1,
            charge_voltage=volts,
            charge_current=32000 + step % 7,
        )
    found = flags(most_examined=0.1)
    (flag,) = found[FlagKind.STUCK_VALUE]
    assert flag.since < 1000 * SECOND_US
    assert flag.until == 2850.1 * SECOND_US


@pytest.mark.parametrize("dip", [3400, 3401, 3420, 3450])
def test_an_impossible_value_is_no_movement_of_a_neighbour(bench, flags, dip):
    """A battery's voltage rises where no battery is, which does not count; back at rest it moves in one frame only."""
    for step in range(6000):
        volts = 5000 + step // 4 if 500 < step < 3400 else 264 if step == dip else 250 + step % 2
        bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, device_priority=100, dc_voltage=volts)
        bench.say(step / 2 + 0.1, "CHARGER_STATUS", 0x4A, charger_instance=1, charge_voltage=270)
    found = flags(most_examined=0.01, sizes=(1000, 65_536, 100))
    assert FlagKind.STUCK_VALUE in found


def test_the_range_of_a_neighbour_counts_in_bus_time(bench, flags):
    """The bus is silent soon after a value came to rest: a minute of bus time later its neighbour moves in a range that
    it left before.
    """
    for step in range(2400):
        seconds = step / 2 + 100 * (step > 620)
        bench.say(
            seconds, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=9000 + min(step, 600) // 2
        )
        rising = (step - 900) // 20 if step > 900 else 0
        level = 140 if 640 < step < 700 else 100 + min(rising, 12)
        bench.say(seconds + 0.1, "FURNACE_STATUS", 0x5E, instance=1, heat_output_level=level)
    assert FlagKind.STUCK_VALUE in flags(SENSOR, HEATER, is_busy=False, sizes=(65_536, 1260))


def test_a_low_voltage_is_found_with_its_figures_of_the_end(bench, flags):
    """A battery falls from 12.5 V to 10.4 V and rises again; the flag tells each value from 11 V down and up."""
    for step in range(1200):
        volts = 250 - step // 25 if step < 1000 else 210 + (step - 1000) // 8
        bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=volts, dc_current=2_000_000_000 + step)
    shunt = {"name": "shunt", "address": 0x46, "functions": {"dc_source": 1}}
    (flag,) = flags(HEATER, shunt, most_examined=0.3)[FlagKind.LOW_VOLTAGE]
    assert "11.0 V" not in flag.text
    assert flag.until is not None


def test_a_dip_that_is_too_short_is_passed_over(bench, flags):
    """Voltages that are low for 9 s twice, and for 11 s once."""
    for step in range(1200):
        low = 200 <= step < 218 or 300 <= step < 318 or 400 <= step < 422
        volts = (210 if low else 250) + step % 3
        bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=volts, dc_current=2_000_000_000 + step)
    (flag,) = flags(most_examined=0.1)[FlagKind.LOW_VOLTAGE]
    assert flag.since == 210 * SECOND_US


def test_a_cold_bay_is_found_when_its_tank_is_filled(bench, flags):
    """The bay is at -8 C all the time; water comes into the tank in between, and goes again."""
    sensor = {**SENSOR, "zone": "bay"}
    for step in range(600):
        raw = (273 - 8) * CELSIUS + step % 7
        bench.say(step, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=raw)
        level = 20 + step % 3 if 200 <= step < 400 else 0
        bench.say(step + 0.5, "TANK_STATUS", 0x72, instance=0, relative_level=level, resolution=100 + step % 2)
    tables = {"zone": [{"name": "bay"}], "fresh_tank": {"zone": "bay"}}
    (flag,) = flags(sensor, TANKS, most_examined=0.6, **tables)[FlagKind.FREEZE_RISK]
    assert (flag.since, flag.until) == (260.5 * SECOND_US, 400.5 * SECOND_US)


def test_cold_fuel_is_found(bench, flags):
    """It gets colder outdoors, from 5 C to -5 C: diesel of grade B is at risk below -4 C."""
    sensor = {**SENSOR, "zone": "outdoors"}
    for step in range(700):
        raw = (273 + 5) * CELSIUS - step // 2
        bench.say(step, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=raw)
    (flag,) = flags(sensor, HEATER, most_examined=0.2, fuel={"grade": "B"})[FlagKind.FREEZE_RISK]
    assert (flag.subject, flag.since) == ("heater", (2 * (9 * CELSIUS + 1) + 60) * SECOND_US)


def test_a_charge_of_a_frozen_battery_is_found(bench, flags):
    """The lithium battery is below 0 C from 300 to 350 s, and charged with little more than 1 A from 320 s on."""
    for step in range(1000):
        amps = 2_000_000_000 - (1500 if step >= 640 else 500) + step % 5
        bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=260, dc_current=amps)
        raw = (273 + (-1 if 600 <= step < 700 else 4)) * CELSIUS + step % 9
        bench.say(step / 2 + 0.1, "DC_SOURCE_STATUS_2", 0x46, instance=1, source_temperature=raw)
        bench.say(step / 2 + 0.2, "DC_SOURCE_STATUS_4", 0x46, instance=1, battery_type=3, desired_dc_voltage=step % 2)
    (flag,) = flags(most_examined=0.2)[FlagKind.FREEZE_RISK]
    assert (flag.since, flag.until) == (330 * SECOND_US, 350.1 * SECOND_US)


def test_a_charge_that_rises_with_a_current_out_is_found(bench, flags):
    """The charge rises by a step each 20 s while current flows out, in a log in which both change all the time."""
    for step in range(1000):
        away = 8000 if 400 <= step < 700 else -8000
        if step >= 200:
            bench.say(
                step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=250, dc_current=2_000_000_000 + away + step
            )
        raw = 5 * CELSIUS + step
        bench.say(step / 2 + 0.1, "DC_SOURCE_STATUS_2", 0x46, instance=1, state_of_charge=100 + step // 40,
                  source_temperature=273 * CELSIUS + raw)  # fmt: skip
    (flag,) = [flag for flag in flags(most_examined=0.2)[FlagKind.BAD_VALUE] if "charge" in flag.text]
    assert flag.until == 350 * SECOND_US


def test_voltages_may_differ_by_what_a_wire_loses(bench, flags):
    """A charger of 20 A behind 20 mOhm: up to 0.9 V may lie between it and its battery."""
    charger = {"name": "charger", "address": 0x4A, "functions": {"charger": 1}, "amps": {"charger": [0, 20]},
               "branch": "galley"}  # fmt: skip
    for step in range(1000):
        away = 17 if 200 <= step < 400 else 19 if 600 <= step < 700 else step % 4
        bench.say(step / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=260, dc_current=2_000_000_000 + step)
        bench.say(step / 2 + 0.1, "CHARGER_STATUS_2", 0x4A, charger_instance=1, dc_source_instance=1,
                  charging_voltage=260 + away, charging_current=32_400 + step % 3)  # fmt: skip
    shunt = {"name": "shunt", "address": 0x46, "functions": {"dc_source": 1}}
    (flag,) = flags(charger, shunt, most_examined=0.2, branch=[{"name": "galley", "wire": {"milliohm": 20.0}}])[
        FlagKind.BAD_VALUE
    ]
    assert flag.since == 310.1 * SECOND_US


@pytest.mark.parametrize("celsius", [-5.0, 10.0, 21.5])
def test_air_that_wavers_at_a_round_figure_is_passed_over(bench, flags, celsius):
    """Outdoors it rests there, and its sensor wavers by a bit; the cabin's sensor follows by more."""
    raw = round((celsius + 273) * CELSIUS)
    for step in range(1500):
        for source, instance, more in ((0x92, 2, step % 2), (0x91, 1, step // 20 % 5)):
            air = {"ambient_temperature": raw + more}
            bench.say(2 * step + 0.3, "THERMOSTAT_AMBIENT_STATUS", source, instance=instance, **air)
    outdoors = {"name": "outdoors", "address": 0x92, "functions": {"ambient_sensor": 2}, "zone": "outdoors"}
    assert flags({**SENSOR, "zone": "cabin"}, outdoors, most_examined=0.05) == {}


def test_a_value_that_is_no_measurement_is_found(bench, flags):
    """Water is warm, and reads 85.0 °C once, which its limits allow; it seems to cool down slowly from there."""
    cooling = {300: 85, **{300 + step: 84 - step for step in range(1, 44)}}
    for step in range(600):
        raw = (cooling.get(step, 40) + 273) * CELSIUS + (step % 3 if not 298 < step < 346 else 0)
        bench.say(2 * step + 0.3, "WATERHEATER_STATUS", 0x5E, instance=1, water_temperature=raw)
    (found,) = flags(most_examined=0.2)[FlagKind.BAD_VALUE]
    assert (found.since, found.until) == (600.3 * SECOND_US, 602.3 * SECOND_US)


def test_a_value_beyond_the_limit_of_a_rig_is_found(bench, flags):
    """A limit of the rig, passed by one raw step, and kept again."""
    sensor = {**SENSOR, "limits": {"ambient_temperature": [-10, 30]}}
    for step in range(400):
        over = 1 if step in (333, 334) else 0 if step > 330 else -(330 - step)
        raw = (273 + 30) * CELSIUS + over
        bench.say(step, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=raw)
    found = flags(sensor)
    (flag,) = found[FlagKind.BAD_VALUE]
    assert flag.since == 333 * SECOND_US


def test_a_status_that_does_not_follow_its_command_is_found(bench, flags):
    """A command to a fan whose status changes in another field, and once more with an answer."""
    for step in range(500):
        speed, degrees = 150 if step > 350 else 100, (273 + 20) * CELSIUS + step % 40
        bench.say(
            step,
            "ROOF_FAN_STATUS_1",
            0x90,
            instance=1,
            system_status=1,
            fan_speed_setting=speed,
            ambient_temperature=degrees,
        )
    bench.say(100.5, "ROOF_FAN_COMMAND_1", 0x44, instance=1, fan_speed_setting=150)
    found = flags(FAN)
    (flag,) = found[FlagKind.IGNORED_COMMAND]
    assert flag.until == 351 * SECOND_US


def test_a_gap_is_found_between_frames_that_are_passed_over(bench, flags):
    """A message with new data in every frame pauses for longer than its limit."""
    for step in range(400):
        if not 200 < step < 220:
            bench.say(step, "FURNACE_STATUS", 0x5E, instance=1, heat_output_level=step % 5)
    for step in range(100):
        bench.say(4 * step, "DM_RV", 0x5E, dsa=0x5E, spn=0x7FFFF, fmi=0x1F)
    assert {FlagKind.LATE_MESSAGE, FlagKind.SILENT_DEVICE} & set(flags(HEATER))


def test_another_function_is_found_when_it_starts_late(bench, flags):
    """An address sends as a furnace, and after five minutes as tanks too: two units."""
    for step in range(1800):
        seconds = step / 3
        bench.say(seconds, "FURNACE_STATUS", 0x5E, instance=1, heat_output_level=50 + step % 7)
        if seconds > 300:
            bench.say(seconds + 0.1, "TANK_STATUS", 0x5E, instance=0, relative_level=20 + step % 5, resolution=100)
    for step in range(120):
        bench.say(5 * step, "DM_RV", 0x5E, dsa=94, spn=0x7FFFF, fmi=0x1F)
        if step > 60:
            bench.say(5 * step + 0.2, "DM_RV", 0x5E, dsa=72, spn=0x7FFFF, fmi=0x1F)
    (flag,) = flags()[FlagKind.SHARED_ADDRESS]
    assert flag.since == 340 * SECOND_US


@pytest.mark.parametrize("end", ["moves", "falls silent"])
def test_a_second_sender_is_looked_for_again_when_an_address_conflict_has_ended(bench, flags, end):
    """Two units claim one address, until one moves or nothing comes from there; later a second one sends unclaimed."""
    bench.claim(0, 0x5E)
    bench.claim(100, 0x5E, "8000000000000002")
    for step in range(300):
        seconds = 1 + 5 * step
        if end == "moves" or not 300 < seconds < 350:
            bench.say(seconds, "FURNACE_STATUS", 0x5E, instance=1)
        if seconds > 900:
            bench.say(seconds + 1.5, "FURNACE_STATUS", 0x5E, instance=1)
    if end == "moves":
        bench.claim(300, 0x70, "8000000000000002")
    bench.keep_busy(1500)
    conflict, second = flags(is_busy=False)[FlagKind.SHARED_ADDRESS]
    assert (conflict.since, conflict.until) == (102 * SECOND_US, (300 if end == "moves" else 311) * SECOND_US)
    assert second.since == 940 * SECOND_US


def test_a_device_that_loses_its_messages_is_found_silent_in_time(bench, flags):
    """A status shows that the unit which a heartbeat identified is another one: the device is silent 15 s later."""
    for step in range(120):
        bench.say(5 * step, "DM_RV", 0x91, dsa=88, spn=0x7FFFF, fmi=0x1F)
    bench.say(202, "THERMOSTAT_STATUS_1", 0x91, instance=2, operating_mode=1)
    found = flags({"name": "panel", "address": 0x91, "functions": {"thermostat": 1}})
    late = [flag for kind in found for flag in found[kind] if flag.subject == "panel"]
    assert [flag.since for flag in late] == [217 * SECOND_US]
