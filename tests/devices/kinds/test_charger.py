"""The charger with the house battery, read by hand from its bytes."""

import itertools

import pytest

CHARGER, CHARGER_2, DC_1, DC_2, COMMAND = 0x1FFC7, 0x1FEA3, 0x1FFFD, 0x1FFFC, 0x19FFC544


def u16(data: str, place: int) -> int:
    """Read two bytes, low byte first."""
    raw = bytes.fromhex(data)
    return raw[place] + 256 * raw[place + 1]


@pytest.fixture
def charger(alone):
    """A charger for a half-empty battery, on shore power."""
    return alone("charger", charger=1, dc_source=1, vehicle={"battery": {"start_percent": 40.0}})


def test_it_charges_in_bulk_at_its_full_current(charger):
    """A half-empty battery takes the full 30 A: state 2 (bulk), 100 % of maximum, the same in both messages."""
    data = charger.until(60).last(CHARGER)
    assert data.split()[0] == "01"
    assert u16(data, 3) * 0.05 - 1600 == pytest.approx(30.0, abs=0.05)
    assert data.split()[5:7] == ["C8", "02"]
    second = charger.last(CHARGER_2)
    assert second.split()[:3] == ["01", "01", "50"]
    assert u16(second, 5) == u16(data, 3)


def test_it_reports_the_battery(charger):
    """DC source 1, priority 80 (50 hex): voltage in 50 mV, current in mA around 2,000,000 A; charging is negative."""
    charger.until(60)
    data = charger.last(DC_1)
    assert data.split()[:2] == ["01", "50"]
    assert u16(data, 2) * 0.05 == pytest.approx(charger.world.battery_volts, abs=0.03)
    raw = int.from_bytes(bytes.fromhex(data)[4:8], "little")
    assert raw / 1000 - 2_000_000 == pytest.approx(charger.world.battery_amps, abs=0.001)
    assert charger.world.battery_amps == pytest.approx(-30.0, abs=0.1)


def test_it_reports_charge_and_time_remaining(charger):
    """State of charge in half percents; the time to full in minutes follows from the present current."""
    data = charger.until(60).last(DC_2)
    percent = int(data.split()[4], 16) / 2
    assert percent == pytest.approx(charger.world.battery_percent, abs=0.5)
    # 60 of 100 Ah are missing at 30 A: 2 hours; the last two bits say "time to full"
    assert u16(data, 5) == pytest.approx(120, abs=3)
    assert int(data.split()[7], 16) & 3 == 1


def test_it_goes_from_bulk_to_absorption_to_float(alone):
    """The states come in their order, absorption holds 14.4 V, float holds 13.6 V."""
    nearly_full = {"battery": {"start_percent": 85.0}}
    charger = alone("charger", settings={"full_amps": 15}, charger=1, dc_source=1, vehicle=nearly_full)
    states, volts = [], {}
    for minute in range(1, 120, 3):
        charger.until(60 * minute)
        state = charger.last(CHARGER).split()[6]
        if not states or states[-1] != state:
            states.append(state)
        volts[state] = u16(charger.last(CHARGER), 1) * 0.05
    assert states == ["02", "03", "06"]
    assert volts["03"] == pytest.approx(14.4, abs=0.06)
    assert volts["06"] == pytest.approx(13.6, abs=0.06)
    assert charger.world.battery_percent > 90


def test_absorption_ends_after_4_hours_at_the_latest(alone):
    """A load of 10 A keeps the current above the tail of 4 A; common practice, no source."""
    charger = alone("charger", charger=1, dc_source=1, vehicle={"battery": {"start_percent": 95.0}})
    charger.world.set_load("lamp", 10.0)
    charger.until(4.1 * 3600)
    since = {}
    for time, data in charger.of(CHARGER):
        since.setdefault(data.split()[6], time)
    assert since["06"] - since["03"] == pytest.approx(4 * 3600, abs=2)


def test_without_shore_power_it_does_not_charge(alone):
    """State 0, no current, and the battery carries the loads."""
    charger = alone("charger", shore_power=False, charger=1, dc_source=1).until(30)
    charger.world.set_load("lamp", 5.0)
    charger.until(60)
    assert charger.last(CHARGER).split()[6] == "00"
    assert u16(charger.last(CHARGER), 3) == 0x7D00  # 0 A
    assert int(charger.last(DC_2).split()[7], 16) & 3 == 0  # time to empty
    # 80 Ah at 5 A are 16 hours
    assert u16(charger.last(DC_2), 5) == pytest.approx(960, abs=10)


def test_it_obeys_disable_and_enable(charger):
    """Status 0 stops the charge at once, 1 takes it up again; another instance is ignored."""
    charger.until(30).put(COMMAND, "02 00 FF FF FF FF FF FF")
    assert charger.last(CHARGER).split()[6] == "02"
    charger.put(COMMAND, "01 00 FF FF FF FF FF FF")
    assert charger.last(CHARGER).split()[6] == "00"
    assert charger.world.battery_amps == pytest.approx(0, abs=0.01)
    charger.put(COMMAND, "01 01 FF FF FF FF FF FF").until(40)
    assert charger.last(CHARGER).split()[6] == "02"


def test_its_heartbeat_tells_whether_it_charges(charger):
    """Of its DSA 74 (4A hex): working and active (05 hex) while it charges, working only (01 hex) when disabled."""
    charger.until(20)
    before = len(charger.of(0x1FECA))
    assert {data[:5] for _, data in charger.of(0x1FECA)} == {"05 4A"}
    charger.put(COMMAND, "01 00 FF FF FF FF FF FF").until(25)
    since = len(charger.of(0x1FECA))
    charger.until(50)
    assert {data[:5] for _, data in charger.of(0x1FECA)[since:]} == {"01 4A"}
    assert before > 1


def test_its_gaps_are_those_of_the_table(charger):
    """500 ms for CHARGER_STATUS_2 and both DC source messages, 5 s for CHARGER_STATUS."""
    charger.until(60)
    for dgn, gap in ((CHARGER_2, 0.5), (DC_1, 0.5), (DC_2, 0.5)):
        times = [time for time, _ in charger.of(dgn)]
        assert {round(b - a, 2) for a, b in itertools.pairwise(times)} == {gap}
    times = [time for time, _ in charger.of(CHARGER)]
    assert max(b - a for a, b in itertools.pairwise(times)) == pytest.approx(5.0, abs=0.01)


def test_its_voltage_is_that_of_its_own_terminals(alone):
    """30 A through 20 mOhm: it reports 0.6 V more than the battery has, and as DC source the battery's."""
    vehicle = {"battery": {"start_percent": 40.0}, "branch": [{"name": "shore", "wire": {"milliohm": 20.0}}]}
    charger = alone("charger", charger=1, dc_source=1, vehicle=vehicle, plan={"branch": "shore"}).until(60)
    battery = charger.world.battery_volts
    assert u16(charger.last(CHARGER), 1) * 0.05 == pytest.approx(battery + 0.6, abs=0.05)
    assert u16(charger.last(CHARGER_2), 3) * 0.05 == pytest.approx(battery + 0.6, abs=0.05)
    assert u16(charger.last(DC_1), 2) * 0.05 == pytest.approx(battery, abs=0.03)


def test_the_socket_is_that_of_the_scenario(alone):
    """With shore power the mains have the rig's socket as their source, without it none."""
    for shore_power, source in ((True, "shore"), (False, None)):
        charger = alone("charger", shore_power=shore_power, charger=1, dc_source=1)
        assert charger.world.mains_source() == source


def celsius_of(percent, battery_c, **settings):
    """Return settings and vehicle of a charger with a sensor, at a battery temperature."""
    battery = {"start_percent": percent, "start_c": battery_c, "lag_hours": 48.0}
    return {"settings": {"battery_sensor": True, **settings}, "vehicle": {"battery": battery}}


@pytest.mark.parametrize(
    ("battery_c", "volts"),
    [(25.0, 14.7), (5.0, 15.3), (35.0, 14.4), (-10.0, 15.45)],  # 14.7 + 0.030 x 20 = 15.30 (computed from the table)
)
def test_its_voltage_follows_the_temperature_of_the_battery(alone, battery_c, volts):
    """-30 mV/K in absorption (an industrial battery maker's charging table); below 0 C it goes no further."""
    given = celsius_of(97.0, battery_c, absorption_volts=14.7, full_amps=60.0, tail_percent=0.1)
    charger = alone("charger", charger=1, dc_source=1, **given).until(1200)
    assert charger.last(CHARGER).split()[6] == "03"
    assert u16(charger.last(CHARGER), 1) * 0.05 == pytest.approx(volts, abs=0.06)


def test_float_follows_it_less(alone):
    """-18 mV/K (the same table): 13.7 V at 25 C are 14.06 V at 5 C; without a sensor it stays as it is set."""
    given = celsius_of(99.9, 5.0, float_volts=13.7, max_absorption_hours=0.1)
    charger = alone("charger", charger=1, dc_source=1, **given).until(1200)
    assert charger.last(CHARGER).split()[6] == "06"
    assert u16(charger.last(CHARGER), 1) * 0.05 == pytest.approx(14.06, abs=0.06)
    given["settings"]["battery_sensor"] = False
    charger = alone("charger", charger=1, dc_source=1, **given).until(1200)
    assert u16(charger.last(CHARGER), 1) * 0.05 == pytest.approx(13.7, abs=0.06)


def test_what_it_takes_from_the_mains(alone):
    """30 A at 14.4 V with 85 % are 508 W (computed; 85 to 90 % is common practice), 4.2 A at 120 V, and 3 W idle."""
    charger = alone("charger", charger=1, dc_source=1, vehicle={"battery": {"start_percent": 40.0}}).until(60)
    given = charger.world.volts_at("charger") * 30.0
    assert charger.world.mains_watts("charger") == pytest.approx(given / 0.85 + 3.0, rel=1e-3)
    page = charger.last(0x1FFCA)
    assert page.split()[0] == "01"  # instance 1, line 1, input
    assert u16(page, 1) * 0.05 == 120.0
    assert u16(page, 3) * 0.05 - 1600 == pytest.approx(charger.world.mains_watts("charger") / 120, abs=0.05)
    charger.put(COMMAND, "01 00 FF FF FF FF FF FF").until(65)
    assert charger.world.mains_watts("charger") == 3.0


def test_its_input_limit(alone):
    """2 A of 120 V leave 0.85 of 237 W: about 15 A; its configuration tells the breaker, and a command changes it."""
    settings = {"input_limit_amps": 2.0}
    vehicle = {"battery": {"start_percent": 40.0}}
    charger = alone("charger", settings=settings, charger=1, dc_source=1, vehicle=vehicle).until(60)
    assert charger.world.mains_watts("charger") == pytest.approx(240.0, rel=0.01)
    assert charger.world.charge_amps("charger") == pytest.approx(237 * 0.85 / charger.world.battery_volts, rel=0.01)
    assert charger.last(CHARGER).split()[6] == "02"  # a weak source is still in bulk
    charger.put(0x18EA8044, "96 FF 01")
    assert charger.last(0x1FF96).split()[3] == "02"
    charger.put(0x19FF9544, "01 FF FF 01 FF FF FF FF").until(65)
    assert charger.world.mains_watts("charger") == pytest.approx(120.0, rel=0.02)
    charger.put(0x19FF9544, "01 14 FF FA FF FF FF FF").until(70)
    assert charger.world.charge_amps("charger") == pytest.approx(3.0)  # 10 % of its current


def test_it_gives_less_on_a_weak_socket(alone):
    """Beside a kettle on a small socket the mains sag: it takes what is left, and asks for more again later."""
    vehicle = {"battery": {"start_percent": 40.0}, "shore": {"amps": 6.0, "volts": 120.0}}
    charger = alone("charger", charger=1, dc_source=1, vehicle=vehicle).until(30)
    charger.world.set_mains_load("kettle", 600.0)
    charger.until(60)
    assert charger.world.charge_amps("charger") < 20.0
    charger.world.set_mains_load("kettle", 0.0)
    charger.until(180)
    assert charger.world.charge_amps("charger") == pytest.approx(30.0)


def test_it_waits_for_good_mains_and_ramps_up(alone):
    """Shore power lost: state 0 at once; back: nothing for 2 s, then its full current within 5 s."""
    charger = alone("charger", charger=1, dc_source=1, vehicle={"battery": {"start_percent": 40.0}}).until(30)
    charger.world.set_shore(connected=False)
    charger.until(31.5)
    assert charger.last(CHARGER).split()[6] == "00"
    assert charger.world.mains_watts("charger") == 0
    charger.world.set_shore(connected=True)
    amps = [charger.until(32.5 + second).world.charge_amps("charger") for second in range(9)]
    assert amps[0] == 0
    assert amps[-1] == pytest.approx(30.0)
    assert sum(0 < each < 29 for each in amps) >= 3


def test_it_does_not_run_on_mains_from_the_battery(alone):
    """An inverter's output is no source for it."""
    charger = alone("charger", shore_power=False, charger=1, dc_source=1)
    charger.world.set_mains_source("inverter", 1500.0, 1)
    charger.until(30)
    assert charger.world.charge_amps("charger") == 0
    charger.world.set_mains_source("generator", 3500.0, 5)
    charger.until(45)
    assert charger.world.charge_amps("charger") > 0


def test_it_gives_less_in_hot_air(alone):
    """2.5 % for each kelvin above 40 C; nothing above 70 C."""
    for cabin_c, amps in ((38.0, 30.0), (50.0, 22.5), (74.0, 0.0)):
        vehicle = {"battery": {"start_percent": 40.0}, "cabin": {"start_c": min(cabin_c, 60.0)}}
        charger = alone("charger", outdoor_c=min(cabin_c, 60.0), charger=1, dc_source=1, vehicle=vehicle)
        if cabin_c > 60:
            charger.world.set_heat("stove", 20_000.0)
        charger.until(10 if cabin_c < 60 else 600)
        faults = [data for _, data in charger.of(0x0FECA) if not data.startswith("00")]
        assert bool(faults) is (amps == 0)
        assert charger.world.charge_amps("charger") == pytest.approx(amps, rel=0.05)


def test_lithium_is_not_charged_below_freezing(alone):
    """The battery refuses below 0 C cells (a battery maker's manual); with a sensor the charger knows and stands by."""
    battery = {"chemistry": "lfp", "start_c": -5.0, "lag_hours": 48.0, "start_percent": 40.0}
    for sensor, state in ((False, "06"), (True, "00")):
        charger = alone(
            "charger", settings={"battery_sensor": sensor}, charger=1, dc_source=1, vehicle={"battery": battery}
        ).until(60)
        assert charger.world.battery_amps >= 0
        assert charger.last(CHARGER).split()[6] == state
    assert "Lithium" in charger.bench.devices[0].caution
    warm = {"battery": battery | {"start_c": 0.05}}
    charger = alone("charger", settings={"battery_sensor": True}, charger=1, dc_source=1, vehicle=warm).until(30)
    assert charger.world.battery_amps < 0


def test_a_battery_voltage_that_is_too_high_is_a_fault(charger):
    """Another source at 16.5 V: FMI 3, voltage high; and no fault when that is over."""
    charger.until(10).world.set_disconnect("switch", open=True)
    charger.world.set_charge("engine", 16.5, 100.0)
    charger.until(15)
    assert int(charger.last(0x0FECA).split()[4], 16) & 0x1F == 3
    charger.world.set_charge("engine", 14.0, 100.0)
    charger.until(20)
    assert charger.last(0x0FECA).startswith("00")


def test_its_stages_can_be_forced(charger):
    """Force charge 2 holds float, 1 begins bulk, 0 cancels; its status answers with the same code."""
    charger.until(30).put(COMMAND, "01 FF 2F FF FF FF FF FF").until(60)
    assert charger.last(CHARGER).split()[6:] == ["06", "25"]
    charger.put(COMMAND, "01 FF 1F FF FF FF FF FF").until(65)
    assert charger.last(CHARGER).split()[6:] == ["02", "15"]
    charger.put(COMMAND, "01 FF 0F FF FF FF FF FF").until(70)
    assert charger.last(CHARGER).split()[6:] == ["02", "05"]
    charger.put(COMMAND, "01 00 2F FF FF FF FF FF").until(75)
    assert charger.last(CHARGER).split()[6:] == ["00", "25"]  # a charger that is off stays off


def test_its_set_points_on_request(charger):
    """CHARGER_CONFIGURATION_STATUS_3: 14.4 V and 13.6 V; _4: 4 h of absorption; what is unsure is no data."""
    charger.until(5).put(0x18EA8044, "CC FE 01").put(0x18EA8044, "BF FE 01")
    assert charger.last(0x1FECC) == "01 20 01 20 01 10 01 FF"
    assert charger.last(0x1FEBF) == "01 FF FF F0 00 FF FF FF"


def test_it_runs_on_the_mains_without_a_battery(charger):
    """With its battery switched off it feeds the loads alone; a node without mains has no power there."""
    charger.until(10).world.set_disconnect("switch", open=True)
    charger.world.set_load("lamp", 5.0)
    charger.until(30)
    assert charger.world.battery_volts == pytest.approx(14.4, abs=0.1)
    charger.world.set_shore(connected=False)
    sent = len(charger.until(32).sent)
    charger.until(40)
    assert len(charger.sent) == sent
    charger.world.set_shore(connected=True)
    charger.until(60)
    assert charger.world.battery_volts == pytest.approx(14.4, abs=0.1)
