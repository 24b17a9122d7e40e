"""Tests for the bus that falls quiet as a whole, and for the ages that stand still meanwhile."""

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame

AMBIENT, FURNACE, DC = "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "DC_SOURCE_STATUS_1"


def busy(made, off=(), until=60.0, sources=(0x4A, 0x46, 0x47)):
    """Three sources that speak for three batteries twice a second; all are off in the times given."""
    return made.run(
        until,
        *(made.every(0.5, DC, source, 0.1 * number, off, instance=number + 1) for number, source in enumerate(sources)),
    )


def test_a_bus_that_falls_quiet_is_one_flag_and_nobody_is_missed(bus):
    """Silent for longer than ten times its usual silence: 1 s here; ages stand still until it is back."""
    made = busy(bus(), off=((20, 50),))
    assert [state for _, _, state in made.presence] == ["present"] * 3
    # The last frame came at 19.7 s, the median silence is 0.1 s, so 1 s is the longest that is normal.
    assert made.flags == [(20.7, "raised", "bus-quiet", "bus"), (50.0, "cleared", "bus-quiet", "bus")]
    assert made.watch.all_flags[0].since == 20_700_000
    assert "no frame from any device for 1.0 s" in made.watch.all_flags[0].text
    assert "0.100 s between frames is usual" in made.watch.all_flags[0].text
    assert made.watch.all_flags[0].evidence[1] == "3 sources have missed a message"


def test_a_silence_of_exactly_what_is_normal_is_normal(bus):
    """Quiet is longer than that; and the time told is enough to know it, without any deadline."""
    made = bus()
    for number in range(60):
        made.observe(Frame(number * 50_000, 0x09F80102 + number % 2, bytes(8)))
    assert not {kind for _, _, kind, _ in made.until(3.95).flags} & {"bus-quiet"}
    assert made.until(3.950001).flags[-1] == (3.95, "raised", "bus-quiet", "bus")


def test_ages_go_on_from_where_they_stood(bus):
    """Who stays away after a pause is silent 15 s of hearing after its last frame."""
    made = bus()
    made.run(
        90,
        made.every(0.5, DC, 0x4A, 0.0, ((20, 50),)),
        made.every(0.5, DC, 0x46, 0.1, ((20, 50),), instance=2),
        made.every(5, FURNACE, 0x5E, 0.2, ((16, 99),)),
    )
    # Its last frame came at 15.2 s; the bus was quiet from 19.6 s to 50 s: 15 s later is 60.6 s, found at 61.0 s.
    silent = [
        (time, what) for time, what, kind, who in made.flags if (kind, who) == ("silent-device", "address 5E hex")
    ]
    assert silent == [(61.0, "raised")]
    assert made.watch.all_flags[1].since == 60_600_000


def test_ages_after_a_pause_count_from_the_frames_after_it(bus):
    """Whether a message repeats itself or says something new each time."""
    for raws in ([9000] * 200, range(9000, 9200)):
        made = busy(bus(), off=((20, 50),), until=49.9).forget()
        for second, raw in zip(range(50, 100), raws, strict=False):
            made.say(second, AMBIENT, 0x91, instance=1, ambient_temperature=raw)
            made.say(second + 0.3, DC, 0x4A, instance=1).say(second + 0.7, DC, 0x46, instance=2)
            made.say(second + 0.8, DC, 0x47, instance=3)
        assert made.flags == [(50.0, "cleared", "bus-quiet", "bus")]
        made.forget().run(
            120,
            *(made.every(0.5, DC, source, 100.0, instance=n) for n, source in enumerate((0x4A, 0x46, 0x47), 1)),
            begin=100,
        )
        assert [(kind, who) for _, what, kind, who in made.flags] == [("silent-device", "address 91 hex")]
        assert made.watch.flags[-1].since == 114_000_000


def test_a_quiet_bus_of_one_talker_is_a_silent_device(bus):
    """There is nobody to compare with."""
    made = busy(bus(), off=((20, 50),), sources=(0x4A,))
    assert [kind for _, what, kind, _ in made.flags if what == "raised"] == ["late-message", "silent-device"]


def test_a_bus_is_not_judged_before_twenty_silences(bus):
    """Two sources of ten frames each tell too little: they are late and silent instead."""
    made = busy(bus(), off=((5, 60),), sources=(0x4A, 0x46))
    assert {kind for _, _, kind, _ in made.flags} == {"late-message", "silent-device"}
    assert {kind for _, _, kind, _ in busy(bus(), off=((5.5, 60),), sources=(0x4A, 0x46)).flags} == {"bus-quiet"}


def test_a_bus_that_is_usually_slow_may_be_silent_for_longer(bus):
    """Median silence 0.5 s: up to 5 s are normal."""
    made = bus()
    made.run(60, made.every(1, FURNACE, 0x5E, 0.0, ((20, 30),)), made.every(1, AMBIENT, 0x91, 0.5, ((20, 30),)))
    assert made.flags == [(27.0, "raised", "bus-quiet", "bus"), (30.0, "cleared", "bus-quiet", "bus")]


def test_a_slow_bus_is_quiet_after_its_limit_and_not_at_it(bus):
    """A deadline has passed for the first moment after it."""
    made = bus()
    slow = made.every(1, FURNACE, 0x5E, 0.0, ((20, 30),)), made.every(1, AMBIENT, 0x91, 0.5, ((20, 30),))
    assert made.run(27, *slow).flags == []
    assert made.until(27.000001).flags == [(27.0, "raised", "bus-quiet", "bus")]


def test_a_bus_that_speaks_in_bursts_is_not_quiet_in_between(bus):
    """Everything within 0.3 s, then nothing until the next 5 s: the median is small, and nothing is missed."""
    made = bus()
    messages = [FURNACE, AMBIENT, "ROOF_FAN_STATUS_1"]
    made.run(120, *(made.every(5, message, 0x5E + n, 0.1 * n) for n, message in enumerate(messages)))
    assert made.flags == []
    assert [state for _, _, state in made.presence] == ["present"] * 3


def test_one_fast_device_that_stops_does_not_make_the_bus_quiet(bus):
    """The others have nothing to say for five seconds: it is that device's silence."""
    made = bus()
    made.run(
        60,
        made.every(0.5, DC, 0x4A, 0.0, ((20, 60),)),
        made.every(5, FURNACE, 0x5E, 0.2),
        made.every(5, AMBIENT, 0x91, 0.3),
    )
    assert [(kind, what) for _, what, kind, _ in made.flags] == [
        ("late-message", "raised"),
        ("late-message", "cleared"),
        ("silent-device", "raised"),
    ]


def test_a_deadline_in_a_silence_waits_for_the_next_frame(bus):
    """It may yet be the whole bus; the flag says since when all the same."""
    made = bus()
    made.run(
        40,
        made.every(0.5, DC, 0x4A, 0.0, ((20, 60),)),
        made.every(5, FURNACE, 0x5E, 0.2),
        made.every(5, AMBIENT, 0x91, 0.3),
    )
    late = made.watch.all_flags[0]
    # Last at 19.5 s, so late after 21.5 s; the next frame of anybody comes at 25.2 s.
    assert (made.flags[0][0], late.since) == (25.2, 21_500_000)


def test_a_silence_of_two_who_have_much_to_say_may_be_the_bus(bus):
    """While it can still be the whole bus nothing is decided; the frame that ends it decides against it."""
    made = busy(bus(), off=((20, 20.4),), until=22)
    assert made.flags == []
    late = bus()
    late.run(
        40,
        late.every(0.5, DC, 0x4A, 0.0, ((18.4, 60),)),
        late.every(0.5, DC, 0x46, 0.1, ((19.9, 20.5),), instance=2),
        late.every(0.5, DC, 0x47, 0.2, ((19.9, 20.5),), instance=3),
    )
    # 4A was last heard at 18.0 s: late after 20.0 s, within a silence from 19.7 s to 20.6 s.
    assert late.flags[0] == (20.6, "raised", "late-message", "address 4A hex")
    assert late.watch.all_flags[0].since == 20_000_000


def test_a_deadline_is_noticed_as_soon_as_the_time_is_told(bus):
    """With one talker there is nothing to wait for, even shortly after a frame."""
    made = bus().say(0, DC, 0x4A, instance=1).say(1.5, FURNACE, 0x4A, instance=1)
    assert made.until(2).flags == []
    assert made.until(2.1).flags == [(2.0, "raised", "late-message", "address 4A hex")]


@pytest.mark.parametrize(("pause", "flags"), [("29.3s", []), ("29.299999s", [49.999999]), ("0.5s", [28.2])])
def test_a_rig_says_how_long_a_pause_is_normal(bus, planned, pause, flags):
    """From the last frame at 20.7 s on; without it, 1.5 of the charger's gaps of 5 s. Ages stand still all the same."""
    head = {"schema": 1, "name": "test", "title": "Test rig", "longest_pause": pause}
    made = bus()
    made.watch = Watch(made.catalogue, Rig.model_validate({**head, "device": [planned("charger"), planned("sensor")]}))
    off = ((21, 50),)
    made.run(
        70,
        made.every(1, "CHARGER_STATUS", 0x4A, 0.7, off, charger_instance=1),
        *(made.every(0.5, AMBIENT, 0x91, 0.1 * number, off) for number in range(3)),
    )
    assert [time for time, what, *_ in made.flags if what == "raised"] == flags
    assert {kind for _, _, kind, _ in made.flags} <= {"bus-quiet"}
    assert [state for _, _, state in made.presence] == ["present"] * 2
