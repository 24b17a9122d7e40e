"""Devices that lose their power and get it back."""

import itertools

import pytest

from rvsim.devices.kinds.roof_fan import RoofFan
from rvsim.devices.registry import kinds_by_name
from rvsim.wire.frame import SECOND_US


def test_a_device_without_power_does_nothing_and_starts_as_new(run):
    """It sends nothing, its burner is out and it takes no current; then it claims its address and knows no command."""
    bench, frames = run(5)
    bench.send(0x19FFE344, bytes.fromhex("0101C8C8FFFFFFFF"))
    bench.run_until(80 * SECOND_US)  # its start takes a minute
    assert bench.world.fuel_litres_per_h > 0
    amps = bench.world.battery_amps
    before = len(frames)
    bench.switch_off("heater")
    assert bench.world.fuel_litres_per_h == 0
    assert bench.world.battery_amps < amps, "which no longer gives what the heater took"
    bench.plan(85 * SECOND_US, lambda: bench.send(0x18EAFFF9, bytes.fromhex("E4FF01")))  # who has a furnace?
    bench.run_until(90 * SECOND_US)
    assert not [f for f in frames[before:] if f.identifier & 0xFF == 0x5E]
    before = len(frames)
    bench.switch_on("heater")
    bench.run_until(92 * SECOND_US)
    mine = [f for f in frames[before:] if f.identifier & 0xFF == 0x5E]
    assert mine[0].identifier == 0x18EEFF5E
    claims = [f.data for f in frames if f.identifier == 0x18EEFF5E]
    assert set(claims) == {mine[0].data}, "it has the NAME that it had"
    assert [f.data[3] for f in mine if f.identifier == 0x19FFE45E][:1] == [0], "nobody has asked it for heat yet"


def test_power_is_back_when_everybody_who_took_it_has_given_it(run):
    """Twice taken, once given is not enough."""
    bench, frames = run(5)
    bench.switch_off("heater")
    bench.switch_off("heater")
    bench.switch_on("heater")
    before = len(frames)
    bench.run_until(20 * SECOND_US)
    assert not [f for f in frames[before:] if f.identifier & 0xFF == 0x5E]
    bench.switch_on("heater")
    bench.run_until(25 * SECOND_US)
    assert [f for f in frames if f.identifier & 0xFF == 0x5E and f.time > 20 * SECOND_US]


def test_old_timers_of_a_device_without_power_are_over(run):
    """After several changes it sends as often as before, not more often."""
    bench, frames = run(5)
    for second in range(6, 12, 2):
        bench.switch_off("heater")
        bench.run_until(second * SECOND_US)
        bench.switch_on("heater")
    bench.run_until(72 * SECOND_US)
    times = [f.time / SECOND_US for f in frames if f.identifier == 0x19FFE45E and f.time > 12 * SECOND_US]
    assert all(later - time > 4.9 or later - time < 0.1 for time, later in itertools.pairwise(times))
    assert 11 <= len(times) <= 20


def test_a_device_that_was_taken_out_gets_no_power_again(run):
    """A restart does not bring back a device that has raised."""
    bench, frames = run(5)
    bench.call_device("heater", lambda device: 1 / 0)
    bench.switch_off("heater")
    bench.switch_on("heater")
    before = len(frames)
    bench.run_until(20 * SECOND_US)
    assert not [f for f in frames[before:] if f.identifier & 0xFF == 0x5E]


def test_what_a_device_takes_ends_with_its_power_whatever_it_does(run):
    """Also of a kind that does not set its load to 0 itself; with the power its planned load is back."""

    class Careless(RoofFan):
        def on_stop(self):
            """Do not set the load to 0."""

        def on_start(self):
            """Say nothing of what it takes."""

    bench, _ = run(5, kinds={**kinds_by_name(), "roof_fan": Careless})
    with_it = bench.world.battery_amps
    bench.switch_off("roof fan")
    without = bench.world.battery_amps
    bench.switch_on("roof fan")
    assert without < with_it == pytest.approx(bench.world.battery_amps)
