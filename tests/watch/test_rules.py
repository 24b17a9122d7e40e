"""Tests for the rules: from transitions to flags, with their words."""

import pytest

from rvsim.rig.accepted import AcceptedPlan
from rvsim.watch import transitions
from rvsim.watch.detect.transfers import is_failure
from rvsim.watch.flag import FlagCleared, FlagRaised
from rvsim.watch.rules import DRAFTS, MAX_CLEARED_FLAGS, Rules
from rvsim.watch.transitions import (
    AddressShared,
    AlarmCodeReported,
    BusFellQuiet,
    DataLost,
    Ended,
    ErrorExtent,
    ErrorsOnBus,
    FellSilent,
    GapExceeded,
    LengthWrong,
    Limits,
    MessageUndefined,
    Topic,
    TransferFailed,
    UnplannedDevice,
    ValueOutOfRange,
)
from rvsim.wire.fields import Alarm, AlarmSeverity, FieldSpec, Grades, Origin, Reading, Special, State
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name
from rvsim.wire.transfer.outcomes import ProblemKind

FRAME = Frame(19_812_345, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))
SHOWN = "19FFE45E 01 00 C8 64 FF FF FF FF at 19.812 s"
TOPIC = Topic(0x5E, 0x1FFE4, "FURNACE_STATUS", 1)
LATE = GapExceeded(35 * SECOND_US, 34 * SECOND_US, "heater", TOPIC, 500_000, 2 * SECOND_US, FRAME)
SILENT = FellSilent(
    36 * SECOND_US, 35 * SECOND_US, "heater", ("furnace 1", "water heater 1"), 5 * SECOND_US, 15 * SECOND_US, FRAME
)


def temperature(raw: int, state: State = State.VALUE, origin: Origin = Origin.PUBLISHED) -> Reading:
    """A temperature in whole degrees from -40."""
    field = FieldSpec(
        "air_temperature",
        8,
        8,
        offset=-40,
        unit="degC",
        special=Special.MEASURED,
        grades=Grades(origin, origin, origin),
    )
    return Reading(field, raw, state)


def flag_of(transition):
    """The flag that a transition raises."""
    raised = Rules().process(transition)
    assert isinstance(raised, FlagRaised)
    assert (raised.time, raised.flag.since, raised.flag.until) == (transition.time, transition.since, None)
    return raised.flag


def said(transition) -> tuple[str, str, str, str]:
    """Kind, subject, severity and text of the flag that a transition raises."""
    flag = flag_of(transition)
    return str(flag.kind), flag.subject, str(flag.severity), flag.text


def test_a_silent_device():
    """A fault with the last frame, and what was late before as evidence."""
    assert said(SILENT._replace(late_messages=(LATE,))) == (
        "silent-device",
        "heater",
        "fault",
        "silent for 15.0 s, due every 5 s; last frame at 19.812 s",
    )
    flag = flag_of(SILENT._replace(late_messages=(LATE,)))
    assert flag.evidence == (f"last frame {SHOWN}", "FURNACE_STATUS, instance 1: late since 34.000 s")
    assert "power and fuse first, then its data plug, then its drop" in flag.advice


def test_a_device_that_was_never_heard():
    """There is no last frame; the advice says what it should be set to."""
    never = SILENT._replace(last=None, gap_us=None)
    assert said(never)[3] == "not heard since the start, for 15.0 s"
    assert flag_of(never).evidence == ()
    assert flag_of(never).advice.endswith("and that it is set to furnace 1 and water heater 1")
    assert flag_of(never._replace(functions=())).advice.endswith("its drop")
    assert said(never._replace(gap_us=5 * SECOND_US))[3] == "not heard since the start, for 15.0 s, due every 5 s"


def test_a_late_message():
    """A warning with its gap."""
    assert said(LATE) == (
        "late-message",
        "heater",
        "warning",
        "FURNACE_STATUS, instance 1: not received for 2.0 s, due every 0.5 s; last frame at 19.812 s",
    )
    assert flag_of(LATE).evidence == (f"last frame {SHOWN}",)
    assert "setting for this message" in flag_of(LATE).advice


def test_a_quiet_bus():
    """One fault for all; the ohms are told with what they do not prove."""
    quiet = BusFellQuiet(21 * SECOND_US, 21 * SECOND_US, 1_200_000, SECOND_US, 36_000, 4, FRAME)
    text = "no frame from any device for 1.2 s, where 0.036 s between frames is usual; last frame at 19.812 s"
    assert said(quiet) == ("bus-quiet", "bus", "fault", text)
    flag = flag_of(quiet)
    assert flag.evidence == (f"last frame {SHOWN}", "4 sources have missed a message")
    for words in ("adapter", "60 ohm", "does not prove the connectors, the ground or the supply", "power off"):
        assert words in flag.advice


@pytest.mark.parametrize(
    ("function", "holder", "text", "advice"),
    [
        (None, None, "not in the rig: it sent nothing that identifies it within 15.0 s", "by unplugging it"),
        ("furnace 2", None, "sends as furnace 2, which is not in the rig", "set its instance as planned"),
        (
            "furnace 1",
            "heater (address 5E hex)",
            "sends as furnace 1, which the rig gives to heater (address 5E hex)",
            "give each its own instance, and check which is furnace 1",
        ),
    ],
)
def test_a_device_that_is_not_planned(function, holder, text, advice):
    """A warning in three forms."""
    strange = UnplannedDevice(2, 1, "address 9C hex", 0x9C, False, function, holder, 15 * SECOND_US, FRAME)
    assert said(strange) == ("unplanned-device", "address 9C hex", "warning", text)
    assert advice in flag_of(strange).advice
    assert flag_of(strange).evidence == (f"frame {SHOWN}",)
    assert flag_of(strange._replace(last=None)).evidence == ()


@pytest.mark.parametrize(
    ("reading", "limits", "text"),
    [
        (temperature(200), Limits(-60, 85, "by the rig"), "160 °C, outside -60 to 85 °C (by the rig)"),
        (temperature(254, State.OUT_OF_RANGE), None, "out of range"),
        (temperature(254, State.OUT_OF_RANGE, Origin.MEMORY), None, "out of range; layout from memory"),
        (temperature(254, State.OUT_OF_RANGE, Origin.UNSURE), None, "out of range; layout not sure"),
        (temperature(254, State.OUT_OF_RANGE, Origin.USER), None, "out of range"),
        (Reading(FieldSpec("air_temperature", 0, 8), 9, State.VALUE), Limits(0, 2.5, "x"), "9, outside 0 to 2.5 (x)"),
    ],
)
def test_a_bad_value(reading, limits, text):
    """It says what was said, what is believed and by whom, and where the layout is not established."""
    bad = ValueOutOfRange(20, "heater", TOPIC, reading, limits, FRAME)
    assert said(bad) == ("bad-value", "heater", "warning", f"FURNACE_STATUS, instance 1: air temperature {text}")
    assert flag_of(bad).evidence == (f"frame {SHOWN}",)
    assert "sensor, its wire" in flag_of(bad).advice


def test_a_value_that_turned_to_no_data():
    """It says what it was, or that the rig requires it."""
    gone = temperature(255, State.NO_DATA, Origin.MEMORY)
    lost = DataLost(20, "heater", TOPIC, gone, temperature(61), FRAME)
    text = "FURNACE_STATUS, instance 1: air temperature now reports no data; last value 21 °C; layout from memory"
    assert said(lost) == ("no-data", "heater", "warning", text)
    assert flag_of(lost).evidence == (f"frame {SHOWN}",)
    assert "sensor's wire and plug" in flag_of(lost).advice
    never = lost._replace(before=None, reading=temperature(255, State.NO_DATA))
    assert said(never)[3] == "FURNACE_STATUS, instance 1: air temperature reports no data, and the rig requires a value"


def test_a_wrong_length():
    """A warning; a notice where nothing is lost."""
    short = LengthWrong(20, "heater", TOPIC, 2, 8, ("fan_speed", "level"), False, FRAME)
    text = "FURNACE_STATUS, instance 1: 2 bytes, its fields need 8; missing: fan speed, level"
    assert said(short) == ("wrong-length", "heater", "warning", text)
    assert "definition" in flag_of(short).advice
    assert flag_of(short).evidence == (f"frame {SHOWN}",)
    harmless = short._replace(harmless=True)
    assert said(harmless)[2] == "notice"
    assert flag_of(harmless).advice.startswith("nothing")
    long = short._replace(fields=(), length=8, needed=3)
    assert said(long)[2:] == ("warning", "FURNACE_STATUS, instance 1: 8 bytes, more than the 3 that are defined")


def test_an_unknown_message():
    """A notice, and no reason to worry."""
    unknown = MessageUndefined(20, "address 02 hex", Topic(2, 0x1F801, None), FRAME)
    assert said(unknown) == ("unknown-message", "address 02 hex", "notice", "DGN 1F801 hex is not defined here")
    assert "nothing is wrong with the bus" in flag_of(unknown).advice
    assert flag_of(unknown).evidence == (f"frame {SHOWN}",)


def test_flags_are_numbered_as_they_are_raised_and_cleared_under_their_number():
    """A cause raises one flag; when it has ended it can raise another."""
    rules = Rules()
    first, second = rules.process(SILENT), rules.process(LATE)
    assert rules.process(SILENT._replace(time=99)) is None
    cleared = rules.process(Ended(60 * SECOND_US, SILENT.problem_key))
    assert isinstance(cleared, FlagCleared)
    assert (first.flag.number, second.flag.number, cleared.flag.number) == (1, 2, 1)
    assert (cleared.time, cleared.flag.until) == (60 * SECOND_US, 60 * SECOND_US)
    assert rules.process(Ended(61 * SECOND_US, SILENT.problem_key)) is None
    assert rules.standing(0) == (second.flag,)
    assert rules.all_flags(0) == (cleared.flag, second.flag)
    assert rules.process(SILENT).flag.number == 3
    assert [flag.number for flag in rules.standing(0)] == [2, 3]


def test_the_end_of_what_never_began_changes_nothing():
    """It is not an error either: a log can begin in the middle."""
    assert Rules().process(Ended(1, SILENT.problem_key)) is None


def test_cleared_flags_are_kept_in_bounds():
    """However often a cause comes and goes, a bounded number of cleared flags is remembered, the newest ones."""
    rules = Rules()
    for n in range(MAX_CLEARED_FLAGS + 50):
        found = FellSilent(n, n, "heater", (), None, 15_000_000, None)
        rules.process(found)
        rules.process(Ended(n, found.problem_key))
    assert len(rules.all_flags(0)) == MAX_CLEARED_FLAGS
    assert [rules.all_flags(0)[0].number, rules.all_flags(0)[-1].number] == [51, MAX_CLEARED_FLAGS + 50]
    assert rules.standing(0) == ()


def test_another_unit_than_the_planned_one():
    """With its maker and serial number; for a stranger also the line that a rig needs after an exchange."""
    name = Name(serial_number=123456, manufacturer_code=1774)
    strange = UnplannedDevice(2, 1, "address 9C hex", 0x9C, False, "furnace 1", None, 9, FRAME, "heater", name)
    text = "a unit other than the planned heater sends as furnace 1: manufacturer code 1774, serial number 123456"
    assert said(strange) == ("unplanned-device", "address 9C hex", "warning", text)
    assert flag_of(strange).advice == (
        'if the unit was replaced, write its NAME in the rig: claimed_name = "00000000DDC1E240" for heater; '
        "if it was not, give it an instance of its own, or remove it from the bus"
    )
    assert said(strange._replace(planned=True))[3] == text
    assert flag_of(strange._replace(planned=True)).advice == "set its instance as planned, or correct the rig"


def test_a_shared_address():
    """A fault with the units and their NAMEs."""
    shared = AddressShared(9, 8, "heater", 0x5E, (Name(5, 7), Name(6, 8)))
    text = (
        "2 units claim address 5E hex, and none gives way: manufacturer code 7, serial number 5 and manufacturer code "
        "8, serial number 6"
    )
    assert said(shared) == ("shared-address", "heater", "fault", text)
    assert flag_of(shared).evidence == ("NAME 0000000000E00005", "NAME 0000000001000006")
    assert flag_of(shared).advice.startswith("give one of them another address")


BAD = ValueOutOfRange(20, "heater", TOPIC, temperature(254, State.OUT_OF_RANGE), None, FRAME)
LOST = DataLost(20, "heater", TOPIC, temperature(255, State.NO_DATA), None, FRAME)
SHORT = LengthWrong(20, "heater", TOPIC._replace(instance=None), 2, 8, (), False, FRAME)
UNKNOWN = MessageUndefined(20, "heater", Topic(2, 0x1F801, None), FRAME)


@pytest.mark.parametrize(
    ("transition", "message", "field"),
    [
        (SILENT, None, None),
        (LATE, "FURNACE_STATUS", None),
        (BAD, "FURNACE_STATUS", "air_temperature"),
        (LOST, "FURNACE_STATUS", "air_temperature"),
        (SHORT, "FURNACE_STATUS", None),
        (UNKNOWN, "1F801", None),
    ],
)
def test_a_flag_says_what_it_is_about_in_the_words_of_a_rig(transition, message, field):
    """Its message, by DGN where it has no name, and its field: accepting just that keeps it, and only it, untold."""
    flag = flag_of(transition)
    assert (flag.message, flag.field) == (message, field)
    plan = AcceptedPlan(flag=flag.kind, device=flag.subject, message=message, field=field)
    rules = Rules([plan])
    assert rules.process(transition) is None
    assert rules.process(transition._replace(device="roof fan")) is None or rules.accepted.total() == 1
    assert rules.accepted.total() == 1
    others = [one for one in (SILENT, LATE, BAD, LOST, SHORT, UNKNOWN) if type(one) is not type(transition)]
    assert all(isinstance(Rules([plan]).process(one), FlagRaised) for one in others)


def test_an_accepted_flag_is_counted_once_for_each_time_that_it_stands():
    """Again only when its cause has ended; its end is no event, and the numbers of others have no gap."""
    rules = Rules([AcceptedPlan(flag="silent-device", device="heater")])
    assert [rules.process(SILENT), rules.process(SILENT), rules.accepted.total()] == [None, None, 1]
    assert rules.process(Ended(60 * SECOND_US, SILENT.problem_key)) is None
    assert [rules.process(SILENT), rules.accepted.total()] == [None, 2]
    assert rules.process(LATE).flag.number == 1
    assert rules.process(SILENT._replace(device="roof fan")).flag.number == 2
    assert rules.all_flags(0) == rules.standing(0)
    assert len(rules.standing(0)) == 2


def test_an_accepted_silence_is_no_accepted_absence():
    """Falling silent is accepted; not being heard at all is told, unless the rig accepts that too."""
    never = SILENT._replace(last=None)
    assert isinstance(Rules([AcceptedPlan(flag="silent-device", device="heater")]).process(never), FlagRaised)
    assert Rules([AcceptedPlan(flag="silent-device", device="heater", absent=True)]).process(never) is None


def test_a_flag_of_something_that_stays_away_knows_for_how_long():
    """From the last frame to its return; other flags have no such time."""
    rules = Rules()
    raised = rules.process(SILENT).flag
    assert (raised.heard, raised.silence) == (SILENT.last.time, None)
    cleared = rules.process(Ended(99 * SECOND_US, SILENT.problem_key)).flag
    assert cleared.silence == 99 * SECOND_US - SILENT.last.time
    assert (flag_of(BAD).heard, flag_of(BAD).silence) == (None, None)


def test_a_standing_flag_is_told_in_the_present():
    """What stays away is told with the time that has gone by and its limit; the raised flag stays as it was."""
    rules = Rules()
    raised = rules.process(SILENT).flag
    (now,) = rules.standing(51_000_000)
    assert now.text == "silent for 31.2 s (limit 15.0 s), due every 5 s; last frame at 19.812 s"
    assert (now.number, now.since, raised.text[:17]) == (1, SILENT.since, "silent for 15.0 s")
    never = SILENT._replace(device="sensor", last=None)
    rules.process(never)
    assert rules.standing(51_000_000)[1].text == "not heard since the start, for 31.0 s (limit 15.0 s), due every 5 s"
    rules.process(LATE)
    assert "not received for 31.2 s (limit 2.0 s)" in rules.all_flags(51_000_000)[2].text
    quiet = BusFellQuiet(
        40 * SECOND_US, 40 * SECOND_US, 1_500_000, SECOND_US, 100_000, 2, FRAME._replace(time=38_500_000)
    )
    rules.process(quiet)
    assert "no frame from any device for 12.5 s" in rules.standing(51_000_000)[3].text
    assert rules.process(Ended(60 * SECOND_US, SILENT.problem_key)).flag.text == raised.text


def test_a_problem_that_is_told_again_renews_its_flag():
    """The words are those of the last time; number and beginning stay, and it is no event."""
    rules = Rules()
    rules.process(LATE)
    assert rules.process(LATE._replace(gap_us=SECOND_US)) is None
    (flag,) = rules.standing(0)
    assert (flag.number, flag.since) == (1, LATE.since)
    assert "due every 1 s" in flag.text
    assert "due every 1 s" in rules.process(Ended(60 * SECOND_US, LATE.problem_key)).flag.text


def test_every_kind_of_problem_has_a_flag():
    """A new transition that opens a problem cannot be added without its flag."""
    kinds = {kind for kind in vars(transitions).values() if isinstance(kind, type) and hasattr(kind, "problem_key")}
    problems = {kind for kind in kinds if issubclass(kind, tuple) and kind is not Ended}
    assert problems == set(DRAFTS)
    assert len(problems) > 20


@pytest.mark.parametrize("severity", AlarmSeverity)
def test_every_severity_of_an_alarm_is_one_of_a_flag(severity):
    """Both use the same words."""
    alarm = AlarmCodeReported(1, "heater", TOPIC, temperature(1), Alarm(severity, Origin.PUBLISHED), FRAME)
    assert str(flag_of(alarm).severity) == str(severity)


@pytest.mark.parametrize(
    ("extent", "severity"),
    [(ErrorExtent.FEW, "notice"), (ErrorExtent.MANY, "warning"), (ErrorExtent.BUS_OFF, "fault")],
)
def test_every_extent_of_errors_has_its_severity(extent, severity):
    """A new extent cannot be added without one."""
    assert len(ErrorExtent) == 3
    found = ErrorsOnBus(1, 1, extent, 1, 1, 1, 1, ((0, 1),), (), (), True)
    assert str(flag_of(found).severity) == severity


@pytest.mark.parametrize("kind", [kind for kind in ProblemKind if is_failure(kind)])
def test_every_way_in_which_a_long_message_fails_has_a_text_and_advice(kind):
    """A new kind of failure cannot be added without them."""
    reason = 1 if kind is ProblemKind.ABORTED else None
    flag = flag_of(TransferFailed(1, 1, "heater", TOPIC, 255, "all", 2, kind, reason, "panel", (FRAME,)))
    assert "failed 2 times; the last time, " in flag.text
    assert flag.advice
