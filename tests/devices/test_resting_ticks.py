"""Calls that rest, against calls of the same device that never do."""

from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.devices.device import Device, Site
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US

SECONDS = 400
CABIN = {"volume_m3": 11.0, "heat_loss_w_per_k": 35.0, "start_c": 60.0}


class Sleeper(Device):
    """Is called each second, and each second while it has something to do."""

    kind = "sleeper"

    def on_start(self):
        """Begin both."""
        self.all_seconds, self.busy_seconds = [], []
        self.busy_until, self.told = 0, []
        self.every(SECOND_US, lambda: self.all_seconds.append(self.now))
        self.ticks = self.every_while_busy(SECOND_US, self._work)

    def _work(self):
        self.busy_seconds.append(self.now)
        return self.now >= self.busy_until

    def on_site_change(self):
        """Note what is told."""
        self.told.append((self.now, self.site.rain, self.site.engine_rpm))

    def work(self, until):
        """Have something to do."""
        self.busy_until = until
        self.ticks.wake()


def bench_of(catalogue, clock, site=None, seed=1):
    """Return a bench with one sleeper, in a cabin that cools by 60 K so that its clock changes."""
    timing = {"clock": clock, "clock_ppm": 0.0 if clock == "exact" else 4000.0}
    device = {"name": "sleeper", "kind": "sleeper", "address": 0x80, "functions": {"tank": 0}, "timing": timing}
    rig = {"schema": 1, "name": "one", "title": "One", "device": [device], "cabin": CABIN}
    return Bench(Rig.model_validate(rig), catalogue, {"sleeper": Sleeper}, site=site, seed=seed)


@settings(max_examples=25)
@given(
    clock=st.sampled_from(["exact", "ceramic", "crystal"]),
    works=st.lists(
        st.tuples(st.integers(5 * SECOND_US, SECONDS * SECOND_US), st.integers(0, 70 * SECOND_US)),
        max_size=5,
        unique_by=lambda work: work[0],
    ),
    seed=st.integers(0, 100),
)
def test_calls_that_rested_go_on_at_the_times_of_calls_that_did_not(catalogue, clock, works, seed):
    """Whatever the clock did meanwhile: awake it is called exactly when the other is, from the next call on."""
    bench = bench_of(catalogue, clock, seed=seed)
    for at, lasts in works:
        bench.plan(at, partial(bench.call_device, "sleeper", lambda sleeper, end=at + lasts: sleeper.work(end)))
    bench.run_until((SECONDS + 100) * SECOND_US)
    (sleeper,) = bench.devices
    starts, expected = sorted(works), []
    until = awake_from = 0
    for now in sleeper.all_seconds:
        for at, lasts in starts:
            if at <= now:
                until, awake_from = at + lasts, now
        starts = [work for work in starts if work[0] > now]
        if now == sleeper.all_seconds[0] or (awake_from and now >= awake_from):
            expected.append(now)
            if now >= until:
                awake_from = 0
    assert sleeper.busy_seconds == expected


def test_a_change_around_the_vehicle_reaches_devices_at_its_time(catalogue):
    """By a plan or between two steps of the bench; a device without power is not told."""
    bench = bench_of(catalogue, "exact")
    site, (sleeper,) = bench.site, bench.devices
    bench.plan(7_300_000, lambda: setattr(site, "rain", True))
    bench.run_until(9_100_000)
    site.engine_rpm = 900.0
    bench.run_until(20 * SECOND_US)
    assert sleeper.told == [(7_300_000, True, 0.0), (9_100_000, True, 900.0)]
    bench.switch_off("sleeper")
    site.rain = False
    bench.run_until(30 * SECOND_US)
    assert len(sleeper.told) == 2


@pytest.mark.parametrize("change", [{"rain": True}, {"engine_rpm": 900.0}, {"shore_power": False}])
def test_each_follower_of_the_site_is_told(change):
    """After the change, whatever it is."""
    site, seen = Site(), []
    site.followers.append(lambda: seen.append((site.shore_power, site.engine_rpm, site.rain)))
    for name, value in change.items():
        setattr(site, name, value)
    expected = {"shore_power": True, "engine_rpm": 0.0, "rain": False} | change
    assert seen == [tuple(expected.values())]
