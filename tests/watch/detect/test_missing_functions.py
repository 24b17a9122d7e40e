"""Tests for functions that are commanded and were never heard."""

import pytest

PANEL = 0x44
NO_FAULT = {"spn": 0x7FFFF, "fmi": 31}
KINDS = ("ignored-command",)


@pytest.fixture
def commanded(bus, judge):
    """Let a panel command furnace 2 at some seconds; ``more`` builds further frames with the bus."""

    def go(*seconds, devices=(), end=120, more=lambda made: (), message="FURNACE_COMMAND", **raws):
        made = bus()
        frames = made.frames(
            end,
            made.every(5, "DM_RV", PANEL, 0.3, dsa=68, **NO_FAULT),
            made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.2),
            made.every(5, "FURNACE_STATUS", 0x5E, 0.4),
        )
        given = raws or {"instance": 2, "heat_output_level": 100}
        frames += [made.frame(at, message, PANEL, **given) for at in seconds]
        return judge([*frames, *more(made)], end, *devices, kinds=KINDS)

    return go


@pytest.mark.parametrize("devices", [("heater", "panel"), ()], ids=["with a rig", "without"])
def test_a_missing_function_is_reported_after_fifteen_seconds(commanded, devices):
    """It does not end."""
    (found,) = commanded(10, devices=devices)
    who = "panel" if devices else "address 44 hex"
    assert (found.told, found.flag.since, found.until) == (25.0, 25_000_000, None)
    assert (found.subject, str(found.flag.severity), found.flag.message) == (who, "warning", "FURNACE_COMMAND")
    assert found.text == (
        f"{who} commands furnace 2, but no furnace 2 was ever heard; 1 command, the first more than 15.0 s ago"
    )


def test_commands_are_counted(commanded):
    """Three before it is reported, two after."""
    (found,) = commanded(10, 11, 12, 50, 60)
    assert "; 5 commands," in found.text


@pytest.mark.parametrize(("seconds", "count"), [(24.9, 0), (25.3, 1)])
def test_its_first_status_ends_it(commanded, seconds, count):
    """In time, and just after."""
    found = commanded(10, more=lambda made: [made.frame(seconds, "FURNACE_STATUS", 0x5F, instance=2)])
    assert [(one.told, one.until) for one in found] == [(25.0, seconds)] * count


def test_a_function_that_was_heard_once_is_not_missing(commanded):
    """It sent before the command, and is silent since: that is reported of the device."""
    assert commanded(60, more=lambda made: [made.frame(5, "FURNACE_STATUS", 0x5F, instance=2)]) == []


def test_a_function_of_the_rig_is_reported_as_a_silent_device(commanded):
    """Heater 2 is planned as furnace 2."""
    assert commanded(10, devices=("heater", "heater 2", "panel")) == []


def test_a_heartbeat_without_a_status_may_be_the_function(commanded):
    """A furnace without an instance: whether it is the second one is not known. One with instance 1 is not."""

    def beats(source):
        return lambda made: made.frames(120, made.every(5, "DM_RV", source, 1.0, dsa=94, **NO_FAULT))

    assert commanded(10, more=beats(0x5F)) == []
    assert len(commanded(10, more=beats(0x5E))) == 1


def test_a_function_that_sends_only_as_needed_is_not_awaited(commanded):
    """The status of a window shade comes on change."""
    assert commanded(10, message="WINDOW_SHADE_CONTROL_COMMAND", instance=1, command=1) == []


def test_a_function_without_instances_is_one(commanded):
    """A water pump, of which a vehicle has one: missing, or present."""
    (found,) = commanded(10, message="WATER_PUMP_COMMAND", command=1)
    assert found.text.startswith("address 44 hex commands water pump, but no water pump was ever heard")
    told = commanded(10, message="WATER_PUMP_COMMAND", command=1,
                     more=lambda made: [made.frame(5, "WATER_PUMP_STATUS", 0x80, operating_status=1)])  # fmt: skip
    assert told == []


def test_two_of_them_are_two(commanded):
    """Furnaces 2 and 3; none without a command, and none that a log is too short for."""
    third = {"instance": 3, "heat_output_level": 100}
    assert len(commanded(10, more=lambda made: [made.frame(12, "FURNACE_COMMAND", PANEL, **third)])) == 2
    assert commanded() == []
    assert commanded(110) == []
