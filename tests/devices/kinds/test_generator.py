"""A generator through its sequence. Layouts are from memory: these bytes follow the table."""

import itertools

import pytest

STATUS_1, STATUS_2, AC, DM1, COMMAND = 0x1FFDC, 0x1FFDB, 0x1FFDF, 0x0FECA, 0x19FFDA44
START, STOP = "01 FF FF FF FF FF FF FF", "00 FF FF FF FF FF FF FF"


def u16(data: str, place: int) -> int:
    """Read two bytes, low byte first."""
    raw = bytes.fromhex(data)
    return raw[place] + 256 * raw[place + 1]


@pytest.fixture
def generator(alone):
    """One of 3500 W on a starter battery of 90 Ah, without shore power."""

    def put(settings=None, shore_power=False, **vehicle):
        battery = {"capacity_ah": 90.0, "start_percent": 90.0}
        parts = {"battery": battery, **vehicle}
        return alone("generator", settings=settings, vehicle=parts, shore_power=shore_power, generator=1).until(3)

    return put


def device(run):
    """Return the device itself."""
    return run.bench.devices[0]


def test_its_sequence_by_time(generator):
    """Preheat 8 s at 15 A, crank 3 s at 120 A with the battery sagging, run; load after 15 s; each status at once."""
    run = generator()
    assert run.last(STATUS_1)[:2] == "00"
    rest = u16(run.last(STATUS_1), 6) * 0.05
    run.put(COMMAND, START)
    assert run.last(STATUS_1)[:2] == "01"
    assert run.world.battery_amps == pytest.approx(15.02)
    run.until(13)
    assert run.last(STATUS_1)[:2] == "02"
    assert run.world.battery_amps == pytest.approx(120.02)
    assert u16(run.last(STATUS_1), 6) * 0.05 < rest - 0.4
    run.until(17)
    assert run.last(STATUS_1)[:2] == "03"
    assert run.world.mains_source() is None
    run.until(32)
    assert run.world.mains_source() == "generator"
    first = {}
    for time, data in run.of(STATUS_1):
        first.setdefault(data[:2], time)
    assert first["02"] - first["01"] == pytest.approx(8, abs=1.1)
    assert first["03"] - first["02"] == pytest.approx(3, abs=1.1)


def test_its_load_and_its_fuel(generator):
    """1750 W are half its load: 0.4 L/h idle, 1.4 at its rating; line 1 of its output has 120 V and 60 Hz."""
    run = generator().put(COMMAND, START).until(40)
    run.world.set_mains_load("oven", 1750.0)
    run.until(60)
    assert int(run.last(STATUS_1).split()[5], 16) / 2 == 50
    assert u16(run.last(STATUS_2), 5) * 0.05 == pytest.approx(0.9, abs=0.03)
    assert run.world.fuel_litres_per_h == pytest.approx(0.9)
    assert u16(run.last(STATUS_2), 3) * 0.125 == 3000
    assert run.last(AC)[:2] == "41"
    assert u16(run.last(AC), 3) * 0.05 - 1600 == pytest.approx(1750 / 120, abs=0.05)
    assert int.from_bytes(bytes.fromhex(run.last(STATUS_1))[1:5], "little") == 0  # minutes
    run.until(140)
    assert int.from_bytes(bytes.fromhex(run.last(STATUS_1))[1:5], "little") == 2


def test_it_cools_down_before_it_stops(generator):
    """60 s without load, then it stands and burns nothing; its minutes are kept."""
    run = generator().put(COMMAND, START).until(40).put(COMMAND, STOP)
    assert run.world.mains_source() is None
    run.until(95)
    assert run.last(STATUS_1)[:2] == "03"
    run.until(105)
    assert run.last(STATUS_1)[:2] == "00"
    assert (run.world.fuel_litres_per_h, run.world.battery_amps) == (0.0, pytest.approx(0.02))
    assert run.bench.devices[0].memory["run_min"] > 1


def test_a_stop_while_it_starts_ends_that_at_once(generator):
    """Before it runs there is nothing to cool."""
    run = generator().put(COMMAND, START).until(6).put(COMMAND, STOP).until(8)
    assert run.last(STATUS_1)[:2] == "00"
    assert run.world.battery_amps == pytest.approx(0.02)


def test_a_weak_battery_lets_it_try_three_times(generator):
    """It cranks 10 s, rests 15 s, and gives up: state 5, caution light, FMI 7; a start begins anew."""
    run = generator({"min_crank_volts": 12.5}).put(COMMAND, START).until(130)
    assert [data[:2] for _, data in run.of(STATUS_1)].count("05") > 1
    changes = [data[:2] for _, data in run.of(STATUS_1)]
    assert sum(a != "02" and b == "02" for a, b in itertools.pairwise(changes)) == 3
    assert int(run.last(STATUS_2).split()[0], 16) >> 6 == 1
    assert int(run.last(DM1).split()[4], 16) & 0x1F == 7
    run.put(COMMAND, START)
    assert run.last(STATUS_1)[:2] == "01"
    assert run.last(DM1).startswith("00")


def test_without_fuel_it_stops_and_does_not_start(generator):
    """FMI 1: too low."""
    run = generator(fuel={"litres": 1.0, "start_percent": 0.2}).put(COMMAND, START).until(60)
    assert run.last(STATUS_1)[:2] == "05"
    assert int(run.last(DM1).split()[4], 16) & 0x1F == 1


def test_an_overload_opens_its_breaker(generator):
    """5 kW of 3.5 kW for 10 s: no mains, state 5."""
    run = generator().put(COMMAND, START).until(40)
    run.world.set_mains_load("oven", 5000.0)
    run.until(46)
    assert run.world.mains_source() == "generator"
    run.until(55)
    assert run.world.mains_source() is None
    assert run.last(STATUS_1)[:2] == "05"


@pytest.mark.parametrize(("above", "source"), [(True, "generator"), (False, "shore")])
def test_shore_power_beside_it(generator, above, source):
    """A transfer switch prefers the generator unless told otherwise."""
    run = generator({"above_shore": above}, shore_power=True).put(COMMAND, START).until(40)
    assert run.world.mains_source() == source


def test_it_runs_for_exercise_where_the_rig_says_so(generator):
    """Every hour for a minute here; without the setting it never starts by itself."""
    run = generator({"exercise_every_hours": 0.5, "exercise_min": 2.0}).until(1830)
    assert run.last(STATUS_1)[:2] == "03"
    run.until(1830 + 240)
    assert run.last(STATUS_1)[:2] == "00"
    assert {data[:2] for _, data in generator().until(2000).of(STATUS_1)} == {"00"}


def test_codes_that_are_uncertain_are_not_obeyed(generator):
    """Manual prime and preheat (2 and 3), and unchanged."""
    run = generator()
    for code in ("02", "03", "FF"):
        run.put(COMMAND, code + START[2:])
    assert run.last(STATUS_1)[:2] == "00"
    assert "exhaust" in device(run).caution
