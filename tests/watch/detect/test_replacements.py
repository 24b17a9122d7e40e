"""Tests for units that were replaced: one flag in place of a silence and an unplanned device."""

import pytest

FURNACE, WATER, TANK, AMBIENT = "FURNACE_STATUS", "WATERHEATER_STATUS", "TANK_STATUS", "THERMOSTAT_AMBIENT_STATUS"
RAISED, CLEARED = "raised", "cleared"
TANKS = [
    {"name": "fresh", "kind": "tank", "address": 0x48, "functions": {"tank": 0}},
    {"name": "grey", "kind": "tank", "address": 0x93, "functions": {"tank": 2}},
]


@pytest.fixture
def unit(planned):
    """The heater, as unit 5."""
    return planned("heater", claimed_name=f"{5:016X}")


def talk(made, until, source, first, message=FURNACE, instance=1):
    """Status every five seconds."""
    return made.frames(until, made.every(5, message, source, first, instance=instance))


def claim(made, seconds, source, serial):
    """A claim."""
    return made.frame(seconds, "ADDRESS_CLAIM", source, **made.unit(serial))


def others(made, until):
    """A sensor that is always present."""
    return made.frames(until, made.every(1, AMBIENT, 0x91, 0.3))


def told(made):
    """Kinds, times and subjects."""
    return [(time, what, kind, who) for time, what, kind, who in made.flags]


# Another NAME.


def test_another_unit_in_place_of_a_planned_one_is_one_flag(bus, unit, heard):
    """After the silence limit of the planned one; neither a silent nor an unplanned device is reported beside it."""
    made = bus()
    frames = [claim(made, 0, 0x5E, 5), *talk(made, 20, 0x5E, 1), *others(made, 80)]
    frames += [claim(made, 40, 0x5E, 77), *talk(made, 80, 0x5E, 41)]
    made = heard(frames, 80, unit, "sensor")
    assert told(made) == [
        (31.0, RAISED, "silent-device", "heater"),
        (41.0, CLEARED, "silent-device", "heater"),
        (41.0, RAISED, "replaced-device", "heater"),
    ]
    (flag,) = made.watch.flags
    assert str(flag.severity) == "notice"
    assert flag.text == (
        "address 5E hex (manufacturer code 0, serial number 77) sends as furnace 1 in place of another unit: "
        "manufacturer code 0, serial number 5"
    )
    assert flag.advice.endswith('then write it in the rig: claimed_name = "000000000000004D" for heater')
    assert flag.advice.startswith(
        "if the unit was replaced, check its settings first: instance, calibration, tank range"
    )
    assert made.others == {"address 5E hex": "unplanned"}


@pytest.mark.parametrize(("until", "flags"), [(15.0, 0), (15.1, 1)])
def test_the_limit_of_the_planned_one_has_to_pass_first(bus, unit, heard, until, flags):
    """From the start of the watch: the planned one may still be heard."""
    made = bus()
    frames = [claim(made, 0, 0x70, 77), *talk(made, until, 0x70, 1), *others(made, until)]
    made = heard(frames, until, unit, "sensor")
    assert [fact[2] for fact in told(made)] == ["replaced-device"] * flags
    assert ["in place of another unit" in flag.text for flag in made.watch.flags] == [True] * flags


def test_when_the_planned_one_returns_both_share_the_instance(bus, unit, heard):
    """When the other one goes, no flag is left."""
    made = bus()
    frames = [claim(made, 0, 0x70, 77), *talk(made, 60, 0x70, 1), *others(made, 120)]
    frames += [claim(made, 40, 0x5E, 5), *talk(made, 120, 0x5E, 42)]
    assert told(heard(frames, 120, unit, "sensor")) == [
        (15.0, RAISED, "replaced-device", "heater"),
        (40.0, CLEARED, "replaced-device", "heater"),
        (46.0, RAISED, "shared-instance", "address 70 hex"),
        (71.3, CLEARED, "shared-instance", "address 70 hex"),
    ]


def test_when_the_replacement_is_silent_the_planned_one_is(bus, unit, heard):
    """Then no unit sends its function."""
    made = bus()
    frames = [claim(made, 0, 0x70, 77), *talk(made, 30, 0x70, 1), *others(made, 60)]
    assert told(heard(frames, 60, unit, "sensor")) == [
        (15.0, RAISED, "replaced-device", "heater"),
        (41.0, CLEARED, "replaced-device", "heater"),
        (41.0, RAISED, "silent-device", "heater"),
    ]


@pytest.mark.parametrize(("further", "kinds"), [((), ["replaced-device"]), (("panel 2",), [])])
def test_a_panel_with_another_name_replaces_the_only_planned_one(bus, planned, heard, further, kinds):
    """A panel has no status: only its heartbeat can show it, where the rig has one panel."""
    made = bus()
    frames = [claim(made, 0, 0x70, 77), *others(made, 60)]
    frames += made.frames(60, made.every(5, "DM_RV", 0x70, 1, dsa=68, spn=0x7FFFF, fmi=31))
    made = heard(frames, 60, planned("panel", claimed_name=f"{5:016X}"), *further, "sensor")
    assert [fact[2] for fact in told(made) if fact[2] == "replaced-device"] == kinds


# Another instance.


def test_a_new_unit_at_its_default_instance_is_one_flag(bus, heard):
    """The grey tank was tank 2; tank 1, which the rig does not have, started when it was gone."""
    made = bus()
    frames = [*talk(made, 20, 0x93, 1, TANK, 2), *talk(made, 80, 0x48, 2, TANK, 0), *talk(made, 80, 0x93, 40, TANK, 1)]
    made = heard(frames, 80, *TANKS)
    assert told(made)[-2:] == [
        (40.0, CLEARED, "silent-device", "grey"),
        (40.0, RAISED, "replaced-device", "grey"),
    ]
    assert made.watch.flags[0].text == "address 93 hex sends as tank 1 in place of tank 2, which is not heard"
    assert "it should send as tank 2: set its instance" in made.watch.flags[0].advice


@pytest.mark.parametrize("first", [1, 20])
def test_from_the_start_nothing_else_is_reported(bus, heard, first):
    """Before the limit of the planned one nothing is reported; after it the silence turns into the replacement."""
    made = bus()
    frames = [*talk(made, 60, 0x48, 0.5, TANK, 0), *talk(made, 60, 0x94, first, TANK, 1)]
    facts = told(heard(frames, 60, *TANKS))
    silence = [(15.0, RAISED, "silent-device", "grey"), (20.0, CLEARED, "silent-device", "grey")] if first > 15 else []
    assert facts == [*silence, (max(15.0, first), RAISED, "replaced-device", "grey")]


def test_of_two_that_are_missed_none_was_replaced(bus, heard):
    """Both are silent, and the other source is not planned."""
    made = bus()
    facts = told(heard([*talk(made, 60, 0x94, 1, TANK, 1), *others(made, 60)], 60, *TANKS, "sensor"))
    assert sorted(facts) == [
        (15.0, RAISED, "silent-device", "fresh"),
        (15.0, RAISED, "silent-device", "grey"),
        (16.0, RAISED, "unplanned-device", "address 94 hex"),
    ]


def test_a_further_tank_beside_all_planned_ones_is_unplanned(bus, heard):
    """At once, and it does not become a replacement when one of them falls silent later."""
    made = bus()
    frames = [
        *talk(made, 90, 0x48, 0.5, TANK, 0),
        *talk(made, 40, 0x93, 1, TANK, 2),
        *talk(made, 90, 0x94, 11, TANK, 1),
    ]
    assert told(heard(frames, 90, *TANKS)) == [
        (11.0, RAISED, "unplanned-device", "address 94 hex"),
        (55.5, RAISED, "silent-device", "grey"),
    ]


def test_a_tank_that_began_when_one_of_them_had_stopped_turns_into_its_replacement(bus, heard):
    """Reported as unplanned while the other one might still be present."""
    made = bus()
    frames = [
        *talk(made, 60, 0x48, 0.5, TANK, 0),
        *talk(made, 20, 0x93, 1, TANK, 2),
        *talk(made, 60, 0x94, 20, TANK, 1),
    ]
    assert told(heard(frames, 60, *TANKS)) == [
        (20.0, RAISED, "unplanned-device", "address 94 hex"),
        (31.0, CLEARED, "unplanned-device", "address 94 hex"),
        (31.0, RAISED, "replaced-device", "grey"),
    ]


# Another address.


@pytest.mark.parametrize(("until", "flags"), [(16.0, 0), (16.1, 1)])
def test_a_planned_device_at_another_address_has_fifteen_seconds_for_its_claim(bus, heard, until, flags):
    """Then its address is reported; it is present all the time."""
    made = bus()
    made = heard([*talk(made, until, 0x70, 1), *others(made, until)], until, "heater", "sensor")
    assert [fact[2] for fact in told(made)] == ["replaced-device"] * flags
    assert made.who["heater"] == 0x70
    if flags:
        (flag,) = made.watch.flags
        assert flag.text == "address 70 hex sends as furnace 1 instead of address 5E hex, where the rig has it"
        assert flag.advice.endswith("then write it in the rig: address = 0x70 for heater")


@pytest.mark.parametrize(
    "said",
    [
        [(0, 0x70, 5)],
        [(0, 0x5E, 9), (0.01, 0x5E, 3), (0.02, 0x70, 9)],
    ],
    ids=["by its planned NAME", "after a lost contest"],
)
def test_a_unit_that_is_known_to_be_the_same_was_not_replaced(bus, unit, planned, heard, of_kind, said):
    """It only has another address."""
    made = bus()
    device = unit if said[0][2] == 5 else planned("heater")
    frames = [*(claim(made, *one) for one in said), *talk(made, 60, 0x70, 1), *others(made, 60)]
    assert of_kind(heard(frames, 60, device, "sensor"), "replaced-device") == []


def test_a_dynamic_device_may_be_anywhere(bus, planned, heard):
    """The rig allows it."""
    made = bus()
    frames = [*talk(made, 60, 0x70, 1), *others(made, 60)]
    assert heard(frames, 60, planned("heater", dynamic=True), "sensor").flags == []


@pytest.mark.parametrize(("address", "flags"), [(0x70, 0), (0x71, 1)])
def test_a_unit_that_was_commanded_there_was_not_replaced(bus, heard, of_kind, commanded, address, flags):
    """By the long message of its NAME and that address; it claims there."""
    made = bus()
    frames = [*commanded(0, 9, address), claim(made, 2, 0x70, 9), *talk(made, 60, 0x70, 3), *others(made, 60)]
    assert len(of_kind(heard(frames, 60, "heater", "sensor"), "replaced-device")) == flags


def test_a_silent_device_that_sends_from_another_address_is_reported_at_once(bus, heard):
    """In place of its silence; it ends when it is back at its planned address."""
    made = bus()
    frames = [*talk(made, 20, 0x5E, 1), *talk(made, 60, 0x70, 40), *others(made, 140), *talk(made, 140, 0x5E, 100)]
    assert told(heard(frames, 140, "heater", "sensor")) == [
        (31.0, RAISED, "silent-device", "heater"),
        (40.0, CLEARED, "silent-device", "heater"),
        (40.0, RAISED, "replaced-device", "heater"),
        (70.0, CLEARED, "replaced-device", "heater"),
        (70.0, RAISED, "silent-device", "heater"),
        (100.0, CLEARED, "silent-device", "heater"),
    ]


def test_a_claim_of_the_planned_name_from_there_ends_it(bus, unit, heard):
    """Its claim is requested, and it is the same unit."""
    made = bus()
    frames = [*talk(made, 60, 0x70, 1), *others(made, 60), claim(made, 30, 0x70, 5)]
    facts = [fact for fact in told(heard(frames, 60, unit, "sensor")) if fact[2] == "replaced-device"]
    assert facts == [(16.0, RAISED, "replaced-device", "heater"), (30.0, CLEARED, "replaced-device", "heater")]


# Without a rig.


def test_without_a_rig_a_unit_with_all_functions_is_one_flag(bus, heard):
    """Furnace and water heater; one of the two is not enough."""
    made = bus()
    old = [*talk(made, 20, 0x5E, 1), *talk(made, 20, 0x5E, 1, WATER)]
    new = [*talk(made, 60, 0x70, 19, FURNACE), *talk(made, 60, 0x70, 18, WATER)]
    made = heard([*old, *new, *others(made, 60)], 60)
    assert told(made) == [(31.3, RAISED, "replaced-device", "address 5E hex")]
    assert made.watch.flags[0].text in {
        f"address 70 hex sends as {what} in place of address 5E hex, which is no longer heard"
        for what in ("furnace 1", "water heater 1")
    }
    half = heard([*old, *new[: len(new) // 2], *others(made, 60)], 60)
    assert told(half) == [(31.3, RAISED, "silent-device", "address 5E hex")]


def test_without_a_rig_a_silence_turns_into_the_replacement(bus, heard):
    """When the other one starts later; the return of the first one ends it."""
    made = bus()
    frames = [*talk(made, 20, 0x5E, 1), *talk(made, 90, 0x70, 40), *others(made, 90), *talk(made, 90, 0x5E, 61)]
    assert told(heard(frames, 90)) == [
        (31.0, RAISED, "silent-device", "address 5E hex"),
        (40.0, CLEARED, "silent-device", "address 5E hex"),
        (40.0, RAISED, "replaced-device", "address 5E hex"),
        (61.0, CLEARED, "replaced-device", "address 5E hex"),
        (65.0, RAISED, "shared-instance", "address 5E hex"),
    ]


@pytest.mark.parametrize("devices", [(), ("heater", "sensor")])
def test_another_name_at_the_same_address_is_another_unit(bus, heard, devices):
    """The one before was silent first; the rig has no NAME."""
    made = bus()
    frames = [claim(made, 0, 0x5E, 5), *talk(made, 20, 0x5E, 1), claim(made, 40, 0x5E, 6), *talk(made, 60, 0x5E, 41)]
    made = heard([*frames, *others(made, 60)], 60, *devices)
    assert [fact[1:3] for fact in told(made)] == [
        (RAISED, "silent-device"),
        (CLEARED, "silent-device"),
        (RAISED, "replaced-device"),
    ]
    assert made.watch.flags[0].evidence[:2] == ("NAME 0000000000000006", "NAME before 0000000000000005")


def test_without_a_rig_a_unit_that_moved_is_neither_silent_nor_replaced(bus, heard):
    """Its NAME was claimed elsewhere; the old address is silent since."""
    made = bus()
    frames = [claim(made, 0, 0x5E, 5), *talk(made, 20, 0x5E, 1), claim(made, 20, 0x70, 5), *talk(made, 60, 0x70, 21)]
    assert heard([*frames, *others(made, 60)], 60).flags == []


def test_without_a_rig_a_device_without_functions_is_silent(bus, heard):
    """No unit can replace it."""
    made = bus()
    dc = [made.every(0.5, "DC_SOURCE_STATUS_1", source, 0.1, off) for source, off in ((0x46, ((20, 99),)), (0x4A, ()))]
    assert told(heard([*made.frames(60, *dc), *others(made, 60)], 60)) == [
        (35.1, RAISED, "silent-device", "address 46 hex")
    ]
