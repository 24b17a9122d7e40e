"""Times of a log that run back: from when on that is told, and what is judged no more."""

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.watch import FlagCleared, FlagRaised, Presence, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, LogEnded, TimeWentBack

IDENTIFIER, DATA = 0x18EBFF00, bytes.fromhex("01A00FA6603BD140")


def order_flags(events):
    """(seconds, severity) of each time it was raised."""
    return [
        (event.time / SECOND_US, str(event.flag.severity))
        for event in events
        if isinstance(event, FlagRaised) and event.flag.kind == "log-out-of-order"
    ]


def log(catalogue, entries, steps, *, end=True):
    """A log of so many entries, the last so many of which run back by a microsecond."""
    watch, events = Watch(catalogue), []
    for n in range(entries):
        if n >= entries - steps:
            events += watch.observe_event(TimeWentBack(n * 1000, 1, f"line {n}"))
        events += watch.observe(Frame(n * 1000, IDENTIFIER, DATA))
    return watch, events + (watch.observe_event(LogEnded(entries * 1000)) if end else [])


@pytest.mark.parametrize(("by", "told"), [(1_000_000, False), (1_000_001, True)])
def test_a_step_of_more_than_a_second(catalogue, by, told):
    """A second back is a late frame, a microsecond more is none: a warning, at once."""
    watch, events = log(catalogue, 2000, 0, end=False)
    events = watch.observe_event(TimeWentBack(2 * SECOND_US, by, "line 2001"))
    assert order_flags(events) == ([(2.0, "warning")] if told else [])
    events = watch.observe_event(LogEnded(2 * SECOND_US))
    assert order_flags(events) == []


@pytest.mark.parametrize(
    ("entries", "steps", "told"), [(1000, 10, False), (1000, 11, True), (100, 1, False), (100, 2, True)]
)
def test_more_than_one_percent(catalogue, entries, steps, told):
    """Ten of a thousand may run back; in a short log that is judged at its end."""
    _, events = log(catalogue, entries, steps)
    assert bool(order_flags(events)) is told


def test_the_share_is_judged_on_the_way_from_a_thousand_on(catalogue):
    """Eleven of a thousand and ten are told at the eleventh; two in the first hundred are not, until the end."""
    _, events = log(catalogue, 1010, 11, end=False)
    assert order_flags(events) == [(1.009, "warning")]
    watch, events = log(catalogue, 100, 2, end=False)
    assert order_flags(events) == []
    for n in range(100, 300):
        events += watch.observe(Frame(n * 1000, IDENTIFIER, DATA))
    assert order_flags(watch.observe_event(LogEnded(300_000))) == []


def test_what_is_told(catalogue):
    """How often, how far, where; and to sort the file. Later steps renew the figures of the flag that stands."""
    watch, _ = log(catalogue, 10, 0, end=False)
    watch.observe_event(TimeWentBack(9000, 1_500_000, "line 11"))
    (flag,) = watch.flags
    assert (flag.subject, flag.since) == ("log", 9000)
    assert flag.text == (
        "its times run backwards once in 11 entries, by 1.5 s at most; lateness, silence, "
        "pauses and bus load are not judged"
    )
    assert flag.advice.startswith(
        "sort the file by its times (rvsim export --frames LOG --sort --output NEW), then survey"
    )
    watch.observe_event(TimeWentBack(9000, 3_000_000, "line 12"))
    watch.observe_event(LogEnded(9000))
    (flag,) = watch.flags
    assert "run backwards 2 times in 10 entries, by 3 s at most" in flag.text
    assert flag.evidence == ("line 11: back by 1.5 s", "line 12: back by 3 s")


@pytest.mark.parametrize(
    ("steps", "advice"),
    [
        (
            (899.7,),
            "cut the file at line 0, and survey each part by itself: it holds two recordings",
        ),
        ((3599.7,), "its clock went back by an hour, as at the end of daylight saving time"),
        ((7201.0,), "its clock went back by 2 hours"),
        ((86399.5,), "its times are times of day, and midnight passed"),
        ((10.000001, 500.0), "cut the file at each step, first at line 0"),
        ((10.0,), "sort the file"),
        ((500.0, 1.5), "sort the file"),
        ((3597.9,), "it holds two recordings"),
        ((50_400.0 + 3600,), "it holds two recordings"),
        ((60.0,) * 21, "sort the file"),
    ],
)
def test_a_file_of_two_recordings_is_cut_not_sorted(catalogue, steps, advice):
    """Sorting would mix them. What a step of whole hours or of a day comes from is said."""
    watch, _ = log(catalogue, 10, 0, end=False)
    for n, step in enumerate(steps):
        watch.observe_event(TimeWentBack(9000, round(step * SECOND_US), f"line {n}"))
    (flag,) = watch.flags
    assert advice in flag.advice
    assert ("sort the file" in flag.advice) is (advice == "sort the file")


def test_nothing_is_judged_by_times_from_then_on(bus):
    """Late, silent, quiet, busy: none of it; what has no time in it is still told."""
    made = bus("heater", "sensor")
    made.events += made.watch.observe_event(TimeWentBack(0, 2 * SECOND_US, "line 3"))
    made.run(60, made.every(5, "FURNACE_STATUS", 0x5E, off=((10, 60),)), made.every(1, "DC_SOURCE_STATUS_1", 0x46))
    for n in range(1000):
        made.observe(Frame(60 * SECOND_US + n * 900, IDENTIFIER, DATA))
    made.until(200)
    made.say(201, "FURNACE_STATUS", 0x5E, length=4, instance=1)
    kinds = {kind for _, _, kind, _ in made.flags}
    assert kinds <= {"log-out-of-order", "unplanned-device", "unknown-message", "wrong-length"}
    assert {"log-out-of-order", "wrong-length"} <= kinds
    assert {state for _, _, state in made.presence}.isdisjoint({Presence.SILENT, Presence.LATE})
    made.events += made.watch.observe_event(ErrorFrame(202 * SECOND_US))
    assert made.flags[-1][2] == "bus-errors"


def test_what_stood_is_cleared_and_stands_under_it(bus):
    """Flags that were found by times before are cleared with the step, and the cause has them."""
    made = bus()
    made.run(60, made.every(5, "FURNACE_STATUS", 0x5E, off=((10, 60),)), made.every(1, "DC_SOURCE_STATUS_1", 0x46))
    assert [flag.kind for flag in made.watch.flags] == ["silent-device"]
    made.forget().events += made.watch.observe_event(TimeWentBack(60 * SECOND_US, 30 * SECOND_US, "line 60"))
    assert made.flags == [
        (60.0, "raised", "log-out-of-order", "log"),
        (60.0, "cleared", "silent-device", "address 5E hex"),
    ]
    (cause,) = made.watch.causes
    assert cause.kind == "log-out-of-order"
    assert {flag.kind for flag in cause.flags} >= {"log-out-of-order", "silent-device"}
    made.forget().say(61, "FURNACE_STATUS", 0x5E, instance=1)
    assert [one for one in made.flags if one[2] == "silent-device"] == []
    assert not [event for event in made.events if isinstance(event, FlagCleared)]


def test_a_rig_may_accept_it_and_still_nothing_is_judged_by_times(catalogue):
    """That the times are wrong is known, and they stay wrong."""
    rig = Rig.model_validate(
        {"schema": 1, "name": "t", "title": "T", "device": [{"name": "one", "address": 0, "kind": "own"}],
         "accepted": [{"flag": "log-out-of-order", "reason": "two loggers joined"}]}
    )  # fmt: skip
    watch = Watch(catalogue, rig)
    watch.observe_event(TimeWentBack(0, 2 * SECOND_US, "line 3"))
    watch.advance(100 * SECOND_US)
    assert watch.flags == ()
    assert not watch.times_are_valid
