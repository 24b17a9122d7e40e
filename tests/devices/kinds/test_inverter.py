"""An inverter with pass-through; figures of makers' manuals, bytes read by hand."""

import itertools

import pytest

from rvsim.devices.kinds.inverter import input_watts

STATUS, AC, DC, HOT, DM1, COMMAND = 0x1FFD4, 0x1FFD7, 0x1FEE8, 0x1FEBD, 0x0FECA, 0x19FFD344


def u16(data: str, place: int) -> int:
    """Read two bytes, low byte first."""
    raw = bytes.fromhex(data)
    return raw[place] + 256 * raw[place + 1]


def page(run, first):
    """Return the last AC status with a first byte: 41 is the output, 01 the input, of instance 1, line 1."""
    return next(data for _, data in reversed(run.of(AC)) if data.startswith(first))


def device(run):
    """Return the device itself."""
    return run.bench.devices[0]


@pytest.fixture
def inverter(alone):
    """One of 1500 W on a lithium battery of 200 Ah, without shore power unless asked for."""

    def put(settings=None, shore_power=False, **battery):
        vehicle = {"battery": {"chemistry": "lfp", "capacity_ah": 200.0, "start_percent": 80.0, **battery}}
        return alone("inverter", settings=settings, vehicle=vehicle, shore_power=shore_power, inverter=1)

    return put


@pytest.mark.parametrize(("share", "out"), [(10.0, 9.12), (50.0, 47.61), (90.0, 85.59)])
def test_what_it_takes_follows_the_part_load_curve(share, out):
    """An open library of solar models, its tests: of its input's rating, for what it gives."""
    assert input_watts(out, 95.0) == pytest.approx(share, abs=0.02)


def test_it_makes_mains_and_takes_its_power_from_the_battery(inverter):
    """Without load it takes 20 W, under 2 A for the 1500 W type of a maker; 900 W take 945 W: about 95 %."""
    run = inverter().until(5)
    assert run.world.mains_source() == "inverter"
    assert 1.0 < run.world.battery_amps < 2.0
    run.world.set_mains_load("kettle", 900.0)
    run.until(10)
    assert run.world.battery_amps * run.world.battery_volts == pytest.approx(900 / 0.9525, rel=0.005)
    assert run.last(STATUS).split()[:2] == ["01", "01"]
    output = page(run, "41")
    assert u16(output, 1) * 0.05 == 120.0
    assert u16(output, 3) * 0.05 - 1600 == pytest.approx(7.5)
    assert u16(output, 5) / 128 == 60.0
    assert u16(page(run, "01"), 1) == 0
    assert u16(run.last(DC), 3) * 0.05 - 1600 == pytest.approx(run.world.battery_amps - 0.05, abs=0.1)


def test_it_passes_shore_power_through(inverter):
    """With shore power its state is 2 and the battery carries nothing; what passes stands in both pages."""
    run = inverter(shore_power=True).until(5)
    run.world.set_mains_load("kettle", 600.0)
    run.until(10)
    assert run.last(STATUS).split()[1] == "02"
    assert run.world.battery_amps == pytest.approx(0.05)
    assert [u16(page(run, first), 3) * 0.05 - 1600 for first in ("41", "01")] == pytest.approx([5.0, 5.0])


def test_its_loads_change_over(inverter):
    """To the battery at once (6 ms in a maker's manual), back after 5 s of good mains (the same manual)."""
    run = inverter(shore_power=True).until(5)
    run.world.set_mains_load("kettle", 600.0)
    run.world.set_shore(connected=False)
    assert run.world.mains_watts("inverter") == 600.0
    run.until(7)
    assert run.last(STATUS).split()[1] == "01"
    run.world.set_shore(connected=True)
    run.until(11)
    assert run.world.mains_source() == "inverter"
    run.until(14)
    assert run.world.mains_source() == "shore"
    assert run.last(STATUS).split()[1] == "02"


def test_it_stops_at_a_low_voltage_and_starts_again(inverter):
    """Below 10.5 V for 3 s (a maker: stop at 10.0 to 11.0 V): SPN with FMI 18, its loads are dead; on at 12.5 V."""
    run = inverter().until(3)
    run.world.set_disconnect("switch", open=True)
    for volts, until, state in ((10.4, 5, "01"), (10.4, 20, "05"), (12.4, 30, "05"), (12.6, 40, "01")):
        run.world.set_charge("engine", volts, 300.0)
        run.until(until)
        assert run.last(STATUS).split()[1] == state  # 5 is enabled and waiting
        assert run.world.mains_source() == ("inverter" if state == "01" else None)
    faults = [data for _, data in run.of(DM1) if not data.startswith("00")]
    assert {int(data.split()[4], 16) & 0x1F for data in faults} == {18}
    assert run.last(DM1) == "00 FF 00 00 00 00 FF FF"


def test_it_stops_at_a_high_voltage(inverter):
    """Above 15.5 V (a maker: 15.0 to 16.3 V), and starts again below 14.8 V."""
    run = inverter(start_percent=99.0).until(3)
    run.world.set_disconnect("switch", open=True)
    run.world.set_charge("engine", 15.8, 50.0)
    run.until(6)
    assert run.last(STATUS).split()[1] == "05"
    run.world.set_charge("engine", 15.0, 50.0)
    run.until(9)
    assert run.last(STATUS).split()[1] == "05"
    run.world.set_charge("engine", 14.5, 50.0)
    run.until(12)
    assert run.last(STATUS).split()[1] == "01"


def test_an_overload_stops_it_until_it_is_switched_off_and_on(inverter):
    """2000 W of 1500 W for 5 s; a moment of it does not stop it."""
    run = inverter().until(3)
    for until, watts, state in ((6, 2000.0, "01"), (10, 100.0, "01"), (20, 2000.0, "05"), (25, 100.0, "05")):
        run.world.set_mains_load("oven", watts)
        run.until(until)
        assert run.last(STATUS).split()[1] == state
    run.put(COMMAND, "01 FC FF FF FF FF FF FF").until(27)
    assert run.last(STATUS).split()[1] == "00"
    run.put(COMMAND, "01 FD FF FF FF FF FF FF").until(29)
    assert run.last(STATUS).split()[1] == "01"


def test_it_senses_for_loads(inverter):
    """Load sense: 2 W while less than 20 W are wanted, state 4; a load wakes it."""
    run = inverter({"load_sense": True}).until(5)
    assert run.last(STATUS).split()[1] == "04"
    assert run.world.battery_amps * run.world.battery_volts == pytest.approx(
        2.0 + 0.05 * run.world.battery_volts, rel=0.01
    )
    run.world.set_mains_load("lamp", 60.0)
    run.until(8)
    assert run.last(STATUS).split()[1] == "01"
    assert run.world.mains_watts("lamp") == 60.0


def test_it_obeys_and_leaves_other_instances_alone(inverter):
    """Inverter off: state 0 and no mains; pass-through off: it keeps its loads although there is shore power."""
    run = inverter().until(3).put(COMMAND, "02 FC FF FF FF FF FF FF").until(5)
    assert run.last(STATUS).split()[1] == "01"
    run.put(COMMAND, "01 FC FF FF FF FF FF FF").until(7)
    assert run.last(STATUS).split()[1] == "00"
    assert run.world.mains_source() is None
    run.put(COMMAND, "01 CD FF FF FF FF FF FF").until(9)
    run.world.set_shore(connected=True)
    run.until(30)
    assert run.world.mains_source() == "inverter"
    assert run.last(STATUS).split()[1] == "01"


def test_a_heavy_load_makes_it_hot(inverter):
    """Its transistors warm by the square of the load, within minutes; raw 1/32 K above -273."""
    run = inverter().until(3)
    run.world.set_mains_load("oven", 1500.0)
    run.until(1200)
    assert u16(run.last(HOT), 1) / 32 - 273 == pytest.approx(run.world.cabin_c + 45.0, abs=2.0)
    assert run.last(HOT).split()[5:7] == ["FF", "FF"]  # the control board's place is unsure


def test_its_ac_pages_come_every_100_ms(inverter):
    """Two makers: 100 ms; 500 ms for its state."""
    run = inverter().until(5)
    for dgn, first, gap in ((AC, "41", 0.1), (AC, "01", 0.1), (STATUS, "01", 0.5)):
        times = [time for time, data in run.of(dgn) if data.startswith(first) and time > 2]
        assert {round(b - a, 2) for a, b in itertools.pairwise(times)} == {gap}
