"""A solar controller with its panel; published figures with their sources, bytes read by hand."""

import itertools

import pytest

from rvsim.world.solar_panel import cell_c, watts

STATUS, BATTERY, ARRAY, COMMAND = 0x1FEB3, 0x1FE80, 0x1FDFF, 0x19FEB144
NOON = {"day_of_year": 170, "start_hour": 12.0, "cloud_percent": 0.0}


def u16(data: str, place: int) -> int:
    """Read two bytes, low byte first."""
    raw = bytes.fromhex(data)
    return raw[place] + 256 * raw[place + 1]


def device(bench):
    """Return the device itself."""
    return bench.bench.devices[0]


@pytest.fixture
def solar(alone):
    """200 W in the summer's noon, for a battery that is half empty."""

    def put(settings=None, percent=50.0, weather=None, **vehicle):
        return alone(
            "solar_controller",
            settings=settings,
            outdoor_c=20.0,
            weather=NOON | (weather or {}),
            vehicle={"battery": {"start_percent": percent, "capacity_ah": 100.0}, **vehicle},
            solar_controller=1,
        )

    return put


def test_power_is_that_of_the_panel_by_light_and_heat(solar):
    """A flush panel with NOCT 45 runs 18 K hotter (a national laboratory's page); 95 % of its power are charged."""
    run = solar().until(120)
    light = run.world.panel_w_per_m2()
    assert 800 < light < run.world.sun_w_per_m2()
    cells = cell_c(20.0, light, 45.0 + 18.0)
    power = watts(200.0, light, cells)
    assert device(run).available_w == pytest.approx(power)
    assert device(run).volts * device(run).amps == pytest.approx(0.95 * power, rel=1e-3)
    assert device(run).curtailed_w == pytest.approx(0.0, abs=0.2)


def test_its_messages(solar):
    """Bulk: state 2, its current around 1600 A, panel and battery as they are; no temperature without a sensor."""
    run = solar().until(120)
    amps, volts = run.world.charge_amps("solar controller"), run.world.battery_volts
    data = run.last(STATUS)
    assert data.split()[0] == "01"
    assert data.split()[6] == "02"
    assert u16(data, 1) * 0.05 == pytest.approx(volts, abs=0.05)
    assert u16(data, 3) * 0.05 - 1600 == pytest.approx(amps, abs=0.05)
    assert int(data.split()[5], 16) == pytest.approx(200 * amps / 20.0, abs=1)
    battery = run.last(BATTERY)
    assert battery.split()[:3] == ["01", "01", "5A"]  # DC source 1, priority 90 of a gateway maker's appendix
    assert battery.split()[7] == "FF"
    array = run.last(ARRAY)
    panel_w = u16(array, 1) * 0.05 * (u16(array, 3) * 0.05 - 1600)
    assert panel_w * 0.95 == pytest.approx(volts * amps, rel=0.01)
    for dgn, gap in ((BATTERY, 1.0), (ARRAY, 1.0)):
        times = [time for time, _ in run.of(dgn)]
        assert {round(b - a, 2) for a, b in itertools.pairwise(times)} == {gap}


def test_at_night_it_does_nothing(solar):
    """State 0, nothing charged, the panel without voltage; its electronics draw 10 mA."""
    run = solar(weather={"start_hour": 0.5}).until(60)
    assert run.last(STATUS).split()[6] == "00"
    assert u16(run.last(ARRAY), 1) == 0
    assert run.world.battery_amps == pytest.approx(0.01, abs=1e-6)


@pytest.mark.parametrize(("start_hour", "is_first_dark"), [(5.0, True), (16.5, False)])
def test_it_starts_in_the_morning_and_stops_in_the_evening(solar, start_hour, is_first_dark):
    """In March the sun rises after half past five and sets before half past six; it changes once, within 2 hours."""
    run = solar(percent=20.0, weather={"day_of_year": 80, "start_hour": start_hour})
    dark = [device(run.until(600 * step + 60)).stage == 0 for step in range(15)]
    assert dark[0] is is_first_dark
    assert dark[-1] is not is_first_dark
    assert sum(a != b for a, b in itertools.pairwise(dark)) == 1


def test_what_a_full_battery_does_not_take_is_curtailed(solar):
    """In absorption a nearly full battery takes little: the rest of the panel's power is not used."""
    run = solar(percent=99.0).until(1800)
    assert device(run).stage in (3, 6)
    assert device(run).curtailed_w > 100
    assert device(run).array_volts > 18.5 * 0.85  # an unloaded panel goes towards its open voltage
    assert device(run).panel_w + device(run).curtailed_w == pytest.approx(device(run).available_w)


def test_a_cloud_ends_no_float(solar):
    """In float a dark quarter of an hour starts no new bulk where the voltage is within 0.4 V."""
    run = solar(percent=99.5, settings={"panel_w": 400.0}).until(3600)
    assert device(run).stage == 6
    run.world.set_weather(cloud_percent=100.0)
    run.until(3600 + 900)
    assert device(run).stage == 6


def test_tilt_shade_and_its_highest_current(solar):
    """A panel in the shade gives nothing; a large one is held at 20 A; one upright to the south gives less at noon."""
    assert device(solar({"shaded_percent": 100.0}).until(30)).amps == 0
    assert device(solar({"panel_w": 2000.0}).until(60)).amps == pytest.approx(20.0)
    flat, upright = (device(solar({"tilt_deg": tilt, "azimuth_deg": 180.0}).until(60)) for tilt in (0.0, 90.0))
    assert upright.available_w < 0.7 * flat.available_w


def test_it_obeys_disable_enable_and_forced_float(solar):
    """Status 0 stops it; force charge 2 holds float, 0 cancels; another instance is ignored."""
    run = solar().until(30).put(COMMAND, "02 00 FF FF FF FF FF FF")
    assert device(run).stage == 2
    run.put(COMMAND, "01 00 FF FF FF FF FF FF").until(35)
    assert run.last(STATUS).split()[6] == "00"
    run.put(COMMAND, "01 01 2F FF FF FF FF FF").until(40)
    assert run.last(STATUS).split()[6:] == ["06", "2D"]
    run.put(COMMAND, "01 FF 0F FF FF FF FF FF").until(45)
    assert run.last(STATUS).split()[7] == "0D"


@pytest.mark.parametrize(
    ("absorption", "float_volts"),
    # A charge controller maker's manual, sealed and flooded; trade page of a small controller.
    [(14.3, 13.6), (14.8, 13.6), (14.5, 13.7)],
)
def test_set_points_of_other_controllers(solar, absorption, float_volts):
    """What a rig gives is held: a nearly full battery at absorption, then float where it is forced."""
    run = solar({"absorption_volts": absorption, "float_volts": float_volts, "panel_w": 400.0}, percent=90.0).until(120)
    assert device(run).stage == 3
    assert run.world.battery_volts == pytest.approx(absorption, abs=0.01)
    run.put(COMMAND, "01 FF 2F FF FF FF FF FF").until(125)
    run.world.set_load("lamp", 5.0)
    run.until(1000)
    assert run.world.battery_volts == pytest.approx(float_volts, abs=0.01)
