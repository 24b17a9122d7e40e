"""Tests for two sources that send conflicting commands."""

import pytest

FAN, COMMAND = "ROOF_FAN_STATUS_1", "ROOF_FAN_COMMAND_1"
PANEL, OTHER = 0x44, 0x45
KINDS = ("two-commanders",)
WITH_RIG = ("roof fan", "panel")


@pytest.fixture
def commanded(bus, judge):
    """Send commands to a roof fan that sends its state each 5 s: (seconds, source, raw values) each."""

    def go(*commands, end=300, devices=WITH_RIG):
        made = bus()
        panel = made.every(5, "DM_RV", PANEL, 0.3, dsa=68, spn=0x7FFFF, fmi=31)
        sensor = made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.2)
        frames = made.frames(end, made.every(5, FAN, 0x90, 0.1), sensor, panel)
        frames += [
            made.frame(at, COMMAND, source, **{"instance": 1, **raws}) for at, source, raws in commands if at < end
        ]
        return judge(frames, end, *devices, kinds=KINDS)

    return go


def alternating(gap, count, first=10.0, one=100, other=0):
    """Two sources in turn, each with its own speed."""
    return [
        (first + n * gap, OTHER if n % 2 else PANEL, {"fan_speed_setting": other if n % 2 else one})
        for n in range(count)
    ]


@pytest.mark.parametrize("devices", [WITH_RIG, ()], ids=["with a rig", "without"])
def test_a_pair_that_is_seen_twice_is_reported(commanded, devices):
    """A, B, A, B within the settling time each: reported with the fourth; a minute later it ends."""
    (found,) = commanded(*alternating(3, 4), devices=devices)
    assert (found.told, found.until) == (19.0, 80.1)
    assert found.flag.since == 10_000_000
    assert str(found.flag.severity) == "warning"
    first = "panel" if devices else "address 44 hex"
    assert found.subject == first
    assert found.text == (
        f"{first} and address 45 hex send conflicting commands to roof fan 1: {first} commands fan speed setting 50 %, "
        "address 45 hex commands fan speed setting 0 %; 3 times so far, each within 10.0 s of the other"
    )
    assert len(found.flag.evidence) == 2


def test_once_and_back_is_not_reported(commanded):
    """A person who changes their mind: A, B, A."""
    assert commanded(*alternating(3, 3)) == []


@pytest.mark.parametrize(("gap", "count"), [(10.0, 1), (10.000001, 0)])
def test_the_settling_time_is_ten_seconds(commanded, gap, count):
    """Just within it and just beyond; a person with a wall switch and a screen takes longer."""
    assert len(commanded(*alternating(gap, 6))) == count


def test_a_rig_can_set_a_longer_settling_time(commanded, planned):
    """30 s for the fan: commands 25 s apart contradict each other; the flag then stays for six times as long."""
    fan = planned("roof fan", settling_time="30 s")
    (found,) = commanded(*alternating(25, 4), devices=(fan, "panel"))
    assert (found.told, found.until) == (85.0, 265.1)


@pytest.mark.parametrize(
    "other",
    [
        {"fan_speed_setting": 100},
        {"light": 1},
        {"instance": 2, "fan_speed_setting": 0},
        {},
    ],
    ids=["the same", "another field", "another fan", "nothing"],
)
def test_commands_without_contradiction_are_not_reported(commanded, other):
    """Agreement, other fields, another instance, and all ones."""
    commands = [
        (10 + 3 * n, OTHER if n % 2 else PANEL, other if n % 2 else {"fan_speed_setting": 100}) for n in range(12)
    ]
    assert commanded(*commands) == []


def test_a_source_that_repeats_its_command_is_contradicted_once_by_a_switch(commanded):
    """A panel sends 50 % each 2 s; one press of a switch is one contradiction, however often the panel repeats."""
    panel = [(10.0 + 2 * n, PANEL, {"fan_speed_setting": 100}) for n in range(20)]
    assert commanded(*panel, (21.0, OTHER, {"fan_speed_setting": 0})) == []
    (found,) = commanded(*panel, (21.0, OTHER, {"fan_speed_setting": 0}), (25.0, OTHER, {"fan_speed_setting": 0}))
    assert found.told == 25.0


def test_a_source_that_repeats_the_command_of_another_contradicts_none(commanded):
    """A gateway repeats the commands of the panel half a second later: the next one of the panel contradicts none."""
    commands = []
    for n in range(10):
        state = {"fan_speed_setting": 100 * (n % 2)}
        commands += [(10.0 + 4 * n, PANEL, state), (10.5 + 4 * n, OTHER, state)]
    assert commanded(*commands) == []


def test_contradictions_far_apart_are_not_in_a_row(commanded):
    """One correction each two minutes is a person."""
    apart = [(at, PANEL, {"fan_speed_setting": 100}) for at in (10, 100, 190)]
    apart += [(at + 5, OTHER, {"fan_speed_setting": 0}) for at in (10, 100, 190)]
    assert commanded(*sorted(apart)) == []
    back = alternating(3, 3)
    assert commanded(*back, *alternating(3, 2, first=46.1)) == []
    assert len(commanded(*back, *alternating(3, 2, first=43.0))) == 1


def test_a_lasting_conflict_is_one_flag_with_its_count(commanded):
    """Twelve commands in turn: one flag, eleven contradictions; a later one starts a new count."""
    (found,) = commanded(*alternating(4, 12))
    assert "11 times so far" in found.text
    both = commanded(*alternating(4, 4), *alternating(4, 4, first=150.0))
    assert [(one.told, one.until) for one in both] == [(22.0, 85.1), (162.0, 225.1)]


def test_two_pairs_and_two_fans_are_flags_of_their_own(commanded):
    """Instance 2 has its own conflict; a third source contradicts both others."""
    second = [(at + 0.5, source, {"instance": 2, **raws}) for at, source, raws in alternating(3, 4)]
    assert len(commanded(*alternating(3, 4), *second, devices=())) == 2
    third = [(10.0 + 2 * n, (PANEL, OTHER, 0x46)[n % 3], {"fan_speed_setting": 10 * (n % 3)}) for n in range(12)]
    assert len(commanded(*third, devices=())) == 3


def test_nothing_is_reported_before_or_after(commanded):
    """None without commands; frames after the end are not observed."""
    assert commanded() == []
    assert commanded(*alternating(3, 4, first=50), end=55) == []
