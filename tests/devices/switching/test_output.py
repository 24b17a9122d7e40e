"""One output under every command, and under trips, locks, shedding, interlocks and overrides."""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from rvsim.devices.switching.commands import RAMPS, Code, OutputCommand
from rvsim.devices.switching.output import Output, Trip
from rvsim.rig.switching import OutputPlan

S = 1_000_000


def output(load="lamp", **given):
    """A dimmer, or the output of another load."""
    plan = {"name": "galley light", "module": "m", "terminal": 1, "instance": 21, "load": load, **given}
    return Output(OutputPlan.model_validate(plan))


def told(one, now, code, level=None, **given):
    """Send a command; return whether it was obeyed."""
    return one.obey(now, OutputCommand(code, level, **given))


def run(one, end, start=0):
    """Let the time pass; return the times at which something happened."""
    times = []
    while (due := one.due()) is not None and due <= end:
        assert due >= (times[-1] if times else start)
        times.append(due)
        one.expire(due)
    return times


def test_set_level_is_kept_until_the_next_command():
    """At once, for good; a level that is unchanged is no command."""
    one = output()
    assert told(one, 0, Code.SET_LEVEL, 40.0)
    assert (one.level(0), one.due(), one.last_command) == (40.0, None, Code.SET_LEVEL)
    assert not told(one, S, Code.SET_LEVEL)
    assert told(one, S, Code.SET_LEVEL, 0.0)
    assert one.level(S) == 0.0


def test_a_delay_comes_before_the_level():
    """Set level, on and off; a later command takes its place."""
    one = output()
    told(one, 0, Code.SET_LEVEL, 40.0, delay_us=3 * S)
    assert (one.level(S), one.left_us(S)) == (0.0, 2 * S)
    assert run(one, 10 * S) == [3 * S]
    assert (one.level(3 * S), one.left_us(3 * S)) == (40.0, None)
    told(one, 4 * S, Code.OFF_AFTER, delay_us=5 * S)
    told(one, 5 * S, Code.ON_AFTER, delay_us=5 * S)
    assert run(one, 20 * S) == [10 * S]
    assert one.level(20 * S) == 40.0
    told(one, 20 * S, Code.OFF_AFTER)
    assert one.level(20 * S) == 0.0


def test_on_for_a_duration_goes_off_at_its_end():
    """Without a duration it stays on; with 0 it is the shortest pulse, a tenth of a second."""
    one = output()
    told(one, 0, Code.ON_FOR, 70.0, delay_us=2 * S)
    assert (one.level(0), one.left_us(S)) == (70.0, S)
    assert run(one, 9 * S) == [2 * S]
    assert one.level(2 * S) == 0.0
    told(one, 10 * S, Code.ON_FOR, delay_us=0)
    assert one.level(10 * S) == 70.0
    assert run(one, 20 * S) == [10 * S + 100_000]
    told(one, 20 * S, Code.ON_FOR)
    assert (one.level(90 * S), one.due()) == (70.0, None)


def test_toggle_goes_back_to_the_level_of_before():
    """On to the level it had, off, and on to a level that the command gives; "memory off" keeps the level too."""
    one = output()
    told(one, 0, Code.TOGGLE)
    assert one.level(0) == 100.0
    told(one, 0, Code.SET_LEVEL, 30.0)
    for level in (0.0, 30.0, 0.0):
        told(one, S, Code.TOGGLE)
        assert one.level(S) == level
    told(one, S, Code.TOGGLE, 55.0)
    assert one.level(S) == 55.0
    told(one, S, Code.MEMORY_OFF)
    told(one, S, Code.TOGGLE)
    assert one.level(S) == 55.0


def test_a_ramp_takes_its_time_and_stops_where_it_is_told():
    """By the time of the rig from off to full, or by that of the command; "stop" keeps what it has reached."""
    one = output(ramp="10s")
    told(one, 0, Code.RAMP_UP)
    assert (one.level(0), one.level(5 * S), one.target, one.is_ramping) == (0.0, 50.0, 100.0, True)
    assert len(run(one, 5 * S)) == 25  # five steps a second
    told(one, 5 * S, Code.STOP)
    assert (one.level(9 * S), one.due(), one.is_ramping) == (50.0, None, False)
    told(one, 10 * S, Code.RAMP, 70.0)
    assert one.level(11 * S) == pytest.approx(60.0)
    assert run(one, 60 * S)[-1] == 12 * S
    told(one, 20 * S, Code.RAMP, 20.0, ramp_us=S)
    assert one.level(20_500_000) == pytest.approx(45.0)
    run(one, 60 * S)
    told(one, 30 * S, Code.RAMP, 30.0, delay_us=4 * S)
    assert one.level(32 * S) == pytest.approx(25.0)
    assert run(one, 60 * S)[-1] == 34 * S
    assert not told(one, 61 * S, Code.RAMP)


def test_ramps_up_down_and_toggle():
    """Up to full or to a level above, down to off or to a level below, and each time the other way."""
    one = output(ramp="1s")
    for number, (code, level, reached) in enumerate(
        (
            (Code.RAMP_TOGGLE, None, 100.0),
            (Code.RAMP_TOGGLE, None, 0.0),
            (Code.RAMP_TOGGLE, 60.0, 60.0),
            (Code.RAMP_UP, 80.0, 80.0),
            (Code.RAMP_UP, 40.0, 100.0),
            (Code.RAMP_DOWN, 30.0, 30.0),
            (Code.RAMP_DOWN, None, 0.0),
        )
    ):
        assert told(one, number * 2 * S, code, level)
        run(one, number * 2 * S + S)
        assert one.level(number * 2 * S + S) == reached, code
    told(one, 20 * S, Code.RAMP_UP)
    told(one, 20 * S + 500_000, Code.RAMP_TOGGLE)  # on its way up: down from where it is
    assert one.target == 0.0
    assert one.level(20 * S + 500_000) == pytest.approx(50.0)


def test_down_and_then_up():
    """First to off, then to the level; from off at once up."""
    one = output(ramp="1s")
    told(one, 0, Code.SET_LEVEL, 100.0)
    told(one, 0, Code.RAMP_DOWN_UP, 80.0, ramp_us=2 * S)
    assert one.target == 80.0
    run(one, 2 * S)
    assert one.level(2 * S) == pytest.approx(0.0)
    assert run(one, 60 * S)[-1] == 4 * S
    assert one.level(4 * S) == 80.0
    told(one, 10 * S, Code.SET_LEVEL, 0.0)
    told(one, 10 * S, Code.RAMP_DOWN_UP, ramp_us=2 * S)
    assert one.level(11 * S) == pytest.approx(50.0)


def test_a_load_is_on_or_off_and_does_not_ramp():
    """Half of it is on; commands that ramp are for dimmers."""
    pump = output("pump")
    told(pump, 0, Code.SET_LEVEL, 50.0)
    assert pump.level(0) == 100.0
    for code in RAMPS:
        assert not told(pump, 0, code, 20.0)
    assert (pump.level(0), pump.last_command) == (100.0, Code.SET_LEVEL)


def test_flashing_goes_on_until_another_command():
    """Half a second on, half a second off; a single flash ends by itself and leaves what was before."""
    one = output()
    told(one, 0, Code.FLASH, 60.0)
    assert [one.level(round(at * S)) for at in (0, 0.4, 0.5, 0.9, 1.0)] == [60.0, 60.0, 0.0, 0.0, 60.0]
    assert run(one, 3 * S) == [500_000 * step for step in range(1, 7)]
    assert one.is_on
    told(one, 3 * S, Code.SET_LEVEL, 0.0)
    assert (one.level(3 * S), one.due(), one.is_flashing) == (0.0, None, False)
    told(one, 4 * S, Code.FLASH_ONCE)
    assert one.level(4 * S) == 60.0
    assert run(one, 9 * S) == [4_500_000]
    assert (one.level(5 * S), one.due()) == (0.0, None)


def test_a_locked_output_obeys_unlock_alone():
    """It stays as it was locked."""
    one = output()
    told(one, 0, Code.SET_LEVEL, 40.0)
    assert told(one, 0, Code.LOCK)
    for code in Code:
        if code is not Code.UNLOCK:
            assert not told(one, S, code, 90.0)
    assert (one.level(S), one.last_command, one.is_locked) == (40.0, Code.LOCK, True)
    assert told(one, 2 * S, Code.UNLOCK)
    assert told(one, 2 * S, Code.SET_LEVEL, 90.0)
    assert one.level(2 * S) == 90.0


def test_it_tries_again_and_then_stays_off_until_it_is_commanded_off():
    """After each trip a pause; a command to switch on does not shorten it."""
    one = output(retries=2, retry_after="10s")
    told(one, 0, Code.SET_LEVEL, 100.0)
    now = S
    for _ in range(2):
        one.open_by_trip(now)
        assert (one.level(now), one.trip, one.is_over_current) == (0.0, Trip.WAITING, True)
        told(one, now + S, Code.SET_LEVEL, 100.0)
        assert one.level(now + S) == 0.0
        assert run(one, now + 10 * S)[-1] == now + 10 * S
        assert (one.level(now + 10 * S), one.is_over_current) == (100.0, True)  # tries, and is not good yet
        now += 11 * S
    one.open_by_trip(now)
    assert (one.trip, one.due()) == (Trip.LATCHED, None)
    told(one, now + 99 * S, Code.SET_LEVEL, 100.0)
    assert one.level(now + 99 * S) == 0.0
    told(one, now + 100 * S, Code.SET_LEVEL, 0.0)
    assert (one.trip, one.is_over_current) == (Trip.NONE, False)
    told(one, now + 101 * S, Code.SET_LEVEL, 100.0)
    assert one.level(now + 101 * S) == 100.0


def test_a_ramp_to_off_is_a_command_to_be_off():
    """It ends a trip; down and then up is none, and neither is a ramp to a level. A ramp ends a delay."""
    for code, level, trip in (
        (Code.RAMP_DOWN, None, Trip.NONE),
        (Code.RAMP_DOWN_UP, None, Trip.LATCHED),
        (Code.RAMP, 30.0, Trip.LATCHED),
    ):
        one = output(retries=0)
        told(one, 0, Code.SET_LEVEL, 100.0)
        one.open_by_trip(0)
        told(one, S, Code.OFF_AFTER, delay_us=90 * S)
        told(one, S, code, level)
        assert (one.trip, one.left_us(S)) == (trip, None), code


def test_an_interlock_by_command_stays_until_another_one():
    """A command without it leaves it, one with none ends it."""
    one = output()
    for given, kept in ((1, 1), (None, 1), (2, 2), (0, 0)):
        told(one, 0, Code.SET_LEVEL, 50.0, interlock=given)
        assert one.interlock == kept


def test_a_try_that_lasts_is_good():
    """Then it has all its tries again."""
    one = output(retries=1, retry_after="10s")
    told(one, 0, Code.SET_LEVEL, 100.0)
    one.open_by_trip(0)
    assert run(one, 60 * S) == [10 * S, 20 * S]
    assert not one.is_over_current
    one.open_by_trip(60 * S)
    assert one.trip is Trip.WAITING


def test_off_after_the_delay_of_the_rig():
    """A light that stays on a little; a duration and a ramp end when they end."""
    one = output(delay_off="30s")
    told(one, 0, Code.TOGGLE)
    told(one, S, Code.TOGGLE)
    assert (one.level(30 * S), one.left_us(S)) == (100.0, 30 * S)
    assert run(one, 60 * S) == [31 * S]
    assert one.level(31 * S) == 0.0
    told(one, 40 * S, Code.SET_LEVEL, 0.0)
    assert one.due() is None  # it is off already
    told(one, 50 * S, Code.ON_FOR, delay_us=S)
    run(one, 60 * S)
    assert one.level(51 * S) == 0.0


def test_what_is_set_by_hand_is_above_the_command():
    """The command is kept for afterwards; by hand off ends a trip."""
    one = output()
    one.set_override("on")
    assert one.level(0) == 100.0
    told(one, 0, Code.SET_LEVEL, 30.0)
    assert one.level(0) == 100.0
    one.open_by_trip(S)
    assert one.level(S) == 0.0
    one.set_override("off")
    assert (one.level(S), one.trip) == (0.0, Trip.NONE)
    one.set_override(None)
    assert one.level(S) == 30.0


def test_power_ends_locks_delays_and_trips():
    """It begins at the level that it is given."""
    one = output()
    told(one, 0, Code.SET_LEVEL, 30.0, interlock=1)
    one.open_by_trip(0)
    told(one, 0, Code.LOCK)
    one.power_up(S, 0.0)
    assert (one.level(S), one.due(), one.is_locked, one.trip) == (0.0, None, False, Trip.NONE)
    assert (one.last_command, one.interlock) == (None, 0)


class AnyOutput(RuleBasedStateMachine):
    """Whatever is commanded, and whatever happens to it."""

    def __init__(self) -> None:
        super().__init__()
        self.output = output("lamp", delay_off="2s", retries=2)
        self.now = 0

    @rule(
        code=st.sampled_from(list(Code)),
        level=st.one_of(st.none(), st.integers(0, 200).map(lambda raw: raw / 2)),
        delay=st.one_of(st.none(), st.integers(0, 300).map(lambda seconds: seconds * S)),
        ramp=st.one_of(st.none(), st.integers(0, 250).map(lambda tenths: tenths * 100_000)),
    )
    def command(self, code, level, delay, ramp):
        """A command of any kind."""
        was_locked, before = self.output.is_locked, self.output.wanted(self.now)
        obeyed = told(self.output, self.now, code, level, delay_us=delay, ramp_us=ramp)
        if was_locked and code is not Code.UNLOCK:
            assert not obeyed
            assert self.output.wanted(self.now) == before
        if obeyed:
            assert self.output.last_command is code

    @rule(time=st.integers(1, 400 * S))
    def wait(self, time):
        """Time passes; what is due is never in the past, and comes to an end but for flashing."""
        end = self.now + time
        for _ in range(10_000):
            due = self.output.due()
            if due is None or due > end:
                break
            assert due >= self.now
            self.now = due
            self.output.expire(due)
            assert self.output.due() != due
        else:
            raise AssertionError("it is never done")
        self.now = end

    @rule()
    def trip(self):
        """A trip, which only what conducts can have."""
        if self.output.level(self.now) > 0:
            self.output.open_by_trip(self.now)
            assert self.output.level(self.now) == 0
            assert self.output.is_over_current

    @rule(is_shed=st.booleans(), is_held=st.booleans())
    def module(self, is_shed, is_held):
        """The module sheds it, or an interlock holds it off."""
        self.output.is_shed, self.output.is_held = is_shed, is_held
        if is_held:
            self.output.drop(self.now)

    @rule(by_hand=st.sampled_from(["on", "off", None]))
    def override(self, by_hand):
        """A person at the module."""
        self.output.set_override(by_hand)

    @precondition(lambda self: self.output.last_command is not None)
    @rule(level=st.sampled_from([0.0, 40.0, 100.0]))
    def power(self, level):
        """The power comes back."""
        self.output.power_up(self.now, level)
        assert self.output.wanted(self.now) == level

    @invariant()
    def no_level_against_a_protection(self):
        """Tripped, shed, held and off by hand are off; a level is always one that a load can have."""
        one = self.output
        level = one.level(self.now)
        assert 0.0 <= level <= 100.0
        assert 0.0 <= one.wanted(self.now) <= 100.0
        if one.trip is not Trip.NONE or one.is_shed or one.is_held or one.override == "off":
            assert level == 0.0
        elif one.override == "on":
            assert level == 100.0
        else:
            assert level == one.wanted(self.now)
        if one.trip is Trip.WAITING:
            assert one.due() is not None
        assert one.remembered > 0


TestAnyOutput = AnyOutput.TestCase
TestAnyOutput.settings = settings(max_examples=20, stateful_step_count=25, deadline=None)
