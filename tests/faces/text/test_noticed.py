"""The troubles of a survey in their order."""

from dataclasses import replace

from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.noticed import CAUSE_TEXTS, troubles
from rvsim.watch.cause import Cause, CauseKind
from rvsim.watch.flag import Flag, FlagKind, Severity


def flag(number, kind, severity, subject="heater", message=None):
    """Return a flag that still stands."""
    return Flag(number, kind, subject, severity, 0, "text", f"advice {number}", message=message)


def test_the_worst_comes_first():
    """Gas before all, then by severity, of these what explains others; unknown messages are counted elsewhere."""
    flags = (
        flag(1, FlagKind.NO_DATA, Severity.WARNING),
        flag(2, FlagKind.UNKNOWN_MESSAGE, Severity.NOTICE),
        flag(3, FlagKind.BAD_VALUE, Severity.FAULT),
        flag(4, FlagKind.SILENT_DEVICE, Severity.FAULT, "roof fan"),
        flag(5, FlagKind.LATE_MESSAGE, Severity.WARNING, "roof fan"),
        flag(6, FlagKind.REPORTED_FAULT, Severity.WARNING, "gas sensor", "GAS_SENSOR_STATUS"),
    )
    cause = Cause(FlagKind.SILENT_DEVICE, "roof fan", Severity.FAULT, 0, None, "text", "look", (), flags[3:5])
    found = troubles(explain_flags(flags, (cause,)))
    assert flags[5].is_gas
    assert [trouble.flags[0].number for trouble in found] == [6, 4, 3, 1]
    assert found[1].explained == (flags[4],)


def test_a_cause_that_is_no_flag_is_as_bad_as_it_says():
    """It stands before flags of its severity, and behind worse ones; all its flags are explained."""
    flags = (flag(1, FlagKind.BAD_VALUE, Severity.FAULT), flag(2, FlagKind.BUS_QUIET, Severity.FAULT, "bus"))
    cause = Cause(CauseKind.RECORDER_PAUSED, "bus", Severity.WARNING, 0, 5, "it paused", "look", ("why",), flags[1:])
    worse, paused = troubles(explain_flags(flags, (cause,)))
    assert (worse.flags, paused.flags, paused.explained) == (flags[:1], (), flags[1:])
    assert (paused.sentence, paused.evidence) == ("it paused", "why")


def test_the_same_devices_that_go_again_are_one_trouble():
    """Each time is counted; other devices are another trouble."""
    flags = tuple(flag(n, FlagKind.SILENT_DEVICE, Severity.FAULT) for n in range(3))
    causes = [
        Cause(CauseKind.SHARED_SUPPLY, subject, Severity.FAULT, 0, 5, f"{subject} went", "look", (), flags[n : n + 1])
        for n, subject in enumerate(("a, b", "c, d", "a, b"))
    ]
    found = troubles(explain_flags(flags, causes))
    assert [one.sentence for one in found] == ["a, b went, and 1 more of this kind", "c, d went"]


def test_two_readings_of_one_quantity_blame_neither_device():
    """Which of both is wrong is not known."""
    text = "charging voltage 12.8 V, while monitor reports dc voltage 0.0 V for the same quantity (DC_SOURCE_STATUS_1)"
    (found,) = troubles(explain_flags([replace(flag(1, FlagKind.BAD_VALUE, Severity.WARNING), text=text)], ()))
    assert found.sentence == "heater does not agree with another device"


def test_a_function_that_came_late_was_not_missing_for_ever():
    """The sentence is of the whole log."""
    missing = replace(
        flag(1, FlagKind.IGNORED_COMMAND, Severity.WARNING),
        text="heater commands pump 1, but no pump 1 was ever heard; 2 commands",
    )
    (found,) = troubles(explain_flags([missing], ()))
    assert found.sentence == "heater commands pump 1, but no pump 1 was ever heard"
    (found,) = troubles(explain_flags([missing.cleared(9)], ()))
    assert found.sentence == "heater commands pump 1, but no pump 1 was heard at first"


def test_every_kind_of_cause_can_be_said_in_short():
    """As every kind of flag can."""
    assert set(CAUSE_TEXTS) == set(CauseKind)
