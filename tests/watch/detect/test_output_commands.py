"""Commands of dimmers and loads: who contradicts whom, by instance and by group, and which are not obeyed."""

import pytest

PANEL, OTHER, CENTRE = 0x44, 0x45, 0x80
DIMMER, LOAD = "DC_DIMMER_COMMAND_2", "DC_LOAD_COMMAND"
ALL = 0xFF
TABLES = {
    "module": [{"name": "front", "device": "centre"}],
    "output": [
        {"name": "galley", "module": "front", "terminal": 1, "instance": 21, "load": "led", "groups": [1]},
        {"name": "bed", "module": "front", "terminal": 2, "instance": 22, "load": "led", "groups": [1, 2]},
        {"name": "pump", "module": "front", "terminal": 3, "instance": 31, "load": "pump", "delay_off": "30 s"},
    ],
}
DEVICES = ({"name": "centre", "kind": "load_centre", "address": CENTRE}, "panel", "panel 2")
ON, OFF = {"desired_level": 200, "command": 0}, {"desired_level": 0, "command": 0}
TOGGLE, STOP, UP = {"command": 5}, {"command": 4}, {"command": 19, "desired_level": 200}
GROUP_1, GROUP_2 = {"instance": ALL, "group": 0x7E}, {"instance": ALL, "group": 0x7D}


@pytest.fixture
def switched(bus, judge):
    """Send commands beside the statuses of a module: (seconds, source, message, raw values) each."""

    def go(*commands, end=120, kinds=("two-commanders",), planned=True, statuses=(), states=()):
        made = bus()
        level = {21: 0, 22: 0, 31: 0, **dict(states)}
        frames = made.frames(
            end,
            made.every(5, "DM_RV", PANEL, 0.3, dsa=68, spn=0x7FFFF, fmi=31),
            made.every(5, "DM_RV", OTHER, 0.4, dsa=68, spn=0x7FFFF, fmi=31),
            made.every(5, "DC_DIMMER_STATUS_3", CENTRE, 0.1, instance=21, operating_status=level[21]),
            made.every(5, "DC_DIMMER_STATUS_3", CENTRE, 0.2, instance=22, operating_status=level[22]),
            made.every(5, "DC_LOAD_STATUS", CENTRE, 0.5, instance=31, operating_status=level[31]),
            *statuses,
        )
        frames += [made.frame(at, message, source, **raws) for at, source, message, raws in commands if at < end]
        return judge(frames, end, *(DEVICES if planned else ()), kinds=kinds, **(TABLES if planned else {}))

    return go


def in_turn(one, other, count=4, gap=3.0, message=DIMMER):
    """Two panels in turn, each with its own raw values."""
    return [
        (10 + n * gap, OTHER if n % 2 else PANEL, message, {"instance": 21, **(other if n % 2 else one)})
        for n in range(count)
    ]


# Who fights whom.


@pytest.mark.parametrize("planned", [True, False], ids=["with a rig", "without"])
def test_two_panels_that_switch_one_lamp_are_reported(switched, planned):
    """A, B, A, B with other levels; the levels are said."""
    (found,) = switched(*in_turn(ON, OFF), planned=planned)
    first = "panel" if planned else "address 44 hex"
    assert found.told == 19.0
    assert f"conflicting commands to dimmer 21: {first} commands desired level 100 %" in found.text
    assert "commands desired level 0 %; 3 times so far" in found.text


@pytest.mark.parametrize(
    ("one", "other"),
    [(ON, TOGGLE), (TOGGLE, TOGGLE), (UP, STOP), (OFF, UP), (ON, ON), (ON, {"command": 17, "desired_level": 200})],
    ids=[
        "a level and a toggle",
        "two toggles",
        "a ramp and its stop",
        "a ramp by hand",
        "agreement",
        "ramp to the same",
    ],
)
def test_what_asks_for_no_other_state_is_no_conflict(switched, one, other):
    """One wall switch and one screen in turn: a toggle contradicts nobody."""
    assert switched(*in_turn(one, other)) == []


def test_a_wall_switch_and_a_screen_in_turn_are_no_conflict(switched):
    """One person needs longer from one to the other, or changes their mind once."""
    assert switched(*in_turn(ON, OFF, gap=11.0, count=8)) == []
    assert switched(*in_turn(ON, OFF, count=3)) == []


def test_the_older_command_of_a_dimmer_counts_as_well(switched):
    """DC_DIMMER_COMMAND names the level otherwise; a level is a level."""
    frames = in_turn(ON, OFF)
    frames[1::2] = [
        (at, source, "DC_DIMMER_COMMAND", {"instance": 21, "master_brightness": 0}) for at, source, *_ in frames[1::2]
    ]
    (found,) = switched(*frames)
    assert "master brightness 0 %" in found.text


def test_loads_are_told_apart_from_dimmers(switched):
    """Load 21 is no dimmer 21, and one panel for each of them is no conflict."""
    level = {"desired_operating_level": 0, "command": 0}
    mixed = [(at, source, LOAD if source == OTHER else DIMMER, {"instance": 21, **(level if source == OTHER else ON)})
             for at, source, *_ in in_turn(ON, OFF, count=8)]  # fmt: skip
    assert switched(*mixed) == []
    (found,) = switched(*in_turn({**level, "desired_operating_level": 200}, level, message=LOAD))
    assert "conflicting commands to DC load 21" in found.text


@pytest.mark.parametrize(
    ("group", "things"), [(GROUP_1, ["dimmer 21"]), (GROUP_2, []), ({"instance": ALL, "group": 0x7C}, ["dimmer 21"])]
)
def test_a_group_concerns_the_outputs_that_the_rig_has_in_it(switched, group, things):
    """One panel commands the group, another one a lamp of it."""
    found = switched(*in_turn({**ON, **group}, OFF))
    assert [one.text.partition("commands to ")[2].partition(":")[0] for one in found] == things


def test_two_panels_that_command_one_group_conflict_for_each_of_it(switched):
    """Both lamps; without a rig nobody knows who is in the group."""
    found = switched(*in_turn({**ON, **GROUP_1}, {**OFF, **GROUP_1}))
    assert sorted(one.text.partition("commands to ")[2].partition(":")[0] for one in found) == [
        "dimmer 21",
        "dimmer 22",
    ]
    assert switched(*in_turn({**ON, **GROUP_1}, {**OFF, **GROUP_1}), planned=False) == []


def test_a_command_without_instance_and_group_is_for_nobody(switched):
    """All ones in both: nobody knows which output is meant."""
    nobody = {"instance": ALL, "group": ALL}
    assert switched(*in_turn({**ON, **nobody}, {**OFF, **nobody})) == []


def test_two_modules_with_one_instance_are_told(switched, bus):
    """Dimmer 21 from another address as well: one of them has a wrong instance."""
    second = bus().every(5, "DC_DIMMER_STATUS_3", 0x81, 0.7, instance=21, operating_status=0)
    found = switched(statuses=(second,), kinds=("shared-instance",))
    assert ["dimmer 21" in one.text for one in found] == [True]


# What is not obeyed.


def ignored(switched, *commands, **more):
    """Return the texts of ignored commands."""
    return [one.text for one in switched(*commands, kinds=("ignored-command",), **more)]


@pytest.mark.parametrize("target", [{"instance": 21}, GROUP_1], ids=["by instance", "by group"])
def test_a_lamp_that_does_not_obey_is_reported(switched, target):
    """Also where only its group was commanded; the other lamp of the group is on already."""
    (text,) = ignored(switched, (11, PANEL, DIMMER, {**ON, **target}), states={22: 200})
    assert text.startswith(
        "dimmer 21 does not obey panel: commanded desired level 100 % (reports 0 %); 1 command since 13"
    )


@pytest.mark.parametrize(
    ("raws", "told"),
    [
        ({"over_current_status": 1}, "over current status over-current"),
        ({"lock_status": 1}, "lock status locked"),
        ({"override_status": 1, "lock_status": 0}, "override status active"),
        ({"over_current_status": 0, "lock_status": 0}, None),
    ],
)
def test_its_status_explains_it(switched, bus, raws, told):
    """A trip, a lock, an override: said in the text, so that nobody looks for another reason."""
    statuses = [bus().every(5, "DC_DIMMER_STATUS_3", CENTRE, 0.1, instance=23, operating_status=0, **raws)]
    (text,) = ignored(switched, (11, PANEL, DIMMER, {**ON, "instance": 23}), statuses=statuses, planned=False)
    assert text.partition("; its status explains it: ")[2].lower() == (told or "").lower(), text


@pytest.mark.parametrize(
    "commands",
    [
        [(11, {"command": 4})],
        [(11, ON), (11.1, {"command": 4})],
        [(11, {"command": 33}), (14, {"command": 34})],
        [(11, {"command": 6}), (14, {"command": 3})],
        [(11, {**ON, "command": 17})],
    ],
    ids=["stop", "and after a command", "lock and unlock", "off when off", "a ramp to the present level"],
)
def test_what_changes_nothing_needs_no_answer(switched, commands):
    """The lamp is at 100 % and stays so: nothing was asked of it that it has not done."""
    given = [(at, PANEL, DIMMER, {"instance": 21, **raws}) for at, raws in commands]
    assert ignored(switched, *given, states={21: 200}) == []


def test_a_toggle_or_a_ramp_that_changes_nothing_is_ignored(switched):
    """They ask for a change, whatever the state was."""
    (text,) = ignored(
        switched, (11, PANEL, DIMMER, {"instance": 21, **OFF}), (20, PANEL, DIMMER, {"instance": 21, **TOGGLE})
    )
    assert "command toggle, and nothing in its status changed" in text
    (text,) = ignored(switched, (11, PANEL, DIMMER, {"instance": 21, "command": 17, "desired_level": 80}))
    assert "commanded desired level 40 % (reports 0 %)" in text


@pytest.mark.parametrize(("delay", "end", "count"), [(20, 34, 0), (20, 60, 1), (0xFF, 34, 1), (241, 120, 0)])
def test_a_command_may_come_with_a_delay(switched, delay, end, count):
    """On in 20 s: nobody is late before that; no data is no delay, and 241 is five minutes."""
    command = (11, PANEL, DIMMER, {"instance": 21, "delay_duration": delay, **ON})
    assert len(ignored(switched, command, end=end)) == count


def test_an_output_that_goes_off_late_by_the_rig_is_not_late(switched):
    """The pump runs on for 30 s after it is commanded off."""
    command = (11, PANEL, LOAD, {"instance": 31, "desired_operating_level": 0, "command": 0})
    assert ignored(switched, command, end=42, states={31: 200}) == []
    assert len(ignored(switched, command, end=60, states={31: 200})) == 1
    assert len(ignored(switched, command, end=42, states={31: 200}, planned=False)) == 1
