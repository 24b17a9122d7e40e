"""Several sources of energy on one bench: the account of the larger shipped van, and a battery that stops a source."""

import pytest

from rvsim.devices.charging.battery_requests import BatteryRequests
from rvsim.devices.device import Site
from rvsim.devices.kinds.inverter import Inverter
from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.errors import InputError
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US

MORNING = WeatherPlan(outdoor_c=17.0, start_hour=9.5, day_of_year=140, cloud_percent=20.0)
START, STOP = bytes.fromhex("01FFFFFFFFFFFFFF"), bytes.fromhex("00FFFFFFFFFFFFFF")
GENERATOR_COMMAND = 0x19FFDA44

SWITCHED = {"awning", "keypad", "load_centre", "lock", "window_shade"}
"""Kinds that switch, light or lock; their tests have their currents."""


@pytest.fixture
def van(catalogue):
    """The larger shipped van without shore power."""
    rig = load_rig("quillhaven", settings_models())
    return Bench(rig, catalogue, kinds_by_name(), weather=MORNING, site=Site(False))


def run(bench: Bench, seconds: float) -> Bench:
    """Run a bench for some seconds more."""
    bench.run_until(bench.now + round(seconds * SECOND_US))
    return bench


def test_the_larger_van_has_twenty_five_devices_and_three_zones(van):
    """On branches of two batteries; of every kind at least one, but those that only switch, light or lock something."""
    assert len(van.devices) >= 25
    assert {device.kind for device in van.devices} == set(kinds_by_name()) - SWITCHED
    assert van.world.zone_names == ["cabin", "bedroom", "garage"]
    assert van.world.battery_names == ["house", "starter"]


def test_its_energy_is_accounted_for(van):
    """In = lost + out + stored within 0.1 %, with sun, engine, inverter and generator in twenty minutes."""
    world = van.world
    before = world.electric_account()
    world.set_mains_load("kettle", 1500.0)
    run(van, 120)
    van.site.engine_rpm = 1900.0
    run(van, 300)
    van.site.engine_rpm = 0.0
    van.send(GENERATOR_COMMAND, START)
    run(van, 400)
    van.send(GENERATOR_COMMAND, STOP)
    run(van, 380)
    after = world.electric_account()
    grown = [new - old for new, old in zip(after, before, strict=True)]
    in_j, lost_j, out_j, stored_j = grown
    assert in_j > 0.9e6
    assert in_j - lost_j - out_j == pytest.approx(stored_j, abs=1e-3 * in_j)
    assert van.failures == []


def test_what_the_generator_burns_is_its_load(van):
    """A kettle of 1000 W more is 1000 / 3500 of a litre an hour more; the charger keeps to its 12 A of 120 V."""
    run(van, 5).send(GENERATOR_COMMAND, START)
    run(van, 120)
    world = van.world
    before, heating = world.fuel_litres_per_h, world.mains_watts("shore charger")
    assert 800.0 < heating <= 12.0 * 120.0 + 1
    world.set_mains_load("kettle", 1000.0)
    run(van, 2)
    assert world.fuel_litres_per_h - before == pytest.approx(1000 / 3500, abs=0.02)


def test_losses_warm_the_garage(van):
    """An inverter that gives 1500 W loses 76 W by its curve: they are heat where it stands, and end with it."""
    van.switch_off("fridge")  # its box takes heat and gives it back
    run(van, 5)
    before = van.world.heat_account().gains_j
    van.world.set_mains_load("kettle", 1500.0)
    run(van, 101)
    lost = van.world.heat_account().gains_j - before
    inverter = next(each for each in van.devices if isinstance(each, Inverter))
    assert lost == pytest.approx(100 * (inverter.input_w - 1500.0), rel=0.1)
    assert 60 < inverter.input_w - 1500.0 < 100
    van.switch_off("inverter")
    after = van.world.heat_account().gains_j
    run(van, 60)
    assert van.world.heat_account().gains_j - after < 300


def test_a_zone_that_the_rig_does_not_have_is_refused(catalogue):
    """With the near one."""
    device = {"name": "x", "kind": "inverter", "address": 0x42, "functions": {"inverter": 1}}
    parts = {"schema": 1, "name": "x", "title": "x", "device": [device | {"settings": {"zone": "cabinn"}}]}
    with pytest.raises(InputError, match=r'device "x", zone: "cabinn" is not a zone .did you mean "cabin".'):
        Bench(Rig.model_validate(parts), catalogue, kinds_by_name())


def lithium_van(catalogue, *, follows: bool) -> Bench:
    """Return a bench with an alternator on a nearly full lithium battery, set too high, and the battery's monitor."""
    settings = {"absorption_volts": 15.3, "float_volts": 15.3, "follows_battery": follows}
    monitor = {"battery_monitor": 1, "dc_source": 1}
    devices = [
        {"name": "bms", "kind": "battery_monitor", "address": 0x45, "functions": monitor},
        {"name": "x", "kind": "alternator", "address": 0x4B, "functions": {"charger": 49}, "settings": settings},
    ]
    battery = {"chemistry": "lfp", "capacity_ah": 100.0, "start_percent": 97.0, "start_c": 20.0}
    parts = {"schema": 1, "name": "x", "title": "x", "device": devices, "battery": battery}
    return Bench(Rig.model_validate(parts), catalogue, kinds_by_name(), site=Site(False, 2500.0))


@pytest.mark.parametrize(("follows", "opens"), [(True, False), (False, True)])
def test_an_alternator_that_follows_the_battery_never_opens_its_protection(catalogue, follows, opens):
    """Set to 15.3 V on lithium: the monitor asks it to stop at 14.6 V; a deaf one goes on until it opens."""
    bench = lithium_van(catalogue, follows=follows)
    opened = False
    for _ in range(600):
        opened |= run(bench, 1).world.battery().charge_is_open
    assert opened is opens


def test_a_battery_that_asks_for_less_is_heard(catalogue):
    """Each DC_SOURCE_STATUS_4 counts, the same as before or another one: 10 A, then 20 A, then stop."""
    spec = catalogue.by_name("DC_SOURCE_STATUS_4")
    requests = BatteryRequests(catalogue, 1, lambda: 1_000_000)
    most = []
    for state, amps in ((2, 10.0), (2, 10.0), (2, 20.0), (1, 20.0), (2, None)):
        current = spec.by_name["desired_dc_current"].sensor_raw(amps)
        head = {"instance": 1, "device_priority": 120, "desired_charge_state": state}
        requests.on_desired(spec.pack(**head, desired_dc_current=current))
        most.append((requests.max_amps(2_000_000), requests.allows(2_000_000)))
    assert most == [(10.0, True), (10.0, True), (20.0, True), (20.0, False), (None, True)]
