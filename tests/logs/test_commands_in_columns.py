"""Commands that wait for an answer, in columns: the answer, or its absence, is found in the few frames that matter."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.model import Rig
from rvsim.watch.flag import FlagKind
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

HEATER, OTHER_HEATER, FAN, PANEL, OTHER_PANEL = 0x5E, 0x61, 0x90, 0x44, 0x45
MONITOR = {"name": "monitor", "address": 0x22, "functions": {"dc_source": 9}}
FURNACE_DSA, WATER_HEATER_DSA, FAN_DSA = 94, 101, 54
STATUSES = {
    ("FURNACE_STATUS", 1): ("heat_output_level", (0, 100, 200)),
    ("FURNACE_STATUS", 2): ("heat_output_level", (0, 200)),
    ("WATERHEATER_STATUS", 1): ("operating_mode", (0, 1, 3)),
    ("ROOF_FAN_STATUS_1", 1): ("fan_speed_setting", (0, 100, 150)),
}


def rig(*, answer_time="2 s", sleeps=False):
    """Return a rig with a heater, a fan and a panel."""
    heater = {"name": "heater", "address": HEATER, "functions": {"furnace": [1, 2], "water_heater": 1}}
    fan = {"name": "fan", "address": FAN, "functions": {"roof_fan": 1}, "answer_time": answer_time, "sleeps": sleeps}
    panel = {"name": "panel", "address": PANEL, "functions": {"thermostat": 1}}
    devices = [heater, fan, panel, MONITOR]
    return Rig.model_validate({"schema": 1, "name": "test", "title": "Test", "device": devices})


class Bus:
    """A log made by hand with a fan and a furnace, and what is found in it."""

    def __init__(self, made, survey_both):
        self.made, self._survey_both = made, survey_both
        self.examined = []

    def fan(self, *states, until=400, gap=5, **raws):
        """Add the status of a fan: its speed from some second on, None for none."""
        for step in range(int(until / gap)):
            second = step * gap + 0.1
            speed = [speed for since, speed in states if since <= second][-1]
            if speed is not None:
                self.made.say(second, "ROOF_FAN_STATUS_1", FAN, instance=1, fan_speed_setting=speed, **raws)

    def heartbeat(self, source, dsa, *states, until=400, spn=0x7FFFF, **raws):
        """Add a heartbeat: the code of its activity from some second on."""
        for step in range(until // 5):
            active = [active for since, active in states if since <= step * 5][-1]
            fmi = 31 if spn == 0x7FFFF else 3
            self.made.say(step * 5 + 0.3, "DM_RV", source, dsa=dsa, spn=spn, fmi=fmi, operating_status_2=active, **raws)

    def furnace(self, source=HEATER, instance=1, level=200, until=400):
        """Add the status of a furnace."""
        for step in range(until // 5):
            self.made.say(step * 5 + 0.2, "FURNACE_STATUS", source, instance=instance, heat_output_level=level)

    def command(self, second, message="ROOF_FAN_COMMAND_1", source=PANEL, instance=1, **raws):
        """Add a command."""
        self.made.say(second, message, source, instance=instance, **raws)

    def flags(self, planned=None, kind=FlagKind.IGNORED_COMMAND, sizes=(65_536, 100, 37)):
        """Return the flags of one kind."""
        self.made.keep_busy(400)
        found, self.examined = self._survey_both(self.made, planned, sizes)
        return [flag for flag in found.flags if flag.kind is kind]

    def examined_of(self, message, source):
        """Return how many frames of a message were examined in columns."""
        dgn = self.made.catalogue.by_name(message).dgn
        return sum(dgn_of(frame.identifier) == dgn and frame.identifier & 0xFF == source for frame in self.examined)


@pytest.fixture
def bus(hand_made, survey_both):
    """Return an empty log."""
    return Bus(hand_made(), survey_both)


@pytest.mark.parametrize("planned", [None, rig(answer_time="50 s")], ids=["no rig", "a rig"])
def test_little_is_examined_while_commands_wait(bus, planned):
    """A fan that ignores a command a minute: its frames matter once its answer time has passed."""
    bus.fan((0, 100), gap=1)
    bus.heartbeat(FAN, FAN_DSA, (0, 1))
    for minute in range(1, 6):
        bus.command(minute * 60, fan_speed_setting=150)
    (flag,) = bus.flags(planned)
    assert "5 commands" in flag.text
    assert bus.examined_of("ROOF_FAN_STATUS_1", FAN) <= 4 + 2 * 5
    assert bus.examined_of("DM_RV", FAN) <= 4 + 5


def test_a_later_command_of_another_field_is_answered_by_the_same_frame_again(bus):
    """The status changed in a field that was not commanded then; it is now, and the frame comes again.

    That ends the wait, so a third command has all of its own time.
    """
    bus.fan((0, 100), until=105, dome_position=0)
    bus.fan((0, None), (105, 100), dome_position=1)
    bus.command(101, fan_speed_setting=150)
    bus.command(107, dome_position=2)
    bus.command(115, dome_position=3)
    (flag,) = bus.flags(rig(answer_time="30 s"))
    assert flag.since == 145 * SECOND_US


def test_a_command_to_start_does_not_delay_the_judgement_of_the_next_one(bus):
    """A furnace may take three minutes to start; it is commanded off before that, and has two seconds for it."""
    bus.furnace(level=0, until=110)
    for step in range(22, 80):
        bus.made.say(step * 5 + 0.2, "FURNACE_STATUS", HEATER, instance=1, heat_output_level=200)
    bus.heartbeat(HEATER, FURNACE_DSA, (0, 0), (110, 1))
    bus.command(101, "FURNACE_COMMAND", heat_output_level=200)
    bus.command(151, "FURNACE_COMMAND", heat_output_level=0)
    (flag,) = bus.flags()
    assert flag.since == 153 * SECOND_US
    assert "at 155.200 s" in flag.evidence[1]


@pytest.mark.parametrize("sleeps", [False, True])
def test_a_status_that_returns_after_a_silence_is_not_judged(bus, sleeps):
    """It was silent for a time after the command; that is told, but not where the fan may sleep and has a slower
    message.
    """
    bus.fan((0, 100), (310, None), (327, 100))
    for second in range(0, 400, 20 if sleeps else 5):
        if not sleeps or second != 320:
            bus.made.say(second + 0.3, "DM_RV", FAN, dsa=FAN_DSA, spn=0x7FFFF, fmi=31, operating_status_2=1)
    bus.command(301, fan_speed_setting=150)
    assert bus.flags(rig(answer_time="40 s", sleeps=sleeps)) == []


@pytest.mark.parametrize("answers", [HEATER, OTHER_HEATER])
def test_only_a_heartbeat_of_the_commanded_unit_is_an_answer(bus, answers):
    """Two furnaces; the heartbeat of one of them changes, and changes back, while the first one has to answer."""
    bus.furnace()
    bus.furnace(OTHER_HEATER, 2)
    for source in (HEATER, OTHER_HEATER):
        states = ((103, 1), (108, 0)) if source == answers else ()
        bus.heartbeat(source, FURNACE_DSA, (0, 0), (20, 1), (40, 0), (60, 1), (80, 0), *states)
    bus.command(101, "FURNACE_COMMAND", heat_output_level=100)
    bus.command(105, "FURNACE_COMMAND", heat_output_level=100)
    planned = {"name": "heater", "address": HEATER, "functions": {"furnace": 1}, "answer_time": "20 s"}
    other = {"name": "other heater", "address": OTHER_HEATER, "functions": {"furnace": 2}}
    devices = Rig.model_validate({"schema": 1, "name": "test", "title": "Test", "device": [planned, other, MONITOR]})
    assert bool(bus.flags(devices)) is (answers == OTHER_HEATER)


def test_an_activity_that_changes_without_a_command_is_passed_over(bus):
    """A heartbeat whose activity changes with each frame."""
    bus.furnace()
    bus.heartbeat(HEATER, FURNACE_DSA, *((5 * step, step % 2) for step in range(80)))
    assert bus.flags() == []
    assert bus.examined_of("DM_RV", HEATER) <= 4


@pytest.mark.parametrize("field", ["spn", "red_lamp_status", "yellow_lamp_status"])
def test_a_fault_is_found_among_changes_of_the_activity(bus, field):
    """A heartbeat whose activity changes with each frame reports a fault for a minute."""
    bus.furnace()
    for step in range(80):
        raws = {"spn": 0x7FFFF, "fmi": 31}
        if 40 <= step < 52:
            raws |= {"spn": 520, "fmi": 3} if field == "spn" else {field: 1}
        bus.made.say(5 * step, "DM_RV", HEATER, dsa=FURNACE_DSA, operating_status_2=step % 2, **raws)
    (flag,) = bus.flags(kind=FlagKind.REPORTED_FAULT)
    assert (flag.since, flag.until) == (200 * SECOND_US, 260 * SECOND_US)


def test_a_fault_beside_another_one_lasts_from_its_last_report(bus):
    """Two faults in one heartbeat; 13 s before the second one the first one came with another activity."""
    bus.furnace()
    for second in range(0, 400, 5):
        if not 100 <= second <= 118:
            raws = {"spn": 190, "fmi": 3} if second > 118 else {"spn": 0x7FFFF, "fmi": 31}
            bus.made.say(second, "DM_RV", HEATER, dsa=FURNACE_DSA, operating_status_2=0, **raws)
    for second, spn, active in ((100, 520, 0), (105, 520, 1), (110, 520, 1), (115, 520, 1), (118, 190, 1)):
        bus.made.say(second, "DM_RV", HEATER, dsa=FURNACE_DSA, operating_status_2=active, spn=spn, fmi=3)
    first, _second = bus.flags(kind=FlagKind.REPORTED_FAULT)
    assert (first.since, first.until) == (100 * SECOND_US, 125 * SECOND_US)


@given(seed=st.integers(0, 2**32))
def test_commands_at_random_are_judged_the_same_in_columns(hand_made, survey_both, seed):
    """Statuses and heartbeats that change and pause at random, commands from two panels, faults and lamps."""
    rng, made = random.Random(seed), hand_made()
    until = rng.choice((150, 400))

    def course(values):
        """Return a value that changes at some moments."""
        moments, moment = [], 0.0
        while moment < until:
            moments.append((moment, rng.choice(values)))
            moment += rng.choice((3, 8, 20, 60)) * rng.uniform(0.5, 1.5)
        moments = moments if rng.random() < 0.8 else moments[:1]
        return lambda time: [value for since, value in moments if since <= time][-1]

    def away():
        """Return whether something is silent at a moment."""
        pauses = [(rng.uniform(0, until), rng.choice((6, 16, 20, 40, 80))) for _ in range(rng.choice((0, 0, 1, 2)))]
        return lambda time: any(start <= time < start + last for start, last in pauses)

    def repeat(gap, say, *silent):
        time = rng.uniform(0, gap)
        while time < until:
            if not any(one(time) for one in silent):
                say(time)
            time += gap * rng.choice((1, 1, 1, 1.02))

    for source in (HEATER, FAN, *((OTHER_HEATER,) if rng.random() < 0.3 else ())):
        silent = away()
        for (message, instance), (field, values) in STATUSES.items():
            if (source == FAN) is message.startswith("ROOF") and rng.random() < 0.85:
                value, other = course(values), course((1, 2, 3))
                beside = "system_status" if source == FAN else "circulation_fan_speed"
                beside = "set_point_temperature" if message == "WATERHEATER_STATUS" else beside

                def say_status(
                    time, message=message, source=source, instance=instance, field=field,
                    value=value, other=other, beside=beside,
                ):  # fmt: skip
                    made.say(time, message, source, instance=instance, **{field: value(time), beside: other(time)})

                repeat(rng.choice((2, 5, 5)), say_status, silent, away())
        for dsa in (FURNACE_DSA, WATER_HEATER_DSA) if source != FAN else (FAN_DSA,):
            activity, lamp = course((0, 1)), course((0, 1) if rng.random() < 0.2 else (0,))
            fault = course((0x7FFFF, 0x7FFFF, 190, 520) if rng.random() < 0.3 else (0x7FFFF,))

            def beat(time, source=source, dsa=dsa, activity=activity, lamp=lamp, fault=fault):
                spn = fault(time)
                raws = {"spn": spn, "fmi": 31 if spn == 0x7FFFF else 3, "red_lamp_status": lamp(time)}
                made.say(time, "DM_RV", source, dsa=dsa, operating_status_2=activity(time), **raws)

            if rng.random() < 0.7:
                repeat(5, beat, silent)
    for _ in range(rng.choice((1, 3, 20, 60))):
        time, source = rng.uniform(0, until), rng.choice((PANEL, PANEL, OTHER_PANEL))
        (message, instance), (field, values) = rng.choice(list(STATUSES.items()))
        command = message.replace("_STATUS", "_COMMAND")
        for _ in range(rng.choice((1, 1, 4))):
            raws = {field: rng.choice(values)}
            if message == "FURNACE_STATUS" and rng.random() < 0.4:
                raws["circulation_fan_speed"] = rng.choice((1, 2))
            made.say(time, command, source, instance=instance, **raws)
            time += rng.choice((1, 3, 10))
    made.keep_busy(until)
    planned = rig(answer_time=rng.choice(("2 s", "20 s")), sleeps=rng.random() < 0.3)
    survey_both(made, rng.choice((None, planned)), (65_536, rng.randint(30, 300)))
