"""The battery monitor, read by hand from its bytes."""

import itertools
from statistics import mean, pstdev

import pytest

from rvsim.errors import InputError

DC_1, DC_2, DC_3, HEARTBEAT = 0x1FFFD, 0x1FFFC, 0x1FFFB, 0x1FECA


def u16(data: str, place: int) -> int:
    """Read two bytes, low byte first."""
    raw = bytes.fromhex(data)
    return raw[place] + 256 * raw[place + 1]


def amps(data: str) -> float:
    """Read the current of DC_SOURCE_STATUS_1: mA around 2,000,000 A."""
    return int.from_bytes(bytes.fromhex(data)[4:8], "little") / 1000 - 2_000_000


@pytest.fixture
def monitor(alone):
    """A monitor of a battery of 200 Ah at 80 %."""
    return alone(
        "battery_monitor",
        address=0x45,
        settings={"battery_ah": 200.0},
        vehicle={"battery": {"capacity_ah": 200.0}},
        battery_monitor=1,
        dc_source=1,
    )


def test_it_has_the_priority_and_the_heartbeat_of_a_monitor(monitor):
    """DC source 1, device priority 120 (78 hex) in all three messages; one heartbeat, DSA 69 (45 hex)."""
    monitor.until(10)
    assert {monitor.last(dgn)[:5] for dgn in (DC_1, DC_2, DC_3)} == {"01 78"}
    assert {data[:5] for _, data in monitor.of(HEARTBEAT)} == {"05 45"}


def test_its_shunt_sees_the_true_current(monitor):
    """The mean of many figures is the battery's current and its offset of 0.05 A; single ones differ by hundredths."""
    monitor.until(2).world.set_load("lamp", 5.0)
    monitor.until(60)
    out = [amps(data) for time, data in monitor.of(DC_1) if time > 3]
    assert mean(out) == pytest.approx(5.05, abs=0.01)
    assert 0.005 < pstdev(out) < 0.05
    volts = [u16(data, 2) * 0.05 for time, data in monitor.of(DC_1) if time > 3]
    assert mean(volts) == pytest.approx(monitor.world.battery_volts, abs=0.03)
    monitor.world.set_charge("shore", 14.4, 20.0)
    monitor.until(62)
    assert amps(monitor.last(DC_1)) == pytest.approx(-15.0, abs=0.1)


def test_it_counts_what_goes_out(monitor):
    """10 A for two hours are 20 of 200 Ah: from 160 Ah and 80 % to 140 Ah and 70 %, with 14 h to empty."""
    monitor.until(3)
    assert monitor.last(DC_3) == "01 78 FF A0 00 FF FF FF"
    monitor.world.set_load("lamp", 10.0)
    monitor.until(3 + 2 * 3600)
    assert monitor.last(DC_3) == "01 78 FF 8C 00 FF FF FF"
    data = monitor.last(DC_2)
    assert int(data.split()[4], 16) == 140  # half percents
    assert u16(data, 5) == pytest.approx(14 * 60, abs=5)
    assert int(data.split()[7], 16) & 3 == 0  # to empty
    assert u16(data, 2) / 32 - 273 == pytest.approx(monitor.world.battery_c, abs=0.1)


def test_it_counts_what_goes_in_with_its_own_idea_of_the_losses(alone):
    """20 A for an hour are 10 of 20 Ah where the monitor believes in half of them, whatever the battery stores."""
    monitor = alone(
        "battery_monitor",
        settings={"battery_ah": 100.0, "charge_efficiency_percent": 50.0},
        vehicle={"battery": {"start_percent": 30.0}},
        battery_monitor=1,
        dc_source=1,
    ).until(3)
    monitor.world.set_charge("shore", 15.0, 20.0)
    monitor.until(3 + 3600)
    assert monitor.world.battery_percent == pytest.approx(47.6, abs=0.1)
    assert int(monitor.last(DC_2).split()[4], 16) / 2 == pytest.approx(40.0, abs=0.5)
    assert u16(monitor.last(DC_3), 3) == 40
    assert int(monitor.last(DC_2).split()[7], 16) & 3 == 1  # to full
    assert u16(monitor.last(DC_2), 5) == pytest.approx(180, abs=2)  # 60 Ah at 20 A


def test_its_own_idea_of_the_losses_is_that_of_lead_acid(alone):
    """Left as it is, the count stays with a lead-acid battery that is charged for two hours."""
    vehicle = {"battery": {"start_percent": 20.0}}
    monitor = alone("battery_monitor", vehicle=vehicle, battery_monitor=1, dc_source=1).until(3)
    monitor.world.set_charge("shore", 15.0, 20.0)
    monitor.until(3 + 7200)
    assert monitor.world.battery_percent == pytest.approx(55.2, abs=0.1)
    assert int(monitor.last(DC_2).split()[4], 16) / 2 == pytest.approx(55.2, abs=0.5)


def test_it_needs_both_functions(alone):
    """To be known by its heartbeat it has to be planned as a monitor, and as speaking for a DC source."""
    for functions, missing in (({"dc_source": 1}, "battery_monitor"), ({"battery_monitor": 1}, "dc_source")):
        with pytest.raises(InputError, match=f"a simulated battery_monitor needs the function {missing}"):
            alone("battery_monitor", **functions)


@pytest.mark.parametrize(("start", "charge", "load", "held"), [(99.0, 20.0, 0.0, "64"), (1.0, 0.0, 20.0, "00")])
def test_its_count_ends_at_full_and_at_empty(alone, start, charge, load, held):
    """A count that runs on is held at 100 and at 0 Ah of 100."""
    vehicle = {"battery": {"capacity_ah": 1000.0, "start_percent": start, "start_c": 30.0}}
    settings = {"battery_ah": 100.0}
    monitor = alone("battery_monitor", settings=settings, vehicle=vehicle, battery_monitor=1, dc_source=1).until(3)
    monitor.world.set_charge("shore", 15.0, charge)
    monitor.world.set_load("lamp", load)
    monitor.until(3600)
    assert monitor.last(DC_3).split()[3:5] == [held, "00"]


def test_its_gaps_are_those_of_the_table(monitor):
    """500 ms for each of the three."""
    monitor.until(30)
    for dgn in (DC_1, DC_2, DC_3):
        times = [time for time, _ in monitor.of(dgn)]
        assert {round(b - a, 2) for a, b in itertools.pairwise(times)} == {0.5}


def test_it_gives_way_to_a_higher_priority(monitor):
    """All three messages stop while a node of priority 121 (79 hex) reports DC source 1."""
    monitor.until(10).put(0x19FFFD46, "01 79 FC 00 00 94 35 77").until(20)
    for dgn in (DC_1, DC_2, DC_3):
        assert not [time for time, _ in monitor.of(dgn) if 10.01 < time < 15]
        assert [time for time, _ in monitor.of(dgn) if time > 15]


def counted_ah(monitor) -> int:
    """The count in DC_SOURCE_STATUS_3, in ampere-hours."""
    return u16(monitor.last(DC_3), 3)


def test_its_size_is_that_of_the_rig(alone):
    """80 % of the rig's 250 Ah are 200 Ah; a monitor that was set up for 100 Ah counts 80 of them."""
    for settings, held in (({}, 200), ({"battery_ah": 100.0}, 80)):
        vehicle = {"battery": {"capacity_ah": 250.0}}
        monitor = alone("battery_monitor", settings=settings, vehicle=vehicle, battery_monitor=1, dc_source=1)
        assert counted_ah(monitor.until(3)) == held


def test_it_watches_the_battery_of_its_branch(alone):
    """On a branch of the starter battery it reports that one: 60 of 60 Ah."""
    vehicle = {
        "battery": [{"name": "house"}, {"name": "starter", "capacity_ah": 60.0, "start_percent": 100.0}],
        "branch": [{"name": "engine", "battery": "starter"}],
    }
    monitor = alone("battery_monitor", plan={"branch": "engine"}, vehicle=vehicle, battery_monitor=1, dc_source=1)
    assert counted_ah(monitor.until(3)) == 60


def test_it_starts_from_what_it_had_kept(alone):
    """Its count before the run is a setting; a power failure of an hour at 10 A is not in its count, 10 Ah too high."""
    settings = {"start_percent": 60.0, "offset_amps": 0.0}
    monitor = alone("battery_monitor", settings=settings, battery_monitor=1, dc_source=1).until(3)
    assert counted_ah(monitor) == 60
    monitor.world.set_load("lamp", 10.0)
    monitor.until(3603)
    assert counted_ah(monitor) == 50
    name = monitor.bench.devices[0].name
    monitor.bench.switch_off(name)
    monitor.until(7203).bench.switch_on(name)
    monitor.until(7210)
    assert counted_ah(monitor) == 50
    assert monitor.world.battery_percent == pytest.approx(58.5, abs=1.5)  # 80 less 20 Ah and what Peukert takes


def test_its_count_drifts_by_its_offset(alone):
    """5 A too much are 10 Ah in 2 hours, while the battery itself loses nothing but its self-discharge."""
    settings = {"offset_amps": 5.0}
    monitor = alone("battery_monitor", settings=settings, battery_monitor=1, dc_source=1).until(2 * 3600)
    assert counted_ah(monitor) == 70
    assert monitor.world.battery_percent == pytest.approx(80, abs=0.1)


def test_the_time_remaining_is_averaged(alone):
    """A fridge that takes 6 A for half of each minute is 3 A for the monitor: 80 Ah last some 27 h at any moment."""
    settings = {"offset_amps": 0.0}
    monitor = alone("battery_monitor", settings=settings, battery_monitor=1, dc_source=1).until(3)
    for half_minute in range(1, 60):
        monitor.world.set_load("fridge", 6.0 * (half_minute % 2))
        monitor.until(3 + 30 * half_minute)
        if half_minute > 40:
            assert u16(monitor.last(DC_2), 5) / 60 == pytest.approx(26.5, rel=0.12)


def test_it_is_full_again_when_the_battery_takes_little(alone):
    """At 14.4 V a full battery takes less than 2 % of its capacity: after 3 minutes the count is 100 %."""
    settings = {"start_percent": 40.0}
    vehicle = {"battery": {"start_percent": 100.0}}
    monitor = alone("battery_monitor", settings=settings, vehicle=vehicle, battery_monitor=1, dc_source=1).until(3)
    monitor.world.set_charge("shore", 14.4, 10.0)
    monitor.until(1500)
    assert counted_ah(monitor) == 100


def test_a_short_time_at_little_current_is_not_full(alone):
    """A load beyond the charger's current each two minutes starts the three minutes anew."""
    vehicle = {"battery": {"start_percent": 100.0}}
    settings = {"start_percent": 40.0}
    monitor = alone("battery_monitor", settings=settings, vehicle=vehicle, battery_monitor=1, dc_source=1).until(3)
    monitor.world.set_charge("shore", 14.4, 10.0)
    for second in range(120, 1500, 120):
        monitor.until(second).world.set_load("pump", 15.0)
        monitor.until(second + 3).world.set_load("pump", 0.0)
    assert counted_ah(monitor) == 40


def lithium(alone, vehicle=None, settings=None, **battery):
    """Return a monitor of a lithium battery of 100 Ah."""
    parts = {"battery": {"chemistry": "lfp", "start_c": 20.0, "lag_hours": 48.0, **battery}, **(vehicle or {})}
    return alone("battery_monitor", settings=settings, vehicle=parts, battery_monitor=1, dc_source=1)


DC_4, DC_6, DC_11 = 0x1FEC9, 0x1FEC7, 0x1FEA5


def test_lithium_asks_for_a_charge(alone):
    """Bulk (2), 14.4 V and the 100 A that it takes at 20 C (a battery maker's manual: 1 C from 10 to 25 C), type 3."""
    run = lithium(alone, start_percent=50.0).until(10)
    assert run.last(DC_4) == "01 78 02 20 01 D0 84 F3"  # 288 x 50 mV; 34000 x 50 mA - 1600 A
    assert run.last(DC_6) == "01 78 00 00 00 FF FF FF"
    times = [time for time, _ in run.of(DC_6)]
    assert {round(b - a, 2) for a, b in itertools.pairwise(times)} == {0.5}
    assert lithium(alone, start_c=3.0).until(10).last(DC_4)[15:20] == "C8 7D"  # 0.1 C: 10 A


def test_lithium_asks_for_nothing_below_freezing(alone):
    """Do not charge (1), 0 A, and its low temperature limit is reached; it stays connected."""
    run = lithium(alone, start_c=-2.0).until(10)
    assert run.last(DC_4) == "01 78 01 20 01 00 7D F3"
    assert run.last(DC_6) == "01 78 00 10 00 FF FF FF"
    assert int(run.last(DC_11).split()[2], 16) & 0x0F == 0x05


def test_a_full_one_asks_for_float(alone):
    """State 6 and 13.6 V from 99.5 % on, until it is below 95 %."""
    run = lithium(alone, start_percent=99.8).until(10)
    assert run.last(DC_4).split()[2:5] == ["06", "10", "01"]
    run.world.set_load("oven", 90.0)
    run.until(120)
    assert run.last(DC_4).split()[2] == "06"
    run.until(300)
    assert run.last(DC_4).split()[2] == "02"


def test_it_asks_chargers_to_stop_before_its_protection_opens(alone):
    """At 14.6 V (a pack maker: at most) it asks; at 15.0 V its protection opens and the charge bus is disconnected."""
    run = lithium(alone, start_percent=99.0).until(3)
    run.world.set_charge("engine", 14.7, 50.0)
    run.until(600)
    assert run.last(DC_4).split()[2] == "01"
    assert int(run.last(DC_6).split()[2], 16) == 0x01
    run.world.set_charge("engine", 15.4, 50.0)
    run.until(660)
    assert int(run.last(DC_6).split()[2], 16) & 0x0F == 0x05
    assert int(run.last(DC_11).split()[2], 16) & 0x0F == 0x01  # discharge connected, charge not


def test_an_empty_one_reports_its_limits(alone):
    """Below 10 % its charge limit is reached; when its protection opens, the discharge is disconnected."""
    run = lithium(alone, start_percent=5.0).until(3)
    assert int(run.last(DC_6).split()[3], 16) & 0x03 == 1
    run.world.set_load("oven", 100.0)
    run.until(400)
    assert int(run.last(DC_6).split()[2], 16) >> 6 == 1
    assert int(run.last(DC_11).split()[2], 16) & 0x03 == 0


def test_what_is_connected(alone):
    """Both connected, a charge source at 20 A; 100 Ah and the power in watts, without a sign."""
    run = lithium(alone, start_percent=50.0).until(3)
    run.world.set_charge("engine", 14.4, 20.0)
    run.until(20)
    data = run.last(DC_11)
    assert int(data.split()[2], 16) & 0x3F == 0x15
    assert u16(data, 3) == 100
    assert u16(data, 5) == pytest.approx(20 * run.world.battery_volts, abs=2)


def test_lead_acid_has_no_electronics_that_ask(alone, monitor):
    """None of the three messages, unless it is told to."""
    monitor.until(10)
    assert not monitor.of(DC_4) + monitor.of(DC_6) + monitor.of(DC_11)
    run = alone("battery_monitor", settings={"asks_chargers": True}, battery_monitor=1, dc_source=1).until(10)
    assert run.last(DC_4).split()[5:] == ["FF", "FF", "F2"]  # takes any current; type 2


def test_the_monitor_of_the_starter_battery(alone):
    """On a branch of that battery, as DC source 2: its voltage and charge, not those of the house battery."""
    batteries = [
        {"name": "house", "start_percent": 30.0},
        {"name": "starter", "capacity_ah": 80.0, "start_percent": 90.0},
    ]
    vehicle = {"battery": batteries, "branch": [{"name": "engine", "battery": "starter"}]}
    run = alone("battery_monitor", plan={"branch": "engine"}, vehicle=vehicle, battery_monitor=2, dc_source=2).until(10)
    assert run.last(DC_1).startswith("02 78")
    assert int(run.last(DC_2).split()[4], 16) / 2 == 90.0
    assert u16(run.last(DC_1), 2) * 0.05 == pytest.approx(run.world.battery("starter").volts, abs=0.05)
