"""The sequence of a burner by time: start, ramp, stop, failed starts, flame-outs, supply, lockout."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rvsim.devices.combustion.burner import Burner, BurnerFault, BurnerFigures, BurnerInputs, BurnerState
from rvsim.wire.frame import SECOND_US as S

FIGURES = BurnerFigures(
    purge_us=5 * S, glow_us=45 * S, flame_us=(10 * S, 10 * S), flame_wait_us=60 * S, stable_us=30 * S, ramp_us=60 * S,
    after_run_us=240 * S, after_glow_us=30 * S, low_output=0.47, tries=2, max_flame_outs=3, max_failed_starts=3,
    min_volts=10.0, max_volts=15.0, supply_us=20 * S,
)  # fmt: skip


class Bench:
    """A burner that is told each second what it gets."""

    def __init__(self, figures: BurnerFigures = FIGURES, memory: dict[str, float] | None = None) -> None:
        self.burner = Burner(figures, lambda limit: limit - 1, memory)
        self.second = 0
        self.inputs: dict[str, Any] = {"wanted": 1.0, "is_switched_on": True, "volts": 12.5}
        self.times: list[tuple[int, str]] = []

    def run(self, until: int, **changed: Any) -> "Bench":
        """Run to a second, with other inputs from now on."""
        self.inputs |= changed
        while self.second <= until:
            before = self.burner.state
            self.burner.step(self.second * S, BurnerInputs(**self.inputs))
            if self.burner.state is not before:
                self.times.append((self.second, str(self.burner.state)))
            self.second += 1
        return self

    def off(self, seconds: int) -> "Bench":
        """Switch off for some seconds, then on again."""
        self.run(self.second + seconds, wanted=0.0, is_switched_on=False)
        return self.run(self.second, wanted=1.0, is_switched_on=True)


def test_a_start_takes_the_times_of_the_table():
    """Purge 5 s, glow to 50 s, flame, part load stable at 90 s, full at 150 s (energy_models.md, workshop data)."""
    bench = Bench().run(60)
    assert bench.times == [(0, "purge"), (5, "glow"), (50, "ignition"), (60, "burning")]
    outputs = {}
    for second in (61, 90, 120, 150, 200):
        outputs[second] = bench.run(second).burner.output
    assert outputs == pytest.approx({61: 0.47, 90: 0.47, 120: 0.735, 150: 1.0, 200: 1.0})


def test_full_load_is_reached_at_150_s_and_not_before():
    """One second earlier it is still on its way."""
    assert 0.98 < Bench().run(149).burner.output < 1


def test_it_burns_at_what_is_wanted_but_not_below_its_lowest():
    """Between lowest and full it follows at once."""
    bench = Bench().run(200, wanted=0.7)
    assert bench.burner.output == pytest.approx(0.7)
    assert bench.run(201, wanted=0.1).burner.output == pytest.approx(0.47)


def test_the_plug_glows_until_the_flame_and_at_the_start_of_the_after_run():
    """45 s and the wait for the flame; then 30 s of the after-run (an air heater maker's repair manual)."""
    bench = Bench()
    glowing = [second for second in range(70) if bench.run(second).burner.is_glowing]
    assert (glowing[0], glowing[-1]) == (5, 59)
    bench.run(200)
    after = [second for second in range(201, 470) if bench.run(second, wanted=0.0).burner.is_glowing]
    assert (after[0], after[-1]) == (201, 230)


def test_the_after_run_goes_on_though_heat_is_wanted_again():
    """A restart waits for its end: 240 s (after 4 to 5 min, the same manual)."""
    bench = Bench().run(200).run(210, wanted=0.0).run(600, wanted=1.0)
    assert bench.times[4:] == [(201, "after-run"), (441, "purge"), (446, "glow"), (491, "ignition"), (501, "burning")]
    assert bench.burner.starts == 2


@pytest.mark.parametrize(("second", "states"), [(3, ["purge", "off"]), (30, ["purge", "glow", "off"])])
def test_before_there_is_fuel_it_just_stops(second, states):
    """No fuel, no after-run."""
    bench = Bench().run(second).run(second + 5, wanted=0.0)
    assert [state for _, state in bench.times] == states


def test_fuel_that_did_not_burn_is_blown_out():
    """Switched off while it waits for the flame, it runs on."""
    assert Bench().run(55).run(60, wanted=0.0).burner.state is BurnerState.AFTER_RUN


def test_two_tries_then_it_is_out():
    """60 s without a flame each, an after-run between them, then the error (two makers' manuals: 2 tries, then off)."""
    bench = Bench()
    bench.burner.failing_tries = -1
    bench.run(1000)
    assert [entry for entry in bench.times if entry[1] in ("ignition", "after-run")] == [
        (50, "ignition"),
        (110, "after-run"),
        (400, "ignition"),
        (460, "after-run"),
    ]
    assert bench.burner.faults == {BurnerFault.IGNITION}
    assert bench.burner.starts == 1
    assert bench.burner.state is BurnerState.OFF


def test_one_failed_try_is_made_good_by_the_second():
    """No error, and the count begins anew."""
    bench = Bench()
    bench.burner.failing_tries = 1
    bench.run(700)
    assert bench.burner.is_lit
    assert not bench.burner.faults
    assert bench.burner.failing_tries == 0


@pytest.mark.parametrize(("seconds", "is_error"), [(1, True), (2, False)])
def test_an_error_ends_when_it_is_off_for_two_seconds(seconds, is_error):
    """A heater maker's repair manual: off for at least 2 s."""
    bench = Bench()
    bench.burner.failing_tries = -1
    bench.run(800)
    bench.run(800 + seconds + 1, wanted=0.0, is_switched_on=False)
    assert bool(bench.burner.error) is is_error


def test_an_error_does_not_end_while_only_the_thermostat_is_satisfied():
    """It has to be switched off."""
    bench = Bench()
    bench.burner.failing_tries = -1
    assert bench.run(800).run(900, wanted=0.0).burner.error is BurnerFault.IGNITION


def test_three_failed_starts_lock_it_out_for_good():
    """Neither off, nor fuel, nor a loss of power helps: a lockout is a safety function."""
    memory: dict[str, float] = {}
    bench = Bench(memory=memory)
    bench.burner.failing_tries = -1
    for _ in range(2):
        bench.run(bench.second + 800).off(5)
        assert not bench.burner.is_locked
    bench.run(bench.second + 800)
    assert bench.burner.faults == {BurnerFault.IGNITION, BurnerFault.LOCKED}
    bench.burner.failing_tries = 0
    bench.off(10).run(bench.second + 500)
    assert bench.burner.faults == {BurnerFault.LOCKED}
    assert bench.burner.state is BurnerState.OFF
    again = Bench(memory=memory).run(500)
    assert again.burner.is_locked
    assert not again.times


def test_a_start_that_succeeds_ends_the_row():
    """Two failed starts, one good one, two more: not locked out."""
    bench = Bench()
    for _ in range(2):
        for _ in range(2):
            bench.burner.failing_tries = -1
            bench.run(bench.second + 800)
            bench.burner.failing_tries = 0
            bench.off(5)
        bench.run(bench.second + 200)
        assert bench.burner.is_lit
        bench.off(400)
    assert not bench.burner.is_locked


def test_a_flame_that_goes_out_is_lit_again_three_times_in_a_row_stop_it():
    """Fuel is away for 5 s each time; the flame lives for 2 s; the third ends it (two makers' manuals)."""
    bench = Bench().run(200)
    outs = 0
    while bench.burner.error is None:
        bench.run(bench.second + 5, fuel=0.0)
        outs += 1
        assert bench.burner.state is BurnerState.AFTER_RUN
        bench.run(bench.second + 400, fuel=1.0)
    assert outs == 3
    assert bench.burner.error is BurnerFault.FLAME_OUT


def test_flame_outs_far_apart_are_not_in_a_row():
    """After a quarter of an hour of flame they are forgotten (our decision)."""
    bench = Bench().run(200)
    for _ in range(4):
        bench.run(bench.second + 5, fuel=0.0).run(bench.second + 1400, fuel=1.0)
        assert bench.burner.is_lit


def test_a_short_gap_of_fuel_is_bridged():
    """The flame lives for 2 s without."""
    assert Bench().run(200).run(201, fuel=0.0).run(202, fuel=1.0).burner.is_lit
    assert not Bench().run(200).run(203, fuel=0.0).run(204, fuel=1.0).burner.is_lit


def test_fuel_that_comes_late_lights_late():
    """The flame comes after 10 s of fuel, not of waiting."""
    bench = Bench().run(49).run(70, fuel=0.0)
    assert bench.burner.state is BurnerState.IGNITION
    assert bench.run(79, fuel=1.0).burner.state is BurnerState.IGNITION
    assert bench.run(82).burner.is_lit


@pytest.mark.parametrize(
    ("volts", "fault"),
    [(9.9, BurnerFault.LOW_SUPPLY), (15.1, BurnerFault.HIGH_SUPPLY), (10.0, None), (15.0, None)],
)
def test_a_supply_outside_its_limits_for_20_s_stops_it(volts, fault):
    """Below 10 V or above 15 V for more than 20 s: off and error (a heater maker's repair manual)."""
    bench = Bench().run(200).run(219, volts=volts)
    assert bench.burner.error is None
    assert bench.run(230).burner.error is fault
    assert bench.burner.is_lit is (fault is None)
    assert not bench.burner.is_locked


def test_a_dip_of_the_supply_is_forgiven():
    """Each time anew: 15 s, a second of good voltage, 15 s."""
    bench = Bench().run(200).run(215, volts=9.0).run(216, volts=12.0).run(231, volts=9.0)
    assert bench.burner.is_lit


def test_the_overheat_limiter_stops_fuel_until_it_has_cooled():
    """Run-down follows; it resets by cooling (a heater maker's workshop manual)."""
    bench = Bench().run(200).run(202, is_too_hot=True)
    assert bench.burner.state is BurnerState.AFTER_RUN
    assert bench.burner.faults == {BurnerFault.TOO_HOT}
    bench.run(800)
    assert bench.burner.state is BurnerState.OFF
    assert bench.run(900, is_too_hot=False).burner.is_lit
    assert not bench.burner.faults


def test_without_air_it_does_not_light():
    """Purging waits for the switch for 30 s, then gives up."""
    bench = Bench().run(30, has_air=False)
    assert bench.burner.state is BurnerState.PURGE
    assert bench.run(40).burner.error is BurnerFault.NO_AIR
    assert Bench().run(20, has_air=False).run(100, has_air=True).burner.is_lit
    assert Bench().run(100).run(101, has_air=False).burner.state is BurnerState.AFTER_RUN


def test_an_error_may_end_by_itself():
    """A gas furnace tries again after an hour."""
    bench = Bench(replace(FIGURES, error_ends_us=3600 * S, tries=3))
    bench.burner.failing_tries = 3
    bench.run(1100)
    assert bench.burner.error is BurnerFault.IGNITION
    assert bench.run(4405).burner.error is BurnerFault.IGNITION  # since 810 s
    bench.run(4411)
    assert bench.burner.error is None
    assert bench.run(4800).burner.is_lit


def test_a_regular_stop_ends_the_row_of_flame_outs():
    """Two, a stop, two more: none too many."""
    bench = Bench().run(200)
    for _ in range(2):
        for _ in range(2):
            bench.run(bench.second + 5, fuel=0.0).run(bench.second + 400, fuel=1.0)
            assert bench.burner.is_lit
        bench.run(bench.second + 300, wanted=0.0).run(bench.second + 200, wanted=1.0)
    assert bench.burner.error is None


SHORT = BurnerFigures(
    purge_us=S, glow_us=2 * S, flame_us=(S, S), flame_wait_us=4 * S, stable_us=2 * S, ramp_us=3 * S, after_run_us=4 * S,
    after_glow_us=2 * S, low_output=0.3, tries=2, max_flame_outs=2, max_failed_starts=2, min_volts=10.0, max_volts=15.0,
    supply_us=3 * S, air_wait_us=3 * S,
)  # fmt: skip


class Restless(Burner):
    """A burner that is never steady: each step goes through its whole sequence."""

    def _find_steady(self) -> bool:
        return False


TOLD: dict[str, list[Any]] = {
    "wanted": [0.0, 0.4, 1.0],
    "is_switched_on": [False, True],
    "volts": [9.0, 12.5, 13.0, 16.0],
    "fuel": [0.1, 1.0],
    "is_too_hot": [False, True],
    "has_air": [False, True],
    "failing_tries": [-1, 0, 1],
}
CHANGES = st.one_of(*(st.tuples(st.just(name), st.sampled_from(values)) for name, values in TOLD.items()))
AT_ONCE = {"purge_us": 0, "glow_us": 0, "flame_us": (9 * S, 9 * S), "flame_wait_us": 0, "after_run_us": 0, "tries": 99}


@settings(max_examples=60)
@given(
    told=st.lists(st.tuples(CHANGES, st.integers(1, 25)), max_size=12),
    other=st.sampled_from([{}, {"error_ends_us": 5 * S}, {"after_run_us": 0}, AT_ONCE]),
)
@example(told=[(("volts", 9.0), 1), (("volts", 12.5), 4), (("volts", 9.0), 2)], other={})
@example(told=[], other=AT_ONCE)
def test_a_steady_burner_that_is_not_touched_does_what_one_does_that_is(told, other):
    """Whatever is changed of what it is told, and how long it lasts: the same signs and the same memory."""
    memories: tuple[dict[str, float], dict[str, float]] = ({}, {})
    kinds = (Burner, Restless)
    both = [kind(replace(SHORT, **other), lambda _: 0, memory) for kind, memory in zip(kinds, memories, strict=True)]
    inputs, now = BurnerInputs(1.0, True, 12.5), 0
    for (name, value), seconds in [(("wanted", 1.0), 12), *told]:
        if name == "failing_tries":
            for burner in both:
                burner.failing_tries = value
        else:
            inputs = inputs._replace(**{name: value})
        for _ in range(seconds):
            now += S
            for burner in both:
                burner.step(now, inputs)
            shown = [(one.signs, one.output, one.is_glowing, one.starts, one.error) for one in both]
            assert shown[0] == shown[1]
            assert memories[0] == memories[1]
