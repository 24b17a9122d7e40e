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
    charger.put(COMMAND, "01 00 FF FF FF FF FF FF").until(35)
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
