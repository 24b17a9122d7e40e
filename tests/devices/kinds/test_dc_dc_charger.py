"""A charger from the starter battery into the house battery; voltages of two makers' manuals, bytes read by hand."""

import pytest

from rvsim.errors import InputError

STATUS, STATUS_2, COMMAND, DC_4, DM1 = 0x1FFC7, 0x1FEA3, 0x19FFC544, 0x19FEC945, 0x0FECA
BRANCH = {"name": "feed", "battery": "starter", "wire": {"milliohm": 4.0}}


def vehicle(ah: float = 90.0, percent: float = 90.0, **branch) -> dict:
    """Return a vehicle with two batteries."""
    house = {"name": "house", "chemistry": "lfp", "capacity_ah": 200.0, "start_percent": 40.0}
    starter = {"name": "starter", "capacity_ah": ah, "start_percent": percent}
    return {"battery": [house, starter], "branch": [{**BRANCH, **branch}]}


@pytest.fixture
def charger(alone):
    """One of 30 A, with an alternator that holds a voltage at the starter battery."""

    def put(volts=None, settings=None, parts=None, plan=None):
        run = alone(
            "dc_dc_charger",
            settings=settings,
            vehicle=vehicle() if parts is None else parts,
            plan={"branch": "feed"} if plan is None else plan,
            shore_power=False,
            charger=3,
        )
        hold(run, volts)
        return run

    return put


def hold(run, volts):
    """Hold a voltage at the starter battery, or nothing."""
    run.world.set_charge("engine", volts or 14.0, 300.0 if volts else 0.0, "starter")


def device(run):
    """Return the device itself."""
    return run.bench.devices[0]


@pytest.mark.parametrize(("volts", "runs"), [(13.15, False), (13.25, True)])
def test_it_starts_above_13_2_volts(charger, volts, runs):
    """By voltage alone (two charger makers' manuals)."""
    run = charger(volts).until(10)
    assert (device(run).amps > 0) is runs
    assert (run.last(STATUS).split()[6] == "02") is runs


@pytest.mark.parametrize(("rpm", "volts", "runs"), [(800.0, 12.35, True), (800.0, 12.25, False), (0.0, 14.0, False)])
def test_with_its_ignition_wire_it_starts_above_12_3_volts(charger, rpm, volts, runs):
    """A smart alternator's low voltage is enough; without the engine no voltage is."""
    run = charger(volts, {"ignition_wire": True, "full_amps": 1.0}, vehicle(percent=20.0))
    run.bench.site.engine_rpm = rpm
    run.until(10)
    assert (device(run).amps > 0) is runs


def test_what_it_gives_and_what_it_takes(charger):
    """30 A into the house battery; the starter battery's side gives 1 / 0.9 of that power, behind its wire."""
    run = charger(14.2).until(60)
    starter, house = run.world.battery("starter"), run.world.battery("house")
    assert -house.amps == pytest.approx(30.0)
    taken = starter.charge_amps("engine") + starter.amps - 0.01
    assert device(run).input_volts == pytest.approx(starter.volts - 0.004 * (taken + 0.01), abs=1e-3)
    assert taken * device(run).input_volts == pytest.approx(30.0 * house.volts / 0.9, rel=1e-3)
    data = run.last(STATUS_2)
    assert data.split()[:3] == ["03", "01", "FF"]
    assert (bytes.fromhex(data)[5] + 256 * bytes.fromhex(data)[6]) * 0.05 - 1600 == pytest.approx(30.0)


def test_it_rests_every_three_minutes_and_looks(charger):
    """5 s without current after 3 min; with the engine off it goes on above 12.8 V only, and stops below."""
    run = charger(14.2)
    resting = [second for second in range(1, 400) if not device(run.until(second)).amps and second > 10]
    assert len(resting) in (10, 11)
    assert resting[0] == pytest.approx(182, abs=3)
    assert device(run).stage == 2  # a rest ends no stage
    hold(run, None)
    run.until(1800)
    assert device(run).stage == 0
    assert run.world.battery("starter").percent > 75


def test_it_gives_less_below_11_5_and_stops_below_10_5_volts(charger):
    """Under load, at its input: a thin wire lets it give what holds it above 10.5 V."""
    run = charger(14.0, {"full_amps": 60.0}, vehicle(wire={"milliohm": 60.0})).until(60)
    assert 10.5 < device(run).input_volts < 11.5
    assert 20.0 < device(run).amps < 55.0
    wanted = device(run).input_volts - 10.5
    assert device(run).amps / 60.0 == pytest.approx(wanted, abs=0.05)
    weak = charger(13.4).until(20)
    weak.world.set_disconnect("switch", open=True, battery="starter")
    hold(weak, 10.4)
    assert device(weak.until(22)).stage == 2
    weak.until(60)
    assert device(weak).stage == 0
    assert int(weak.last(DM1).split()[4], 16) & 0x1F == 4


def test_it_stops_above_16_and_goes_on_below_15_5_volts(charger):
    """An alternator without regulation."""
    parts = vehicle(percent=100.0)
    run = charger(15.9, parts=parts).until(30)
    assert device(run).amps > 0
    for volts, runs in ((16.2, False), (15.7, False), (15.3, True)):
        hold(run, volts)
        run.until(run.bench.kernel.now / 1e6 + 300)
        assert (device(run).amps > 0) is runs
        assert run.last(DM1).startswith("00") is runs
    assert {int(data.split()[4], 16) & 0x1F for _, data in run.of(DM1) if not data.startswith("00")} == {3}


def test_it_obeys_its_command_and_the_battery(charger):
    """Disabled it gives nothing; the monitor of the house battery can ask it to stop."""
    run = charger(14.2).until(20).put(COMMAND, "03 00 FF FF FF FF FF FF").until(22)
    assert device(run).amps == 0
    run.put(COMMAND, "03 01 FF FF FF FF FF FF").until(30)
    assert device(run).amps > 0
    run.put(DC_4, "01 78 01 20 01 00 7D F3", wait=1.2)
    assert device(run).amps == 0


def test_it_needs_two_batteries(charger):
    """One that would charge a battery from itself is refused, as is a battery that the rig does not have."""
    with pytest.raises(InputError, match="it would charge house from house"):
        charger(plan={})
    with pytest.raises(InputError, match=r'to_battery: the rig has no battery "hause".*did you mean "house"'):
        charger(settings={"to_battery": "hause"})
