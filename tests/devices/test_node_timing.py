"""How a simulated device keeps time: figures worked out by hand, and what a rig says of it on a bench."""

from functools import partial
from itertools import pairwise

import pytest

from rvsim.devices.node_timing import NodeTiming, temperature_error_ppm
from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.rig.timing import TimingPlan
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

EXACT = {"clock": "exact", "jitter": "0s", "busy": "0s", "start": "0s"}
TANK, CLAIM = 0x1FFB7, 0x0EE00


def timing(seed=1, name="node", celsius=25.0, **given):
    """Return a timing as a rig would give it."""
    return NodeTiming(TimingPlan.model_validate(given), seed, name, lambda: celsius)


@pytest.fixture
def tank(catalogue):
    """Return the times at which a tank sensor sends a status or another DGN: ``tank(timing, seconds)``."""

    def go(given, seconds, dgn=TANK, seed=1, cabin_c=25.0, switched=()):
        times = []
        device = {"name": "tank", "kind": "tank", "address": 0x48, "functions": {"tank": 0}, "timing": given}
        rig = {"schema": 1, "name": "a", "title": "A", "device": [device], "cabin": {"start_c": cabin_c}}

        def note(frame):
            if dgn_of(frame.identifier) == dgn:
                times.append(frame.time)

        bench = Bench(Rig.model_validate(rig), catalogue, kinds_by_name(), seed=seed, on_frame=note)
        for time, switch in switched:
            bench.plan(time, partial(getattr(bench, switch), "tank"))
        bench.run_until(round(seconds * SECOND_US))
        return times

    return go


def gaps(times):
    """The times between frames, in microseconds."""
    return [later - time for time, later in pairwise(times)]


def test_the_error_of_a_clock_by_temperature():
    """By hand: 60 K above 25 °C a crystal is -10.8 + 21.6 ppm off, a resonator 0.9 x 3600 ppm slow."""
    assert temperature_error_ppm("crystal", 85.0) == pytest.approx(10.8)
    assert temperature_error_ppm("crystal", -35.0) == pytest.approx(-10.8)
    assert temperature_error_ppm("ceramic", 85.0) == temperature_error_ppm("ceramic", -35.0) == pytest.approx(-3240.0)
    assert {temperature_error_ppm(clock, 25.0) for clock in ("crystal", "ceramic", "exact")} == {0.0}
    assert temperature_error_ppm("exact", 85.0) == 0.0


def test_crystals_are_within_50_ppm():
    """Tolerance and temperature together, from -40 to 85 °C."""
    tolerances = [timing(seed).clock_ppm for seed in range(200)]
    assert 25 < max(tolerances) <= 30
    assert -30 <= min(tolerances) < -25
    assert max(abs(temperature_error_ppm("crystal", celsius)) for celsius in range(-40, 86)) < 20


def test_a_fast_clock_makes_gaps_shorter():
    """By hand: 5 s by a clock that is 100 ppm fast are over after 5 000 000 / 1.0001 = 4 999 500 us."""
    assert timing(clock_ppm=100.0).own_times[5_000_000] == 4_999_500
    assert timing(clock_ppm=-100.0).own_times[5_000_000] == 5_000_500
    assert timing(clock="exact").own_times[5_000_000] == 5_000_000


def test_a_clock_follows_the_temperature():
    """At -35 °C a crystal without a tolerance is 10.8 ppm slow; it looks again each minute."""
    cold = timing(celsius=-35.0, clock_ppm=0.0)
    assert cold.own_times[100_000_000] == 100_000_000
    assert cold.follow_temperature() == 60_000_000
    assert cold.own_times[100_000_000] == 100_001_080
    assert timing(clock="exact").follow_temperature() is None


def test_delays_are_within_jitter_but_for_busy_moments():
    """One in four is due in a busy moment, any time of it, and waits for its end; the others are evenly late."""
    late = timing(jitter="1ms", busy="20ms", busy_every="80ms")
    delays = [late.leaves(7) - 7 for _ in range(499)]
    late = [delay for delay in delays if delay > 1_000]
    assert 0.18 < len(late) / len(delays) < 0.32
    assert 18_000 < max(late) <= 20_000
    jitter = sorted(delay for delay in delays if delay <= 1_000)
    assert 400 < jitter[len(jitter) // 2] < 600
    prompt = timing(jitter="0s", busy="0s")
    assert {prompt.leaves(7) for _ in range(499)} == {7}


def test_a_seed_gives_each_device_its_own_timing():
    """The same again for the same seed and name; a given figure leaves the others as they are drawn."""

    def figures(**given):
        found = timing(**given)
        return found.clock_ppm, found.start_us, [found.leaves(0) for _ in range(20)]

    assert figures() == figures()
    assert figures(seed=2) != figures() != figures(name="other")
    assert figures(clock_ppm=7.0)[1:] == figures()[1:]
    assert figures(start="0s")[2] == figures()[2]


def test_delays_do_not_add_up(tank):
    """Each message is late by up to 0.2 s, and after 99 gaps of 5 s it is still as late as that."""
    times = tank({**EXACT, "jitter": "200ms"}, 500)
    found = gaps(times)
    assert len(times) == 100
    assert min(found) < 4_900_000 < 5_100_000 < max(found)
    assert abs(times[-1] - times[0] - 99 * 5_000_000) <= 200_000


def test_a_clock_error_adds_up(tank):
    """At 25 °C, 1000 ppm slow: 5.005 s a gap."""
    times = tank({**EXACT, "clock": "crystal", "clock_ppm": -1000.0}, 60, cabin_c=25.0)
    assert gaps(times) == pytest.approx([5_005_005] * (len(times) - 1), abs=60)  # the cabin gets colder: some ppm


def test_a_device_with_a_main_loop_sends_at_its_turns(tank):
    """Turns of 0.7 s: 5 s are 7.14 turns, so gaps are 7 or 8 turns and 5 s on average."""
    times = tank({**EXACT, "loop": "700ms"}, 500)
    assert {round(gap, -4) for gap in gaps(times)} == {4_900_000, 5_600_000}  # its heartbeat can come first
    assert abs(times[-1] - times[0] - (len(times) - 1) * 5_000_000) <= 701_000


def test_a_device_starts_after_its_time(tank):
    """Its claim comes then, at power-on and each time it gets its power back; its status 250 ms later at least."""
    given = {**EXACT, "start": "2s"}
    switched = [(20 * SECOND_US, "switch_off"), (30 * SECOND_US, "switch_on")]
    claims = tank(given, 60, dgn=CLAIM, switched=switched)
    assert [time // 1000 for time in claims] == [2_000, 32_000]
    assert min(tank(given, 10)) > 2_250_000
    assert 50_000 < tank({}, 10, dgn=CLAIM)[0] < 301_000


def test_a_device_that_loses_its_power_before_it_has_started_does_not_start(tank):
    """Switched off after one of its two seconds, on at 10 s: it claims at 12 s alone."""
    switched = [(SECOND_US, "switch_off"), (10 * SECOND_US, "switch_on")]
    claims = tank({**EXACT, "start": "2s"}, 30, dgn=CLAIM, switched=switched)
    assert [time // 1000 for time in claims] == [12_000]


def test_a_loop_that_is_longer_than_the_gap_sends_once_a_turn(alone):
    """A message each 100 ms of a device whose loop takes 0.3 s: none is made good."""
    settings = {"message": [{"message": "DC_LOAD_STATUS", "gap": "100ms"}]}
    device = alone("own", settings=settings, plan={"timing": {**EXACT, "loop": "300ms"}}, dc_load=1).until(30)
    times = [round(time * SECOND_US) for time, _ in device.of(0x1FFBD)]
    assert {round(gap, -4) for gap in gaps(times)} == {300_000}


def test_a_device_that_is_not_ready_receives_nothing(alone):
    """A command before its start is lost."""
    settings = {
        "message": [{"message": "DC_LOAD_STATUS", "fields": {"operating_status": 10.0}, "gap": "1s"}],
        "answer": [
            {"command": "DC_LOAD_COMMAND", "sets": {"desired_operating_level": "DC_LOAD_STATUS.operating_status"}}
        ],
    }
    plan = {"timing": {**EXACT, "start": "2s"}}
    device = alone("own", settings=settings, plan=plan, dc_load=1).until(1)
    before = device.put(0x19FFBC44, "01 FF C8 FF FF FF FF FF").until(5).last(0x1FFBD)
    after = device.put(0x19FFBC44, "01 FF C8 FF FF FF FF FF").until(8).last(0x1FFBD)
    assert before != after
