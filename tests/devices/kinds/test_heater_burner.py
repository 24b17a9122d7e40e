"""The heater's burner on the bench: sequence, current, fuel, its own faults, and those that a scenario gives it."""

import pytest

from rvsim.devices.combustion.burner_device import BurnerDevice

FURNACE, WATER, HEARTBEAT, DM1 = 0x1FFE4, 0x1FFF7, 0x1FECA, 0x0FECA
FURNACE_COMMAND, WATER_COMMAND = 0x19FFE344, 0x19FFF644
FULL, OFF = "01 FC C8 C8 FF FF FF FF", "01 FC 00 00 FF FF FF FF"


@pytest.fixture
def heater(alone):
    """Put a heater with full heat commanded at 3 s on a bench: ``heater(**more)``."""

    def put(vehicle=None, settings=None, outdoor_c=-6.0, plan=None):
        one = alone(
            "heater",
            furnace=1,
            water_heater=1,
            vehicle=vehicle or {},
            settings=settings or {},
            outdoor_c=outdoor_c,
            plan=plan,
        )
        one.until(3).put(FURNACE_COMMAND, FULL)
        return one

    return put


def burner_of(one):
    """Its burner."""
    return one.bench.devices[0].burner


def signals(one):
    """Failure to ignite, DC power failure and warning, high limit: the last that were sent."""
    *_, sixth, seventh = (int(byte, 16) for byte in one.last(WATER).split())
    return {
        "limit": sixth >> 6 & 3,
        "no_flame": seventh & 3,
        "dc_failure": seventh >> 4 & 3,
        "dc_warning": seventh >> 6 & 3,
    }


def heartbeat(one):
    """The last heartbeat of the furnace: lamps and status, SPN, FMI."""
    data = bytes.fromhex(next(data for _, data in reversed(one.of(HEARTBEAT)) if data.split()[1] == "5E"))
    return {
        "active": data[0] >> 2 & 3,
        "red": data[0] >> 6 & 3,
        "spn": data[2] << 11 | data[3] << 3 | data[4] >> 5,
        "fmi": data[4] & 31,
    }


def test_a_start_by_current_fuel_and_heat(heater):
    """Purge, glow at 20 A, fuel at part load without heat, flame some 60 s after the command, full after 150 s."""
    one = heater()
    amps = {second: one.until(second).world.battery_amps for second in (5, 20, 50)}
    assert amps == pytest.approx({5: 0.1 + 1.0 + 1.3, 20: 0.1 + 1.0 + 20.0, 50: 21.1}, abs=0.01)
    assert one.world.fuel_litres_per_h == 0
    one.until(57)
    assert one.world.fuel_litres_per_h == pytest.approx(0.3 * 0.591, rel=0.01)  # 5 kW / (0.85 x 35.81 MJ/l)
    assert one.world.heat_account().burner_j == 0
    assert one.until(68).world.heat_account().burner_j > 0
    assert burner_of(one).output == pytest.approx(0.3)
    assert one.until(93).world.fuel_litres_per_h == pytest.approx(0.3 * 0.591, rel=0.02)
    assert one.until(160).world.fuel_litres_per_h == pytest.approx(0.591, rel=0.01)


def test_the_after_run_keeps_fan_and_pump(heater):
    """Some 130 s after it was switched off, with a clean glow of 30 s."""
    one = heater().until(200).put(FURNACE_COMMAND, OFF)
    amps = {second: one.until(second).world.battery_amps for second in (210, 240, 325, 340)}
    assert amps == pytest.approx({210: 0.1 + 1.0 + 20.0, 240: 0.1 + 1.0 + 1.3, 325: 2.4, 340: 0.1}, abs=0.01)
    assert one.world.fuel_litres_per_h == 0


def test_coolant_stays_between_its_points(heater):
    """Low at 75 degC, pause at 85, again at 60: a small heat demand makes it pause, and it starts again seldom."""
    one = heater(vehicle={"coolant": {"start_c": 60.0}}).put(FURNACE_COMMAND, "01 FC 28 28 FF FF FF FF")
    starts, temperatures = burner_of(one).starts, []
    for second in range(400, 7200, 20):
        temperatures.append(one.until(second).world.coolant_c)
    assert 84.5 < max(temperatures) < 87
    assert 45 < min(temperatures) < 61
    assert 2 <= burner_of(one).starts - starts <= 8


def test_output_falls_as_the_coolant_gets_hot(heater):
    """From full at 60 degC to the lowest at 75, in steps of 2 %."""
    one = heater(vehicle={"coolant": {"start_c": 60.0}})
    seen = set()
    for second in range(200, 900, 5):
        coolant, output = one.until(second).world.coolant_c, burner_of(one).output
        if output:
            seen.add(output)
            assert output == pytest.approx(min(1.0, max(0.3, (75 - coolant) / 15)), abs=0.04)
    assert len(seen) > 3


def test_two_heaters_do_what_two_do(alone):
    """Their burners add up, and one that stops takes only its own away."""
    first = {"name": "heater", "kind": "heater", "address": 0x80, "functions": {"furnace": 1, "water_heater": 1}}
    second = {"name": "other", "kind": "heater", "address": 0x81, "functions": {"furnace": 2, "water_heater": 2}}
    one = alone("heater", furnace=1, water_heater=1)
    two = alone("heater", furnace=1, water_heater=1, vehicle={"device": [first, second]})
    for each in (one, two):
        each.until(3).put(FURNACE_COMMAND, FULL).put(FURNACE_COMMAND, "02" + FULL[2:]).until(170)
    assert two.world.fuel_litres_per_h == pytest.approx(2 * one.world.fuel_litres_per_h)
    two.put(FURNACE_COMMAND, "02" + OFF[2:]).until(180)
    assert two.world.fuel_litres_per_h == pytest.approx(one.world.fuel_litres_per_h)


def test_a_low_supply_is_sent_at_once(heater):
    """The warning does not wait for the gap of 5 s, although neither flame nor fan nor any command has changed."""
    one = heater().put(FURNACE_COMMAND, OFF).until(300)
    before = one.of(WATER)[-1][0] + 5  # and one more at the gap
    one.until(before + 0.5).world.set_load("a big one", 700.0)
    one.until(before + 2)
    assert before + 0.5 < one.of(WATER)[-1][0] < before + 2
    assert signals(one)["dc_warning"] == 1


def test_it_stops_below_ten_volts_after_20_s(heater):
    """Not at once: 20 s below 10 V at its terminals; then it waits until it is switched off for 2 s, not for volts."""
    one = heater().until(200)
    one.world.set_load("a big one", 700.0)
    one.until(204)
    assert one.world.volts_at("heater") < 10
    assert signals(one) | {"limit": 0} == {"limit": 0, "no_flame": 0, "dc_failure": 1, "dc_warning": 1}
    assert burner_of(one).is_lit
    one.until(224)
    assert not burner_of(one).is_lit
    assert heartbeat(one) == {"active": 0, "red": 1, "spn": 2133, "fmi": 4}
    one.world.set_load("a big one", 0.0)
    one.until(600)
    assert signals(one)["dc_failure"] == 0
    assert one.world.fuel_litres_per_h == 0
    one.put(FURNACE_COMMAND, OFF).until(603).put(FURNACE_COMMAND, FULL).until(700)
    assert burner_of(one).is_lit
    assert heartbeat(one) == {"active": 1, "red": 0, "spn": 0x7FFFF, "fmi": 31}


def test_a_thin_wire_browns_it_out_while_it_glows(heater):
    """20 A through 150 mOhm drop 3 V: at the battery nothing is wrong, the heater stops after 20 s of glow."""
    branch = {"branch": [{"name": "long", "wire": {"milliohm": 150.0}}]}
    one = heater(vehicle=branch, plan={"branch": "long"}).until(20)
    assert one.world.battery_volts > 12
    assert one.world.volts_at("heater") == pytest.approx(one.world.battery_volts - 21.1 * 0.15, abs=0.01)
    one.until(40)
    assert not burner_of(one).may_run
    assert heartbeat(one)["spn"] == 2133
    assert one.world.battery_volts - one.world.volts_at("heater") < 0.5


def test_failed_ignition_ends_in_an_error(heater):
    """Two tries, then failure to ignite in the status, the red lamp, and DM1 each second; no more fuel."""
    one = heater()
    one.bench.call_device("heater", lambda device: device.fail_ignition(None))
    one.until(150)
    assert signals(one)["no_flame"] == 0
    one.until(400)
    assert signals(one)["no_flame"] == 1
    assert heartbeat(one) == {"active": 0, "red": 1, "spn": 2130, "fmi": 7}
    assert one.last(DM1)[6:17] == "52 08 07 7F"
    used = one.world.fuel_litres
    assert one.until(900).world.fuel_litres == used
    assert 0 < 48 - used < 0.01  # two minutes at part load


def test_a_reset_of_faults_does_not_end_an_error(heater):
    """What lasts is reported again (safety: a lockout has no reset on the bus)."""
    one = heater()
    one.bench.call_device("heater", lambda device: device.fail_ignition(None))
    one.until(400)
    reset = one.bench.devices[0].catalogue.by_name("GENERAL_RESET")
    before = len(one.of(DM1))
    one.put(reset.identifier(0x44, 0x80), reset.encode({"clear_faults": 1}).hex()).until(410)
    assert one.of(DM1)[before][1].startswith("00 FF 00 00")  # it was withdrawn for a moment
    assert heartbeat(one)["spn"] == 2130
    assert not burner_of(one).may_run


def test_a_lockout_outlasts_a_loss_of_power(heater):
    """Three failed starts in a row; then neither fuel nor a restart helps."""
    one = heater()
    for _ in range(3):
        one.bench.call_device("heater", lambda device: device.fail_ignition(None))
        now = one.bench.now / 1e6
        one.until(now + 500).put(FURNACE_COMMAND, OFF).until(now + 505).put(FURNACE_COMMAND, FULL)
    one.bench.call_device("heater", lambda device: device.fail_ignition(0))
    one.bench.switch_off("heater")
    one.until(one.bench.now / 1e6 + 10)
    one.bench.switch_on("heater")
    one.until(one.bench.now / 1e6 + 3).put(FURNACE_COMMAND, FULL).until(one.bench.now / 1e6 + 200)
    assert burner_of(one).is_locked
    assert one.world.fuel_litres_per_h == 0
    assert heartbeat(one) == {"active": 0, "red": 1, "spn": 2130, "fmi": 14}


def test_an_empty_tank_puts_the_flame_out(heater):
    """With 0.02 l of diesel it burns for two or three minutes; then no start succeeds."""
    one = heater(vehicle={"fuel": {"litres": 1.0, "start_percent": 2.0}}).until(150)
    assert burner_of(one).is_lit
    one.until(1200)
    assert one.world.fuel_litres == 0
    assert signals(one)["no_flame"] == 1


def test_fuel_below_its_plugging_point_gels(heater):
    """Summer diesel (class B, 0 degC) at -6: the filter closes within ten minutes; winter diesel passes."""
    for grade, burns in (("B", False), ("F", True)):
        one = heater(vehicle={"fuel": {"grade": grade}}).until(150)
        assert burner_of(one).is_lit
        one.until(900)
        assert burner_of(one).is_lit is burns


def test_wax_by_a_fault_closes_the_filter_and_thaws(heater):
    """Within the time given; afterwards the heater, switched off and on, starts again."""
    one = heater().until(200)
    one.bench.call_device("heater", lambda device: device.plug_fuel_filter(60_000_000))
    one.until(230)
    assert burner_of(one).is_lit
    one.until(300)
    assert not burner_of(one).is_lit
    one.bench.call_device("heater", lambda device: device.plug_fuel_filter(None))
    one.until(1000).put(FURNACE_COMMAND, OFF).until(1010).put(FURNACE_COMMAND, FULL).until(1200)
    assert burner_of(one).is_lit


def test_air_in_the_fuel_puts_the_flame_out_now_and_then(heater):
    """Several starts in an hour, without any error of the ignition itself; one seed gives one run."""
    runs = []
    for _ in range(2):
        one = heater().until(200)
        one.bench.call_device("heater", lambda device: device.let_air_into_fuel(300_000_000))
        runs.append([one.until(second).world.fuel_litres_per_h for second in range(210, 1800, 10)])
    assert runs[0] == runs[1]
    assert 0.0 in runs[0]
    assert max(runs[0]) > 0.5


def test_the_limiter_stops_it(heater):
    """Coolant at 100 degC with a limiter at 95: no fuel, the limit switch in the status; it resets when cool."""
    one = heater(vehicle={"coolant": {"start_c": 97.0}}, settings={"limiter_c": 95.0, "pause_c": 110.0}).until(10)
    assert signals(one)["limit"] == 1
    assert heartbeat(one)["spn"] == 2132
    one.until(60)
    assert one.world.coolant_c < 94.5
    assert signals(one)["limit"] == 1  # until it is 20 K cooler
    one.until(400)
    assert one.world.coolant_c < 75.5
    assert signals(one)["limit"] == 0


def test_every_burner_device_takes_the_faults_of_its_fuel():
    """Scenarios call these."""
    assert all(hasattr(BurnerDevice, name) for name in ("fail_ignition", "plug_fuel_filter", "let_air_into_fuel"))
    assert BurnerDevice.caution.startswith("Combustion: a lockout is a safety function")
