"""Tests for motions that start, or go on, while the interlock that the rig names does not hold."""

import pytest

from rvsim.wire.line_events import ListeningResumed

KIND = "motion-without-interlock"
CENTRE = {"name": "centre", "address": 0x90}
MODULE = {"name": "module", "device": "centre"}
DASH = {"name": "dash module", "device": "dash"}
OUTPUTS = [
    {"name": "awning out", "module": "module", "terminal": 1, "instance": 1, "load": "motor"},
    {"name": "awning in", "module": "module", "terminal": 2, "instance": 2, "load": "motor"},
    {"name": "step out", "module": "module", "terminal": 3, "instance": 3, "load": "motor", "message": "dimmer"},
    {"name": "step in", "module": "module", "terminal": 4, "instance": 4, "load": "motor"},
]
INPUTS = [
    {"name": "ignition", "module": "dash module", "terminal": 1, "instance": 11, "switch": "maintained"},
    {
        "name": "cab",
        "module": "dash module",
        "terminal": 2,
        "instance": 12,
        "ladder": {"pull_up_ohm": 1000, "rungs": {"park brake": 470, "door": 1500}},
    },
]
AWNING = {
    "name": "awning",
    "what": "awning",
    "extend": "awning out",
    "retract": "awning in",
    "must_hold": {"ignition": "off", "cab.park brake": "on"},
}
STEP = {"name": "step", "what": "step", "extend": "step out", "retract": "step in", "must_hold": {"ignition": "off"}}
TABLES = {"module": [MODULE, DASH], "output": OUTPUTS, "input": INPUTS, "motion": [AWNING, STEP]}


@pytest.fixture
def moved(bus, judge):
    """Judge what is told of inputs and outputs: ``moved((10, 11, 1), (20, 1, 200))`` is second, instance and raw."""

    def go(*told, end=60, tables=None, silent_from=None):
        made = bus()
        frames = [
            made.frame(second, "DM_RV", 0x92, operating_status_1=1, dsa=132, spn=0x7FFFF, fmi=31)
            for second in range(0, silent_from or end, 4)
        ]
        frames += [
            made.frame(second + 0.5, "DM_RV", 0x90, operating_status_1=1, dsa=131, spn=0x7FFFF, fmi=31)
            for second in range(0, end, 4)
        ]
        for second, instance, raw in told:
            if instance >= 11:
                frames.append(made.frame(second, "DIGITAL_INPUT_STATUS", 0x92, instance=instance, switch_position=raw))
            elif instance == 3:
                frames.append(made.frame(second, "DC_DIMMER_STATUS_3", 0x90, instance=3, operating_status=raw))
            else:
                frames.append(made.frame(second, "DC_LOAD_STATUS", 0x90, instance=instance, operating_status=raw))
        devices = [CENTRE, {"name": "dash", "address": 0x92}]
        return [
            (round(found.flag.since / 1e6, 2), found.until, found.text, found.flag)
            for found in judge(frames, end, *devices, kinds=(KIND,), **(tables or TABLES))
        ]

    return go


HOLDS = ((1, 11, 0), (1.1, 12, 1))


def test_a_motion_that_starts_against_its_interlock_is_reported_until_it_stops(moved):
    """At once, as a fault, with both frames; the inputs and the output are named."""
    ((since, until, text, flag),) = moved(*HOLDS, (5, 11, 1), (20, 1, 200), (31, 1, 0))
    assert (since, until) == (20, 31)
    assert text.startswith("awning moves out while ignition is on (must be off); it started: output awning out is on")
    assert (flag.subject, str(flag.severity)) == ("centre", "fault")
    assert [line.split()[0] for line in flag.evidence] == ["motion", "interlock"]
    assert "at 20.000 s" in flag.evidence[0]
    assert "at 5.000 s" in flag.evidence[1]


def test_it_ends_when_the_interlock_holds_again(moved):
    """The way back counts as well, and both inputs are named, the one that is wrong longest first."""
    ((since, until, text, _),) = moved(HOLDS[0], (3, 12, 0), (4, 11, 1), (20, 2, 100), (25, 12, 1), (27, 11, 0))
    assert (since, until) == (20, 27)
    assert "moves back while cab.park brake is off (must be on) and ignition is on (must be off)" in text


def test_a_motion_that_goes_on_when_its_interlock_is_lost_has_two_seconds_to_stop(moved):
    """A controller needs time; a command may be under way when the input changes."""
    assert moved(*HOLDS, (10, 1, 200), (15, 11, 1), (16.9, 1, 0)) == []
    assert moved(*HOLDS, (14.8, 11, 1), (15.2, 1, 200), (17.1, 1, 0)) == []
    ((since, until, text, _),) = moved(*HOLDS, (10, 1, 200), (15, 11, 1), (19, 1, 0))
    assert (since, until) == (17, 19)
    assert "it was not stopped when that changed" in text
    ((since, _, text, _),) = moved(*HOLDS, (10, 1, 200), (12, 2, 200), (15, 11, 1), (19, 1, 0), (19, 2, 0))
    assert (since, "output awning out is on since 10.000 s" in text) == (17, True)


@pytest.mark.parametrize(
    "told",
    [
        (*HOLDS, (20, 1, 200), (40, 1, 0)),  # it holds
        ((20, 1, 200),),  # never heard
        ((5, 11, 255), (20, 1, 200)),  # no data
        (*HOLDS, (5, 11, 1), (20, 1, 0), (21, 1, 255)),  # it does not move
        (*HOLDS, (5, 11, 1), (20, 7, 200)),  # another output
        (*HOLDS, (5, 13, 1), (20, 1, 200)),  # another input
    ],
)
def test_what_holds_or_is_not_known_is_not_reported(moved, told):
    """No false alarm."""
    assert moved(*told) == []


def test_each_motion_is_judged_by_itself(moved):
    """A dimmer's status counts too, by its own output."""
    found = moved(*HOLDS, (5, 11, 1), (20, 1, 200), (22, 3, 100), (24, 3, 0), (26, 1, 0))
    assert [(since, until, text.split()[0]) for since, until, text, _ in found] == [
        (20, 26, "awning"),
        (22, 24, "step"),
    ]


def test_an_input_whose_device_is_silent_is_not_judged(moved):
    """What started before stands; what starts meanwhile is told once the input is heard again."""
    heard = (*HOLDS, (5, 11, 1), (20, 1, 200))
    found = moved(*heard, (60, 3, 100), (61, 3, 0), end=100, silent_from=24)
    assert [(since, until) for since, until, _, _ in found] == [(20, None)]
    found = moved(*heard, (60, 3, 100), (90, 11, 1), (94, 3, 0), end=100, silent_from=24)
    assert [(since, until) for since, until, _, _ in found] == [(20, None), (92, 94)]


def test_a_rig_without_motions_judges_nothing(moved):
    """Nor one whose motion has no interlock, or whose input is not on the network."""
    frames = (*HOLDS, (5, 11, 1), (20, 1, 200))
    assert moved(*frames, tables={**TABLES, "motion": []}) == []
    assert moved(*frames, tables={**TABLES, "motion": [{**AWNING, "must_hold": {}}]}) == []
    bare = [{key: value for key, value in one.items() if key != "instance"} for one in INPUTS]
    assert moved(*frames, tables={**TABLES, "input": bare}) == []


def test_a_shade_moves_by_its_own_status(bus, judge):
    """Forward is out, reverse is back."""
    made = bus()
    tables = {
        **TABLES,
        "motion": [{"name": "blind", "what": "shade", "device": "blind", "must_hold": {"ignition": "on"}}],
    }
    frames = [made.frame(1, "DIGITAL_INPUT_STATUS", 0x90, instance=11, switch_position=0)]
    frames += [
        made.frame(second, "WINDOW_SHADE_CONTROL_STATUS", 0x91, instance=5, forward_status=0, reverse_status=on)
        for second, on in ((5, 0), (10, 1), (12, 0))
    ]
    shade = {"name": "blind", "address": 0x91, "functions": {"window_shade": 5}}
    (found,) = judge(frames, 14, CENTRE, {**CENTRE, "name": "dash", "address": 0x92}, shade, kinds=(KIND,), **tables)
    assert (found.subject, found.told, found.until) == ("blind", 10, 12)
    assert "blind moves back while ignition is off (must be on); it started: the motor of blind is on" in found.text


def test_nothing_of_before_a_gap_in_listening_counts(bus):
    """What was heard before may have changed unheard; the same frames count anew."""
    made = bus(CENTRE, {"name": "dash", "address": 0x92}, **TABLES)

    def say(second, instance, raw):
        message = "DIGITAL_INPUT_STATUS" if instance == 11 else "DC_LOAD_STATUS"
        field = "switch_position" if instance == 11 else "operating_status"
        made.say(second, message, 0x90, instance=instance, **{field: raw})

    def stands():
        return [flag.until is None for flag in made.watch.all_flags if flag.kind == KIND]

    say(1, 11, 1)
    say(3, 1, 200)
    made.until(4)
    assert stands() == [True]
    made.events += made.watch.observe_event(ListeningResumed(20_000_000, 4_000_000, "the adapter was unplugged"))
    assert stands() == [False]
    say(21, 1, 200)
    made.until(30)
    assert stands() == [False]
    say(31, 11, 1)
    made.until(34)
    assert stands() == [False, True]
