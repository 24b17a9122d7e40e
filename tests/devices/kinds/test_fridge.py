"""The fridge: duty and energy by the air around it, and the guard of its battery. On the network it has a heartbeat."""

from itertools import pairwise

import pytest

from rvsim.errors import InputError

HEARTBEAT = 0x1FECA
DAY_S = 86_400


def air_of(celsius):
    """Return a cabin that keeps a temperature, with nobody in it."""
    return {
        "cabin": {"start_c": celsius, "heat_loss_w_per_k": 1000.0, "heat_capacity_j_per_k": 20_000_000.0},
        "people": {"count": 0},
    }


def runs(fridge, seconds):
    """Return whether the compressor runs, after each ten seconds."""
    found = []
    start = fridge.bench.kernel.now / 1e6
    for second in range(10, seconds + 1, 10):
        fridge.until(start + second)
        found.append(fridge.world.battery_amps > 1)
    return found


def fridge_in(alone, celsius, settings=None, **more):
    """Return a fridge in air of a temperature, after its first cycles."""
    return alone("fridge", settings=settings, vehicle=air_of(celsius), outdoor_c=celsius, refrigerator=1, **more).until(
        2 * 3600
    )


@pytest.mark.parametrize(("celsius", "duty"), [(25.0, 0.35), (15.0, 0.175), (32.0, 0.4725), (40.0, 0.6125)])
def test_its_duty_follows_the_air(alone, celsius, duty):
    """0.35 (Ta - 5) / 20 of the time, from a start to a later one."""
    found = runs(fridge_in(alone, celsius), 4 * 3600)
    starts = [number for number, (before, after) in enumerate(pairwise(found), start=1) if after and not before]
    cycles = found[starts[0] : starts[-1]]
    assert sum(cycles) / len(cycles) == pytest.approx(duty, rel=0.04)


def test_a_cycle_lasts_twenty_minutes(alone):
    """At 25 C."""
    found = runs(fridge_in(alone, 25.0), 4 * 3600)
    starts = [number for number, (before, after) in enumerate(pairwise(found)) if after and not before]
    mean_s = 10 * (starts[-1] - starts[0]) / (len(starts) - 1)
    assert mean_s == pytest.approx(1200, rel=0.05)


def test_a_day_takes_less_than_the_label_says(alone):
    """45 W on the label are 13.5 to 18 W on average, 27 to 36 Ah a day at 12 V (a fridge seller's article)."""
    fridge = alone(
        "fridge",
        settings={"electronics_amps": 0.0},
        vehicle=air_of(25.0) | {"battery": {"capacity_ah": 1000.0}},
        outdoor_c=25.0,
        refrigerator=1,
    ).until(3600)
    joules = fridge.world.electric_account()
    fridge.until(3600 + DAY_S / 4)
    watts = 4 * (fridge.world.electric_account().out_j - joules.out_j) / DAY_S
    assert 13.5 < watts < 18
    assert 27 < watts * 24 / 12 < 36


def test_its_temperature_swings_around_five_degrees(alone):
    """Between 4 and 6 C, as a sensor in it would read."""
    fridge = fridge_in(alone, 25.0)
    found = []
    for _ in range(240):
        fridge.until(fridge.bench.kernel.now / 1e6 + 10)
        found.append(fridge.world.inside_c())
    assert min(found) == pytest.approx(4.0, abs=0.1)
    assert max(found) == pytest.approx(6.0, abs=0.1)


def test_what_it_takes_becomes_heat_in_its_zone(alone):
    """Over whole cycles the zone gets the compressor's energy; nothing of it outdoors."""
    fridge = fridge_in(alone, 25.0)
    before = fridge.world.heat_account().gains_j
    fridge.until(2 * 3600 + 4 * 3600)
    watts = (fridge.world.heat_account().gains_j - before) / (4 * 3600)
    assert watts == pytest.approx(0.35 * 45, rel=0.15)
    outside = alone("fridge", settings={"zone": "outdoors"}, refrigerator=1).until(3600)
    assert outside.world.heat_account().gains_j == 0


def test_its_heartbeat(alone):
    """DSA 107; active while the compressor runs; no other message of its own."""
    fridge = fridge_in(alone, 25.0)
    for _ in range(200):
        fridge.until(fridge.bench.kernel.now / 1e6 + 10)
    assert {data[:5] for _, data in fridge.of(HEARTBEAT)} == {"01 6B", "05 6B"}
    assert {dgn for _, dgn, _ in fridge.sent} <= {HEARTBEAT, 0x0EE00}


class Sagging:
    """Loads that bring the voltage at the fridge to what is wanted."""

    def __init__(self, fridge):
        self.fridge = fridge

    def to(self, volts):
        """Sag to a voltage, from above or below, and return what it is."""
        world = self.fridge.world
        low, high = 0.0, 2000.0
        for _ in range(40):
            world.set_load("test", (low + high) / 2)
            low, high = (((low + high) / 2), high) if world.volts_at("fridge") > volts else (low, (low + high) / 2)
        self.fridge.until(self.fridge.bench.kernel.now / 1e6 + 1)
        return world.volts_at("fridge")


@pytest.mark.parametrize(
    ("guard", "off", "on"),
    [({}, 10.4, 11.7), ({"guard_off_volts": 11.3, "guard_on_volts": 12.5}, 11.3, 12.5)],  # makers' manuals
)
def test_the_guard_of_its_battery(alone, guard, off, on):
    """Off below 10.4 V and on above 11.7 V, at its own terminals, a minute later at the earliest; yellow meanwhile."""
    settings, vehicle = {"start_c": 25.0, **guard}, air_of(25.0) | {"battery": {"start_percent": 100.0}}
    fridge = alone("fridge", settings=settings, vehicle=vehicle, outdoor_c=25.0, refrigerator=1).until(20)
    sag = Sagging(fridge)
    assert sag.to(off + 0.1) > off
    assert fridge.bench.devices[0].active("refrigerator")
    assert sag.to(off - 0.1) < off
    assert not fridge.bench.devices[0].active("refrigerator")
    fridge.until(fridge.bench.kernel.now / 1e6 + 6)
    assert fridge.last(HEARTBEAT).split()[0] == "11"
    sag.to(on + 0.1)
    fridge.until(fridge.bench.kernel.now / 1e6 + 30)
    assert not fridge.bench.devices[0].active("refrigerator")
    sag.to(on - 0.1)
    fridge.until(fridge.bench.kernel.now / 1e6 + 90)
    assert not fridge.bench.devices[0].active("refrigerator")
    sag.to(on + 0.1)
    fridge.until(fridge.bench.kernel.now / 1e6 + 6)
    assert fridge.bench.devices[0].active("refrigerator")
    assert fridge.last(HEARTBEAT).split()[0] == "05"


def test_it_becomes_warm_while_it_is_guarded(alone):
    """8 K above its set point it reports that too; not while it cools down after it was switched on warm."""
    settings = {"guard_off_volts": 14.0, "guard_on_volts": 15.0}  # more than its battery has
    fridge = alone("fridge", settings=settings, vehicle=air_of(25.0), outdoor_c=25.0, refrigerator=1)
    fridge.until(2 * 3600)
    assert fridge.world.inside_c() > 13
    spns = {tuple(data.split()[2:5]) for _, data in fridge.of(HEARTBEAT)}
    assert len(spns) == 2  # the guard, and too warm in turn with it
    warm = alone("fridge", settings={"start_c": 25.0}, vehicle=air_of(25.0), outdoor_c=25.0, refrigerator=1)
    assert {data[:2] for _, data in warm.until(1200).of(HEARTBEAT)} <= {"01", "05"}


def test_a_compressor_rests(alone):
    """A minute at least between two runs, however narrow its band."""
    fridge = fridge_in(alone, 32.0, {"band_k": 0.2, "cycle_min": 1.0})
    found = []
    for _ in range(1200):
        fridge.until(fridge.bench.kernel.now / 1e6 + 1)
        found.append(fridge.world.battery_amps > 1)
    stops = [number for number, (before, after) in enumerate(pairwise(found)) if before and not after]
    starts = [number for number, (before, after) in enumerate(pairwise(found)) if after and not before]
    assert all(start - stop >= 59 for stop in stops for start in [next((s for s in starts if s > stop), stop + 60)])
    assert len(stops) > 3


def test_what_is_refused(alone):
    """A zone that is none, and a guard without a band."""
    with pytest.raises(InputError, match='device "fridge": "galley" is not a zone; the zones are cabin, outdoors'):
        alone("fridge", settings={"zone": "galley"}, refrigerator=1)
    with pytest.raises(ValueError, match="the compressor would start as soon as it has stopped"):
        alone("fridge", settings={"guard_on_volts": 10.0}, refrigerator=1)


def test_it_gives_everything_back(alone):
    """Taken off the bench it draws nothing, warms nothing, and is no cold place any more."""
    fridge = fridge_in(alone, 25.0)
    fridge.bench.devices[0].on_stop()
    assert fridge.world.battery_amps == 0
    assert fridge.world.inside_c() is None
    before = fridge.world.heat_account().gains_j
    fridge.world.advance(fridge.bench.kernel.now + 60_000_000)
    assert fridge.world.heat_account().gains_j == before


def test_a_restart_leaves_it_cold_or_warm(alone):
    """A loss of power of seconds changes nothing inside."""
    fridge = alone("fridge", settings={"start_c": 20.0}, vehicle=air_of(25.0), outdoor_c=25.0, refrigerator=1).until(
        600
    )
    before = fridge.world.inside_c()
    assert before < 19
    fridge.bench.switch_off("fridge")
    fridge.until(605)
    fridge.bench.switch_on("fridge")
    assert fridge.until(620).world.inside_c() == pytest.approx(before, abs=0.1)
