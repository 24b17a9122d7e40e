"""An alternator with its regulator; figures with their sources, bytes read by hand."""

import pytest

STATUS, STATUS_2, HEARTBEAT, COMMAND = 0x1FFC7, 0x1FEA3, 0x1FECA, 0x19FFC544
DC_4, DC_6 = 0x19FEC945, 0x19FEC745
VEHICLE = {
    "battery": [
        {"name": "house", "chemistry": "lfp", "capacity_ah": 200.0, "start_percent": 40.0, "start_c": 20.0},
        {"name": "starter", "capacity_ah": 90.0, "start_percent": 70.0},
    ],
    "branch": [{"name": "engine", "battery": "starter"}, {"name": "cable", "wire": {"milliohm": 1.0}}],
}


def u16(data: str, place: int) -> int:
    """Read two bytes, low byte first."""
    raw = bytes.fromhex(data)
    return raw[place] + 256 * raw[place + 1]


@pytest.fixture
def alternator(alone):
    """An alternator of 120 A, type 3 instance 1 (31 hex), at an engine speed."""

    def put(rpm=2000.0, settings=None, branch="cable", instance=0x31):
        run = alone(
            "alternator",
            settings=settings,
            vehicle=VEHICLE,
            plan={"branch": branch},
            shore_power=False,
            charger=instance,
        )
        run.bench.site.engine_rpm = rpm
        return run

    return put


def device(run):
    """Return the device itself."""
    return run.bench.devices[0]


@pytest.mark.parametrize(
    ("rpm", "least", "most"),
    [
        (0.0, 0.0, 0.0),
        (400.0, 0.0, 0.0),
        (600.0, 12.0, 24.0),  # "100 A" machine at 600 to 1000 rpm: 10 to 20 A (a public page)
        (1000.0, 36.0, 60.0),  # 30 to 50 % of newer machines (from memory)
        (3000.0, 110.0, 120.0),
    ],
)
def test_its_current_goes_with_the_speed_of_the_engine(alternator, rpm, least, most):
    """Of 120 A, cold, into a lithium battery that takes all of it."""
    run = alternator(rpm).until(20)
    assert least <= device(run).amps <= most


def test_it_gives_less_when_hot(alternator):
    """Hot it gives 75 to 85 % (from memory), with a time constant of 15 minutes."""
    run = alternator(3000.0).until(15)
    cold = device(run).amps
    run.until(900)
    assert device(run).hot == pytest.approx(0.632 * cold / 120.0, abs=0.06)
    run.until(3000)
    assert 0.75 <= device(run).amps / cold <= 0.85
    assert int(run.last(STATUS_2).split()[7], 16) - 40 > 45


def test_its_messages_have_the_instance_of_an_alternator(alternator):
    """Instance 31 hex, DC source 1, no device priority; the engine pays 1 / 0.67 of the power ((EU) 2017/785)."""
    run = alternator().until(30)
    assert run.last(STATUS).split()[0] == "31"
    assert run.last(STATUS).split()[6] == "02"
    assert run.last(STATUS_2).split()[:3] == ["31", "01", "FF"]
    assert u16(run.last(STATUS), 3) * 0.05 - 1600 == pytest.approx(device(run).amps, abs=0.1)
    assert device(run).engine_w == pytest.approx(device(run).amps * device(run).volts / 0.67)
    assert run.last(HEARTBEAT).startswith("05 4A")


def test_it_starts_with_the_engine_and_stops_with_it(alternator):
    """It ramps up in 10 s and stops at once; the field's 3 A are drawn while it charges."""
    run = alternator(0.0).until(10)
    assert run.last(STATUS).split()[6] == "00"
    assert run.world.battery_amps == pytest.approx(0.005)
    run.bench.site.engine_rpm = 2000.0
    run.until(14)
    some = device(run).amps
    run.until(30)
    assert 0.2 < some / device(run).amps < 0.6
    assert -run.world.battery_amps == pytest.approx(device(run).amps - 3.005, abs=0.01)
    run.bench.site.engine_rpm = 0.0
    run.until(32)
    assert device(run).amps == 0
    assert run.last(STATUS).split()[6] == "00"


@pytest.mark.parametrize(
    ("message", "data"),
    [
        (DC_4, "01 78 01 20 01 00 7D F3"),  # desired state 1: do not charge
        (DC_6, "01 78 01 00 00 FF FF FF"),  # high voltage limit reached
        (DC_6, "01 78 04 00 00 FF FF FF"),  # disconnected at the high voltage limit
        (DC_6, "01 78 00 40 00 FF FF FF"),  # disconnected at the low temperature limit
    ],
)
def test_it_stops_when_the_battery_asks(alternator, message, data):
    """Within the second; not for another battery's monitor, and it goes on when nobody asks any more."""
    run = alternator().until(30)
    run.put(message, "02" + data[2:]).until(33)
    assert device(run).amps > 50
    run.put(message, data, wait=1.2)
    assert device(run).amps == 0
    run.until(60)
    assert device(run).amps > 50


def test_it_gives_no_more_than_the_battery_asks_for(alternator):
    """A desired current of 20 A (0x7E90: 1620 A less 1600) limits it while it is repeated."""
    run = alternator().until(30)
    run.put(DC_4, "01 78 02 20 01 90 7E F3", wait=1.5)
    assert device(run).amps == pytest.approx(20.0)
    run.until(60)
    assert device(run).amps > 50


def test_a_lower_priority_does_not_count(alternator):
    """While the monitor (120) asks it to stop, a charger (80) that asks for bulk changes nothing; later it does."""
    run = alternator().until(30)
    run.put(DC_4, "01 78 01 20 01 00 7D F3").put(DC_4, "01 50 02 20 01 90 7E F3", wait=1.2)
    assert device(run).amps == 0
    run.until(60).put(DC_4, "01 50 02 20 01 90 7E F3").until(73)
    assert device(run).amps == pytest.approx(20.0)
    run.put(DC_4, "01 50 02 20 01 FF FF F3").until(75)  # no data: it takes what comes
    assert device(run).amps > 50


def test_a_request_ends_when_it_is_not_repeated(alternator):
    """After three gaps of its message, 15 s, or ten of the limits, 5 s (our choice)."""
    run = alternator().until(30).put(DC_4, "01 78 01 20 01 00 7D F3").until(44)
    assert device(run).amps == 0
    assert device(run.until(48)).amps > 0
    run = alternator().until(30).put(DC_6, "01 78 01 00 00 FF FF FF").until(34)
    assert device(run).amps == 0
    assert device(run.until(38)).amps > 0


def test_a_setting_makes_it_deaf(alternator):
    """One that does not follow the battery charges on: what opens a lithium battery's protection."""
    run = alternator(settings={"follows_battery": False}).until(30)
    run.put(DC_4, "01 78 01 20 01 00 7D F3", wait=1.2)
    assert device(run).amps > 50


def test_a_plain_one_lets_its_voltage_fall_with_its_current(alternator):
    """14.4 V less 10 mV for each ampere (from memory); its state is 7, constant voltage."""
    run = alternator(settings={"type": "plain"}, branch="engine").until(600)
    assert device(run).volts == pytest.approx(14.4 - 0.01 * device(run).amps, abs=0.03)
    assert run.last(STATUS).split()[6] == "07"
    assert run.last(STATUS_2).split()[1] == "02"  # the starter battery


@pytest.mark.parametrize(("percent", "volts"), [(60.0, 14.8), (95.0, 12.3)])
def test_a_smart_one_saves_fuel_while_its_battery_is_full(alone, percent, volts):
    """From memory: 12.3 to 14.8 V. At the low voltage a full battery carries the loads itself."""
    vehicle = {"battery": {"capacity_ah": 90.0, "start_percent": percent}}
    settings = {"type": "smart", "droop_volts_per_amp": 0.0, "full_amps": 300.0}
    run = alone("alternator", settings=settings, vehicle=vehicle, charger=0x31)
    run.bench.site.engine_rpm = 3000.0
    run.until(60)
    assert device(run).stages.limit_volts == pytest.approx(volts, abs=0.01)
    assert (device(run).amps > 1) is (volts > 13)


def test_it_obeys_disable_and_enable(alternator):
    """Status 0 stops it, 1 takes it up again."""
    run = alternator().until(30).put(COMMAND, "31 00 FF FF FF FF FF FF").until(33)
    assert device(run).amps == 0
    run.put(COMMAND, "31 01 FF FF FF FF FF FF").until(50)
    assert device(run).amps > 50
