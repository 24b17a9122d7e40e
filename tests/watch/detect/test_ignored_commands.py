"""Tests for commands that are followed by no change of status."""

import pytest

from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import Frame

FAN, FAN_COMMAND = "ROOF_FAN_STATUS_1", "ROOF_FAN_COMMAND_1"
FURNACE, FURNACE_COMMAND = "FURNACE_STATUS", "FURNACE_COMMAND"
PANEL, FAN_AT, HEATER_AT = 0x44, 0x90, 0x5E
NO_FAULT = {"spn": 0x7FFFF, "fmi": 31}
OFF, ON = {"system_status": 0, "fan_speed_setting": 0}, {"system_status": 1, "fan_speed_setting": 100}
WITH_RIG = ("roof fan", "panel", "heater")


class Talk:
    """A fan that sends a given status each 5 s and at once when it changes, and other senders."""

    def __init__(self, made, judge):
        self.made, self.judge = made, judge
        self.frames = []

    def fan(self, *states, instance=1, source=FAN_AT, gap=5.0, until=120.0):
        """States from some second on: ``(0, OFF), (12.5, ON)``."""
        for (since, raws), (end, _) in zip(states, [*states[1:], (until, None)], strict=True):
            self.frames += self.repeated(since, end, FAN, source, gap, instance=instance, **raws)
        return self

    def repeated(self, since, end, message, source, gap=5.0, **raws):
        """One message with the same bytes, repeated."""
        count = max(1, -int(-(end - since) // gap))
        return [self.made.frame(since + n * gap, message, source, **raws) for n in range(count)]

    def say(self, seconds, message, source, **raws):
        """One frame."""
        self.frames.append(self.made.frame(seconds, message, source, **raws))
        return self

    def command(self, seconds, source=PANEL, message=FAN_COMMAND, instance=1, **raws):
        """One command."""
        return self.say(seconds, message, source, instance=instance, **raws)

    def heater(self, *states, beats=(), until=600.0):
        """A furnace's output in percent steps from some second on, and whether its heartbeat calls it active."""
        for (since, level), (end, _) in zip(states, [*states[1:], (until, None)], strict=True):
            self.frames += self.repeated(since, end, FURNACE, HEATER_AT, instance=1, heat_output_level=level)
        for (since, active), (end, _) in zip(beats, [*beats[1:], (until, None)], strict=False):
            self.frames += self.repeated(
                since + 0.7, end, "DM_RV", HEATER_AT, dsa=94, operating_status_2=active, **NO_FAULT
            )
        return self

    def found(self, *devices, end=120.0, kinds=("ignored-command",)):
        """Return the flags."""
        around = self.made.frames(
            end,
            self.made.every(5, "DM_RV", PANEL, 0.3, dsa=68, **NO_FAULT),
            self.made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.2),
        )
        frames = [frame for frame in self.frames if frame.time < end * 1_000_000]
        return self.judge([*frames, *around], end, *devices, kinds=kinds)


@pytest.fixture
def talk(bus, judge):
    """Start with an empty list of frames."""
    return Talk(bus(), judge)


# Reported commands.


@pytest.mark.parametrize("devices", [WITH_RIG, ()], ids=["with a rig", "without"])
def test_a_command_without_any_change_is_reported_with_the_first_status_after_its_time(talk, devices):
    """Commanded at 11 s, two seconds to answer, and the status of 15 s is the same as before."""
    (found,) = talk.fan((0, OFF)).command(11, **ON).found(*devices)
    fan, panel = ("roof fan", "panel") if devices else ("address 90 hex", "address 44 hex")
    assert (found.told, found.flag.since, found.until) == (15.0, 13_000_000, None)
    assert (found.subject, str(found.flag.severity)) == (fan, "warning")
    assert (found.flag.message, found.flag.field) == (FAN, None)
    assert found.text == (
        f"roof fan 1 does not obey {panel}: commanded system status on (reports off), fan speed setting 50 % "
        "(reports 0 %); "
        "1 command since 13.000 s, answer time 2.0 s"
    )
    assert [line.partition(" ")[0] for line in found.flag.evidence] == ["last", "status"]


@pytest.mark.parametrize("seconds", [11.1, 12.9, 13.0, 14.999])
def test_a_change_by_the_first_status_after_its_time_obeys(talk, seconds):
    """At once, just within the time, and for a periodic status just before it is judged."""
    assert talk.fan((0, OFF), (seconds, ON)).command(11, **ON).found(*WITH_RIG) == []


def test_a_periodic_status_that_has_changed_by_then_obeys(talk):
    """The status of 15 s is the first frame after the command of 11 s."""
    assert talk.fan((0, OFF), (15, ON)).command(11, **ON).found(*WITH_RIG) == []


def test_a_status_within_the_time_is_no_answer_yet(talk):
    """Commanded at 14 s: the status of 15 s may be as before, that of 20 s not."""
    assert talk.fan((0, OFF), (20, ON)).command(14, **ON).found(*WITH_RIG) == []


def test_a_change_towards_the_commanded_value_is_enough(talk):
    """A ramp: the value is changing."""
    talk.fan((0, OFF), (12, {"system_status": 0, "fan_speed_setting": 3}))
    assert talk.command(11, **ON).found(*WITH_RIG) == []


@pytest.mark.parametrize(("time", "count"), [("4 s", 1), ("3999 ms", 1), ("8 s", 0)])
def test_a_rig_can_set_a_longer_time(talk, planned, time, count):
    """Commanded at 11 s and obeyed at 16 s: reported at 15 s, unless the time is over 4 s; just on it is in time."""
    talk.fan((0, OFF), (16, ON)).command(11, **ON)
    found = talk.found(planned("roof fan", answer_time=time), "panel", "heater")
    assert len(found) == (0 if time == "4 s" else count)


@pytest.mark.parametrize(
    "asked",
    [OFF, {"system_status": 0}, {}, {"ambient_temperature": 0xFFFF}],
    ids=["all of it", "a part", "nothing", "all ones"],
)
def test_a_state_that_is_already_reached_need_not_change(talk, asked):
    """A command equal to the present state, or one that changes nothing."""
    assert talk.fan((0, OFF)).command(11, **asked).command(40, **asked).found(*WITH_RIG) == []


def test_commands_are_counted_and_obeying_ends_it(talk):
    """Three commands, of which the last is obeyed: one flag, which counts two of them."""
    talk.fan((0, OFF), (52, ON)).command(11, **ON).command(31, **ON).command(51, **ON)
    (found,) = talk.found(*WITH_RIG)
    assert (found.told, found.until) == (15.0, 52.0)
    assert "; 2 commands since 13.000 s" in found.text


def test_commands_before_the_answer_are_judged_together(talk):
    """A button pressed five times in a second: reported once, all counted."""
    talk.fan((0, OFF))
    for n in range(5):
        talk.command(11 + n / 5, **ON)
    (found,) = talk.found(*WITH_RIG)
    assert (found.told, "; 5 commands since 13.000 s" in found.text) == (15.0, True)


def test_a_command_for_the_present_state_ends_it(talk):
    """It is as commanded again: off."""
    (found,) = talk.fan((0, OFF)).command(11, **ON).command(33, **OFF).found(*WITH_RIG)
    assert (found.told, found.until) == (15.0, 33.0)


def test_a_state_that_comes_later_ends_it(talk):
    """A person switches it on by hand: the state is as commanded."""
    (found,) = talk.fan((0, OFF), (47, ON)).command(11, **ON).found(*WITH_RIG)
    assert (found.told, found.until) == (15.0, 47.0)


def test_of_two_fans_it_is_the_one_that_was_commanded(talk):
    """Instance 2 obeys."""
    talk.fan((0, OFF)).fan((0.5, OFF), (12, ON), instance=2, source=0x9B)
    (found,) = talk.command(11, instance=2, **ON).command(11.5, **ON).found()
    assert (found.subject, found.text.partition(" does")[0]) == ("address 90 hex", "roof fan 1")


def test_nothing_is_reported_before_the_first_frame_and_after_the_last(talk):
    """Commanded before its first frame; the log ends before it could answer; it falls silent after the command."""
    assert talk.fan((10, OFF)).command(9, **ON).found(*WITH_RIG) == []
    assert talk.command(110, **ON).found(*WITH_RIG, end=112.5) == []


def test_a_silent_device_is_not_reported_twice(talk):
    """Its silence is reported; when it is back after a minute, only a new command counts."""
    talk.fan((0, OFF), until=12).fan((80, OFF)).command(12, **ON)
    assert talk.found(*WITH_RIG) == []
    (found,) = talk.command(91, **ON).found(*WITH_RIG)
    assert found.told == 95.0


# Refusals.


@pytest.mark.parametrize(
    ("code", "words"),
    [(0, "acknowledged"), (1, "refused"), (2, "refused, access denied"), (3, "refused, cannot respond now")],
)
def test_what_the_device_answered_is_named(talk, code, words):
    """An acknowledgment of the command's DGN for its sender."""
    talk.fan((0, OFF)).command(11, **ON)
    talk.say(11.1, "ACKNOWLEDGMENT", FAN_AT, acknowledgment_code=code, source_address_acknowledged=PANEL,
             dgn_acknowledged=0x1FEA6)  # fmt: skip
    (found,) = talk.found(*WITH_RIG)
    assert found.text.endswith(f"answer time 2.0 s; {words} by roof fan")


@pytest.mark.parametrize(
    ("source", "whose", "dgn", "code"),
    [(0x91, PANEL, 0x1FEA6, 1), (FAN_AT, 0x46, 0x1FEA6, 1), (FAN_AT, PANEL, 0x1FEA7, 1), (FAN_AT, PANEL, 0x1FEA6, 9)],
    ids=["of another node", "for another sender", "of another message", "with an unknown code"],
)
def test_other_acknowledgments_do_not_count(talk, source, whose, dgn, code):
    """Only from the commanded function, for the sender of the command, and about the command."""
    talk.fan((0, OFF)).command(11, **ON)
    talk.say(11.1, "ACKNOWLEDGMENT", source, acknowledgment_code=code, source_address_acknowledged=whose,
             dgn_acknowledged=dgn)  # fmt: skip
    (found,) = talk.found(*WITH_RIG)
    assert found.text.endswith("answer time 2.0 s")


# Healthy devices.


def test_a_set_point_beyond_a_limit_is_obeyed_once(talk):
    """It was commanded 40 °C and went to 30: the same command again changes nothing, another one has to."""
    limited = {"set_point": 9696}
    talk.fan((0, {"set_point": 9408}), (11.2, limited)).command(11, set_point=10016).command(31, set_point=10016)
    assert talk.command(51, set_point=10016).found(*WITH_RIG) == []
    (found,) = talk.command(71, set_point=9408).found(*WITH_RIG)
    assert found.told == 76.2


def test_a_state_that_changed_after_it_was_obeyed_is_judged_again(talk):
    """Obeyed at 11 s, repeated, switched off by hand at 40 s, and not obeyed since."""
    talk.fan((0, OFF), (11.2, ON), (40, OFF)).command(11, **ON).command(21, **ON)
    (found,) = talk.command(61, **ON).found(*WITH_RIG)
    assert found.told == 65.0


def test_a_fan_in_automatic_chooses_its_speed(talk):
    """The device sets the speed itself then; the mode has to be obeyed."""
    automatic = {"fan_mode": 0, "fan_speed_setting": 20}
    assert talk.fan((0, automatic)).command(11, fan_speed_setting=100).found(*WITH_RIG) == []
    (found,) = talk.command(31, fan_mode=1, fan_speed_setting=100).found(*WITH_RIG)
    assert "fan mode" in found.text
    assert "fan speed" not in found.text


def test_an_active_furnace_may_have_no_output_for_long(talk):
    """Cold coolant: its heartbeat reports active, its output is zero for eight minutes."""
    talk.heater((0, 0), (500, 100), beats=((0, 0), (12, 1))).command(11, message=FURNACE_COMMAND, heat_output_level=100)
    talk.command(100, message=FURNACE_COMMAND, heat_output_level=110)
    assert talk.found(*WITH_RIG, end=600) == []


@pytest.mark.parametrize(("starts", "count"), [(190.0, 0), (196.0, 1)])
def test_a_furnace_may_take_three_minutes_to_start(talk, starts, count):
    """It does not report that it is active: ignition attempts. Commanded at 11 s, judged with the status of 195 s."""
    talk.heater((0, 0), (starts, 100), beats=((0, 0),)).command(11, message=FURNACE_COMMAND, heat_output_level=100)
    found = talk.found(*WITH_RIG, end=600)
    assert [(one.told, one.subject) for one in found] == [(195.7, "heater")] * count


@pytest.mark.parametrize("beats", [(), ((0, 3),)], ids=["no heartbeat", "a heartbeat without data"])
def test_a_furnace_whose_activity_is_not_reported_is_not_judged_by_its_output(talk, beats):
    """Cold coolant looks the same as a furnace that does not obey: the output is zero for eight minutes."""
    talk.heater((0, 0), (500, 100), beats=beats).command(11, message=FURNACE_COMMAND, heat_output_level=100)
    assert talk.found(*WITH_RIG, end=600) == []


def test_a_fan_needs_no_heartbeat_to_be_judged(talk):
    """It has no reason to wait: zero where more was commanded is told."""
    (found,) = talk.fan((0, OFF)).command(11, fan_speed_setting=100).found(*WITH_RIG)
    assert found.told == 15.0


def test_a_furnace_that_does_not_stop_is_reported_at_once(talk):
    """From full heat to none there is no ignition to wait for."""
    talk.heater((0, 100), beats=((0, 1),)).command(11, message=FURNACE_COMMAND, heat_output_level=0)
    (found,) = talk.found(*WITH_RIG, end=60)
    assert found.told == 15.7


def test_a_furnace_with_an_output_has_started(talk):
    """From 20 % to 50 % there is no ignition to wait for."""
    talk.heater((0, 40), beats=((0, 1),)).command(11, message=FURNACE_COMMAND, heat_output_level=100)
    (found,) = talk.found(*WITH_RIG, end=60)
    assert found.told == 15.7


def test_a_lockout_is_reported_and_the_ignored_command_too(talk):
    """A heater that reports a fault and does nothing: both are reported, and the fault is the cause."""
    talk.heater((0, 0)).command(11, message=FURNACE_COMMAND, heat_output_level=100)
    talk.frames += talk.repeated(
        8, 300, "DM_RV", HEATER_AT, dsa=94, operating_status_2=0, red_lamp_status=1, spn=100, fmi=7
    )
    assert [one.kind for one in talk.found(*WITH_RIG, end=300, kinds=("reported-fault", "ignored-command"))] == [
        "reported-fault",
        "ignored-command",
    ]


# Other messages.


def test_a_level_has_another_name_in_the_status_of_a_load(talk):
    """desired level of a dimmer, operating status of its answer; above 100 % counts as 100 %."""
    talk.frames += talk.repeated(0, 120, "DC_DIMMER_STATUS_3", 0x80, instance=7, operating_status=200)
    talk.command(11, message="DC_DIMMER_COMMAND_2", instance=7, desired_level=250, command=0)
    assert talk.found() == []
    (found,) = talk.command(31, message="DC_DIMMER_COMMAND_2", instance=7, desired_level=0, command=0).found()
    assert (found.told, "desired level 0 % (reports 100 %)" in found.text) == (35.0, True)


def test_another_code_does_something_else_with_the_level(talk):
    """Toggle with a level: only a change can be expected, and not of the first command."""
    talk.frames += talk.repeated(0, 120, "DC_DIMMER_STATUS_3", 0x80, instance=7, operating_status=200)
    talk.command(11, message="DC_DIMMER_COMMAND_2", instance=7, desired_level=0, command=5)
    assert talk.found() == []
    talk.command(31, message="DC_DIMMER_COMMAND_2", instance=7, desired_level=0, command=5)
    assert talk.found() == []


@pytest.mark.parametrize(("status", "count"), [(1, 1), (0, 0)])
def test_without_such_a_field_any_change_is_an_answer(talk, status, count):
    """DC disconnect: the first command may ask for the present state, the second one asks for the other."""
    other = {"instance": 1, "circuit_status": status}
    talk.frames += talk.repeated(0, 32, "DC_DISCONNECT_STATUS", 0x80, instance=1, circuit_status=1)
    talk.frames += talk.repeated(32, 120, "DC_DISCONNECT_STATUS", 0x80, **other)
    talk.command(11, message="DC_DISCONNECT_COMMAND", command=1).command(31, message="DC_DISCONNECT_COMMAND", command=0)
    found = talk.found()
    assert len(found) == count
    assert all("nothing in its status changed" in one.text for one in found)


def test_a_status_that_comes_only_on_change_is_judged_by_the_time_alone(talk):
    """A shade: it sent its state once, then nothing; 2 s after the second command it is reported."""
    talk.say(1, "WINDOW_SHADE_CONTROL_STATUS", 0x80, instance=1, motor_status=0, last_command=1)
    talk.command(11, message="WINDOW_SHADE_CONTROL_COMMAND", command=1)
    talk.command(31, message="WINDOW_SHADE_CONTROL_COMMAND", command=2)
    (found,) = talk.found()
    assert (found.told, found.flag.since) == (33.0, 33_000_000)


def test_the_same_status_within_the_time_is_no_answer_yet_either(talk):
    """A shade that repeats its state a second after the command, and obeys a second later."""
    for at, command in ((1, 1), (32, 1), (32.5, 2)):
        talk.say(at, "WINDOW_SHADE_CONTROL_STATUS", 0x80, instance=1, motor_status=0, last_command=command)
    talk.command(11, message="WINDOW_SHADE_CONTROL_COMMAND", command=1)
    assert talk.command(31, message="WINDOW_SHADE_CONTROL_COMMAND", command=2).found() == []


def test_a_device_that_has_left_is_not_waited_for(talk):
    """Another fan sent as instance 1 until 20 s; the present one has to obey."""
    talk.fan((0, OFF)).fan((0.5, OFF), source=0x9B, until=20)
    (found,) = talk.command(61, **ON).found()
    assert (found.told, found.subject) == (65.0, "address 90 hex")


def test_a_group_is_not_judged(talk):
    """All ones as the instance: the members of the group are not known."""
    talk.fan((0, OFF))
    assert talk.command(11, instance=0xFF, **ON).found(*WITH_RIG) == []


# Commands to one node.

ADDRESSED = f"""VERSION ""
BU_: any_device
BO_ {0x98C3FFFE} ROOF_FAN_COMMAND_1: 8 any_device
 SG_ instance : 0|8@1+ (1,0) [0|250] "" any_device
 SG_ fan_speed_setting : 8|8@1+ (0.5,0) [0|125] "%" any_device
"""


@pytest.mark.parametrize(("to", "told"), [(0x90, ["address 90 hex"]), (0x9B, []), (0xFF, ["address 90 hex"])])
def test_a_command_to_one_node_is_answered_by_that_node(bus, tmp_path, to, told):
    """Two fans send as instance 1: only the commanded one has to obey; of a command to all, either may."""
    path = tmp_path / "own.dbc"
    path.write_text(ADDRESSED, encoding="utf-8")
    made = type(bus())(load_catalogue([path], cache=tmp_path))
    for n in range(8):
        for source, speed in ((0x90, 0), (0x9B, 100 if n > 2 and to == 0x9B else 0)):
            made.say(5 * n + source / 1000, FAN, source, instance=1, fan_speed_setting=speed)
        if n == 2:
            spec = made.catalogue.by_name(FAN_COMMAND)
            made.observe(Frame(11_000_000, spec.identifier(PANEL, to), spec.pack(instance=1, fan_speed_setting=100)))
    assert [flag.subject for flag in made.watch.all_flags if flag.kind == "ignored-command"] == told
