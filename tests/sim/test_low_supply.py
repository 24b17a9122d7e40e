"""Devices without enough voltage: they stop, and start anew when it is back."""

from itertools import pairwise

import pytest

from rvsim.devices.device import Device
from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.bench import Bench
from rvsim.sim.low_supply import START_DELAY_US
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

SENSORS = {"one": 0x91, "other": 0x92}
DEVICES = [
    {
        "name": name,
        "kind": "ambient",
        "address": address,
        "functions": {"ambient_sensor": number},
        "branch": "rear" if name == "other" else None,
    }
    for number, (name, address) in enumerate(SENSORS.items(), start=1)
]
RIG = {
    "schema": 1,
    "name": "r",
    "title": "R",
    "branch": [{"name": "rear", "wire": {"milliohm": 100.0}}],
    "device": DEVICES,
}


OWN_AMPS = [["0s", 0.0], ["150s", 0.0], ["151s", -5.0]]
"""A source of the user's own that gives nothing at first."""


def started(rig=RIG, weather=None):
    """Return a bench of two sensors, one of them behind a long wire, and the list of its frames."""
    frames = []
    rig = Rig.model_validate(rig)
    bench = Bench(rig, load_catalogue(), kinds_by_name(), weather=weather, on_frame=frames.append)
    bench.run_until(10 * SECOND_US)
    return bench, frames


def senders(frames, since, until):
    """Return the names of the sensors that sent anything between two times, in seconds."""
    sources = {frame.identifier & 0xFF for frame in frames if since * SECOND_US < frame.time <= until * SECOND_US}
    return {name for name, address in SENSORS.items() if address in sources}


def claims(frames, name):
    """Return when a sensor claimed its address, in microseconds."""
    address = SENSORS[name]
    return [
        frame.time
        for frame in frames
        if dgn_of(frame.identifier) == ADDRESS_CLAIM and frame.identifier & 0xFF == address
    ]


def test_a_dark_bus_bar_takes_all_devices_along():
    """They are silent within a second, and claim their addresses anew some seconds after the voltage is back."""
    bench, frames = started()
    bench.world.set_disconnect("switch", open=True)
    bench.run_until(40 * SECOND_US)
    assert senders(frames, 11, 40) == set()
    bench.world.set_disconnect("switch", open=False)
    bench.run_until(60 * SECOND_US)
    assert senders(frames, 40, 60) == set(SENSORS)
    for name in SENSORS:
        first, again = claims(frames, name)
        assert first < SECOND_US
        assert 40 * SECOND_US + START_DELAY_US <= again <= 41 * SECOND_US + START_DELAY_US + SECOND_US
    assert bench.failures == []


def test_a_drop_along_a_wire_takes_what_is_behind_it_along():
    """8 V are lost in 0.1 ohm at 80 A; what is on the bus-bar itself stays on."""
    bench, frames = started()
    bench.world.set_load("other", 80.0)
    assert bench.world.volts_at("other") < 6.0 < bench.world.volts_at("one")
    bench.run_until(40 * SECOND_US)
    assert senders(frames, 11, 12) == {"one"}
    assert len(claims(frames, "one")) == 1
    assert len(claims(frames, "other")) > 1  # without its load the voltage is back, so it starts anew


def test_voltage_that_returns_for_a_moment_does_not_start_a_device():
    """It has to be back for the whole delay."""
    bench, frames = started()
    for second in range(10, 40, 2):
        bench.world.set_disconnect("switch", open=second % 4 == 2)
        bench.run_until((second + 2) * SECOND_US)
    assert [len(claims(frames, name)) for name in SENSORS] == [1, 1]


def test_a_panel_behind_an_open_branch_is_dark():
    """It knows no physics, and its branch feeds it all the same; one without a branch stays on."""
    panels = [
        {"name": name, "kind": "panel", "address": address, "functions": {"thermostat": number}, "branch": branch}
        for number, (name, address, branch) in enumerate((("hall", 0x44, "rear"), ("cab", 0x45, None)), start=1)
    ]
    frames = []
    rig = Rig.model_validate({**RIG, "device": [*DEVICES, *panels]})
    bench = Bench(rig, load_catalogue(), kinds_by_name(), on_frame=frames.append)
    bench.run_until(10 * SECOND_US)
    bench.world.open_branch("person", "rear")
    bench.run_until(40 * SECOND_US)
    heard = {frame.identifier & 0xFF for frame in frames if frame.time > 11 * SECOND_US}
    assert heard == {SENSORS["one"], 0x45}
    bench.world.set_disconnect("switch", open=True)
    bench.run_until(60 * SECOND_US)
    assert {frame.identifier & 0xFF for frame in frames if frame.time > 42 * SECOND_US} == {0x45}
    bench.world.set_disconnect("switch", open=False)
    bench.world.close_branch("person", "rear")
    bench.run_until(70 * SECOND_US)
    assert 0x44 in {frame.identifier & 0xFF for frame in frames if frame.time > 60 * SECOND_US}


@pytest.mark.parametrize("chemistry", ["agm", "lfp"])
def test_a_battery_that_is_empty_does_not_start_them_again_and_again(chemistry):
    """Without loads it has its rest voltage, which the first load would take away: they wait for a source."""
    battery = {"chemistry": chemistry, "capacity_ah": 10.0, "start_percent": 3.0, "start_c": 25.0}
    devices = [device | {"settings": {"electronics_amps": 0.5}} for device in DEVICES]
    monitor = {
        "name": "monitor",
        "kind": "battery_monitor",
        "address": 0x45,
        "functions": {"battery_monitor": 1, "dc_source": 1},
    }
    bench, frames = started({**RIG, "battery": battery, "device": [*devices, monitor]})
    bench.world.set_load("lamp", 10.0)
    bench.run_until(360 * SECOND_US)
    bench.world.set_load("lamp", 0.0)
    bench.run_until(390 * SECOND_US)
    assert bench.world.battery_volts > Device.min_supply_volts
    bench.run_until(600 * SECOND_US)
    assert senders(frames, 361, 600) == set()
    has_frames = any(frame.identifier & 0xFF == 0x45 for frame in frames if frame.time > 361 * SECOND_US)
    assert has_frames is (chemistry == "lfp")  # its electronics are fed by its cells
    bench.world.set_charge("charger", 14.4, 5.0)
    bench.run_until(620 * SECOND_US)
    assert senders(frames, 605, 620) == set(SENSORS)
    assert bench.failures == []


def test_an_empty_battery_feeds_nothing_until_it_has_charge_again():
    """A source that goes at once leaves it as empty as before; one that charges it for a while does not."""
    battery = {"capacity_ah": 10.0, "start_percent": 1.0, "start_c": 25.0}
    devices = [device | {"settings": {"electronics_amps": 0.1}} for device in DEVICES]
    bench, frames = started({**RIG, "battery": battery, "device": devices})
    bench.world.set_load("lamp", 50.0)
    bench.run_until(60 * SECOND_US)
    bench.world.set_load("lamp", 0.0)
    bench.world.set_charge("charger", 14.4, 5.0)
    bench.run_until(90 * SECOND_US)
    bench.world.set_charge("charger", 14.4, 0.0)
    bench.run_until(400 * SECOND_US)
    assert senders(frames, 91, 400) == set()
    bench.world.set_charge("charger", 14.4, 5.0)
    bench.run_until(800 * SECOND_US)
    bench.world.set_charge("charger", 14.4, 0.0)
    bench.run_until(900 * SECOND_US)
    assert bench.world.battery_percent > 2
    assert senders(frames, 890, 900) == set(SENSORS)


@pytest.mark.parametrize("source", ["sun", "engine", "own"])
def test_sun_and_engine_start_a_vehicle_with_an_empty_battery(source):
    """A panel feeds its controller, an engine turns its alternator, a source of one's own gives; the others follow."""
    charging = {
        "sun": {"kind": "solar_controller", "functions": {"solar_controller": 1}},
        "engine": {"kind": "alternator", "functions": {"charger": 0x31}},
        "own": {"kind": "own", "functions": {"dc_load": 9}, "settings": {"amps": {"profile": OWN_AMPS}}},
    }[source]
    rig = {
        **RIG,
        "battery": {"capacity_ah": 10.0, "start_percent": 1.0, "start_c": 25.0},
        "device": [
            *(device | {"settings": {"electronics_amps": 0.1}} for device in DEVICES),
            {"name": source, "address": 0x4B, **charging},
        ],
    }
    night = WeatherPlan(cloud_percent=0.0, day_of_year=172, start_hour=3.0, outdoor_c=20.0)
    bench, frames = started(rig, weather=night)
    bench.world.set_load("lamp", 50.0)
    bench.run_until(60 * SECOND_US)
    bench.world.set_load("lamp", 0.0)
    bench.run_until(120 * SECOND_US)
    assert senders(frames, 61, 120) == set()
    if source == "sun":
        bench.run_until(4 * 3600 * SECOND_US)
    else:
        bench.site.engine_rpm = 2000.0 if source == "engine" else 0.0
        bench.run_until(600 * SECOND_US)
    last = bench.kernel.now // SECOND_US
    assert senders(frames, last - 10, last) == set(SENSORS)
    assert bench.world.battery_percent > 5
    assert bench.failures == []


def test_weak_sun_on_an_empty_battery_does_not_start_them_again_and_again():
    """At dawn the sun first carries a lamp alone; what it cannot carry too stays off until it can, or for minutes."""
    rig = {
        **RIG,
        "battery": {"capacity_ah": 100.0, "start_percent": 0.0, "start_c": 25.0},
        "device": [
            *(device | {"branch": None, "settings": {"electronics_amps": 0.3}} for device in DEVICES),
            {"name": "sun", "kind": "solar_controller", "address": 0x4B, "functions": {"solar_controller": 1}},
        ],
    }
    dawn = WeatherPlan(cloud_percent=50.0, day_of_year=80, start_hour=6.0, latitude_deg=45.0, outdoor_c=25.0)
    bench, frames = started(rig, weather=dawn)
    bench.world.set_load("lamp", 0.5)
    bench.run_until(2 * 3600 * SECOND_US)
    assert bench.world.battery_percent < 2
    assert senders(frames, 7190, 7200) == set(SENSORS)
    for name in SENSORS:
        starts = claims(frames, name)[1:]
        waits = [later - earlier for earlier, later in pairwise(starts)]
        assert len(waits) < 4
        assert all(wait >= number * 300 * SECOND_US for number, wait in enumerate(waits, start=1))
    assert bench.failures == []


def test_an_empty_battery_with_a_weak_charger_tries_again_after_minutes():
    """What was too much may be off by now: the devices start when the charger has held the voltage for a while."""
    battery = {"capacity_ah": 100.0, "start_percent": 0.0, "start_c": 25.0}
    devices = [device | {"branch": None, "settings": {"electronics_amps": 0.1}} for device in DEVICES]
    bench, frames = started({**RIG, "battery": battery, "device": devices})
    bench.world.set_charge("charger", 14.4, 1.0)
    bench.world.set_load("kettle", 50.0)
    bench.run_until(60 * SECOND_US)
    bench.world.remove("kettle")  # as the device of a kettle does that has lost its power
    bench.run_until(300 * SECOND_US)
    assert senders(frames, 12, 300) == set()
    bench.run_until(400 * SECOND_US)
    assert senders(frames, 390, 400) == set(SENSORS)
