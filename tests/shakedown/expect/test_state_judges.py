"""Each expectation about values, presence, flags and the pair, met and broken."""

from rvsim.watch.bus.bus_load import BusLoad
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.transitions import Presence
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import Collided, Disturbed

SIGHT = {"message": "THERMOSTAT_AMBIENT_STATUS"}


class Vehicle:
    """A vehicle with a cabin."""

    def __init__(self, celsius):
        self.cabin_c = celsius


def test_a_value_of_the_vehicle(case):
    """At each second of its part, or at some."""

    def go(*celsius, **more):
        one = case("world", value="cabin", at_least=18.0, **more)
        for second, value in enumerate(celsius):
            one.judge.observe_second(second * SECOND_US, Vehicle(value))
        return one.end(len(celsius))

    assert go(18, 19, 20) is None
    assert go(18, 17.5, 20) == (1, "17.5 °C at 1.000 s")
    assert go(18, 17.5, 20, **{"from": "2s"}) is None
    assert go(10, 12, 18.5, once=True) is None
    assert go(10, 17.25, 12, once=True) == (3, "never by 3.000 s; the nearest value was 17.25 °C")
    between = {"once": True, "at_most": 20.0}
    assert go(10, 21.5, 30, **between) == (3, "never by 3.000 s; the nearest value was 21.5 °C")
    assert go(30, 21.5, 10, **between) == (3, "never by 3.000 s; the nearest value was 21.5 °C")


def test_a_value_just_beyond_a_bound_is_told_as_beyond_it(case):
    """Four digits would say 18, which is at least 18, and three a rate of 0.2."""
    world = case("world", value="cabin", at_least=18.0)
    world.judge.observe_second(SECOND_US, Vehicle(17.99996))
    assert world.end() == (1, "17.99996 °C at 1.000 s")
    once = case("world", value="cabin", at_least=18.0, once=True)
    once.judge.observe_second(SECOND_US, Vehicle(17.99996))
    assert once.end(2) == (2, "never by 2.000 s; the nearest value was 17.99996 °C")
    rate = case("rate", sight=SIGHT, at_least=0.2, until="60.01s").sensor(*range(0, 60, 5))
    assert rate.end(61)[1] == "seen 12 times in 60.01 s: 0.19997 times a second"


# The roll call, flags, wires.


def test_presence(case):
    """At some time in its part, or throughout; the state at its beginning counts."""

    def go(*changes, **more):
        one = case("presence", device="heater", state="silent", **more)
        for seconds, device, state in changes:
            one.judge.observe_presence(round(seconds * SECOND_US), device, Presence(state))
        return one.end()

    assert go((1, "heater", "present"), (20, "heater", "silent"), (30, "heater", "present")) is None
    assert go((1, "heater", "present"), (20, "pump", "silent")) == (60, "it was present at 60.000 s")
    assert go() == (60, "it was never seen at 60.000 s")
    part = {"from": "25s", "until": "29s", "throughout": True}
    assert go((20, "heater", "silent"), (30, "heater", "present"), **part) is None
    assert go((20, "heater", "silent"), (28, "heater", "present"), **part) == (28, "present at 28.000 s")
    assert go((26, "heater", "silent"), **part) == (25, "not seen yet at 25.000 s")


def test_the_state_at_the_end_of_its_part_is_told(case):
    """Not the one that came after it."""
    one = case("presence", device="heater", state="silent", until="30s")
    one.judge.observe_presence(SECOND_US, "heater", Presence.PRESENT)
    one.judge.observe_presence(30 * SECOND_US, "heater", Presence.SILENT)
    assert one.end() == (30, "it was present at 30.000 s")


def flag(number, since, kind=FlagKind.SILENT_DEVICE, subject="heater", until=None):
    """A flag, times in seconds."""
    end = None if until is None else until * SECOND_US
    return Flag(number, kind, subject, Severity.FAULT, since * SECOND_US, "gone", "look", until=end)


def flags(case, *changes, **more):
    """Tell a judge of flags: (seconds, flag)."""
    one = case("flag", **more)
    for seconds, changed in changes:
        one.judge.observe_flag(seconds * SECOND_US, changed)
    return one.end()


def test_a_flag_is_raised(case):
    """Of the kind and subject that are named, in its part or standing when that begins."""
    wanted = {"kind": "silent-device", "subject": "heater"}
    assert flags(case, (20, flag(1, 20)), **wanted) is None
    assert flags(case, (20, flag(1, 20, subject="pump")), **wanted) == (60, "not raised by 60.000 s")
    assert flags(case, (20, flag(1, 20, FlagKind.LATE_MESSAGE)), **wanted) == (60, "not raised by 60.000 s")
    assert flags(case, (20, flag(1, 20)), **wanted, **{"from": "30s"}) is None
    assert flags(case, (20, flag(1, 20)), (25, flag(1, 20, until=25)), **wanted, **{"from": "30s"}) is not None
    assert flags(case, (40, flag(1, 40)), **wanted, until="40s") is not None


def test_a_flag_that_ends_in_the_part_was_raised_in_it(case):
    """It stood when the part began; one that ended at that very moment did not."""
    wanted = {"kind": "silent-device", "from": "30s"}
    assert flags(case, (20, flag(1, 20)), (31, flag(1, 20, until=31)), **wanted) is None
    assert flags(case, (20, flag(1, 20)), (30, flag(1, 20, until=30)), **wanted) == (60, "not raised by 60.000 s")


def test_a_flag_that_should_not_be_is_known_at_once(case):
    """Not only at the end: what was on the bus is kept then."""
    one = case("flag", raised=False)
    one.judge.observe_flag(20 * SECOND_US, flag(1, 20))
    assert one.failures


def test_a_flag_is_cleared(case):
    """By the end of its part."""
    wanted = {"kind": "silent-device", "cleared": True, "until": "40s"}
    assert flags(case, (20, flag(1, 20)), (39, flag(1, 20, until=39)), **wanted) is None
    assert flags(case, (20, flag(1, 20)), (41, flag(1, 20, until=41)), **wanted) == (
        40,
        "not cleared by 40.000 s: gone",
    )


def test_no_flag_is_raised(case):
    """The first that is breaks it; one before its part that has gone does not."""
    assert flags(case, raised=False) is None
    assert flags(case, (20, flag(1, 20)), raised=False) == (20, "silent-device of heater: gone")
    gone = ((20, flag(1, 20)), (25, flag(1, 20, until=25)))
    assert flags(case, *gone, raised=False, **{"from": "30s"}) is None
    assert flags(case, (20, flag(1, 20)), raised=False, **{"from": "30s"})[0] == 30


def test_frames_that_went_wrong_on_the_wires(case):
    """Counted over the whole run."""
    wires = WireProblems(
        lambda transition: None, lambda source: False, lambda: None, BusLoad(), lambda: 0, lambda time: None
    )
    wires.observe_event(Disturbed(1, 1, ("a",)))
    wires.observe_event(Disturbed(2, 1, ("a",)))
    wires.observe_event(Collided(3, 1, ("a", "b")))
    for frames, most, found in (("spoilt", 1, (60, "2 frames")), ("spoilt", 2, None), ("collided", 1, None)):
        one = case("wires", frames=frames, at_most=most, at_least=1)
        one.judge.observe_wires(60 * SECOND_US, wires)
        assert one.end() == found
