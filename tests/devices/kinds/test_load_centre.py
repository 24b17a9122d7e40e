"""The load centre under commands written by hand; layouts as the tables have them."""

import random
from itertools import pairwise

import pytest

from rvsim.devices.kinds.load_centre import LoadCentre
from rvsim.devices.switching.channel import Channel
from rvsim.devices.switching.commands import Code
from rvsim.errors import InputError

DIMMER_1, DIMMER_3 = 0x1FFBB, 0x1FEDA
LOAD_1, LOAD_2 = 0x1FFBD, 0x1FEDC
HEARTBEAT, DM1 = 0x1FECA, 0x0FECA
DIMMER_COMMAND_2, DIMMER_COMMAND, LOAD_COMMAND = 0x19FEDB44, 0x19FFB944, 0x19FFBC44
RESET = 0x197F8044
"""A general reset to address 80 hex."""
MODULE = {"name": "front module", "device": "load centre"}
LAMP = {"name": "galley light", "terminal": 1, "instance": 21, "load": "led", "amps": 2, "limit_amps": 8, "groups": [1]}
BED = {"name": "bed light", "terminal": 2, "instance": 22, "load": "led", "amps": 1, "limit_amps": 8, "groups": [1, 2]}
PUMP = {"name": "pump", "terminal": 3, "instance": 31, "load": "socket", "amps": 5, "limit_amps": 10, "priority": 3}
IDLE = 0.05


@pytest.fixture
def centre(alone):
    """Put a load centre with outputs on a bench and start it."""

    def put(*outputs, module=None, until=2.0, settings=None, own_branch=False, **tables):
        plan = {"branch": "electronics"} if own_branch else {}
        if own_branch:
            tables["branch"] = [*tables["branch"], {"name": "electronics"}]
        vehicle = {"module": [{**MODULE, **(module or {})}], **tables}
        vehicle["output"] = [{"module": "front module", **output} for output in outputs or (LAMP, BED, PUMP)]
        return alone("load_centre", vehicle=vehicle, settings=settings, plan=plan).until(until)

    return put


def amps(one):
    """The current of all outputs together."""
    return one.world.battery_amps - IDLE


def of_instance(one, dgn, instance):
    """What was sent with a DGN and an instance."""
    return [(time, data) for time, data in one.of(dgn) if int(data[:2], 16) == instance]


def last(one, dgn, instance):
    """The last bytes with a DGN and an instance."""
    return of_instance(one, dgn, instance)[-1][1]


def level(one, name):
    """The level of an output, in percent."""
    return round(100 * one.world.outputs[name].duty, 1)


# Status and commands.


def test_it_starts_off_and_says_so_by_two_messages_each(centre):
    """Groups, no command yet, unsure fields as no data; a load has no current and no delay."""
    one = centre()
    assert last(one, DIMMER_1, 21) == "15 7E 00 FF FF FF FF FF"
    assert last(one, DIMMER_3, 22) == "16 7C 00 C0 FF FF F0 FF"
    assert last(one, LOAD_1, 31) == "1F FF 00 30 FF 00 00 7D"
    assert last(one, LOAD_2, 31) == "1F C0 FF FF FF FF FF FF"
    assert sorted(data[:5] for _, data in one.of(HEARTBEAT)) == ["01 83", "01 92"]  # on, not active; DSAs 131, 146
    assert one.world.battery_amps == pytest.approx(IDLE)


def test_a_dimmer_obeys_and_reports_within_ten_milliseconds(centre):
    """Both messages at once; the current counts in the battery."""
    one = centre()
    one.put(DIMMER_COMMAND_2, "15 FF 64 00 FF FF FF FF")
    assert last(one, DIMMER_1, 21) == "15 7E 64 FF FF FF FF FF"
    assert last(one, DIMMER_3, 21) == "15 7E 64 C0 FF 00 F4 FF"
    assert one.of(DIMMER_3)[-1][0] < 2.01
    assert amps(one) == pytest.approx(1.0, rel=0.06)
    one.put(DIMMER_COMMAND, "15 FF C8 FF FF FF FF FF")
    assert last(one, DIMMER_1, 21).startswith("15 7E C8")
    one.until(8)
    assert {data[:5] for _, data in one.of(HEARTBEAT)[-2:]} == {"05 83", "01 92"}


def test_a_load_obeys_and_reports_its_current(centre):
    """Any level is on; the current is that of its kind, in steps of 0.05 A from 7D00 hex."""
    one = centre()
    one.put(LOAD_COMMAND, "1F FF 14 FF 00 FF FF FF")
    assert last(one, LOAD_1, 31) == "1F FF C8 30 FF 05 64 7D"
    assert last(one, LOAD_2, 31) == "1F C0 00 FF FF FF FF FF"
    assert amps(one) == pytest.approx(5.0)
    one.put(LOAD_COMMAND, "1F FF 00 FF 00 FF FF FF")
    assert (last(one, LOAD_1, 31), amps(one)) == ("1F FF 00 30 FF 00 00 7D", pytest.approx(0.0))


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        (DIMMER_COMMAND_2, "17 FF C8 00 FF FF FF FF"),  # an instance that it does not have
        (DIMMER_COMMAND_2, "1F FF C8 00 FF FF FF FF"),  # that of a load
        (LOAD_COMMAND, "15 FF C8 FF 00 FF FF FF"),  # that of a dimmer
        (DIMMER_COMMAND_2, "00 FF C8 00 FF FF FF FF"),
        (DIMMER_COMMAND_2, "FF 7B C8 00 FF FF FF FF"),  # a group without members
        (DIMMER_COMMAND_2, "FF FF C8 00 FF FF FF FF"),  # no group
        (DIMMER_COMMAND_2, "15 FF C8 FF FF FF FF FF"),  # an unchanged command
        (DIMMER_COMMAND_2, "15"),
    ],
)
def test_what_it_does_not_have_it_ignores(centre, identifier, data):
    """Nothing changes, and nothing is sent: such commands go to all."""
    one = centre()
    sent = len(one.sent)
    one.put(identifier, data)
    assert (len(one.sent), amps(one)) == (sent, pytest.approx(0.0))


def test_groups_are_commanded_together(centre):
    """By bitmap: group 1 has both lights, group 2 one of them, 00 all groups; the pump is in none."""
    one = centre()
    one.put(DIMMER_COMMAND_2, "FF 7D 50 00 FF FF FF FF")
    assert (level(one, "galley light"), level(one, "bed light")) == (0.0, 40.0)
    one.put(DIMMER_COMMAND_2, "FE 7E C8 00 FF FF FF FF")
    assert (level(one, "galley light"), level(one, "bed light")) == (100.0, 100.0)
    one.put(DIMMER_COMMAND_2, "FF 00 00 00 FF FF FF FF")
    assert amps(one) == pytest.approx(0.0)
    one.put(LOAD_COMMAND, "FF 00 C8 FF 00 FF FF FF")
    assert level(one, "pump") == 0.0


def test_a_group_is_reported_one_after_the_other(centre):
    """Each output at once where it is alone; of several, one each 5 ms, so that the bus stays free for others."""
    lights = [{**LAMP, "name": f"light {n}", "terminal": n, "instance": n} for n in range(1, 11)]
    one = centre(*lights)
    one.put(DIMMER_COMMAND_2, "FF 7E C8 00 FF FF FF FF", wait=0.1)
    times = [of_instance(one, DIMMER_3, n)[-1][0] for n in range(1, 11)]
    assert times[0] < 2.002
    assert {round(b - a, 3) for a, b in pairwise(times)} <= {0.005, 0.006}
    for n in (1, 2):  # two commands within 5 ms: neither is forgotten
        one.put(DIMMER_COMMAND_2, f"{n:02X} FF 64 00 FF FF FF FF", wait=0.001)
    one.until(2.2)
    assert {last(one, dgn, n)[6:8] for dgn in (DIMMER_1, DIMMER_3) for n in (1, 2)} == {"64"}


def test_it_sends_at_its_gap_and_on_change_only(centre):
    """Each message of each instance each 5 s; a command again is no change."""
    one = centre(until=3)
    for at in (12, 13):
        one.until(at).put(DIMMER_COMMAND_2, "15 FF 64 00 FF FF FF FF")
    one.until(40)
    for dgn, instance in ((DIMMER_1, 21), (DIMMER_3, 21), (DIMMER_3, 22), (LOAD_1, 31), (LOAD_2, 31)):
        gaps = [round(b - a, 2) for (a, _), (b, _) in pairwise(of_instance(one, dgn, instance))]
        short = [gap for gap in gaps if gap != 5.0]
        assert len(short) == (1 if instance == 21 else 0), (dgn, instance, gaps)
        assert all(gap < 5.0 for gap in short)


def test_a_ramp_is_reported_at_a_limited_rate(centre):
    """Five times a second by the second message; by the first at its end. A ramp that goes on is not on."""
    one = centre({**LAMP, "ramp": "2s"})
    one.put(DIMMER_COMMAND_2, "15 FF FF 13 FF FF FF FF")
    one.until(2.5)
    assert last(one, DIMMER_3, 21) == "15 7E 28 C0 FF 13 F4 FF"
    one.until(4.5)
    states = [int(data[6:8], 16) for time, data in of_instance(one, DIMMER_3, 21) if time > 2.1]
    assert states == [20, 40, 60, 80, 100, 120, 140, 160, 180, 200]
    assert [data[6:8] for time, data in of_instance(one, DIMMER_1, 21) if time > 2] == ["C8"]


def test_two_ramps_do_not_hurry_each_other(centre):
    """Each by its own steps, whenever the other one moves."""
    one = centre({**LAMP, "ramp": "2s"}, {**BED, "ramp": "2s"})
    one.put(DIMMER_COMMAND_2, "15 FF FF 13 FF FF FF FF")
    one.until(2.06).put(DIMMER_COMMAND_2, "16 FF FF 13 FF FF FF FF")
    one.until(3.05)
    sent = [[round(time, 2) for time, _ in of_instance(one, DIMMER_3, n) if time > 2.1] for n in (21, 22)]
    assert sent == [[2.2, 2.4, 2.6, 2.8, 3.0], [2.26, 2.46, 2.66, 2.86]]


def test_a_delay_alone_is_reported_at_once(centre):
    """Although nothing else in the message changes."""
    one = centre(LAMP)
    one.put(DIMMER_COMMAND_2, "15 FF FF 03 03 FF FF FF").until(6)
    one.put(DIMMER_COMMAND_2, "15 FF FF 03 05 FF FF FF")
    assert one.of(DIMMER_3)[-1] == (pytest.approx(6.001, abs=0.001), "15 7E 00 C0 05 03 F0 FF")


def test_a_delay_is_reported_as_what_is_left(centre):
    """In seconds, rounded up; at its gap and at its ends, not each second."""
    one = centre(LAMP, until=2)
    one.put(DIMMER_COMMAND_2, "15 FF 64 02 0C FF FF FF")
    assert last(one, DIMMER_3, 21) == "15 7E 00 C0 0C 02 F0 FF"
    one.until(14.5)
    sent = [(time, data[12:14], data[6:8]) for time, data in of_instance(one, DIMMER_3, 21) if time > 2]
    assert [delay for _, delay, _ in sent] == ["0C", "07", "02", "FF"]
    assert sent[-1][2] == "64"
    assert sent[-1][0] == pytest.approx(14.0, abs=0.01)


# Current, inrush and trips.


def test_the_start_of_a_motor_is_in_the_battery_and_passes(centre):
    """Six times its current at first, which is above its limit, for a moment."""
    one = centre({**PUMP, "load": "motor"})
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF", wait=0.001)
    assert amps(one) > 25
    assert amps(one.until(2.25)) == pytest.approx(5.0 + 25 * 0.37, rel=0.15)
    assert amps(one.until(3)) == pytest.approx(5.0)
    assert last(one.until(60), LOAD_1, 31) == "1F FF C8 30 FF 05 64 7D"


def test_an_overload_trips_tries_again_and_stays_off(centre):
    """Over-current in the status and in DM_RV with FMI 6 until it is commanded off; the sooner the higher."""
    one = centre({**PUMP, "retries": 1, "retry_after": "20s"}, until=3)
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    one.world.outputs.set_overload("pump", 15.0, round(3.01e6))
    assert level(one.until(8), "pump") == 100.0
    one.until(9.5)  # 20 A and a little more with the voltage on 10 A: 0.29 of 20 s at most
    assert (level(one, "pump"), amps(one)) == (0.0, pytest.approx(0.0))
    assert last(one, LOAD_2, 31) == "1F C4 00 FF FF FF FF FF"
    assert last(one, LOAD_1, 31).startswith("1F FF 00")
    assert one.last(HEARTBEAT) == "11 92 01 2C 66 FF FF FF"  # SPN 2403, FMI 6, yellow
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert level(one, "pump") == 0.0
    one.until(29.5)
    assert level(one, "pump") == 100.0  # the try
    one.until(60)
    assert level(one, "pump") == 0.0
    one.until(120).put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert level(one, "pump") == 0.0  # for good
    one.put(LOAD_COMMAND, "1F FF 00 FF 00 FF FF FF")
    assert last(one, LOAD_2, 31) == "1F C0 00 FF FF FF FF FF"
    assert one.last(HEARTBEAT).startswith("01 92 FF FF FF")
    one.world.outputs.set_overload("pump", 0.0, round(120.1e6))
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert level(one.until(200), "pump") == 100.0


def test_a_general_reset_clears_a_trip(centre):
    """It clears what was latched, and the output is on again as it was commanded."""
    one = centre({**PUMP, "retries": 0})
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    one.world.outputs.set_overload("pump", 90.0, round(2.01e6))
    assert last(one.until(10), LOAD_2, 31) == "1F C4 00 FF FF FF FF FF"
    one.world.outputs.set_overload("pump", 0.0, round(10e6))
    one.put(RESET, "F7 FF FF FF FF FF FF FF")
    assert (level(one, "pump"), last(one, LOAD_2, 31)) == (100.0, "1F C0 00 FF FF FF FF FF")


def test_a_lamp_that_is_out_is_told_by_its_current(centre):
    """Below ``min_amps``: FMI 5. 20 mA of a small strip is reported out though it is lit, 60 mA is seen (50 mA)."""
    one = centre({**LAMP, "min_amps": 0.05})
    one.put(DIMMER_COMMAND_2, "15 FF C8 00 FF FF FF FF")
    assert one.until(8).last(HEARTBEAT).startswith("05 83 FF")
    one.world.outputs.set_lamp_out("galley light", is_out=True, now=round(8e6))
    one.until(8.1)
    assert one.last(HEARTBEAT) == "15 83 01 2C 25 FF FF FF"  # SPN 2401, FMI 5
    assert amps(one) == pytest.approx(0.0)
    one.put(DIMMER_COMMAND_2, "15 FF 00 00 FF FF FF FF")
    assert one.until(16).last(HEARTBEAT) == "11 83 01 2C 25 FF FF FF"  # nobody knows better while it is off
    one.world.outputs.set_lamp_out("galley light", is_out=False, now=round(16e6))
    one.put(DIMMER_COMMAND_2, "15 FF 14 00 FF FF FF FF")
    assert one.last(HEARTBEAT).startswith("05 83 FF")
    dimmed = centre({**LAMP, "amps": 0.15, "min_amps": 0.1})
    dimmed.put(DIMMER_COMMAND_2, "15 FF 64 00 FF FF FF FF").until(20)  # half of it for half of the time
    assert {data[6:] for _, data in dimmed.of(HEARTBEAT)} == {"FF FF FF FF FF FF"}
    small = centre({**LAMP, "amps": 0.02, "min_amps": 0.05}, {**BED, "amps": 0.06, "min_amps": 0.05})
    small.put(DIMMER_COMMAND_2, "FF 00 C8 00 FF FF FF FF").until(20)
    reported = {data[6:] for _, data in small.of(HEARTBEAT)}
    assert any(data.startswith("01 2C 25") for data in reported)
    assert not any(data.startswith("01 2C 45") for data in reported)


def test_without_a_supply_of_its_outputs_no_lamp_is_out(centre):
    """The module goes on from its own branch; that nothing flows is no fault of the lamp."""
    one = centre({**LAMP, "min_amps": 0.1}, module={"branch": "loads"}, branch=[{"name": "loads"}], own_branch=True)
    one.put(DIMMER_COMMAND_2, "15 FF C8 00 FF FF FF FF")
    one.world.set_disconnect("test", open=True)
    assert one.world.volts_at("front module outputs") == 0.0
    one.bench.call_device("load centre", lambda device: device.on_world_change())
    assert one.until(2.2).world.outputs["galley light"].duty == 1.0
    assert {data[6:] for _, data in one.of(HEARTBEAT)} == {"FF FF FF FF FF FF"}


# The module.


SHED = (
    {**PUMP, "name": "heater", "terminal": 1, "instance": 1, "priority": 1},
    {**PUMP, "name": "outlet", "terminal": 2, "instance": 2, "priority": 9},
    {**PUMP, "name": "fan", "terminal": 3, "instance": 3, "priority": None},
    {**PUMP, "name": "screen", "terminal": 4, "instance": 4, "priority": 9},
)


def test_the_least_important_goes_first_at_the_limit_of_the_module(centre):
    """After half a second, not for a moment: first what has no priority, then the highest number; 1 goes last."""
    one = centre(*SHED, module={"limit_amps": 12})
    for instance in (1, 2, 3, 4):
        one.put(LOAD_COMMAND, f"{instance:02X} FF C8 FF 00 FF FF FF")
    assert amps(one) == pytest.approx(20.0)
    one.until(2.6)
    assert [level(one, each["name"]) for each in SHED] == [100.0, 100.0, 0.0, 0.0]
    assert amps(one) == pytest.approx(10.0)
    assert last(one, LOAD_1, 3) == "03 FF 00 F0 FF 05 00 7D"  # it would like 5 A
    assert one.last(HEARTBEAT) == "15 92 01 2C 06 FF FF FF"  # SPN 2400, FMI 6
    one.until(60)
    assert amps(one) == pytest.approx(10.0)  # 15 A would be too much again


def test_at_its_limit_a_module_is_good_and_takes_back_below_it(centre):
    """No more than needed is switched off; what would come up to the limit again stays off (90 %)."""
    one = centre(*SHED, module={"limit_amps": 10})
    for instance in (1, 2, 3, 4):
        one.put(LOAD_COMMAND, f"{instance:02X} FF C8 FF 00 FF FF FF")
    one.until(3)
    assert [level(one, each["name"]) for each in SHED] == [100.0, 100.0, 0.0, 0.0]
    one.put(LOAD_COMMAND, "02 FF 00 FF 00 FF FF FF").until(40)
    assert [level(one, each["name"]) for each in SHED] == [100.0, 0.0, 0.0, 0.0]


def test_what_was_shed_comes_back_when_there_is_room(centre):
    """The most important one first; what is commanded off meanwhile does not."""
    one = centre(*SHED, module={"limit_amps": 12})
    for instance in (1, 2, 3, 4):
        one.put(LOAD_COMMAND, f"{instance:02X} FF C8 FF 00 FF FF FF")
    one.until(3).put(LOAD_COMMAND, "01 FF 00 FF 00 FF FF FF")
    one.until(14)
    assert [level(one, each["name"]) for each in SHED] == [0.0, 100.0, 0.0, 100.0]
    one.put(LOAD_COMMAND, "03 FF 00 FF 00 FF FF FF")
    one.put(LOAD_COMMAND, "02 FF 00 FF 00 FF FF FF")
    one.until(40)
    assert [level(one, each["name"]) for each in SHED] == [0.0, 0.0, 0.0, 100.0]
    assert one.last(HEARTBEAT).startswith("05 92 FF FF FF")


def test_two_that_exclude_each_other_are_never_both_on(centre):
    """While one is on the other ignores what would switch it on, says that it is held, and is free afterwards."""
    up, down = {**PUMP, "interlock": "down"}, {**PUMP, "name": "down", "terminal": 4, "instance": 32}
    one = centre(up, down)
    one.put(LOAD_COMMAND, "20 FF C8 FF 00 FF FF FF")
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert (level(one, "pump"), level(one, "down")) == (0.0, 100.0)
    assert last(one, LOAD_2, 31) == "1F C0 FF FF FF FF FF FF"  # it obeyed no command
    one.put(LOAD_COMMAND, "1F FF C8 FF 02 03 FF FF").until(6)  # later is no way around it
    assert level(one, "pump") == 0.0
    one.put(LOAD_COMMAND, "20 FF 00 FF 00 FF FF FF").until(20)
    assert level(one, "pump") == 0.0
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    one.put(LOAD_COMMAND, "20 FF C8 FF 05 FF FF FF")
    assert (level(one, "pump"), level(one, "down")) == (100.0, 0.0)


def test_an_interlock_is_reported_by_a_dimmer(centre):
    """In its second message, while it holds."""
    one = centre(LAMP, {**BED, "interlock": "galley light"})
    one.put(DIMMER_COMMAND_2, "15 FF C8 00 FF FF FF FF")
    assert last(one, DIMMER_3, 22) == "16 7C 00 C0 FF FF F1 FF"
    one.put(DIMMER_COMMAND_2, "15 FF 00 00 FF FF FF FF")
    assert last(one, DIMMER_3, 22) == "16 7C 00 C0 FF FF F0 FF"


def test_an_output_needs_its_input(centre):
    """Without it the output cannot be switched on, and goes off with it."""
    door = {"name": "door", "module": "front module", "terminal": 1}
    one = centre({**PUMP, "interlock": "door"}, input=[door])
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert level(one, "pump") == 0.0

    def follow(is_on):
        one.bench.call_device("load centre", lambda device: device.follow_input("door", is_on=is_on))

    follow(True)
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert level(one, "pump") == 100.0
    follow(False)
    assert level(one, "pump") == 0.0
    follow(True)
    assert level(one, "pump") == 0.0  # it does not start by a door


def test_of_those_with_one_interlock_by_command_one_is_on(centre):
    """A and B apart: the last one that is switched on stays on."""
    one = centre()
    one.put(LOAD_COMMAND, "1F FF C8 F7 00 FF FF FF")  # A
    one.put(DIMMER_COMMAND_2, "15 FF C8 00 FF FD FF FF")  # A
    one.put(DIMMER_COMMAND_2, "16 FF C8 00 FF FE FF FF")  # B
    assert [level(one, name) for name in ("pump", "galley light", "bed light")] == [0.0, 100.0, 100.0]


# By hand, and without power.


def test_by_hand_at_the_module(centre):
    """On and off whatever is commanded, reported as override; afterwards it is as it was commanded."""
    one = centre()
    one.put(DIMMER_COMMAND_2, "15 FF 50 00 FF FF FF FF")
    one.world.set_override("galley light", "on")
    one.until(2.1)
    assert last(one, DIMMER_3, 21) == "15 7E C8 D0 FF 00 F4 FF"
    one.put(DIMMER_COMMAND_2, "15 FF 00 00 FF FF FF FF")
    assert level(one, "galley light") == 100.0
    one.world.set_override("galley light", "off")
    one.put(DIMMER_COMMAND_2, "15 FF 64 00 FF FF FF FF")
    assert last(one, DIMMER_3, 21) == "15 7E 00 D0 FF 00 F0 FF"
    one.world.set_override("galley light", None)
    one.until(2.2)
    assert last(one, DIMMER_3, 21) == "15 7E 64 C0 FF 00 F4 FF"
    one.world.set_override("pump", "on")
    assert last(one.until(2.3), LOAD_1, 31) == "1F FF C8 31 FF 05 64 7D"  # manual
    assert last(one, LOAD_2, 31) == "1F D0 FF FF FF FF FF FF"


def test_without_power_nothing_is_on_and_each_comes_back_as_the_rig_says(centre):
    """Off, on, or as it was last commanded; locks and delays are gone, what is set by hand is not."""
    outputs = (
        {**LAMP, "at_power": "last"},
        {**BED, "at_power": "off"},
        {**PUMP, "at_power": "on"},
        {**PUMP, "name": "fan", "terminal": 4, "instance": 32},
    )
    one = centre(*outputs)
    assert level(one, "pump") == 100.0
    for instance in ("15", "16"):
        one.put(DIMMER_COMMAND_2, f"{instance} FF 50 00 FF FF FF FF")
    one.put(LOAD_COMMAND, "1F FF 00 FF 00 FF FF FF")
    one.put(DIMMER_COMMAND_2, "15 FF FF 21 FF FF FF FF")
    one.world.set_override("fan", "on")
    one.bench.switch_off("load centre")
    assert one.world.battery_amps == pytest.approx(0.0)
    assert all(one.world.outputs[name].duty == 0 for name in one.world.outputs.names)
    sent = len(one.until(2.1).sent)
    one.until(6)
    assert len(one.sent) == sent
    one.bench.switch_on("load centre")
    one.until(8)
    assert [level(one, name) for name in ("galley light", "bed light", "pump", "fan")] == [40.0, 0.0, 100.0, 100.0]
    assert last(one, DIMMER_3, 21) == "15 7E 50 C0 FF FF F4 FF"


def test_a_reset_in_the_middle_of_a_ramp_starts_anew(centre):
    """A reboot is as a loss of power: no ramp, no lock; the memory is kept."""
    one = centre({**LAMP, "at_power": "last"}, BED)
    one.put(DIMMER_COMMAND_2, "15 FF 50 00 FF FF FF FF")
    one.put(DIMMER_COMMAND_2, "16 FF C8 11 14 FF FF FF").until(4)
    one.put(RESET, "FD FF FF FF FF FF FF FF").until(6)
    assert (level(one, "galley light"), level(one, "bed light")) == (40.0, 0.0)
    assert last(one, DIMMER_3, 22) == "16 7C 00 C0 FF FF F0 FF"


# Relays and branches.


def test_a_relay_carries_its_load_beside_the_module(centre):
    """The module sees the coil; a welded contact keeps the load on, also without power, and nobody reports it."""
    relay = {"name": "pump relay", "contact_amps": 40}
    one = centre({**PUMP, "load": "heater mat", "amps": 20, "relay": "pump relay"}, relay=[relay])
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert amps(one) == pytest.approx(20 * 12.6 / 12 + 0.145, abs=0.6)
    assert last(one, LOAD_1, 31)[-5:] == "03 7D"  # the coil: 0.15 A
    one.world.outputs.set_relay_fault("pump relay", "welded", round(2.1e6))
    one.put(LOAD_COMMAND, "1F FF 00 FF 00 FF FF FF")
    assert amps(one) > 20
    assert last(one, LOAD_1, 31) == "1F FF 00 30 FF 00 00 7D"
    one.bench.switch_off("load centre")
    assert one.world.battery_amps > 20
    one.world.outputs.set_relay_fault("pump relay", "open", round(2.2e6))
    assert one.world.battery_amps == pytest.approx(0.0)


def test_the_start_of_a_load_behind_a_relay_is_in_the_battery(centre):
    """And it is over soon."""
    relay = {"name": "pump relay", "contact_amps": 40}
    one = centre({**PUMP, "load": "motor", "amps": 5, "relay": "pump relay"}, relay=[relay])
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF", wait=0.001)
    assert amps(one) > 25
    assert amps(one.until(4)) == pytest.approx(5.0, abs=0.7)


def test_outputs_are_fed_by_the_branch_of_their_module(centre):
    """Its wire drops with their current, and not at the module's electronics, which has a branch of its own."""
    branches = [
        {"name": "loads", "wire": {"milliohm": 100}},
        {"name": "electronics", "wire": {"milliohm": 10}},
    ]
    one = centre(PUMP, module={"branch": "loads"}, branch=branches)
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert one.world.battery_volts - one.world.volts_at("load centre") == pytest.approx(0.505, abs=0.001)
    assert LoadCentre.kind == "load_centre"


def test_a_module_with_two_branches(alone):
    """The electronics keeps its voltage."""
    branches = [{"name": "loads", "wire": {"milliohm": 100}}, {"name": "electronics"}]
    vehicle = {
        "module": [{**MODULE, "branch": "loads"}],
        "output": [{"module": "front module", **PUMP}],
        "branch": branches,
    }
    one = alone("load_centre", vehicle=vehicle, plan={"branch": "electronics"}).until(2)
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert one.world.battery_volts - one.world.volts_at("load centre") == pytest.approx(0.0)
    assert one.world.battery_volts - one.world.volts_at("front module outputs") == pytest.approx(0.5, abs=0.001)
    one.bench.switch_off("load centre")
    assert one.world.battery_amps == pytest.approx(0.0)


def test_a_fuse_of_its_own_sees_the_current_of_an_output(centre):
    """It blows by what its load takes, and of the others nothing; the module finds that nothing flows."""
    fused = {**PUMP, "fuse_amps": 3, "limit_amps": 30, "min_amps": 0.5}
    one = centre(LAMP, fused, module={"branch": "loads"}, branch=[{"name": "loads"}])
    one.put(DIMMER_COMMAND_2, "15 FF C8 00 FF FF FF FF")
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    assert amps(one) == pytest.approx(7.0, abs=0.3)
    assert not one.world.is_branch_open("pump")
    one.until(200)
    assert one.world.is_branch_open("pump")
    assert amps(one) == pytest.approx(2.0, abs=0.3)
    assert last(one, LOAD_1, 31) == "1F FF C8 30 FF 00 00 7D"  # on, and 0 A
    assert "01 2C 65" in {data[6:14] for _, data in one.of(HEARTBEAT)}  # SPN 2403, FMI 5
    one.bench.switch_off("load centre")
    assert one.world.battery_amps == pytest.approx(0.0)


def test_a_current_that_a_fuse_has_ended_is_not_reported_for_long(centre):
    """Whenever it opened: what is sent more than a second later has no current."""
    for second in range(3, 8):
        one = centre({**PUMP, "fuse_amps": 1}, branch=[{"name": "loads"}], module={"branch": "loads"}, until=second)
        one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
        one.until(second + 1.5)
        assert one.world.is_branch_open("pump")
        one.until(second + 12)
        assert {data[-5:] for time, data in of_instance(one, LOAD_1, 31) if time > second + 2.0} == {"00 7D"}


def test_a_fused_output_counts_for_the_limit_of_its_module(centre):
    """The module sees the current; an output beyond its fuse's branch is shed as any other."""
    two = ({**PUMP, "fuse_amps": 20}, {**PUMP, "name": "fan", "terminal": 4, "instance": 32, "priority": 9})
    one = centre(*two, module={"limit_amps": 8})
    for instance in ("1F", "20"):
        one.put(LOAD_COMMAND, f"{instance} FF C8 FF 00 FF FF FF")
    one.until(8)
    assert (level(one, "pump"), level(one, "fan")) == (100.0, 0.0)
    assert amps(one) == pytest.approx(5.0, abs=0.3)
    one.bench.switch_off("load centre")
    assert one.world.battery_amps == pytest.approx(0.0)


def test_a_fuse_behind_a_relay_sees_its_contact(centre):
    """It is in the circuit of the load, not of the coil."""
    mat = {**PUMP, "load": "heater mat", "amps": 20, "relay": "pump relay", "fuse_amps": 10}
    one = centre(mat, relay=[{"name": "pump relay", "contact_amps": 40}])
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF").until(60)
    assert one.world.is_branch_open("pump")
    assert amps(one) == pytest.approx(0.15, abs=0.05)


def test_the_current_follows_the_voltage(centre):
    """Of what is on, every five seconds: a heater mat takes more when the battery is charged."""
    one = centre({**PUMP, "load": "heater mat"})
    one.put(LOAD_COMMAND, "1F FF C8 FF 00 FF FF FF")
    one.until(6)
    before = last(one, LOAD_1, 31)
    one.world.set_charge("test", 14.4, 60.0)
    one.until(20)
    after = last(one, LOAD_1, 31)
    assert int(after[-5:-3], 16) > int(before[-5:-3], 16) + 3
    assert not one.bench.failures


# Outputs that rest.


@pytest.mark.parametrize("seed", range(3))
def test_outputs_that_rest_need_not_be_looked_at(centre, monkeypatch, seed):
    """The same frames as where all outputs are looked at each time, whatever is done to some of them meanwhile."""
    found = []
    for is_thorough in (True, False):
        if is_thorough:
            monkeypatch.setattr(Channel, "rests", property(lambda _: False, lambda *_: None), raising=False)
        one = busy_centre(centre, random.Random(seed), seed)
        monkeypatch.undo()
        found.append(
            (one.sent, one.world.battery_amps, [one.world.outputs[name].duty for name in one.world.outputs.names])
        )
    assert len(found[0][0]) > 300
    assert found[1] == found[0]


def busy_centre(centre, draw, seed):
    """Run a module with eight outputs, to which something is done at random moments for a minute."""
    door = {"name": "door", "module": "front module", "terminal": 1}
    lights = [{**LAMP, "name": f"light {n}", "terminal": n, "instance": n, "load": draw.choice(("led", "lamp")),
               "min_amps": 0.5, "groups": [n % 2 + 1], "ramp": draw.choice(("0.3s", "3s")), "limit_amps": 3,
               "delay_off": draw.choice(("0s", "2s"))} for n in range(1, 5)]  # fmt: skip
    interlocks = ({"interlock": "door"}, {"interlock": "pump 5"}, {}, {"at_power": "on"}) if seed % 3 else ({},) * 4
    pumps = [{**PUMP, "name": f"pump {n}", "terminal": n, "instance": n, "load": draw.choice(("motor", "heater mat")),
              "retries": 1, "retry_after": "2s", **interlocks[n - 5]} for n in range(5, 9)]  # fmt: skip
    one = centre(*lights, *pumps, module={"limit_amps": 18}, settings={"take_back_after_s": 3}, input=[door])
    names = one.world.outputs.names
    for _ in range(150):
        one.until(one.bench.now / 1e6 + draw.choice((0.001, 0.2, 0.5, 1.0)))
        match draw.randrange(24):
            case 0:
                one.world.set_override(draw.choice(names), draw.choice(("on", "off", None, None)))
            case 1:
                one.world.outputs.set_lamp_out(draw.choice(names), is_out=draw.random() < 0.5, now=one.bench.now)
            case 2:
                one.world.outputs.set_overload(draw.choice(names), draw.choice((0.0, 2.0, 30.0)), one.bench.now)
            case 3:
                one.world.set_charge("test", draw.choice((13.0, 14.4)), draw.choice((0.0, 60.0)))
            case 4:
                is_on = draw.random() < 0.7
                one.bench.call_device(
                    "load centre", lambda device, is_on=is_on: device.follow_input("door", is_on=is_on)
                )
            case 5:
                what = {"faults": draw.random() < 0.8, "reboot": draw.random() < 0.2}
                one.bench.call_device("load centre", lambda device, what=what: device.reset(**what))
            case 6 if draw.random() < 0.3:
                one.bench.switch_off("load centre")
                one.bench.switch_on("load centre")
            case _:
                command = draw.choice((DIMMER_COMMAND_2, DIMMER_COMMAND, LOAD_COMMAND))
                code = draw.choice([*Code, Code.SET_LEVEL, Code.TOGGLE, Code.UNLOCK])
                data = [
                    draw.choice((*range(1, 9), 255)),
                    draw.choice((0xFF, 0x7E, 0x7D)),
                    draw.choice((0, 100, 200, 255)),
                    code,
                    draw.choice((0, 1, 2, 255)),
                    draw.choice((255, 255, 0xFE)),
                    draw.choice((1, 255)),
                    255,
                ]
                one.put(command, bytes(data).hex(" "), wait=0.001)
    return one


# What it needs.


def test_it_needs_outputs(alone):
    """One clear line; functions alone are enough, as in a rig that was drafted from a log."""
    with pytest.raises(InputError, match=r"needs the function dc_dimmer or dc_load, or its outputs: add tables"):
        alone("load_centre")
    one = alone("load_centre", dc_dimmer=[21, 22], dc_load=1).until(2)
    one.put(DIMMER_COMMAND_2, "16 FF 64 00 FF FF FF FF")
    assert (last(one, DIMMER_3, 22), amps(one)) == ("16 FF 64 C0 FF 00 F4 FF", pytest.approx(0.0))
    assert last(one, LOAD_1, 1) == "01 FF 00 F0 FF 00 00 7D"
    one.bench.switch_off("load centre")
    one.bench.switch_on("load centre")
    assert last(one.until(8), DIMMER_3, 22) == "16 FF 00 C0 FF FF F0 FF"


def test_an_instance_without_an_output_is_refused(alone):
    """One that the device is said to have."""
    vehicle = {"module": [MODULE], "output": [{"module": "front module", **LAMP}]}
    with pytest.raises(InputError, match="no output of its module front module is dc_dimmer 22"):
        alone("load_centre", vehicle=vehicle, dc_dimmer=[21, 22])


def test_an_output_without_an_instance_is_not_on_the_network(centre):
    """It is there by hand."""
    hidden = {**LAMP, "name": "hidden"}
    del hidden["instance"]
    one = centre({**hidden, "terminal": 9}, BED)
    one.world.set_override("hidden", "on")
    one.until(3)
    assert amps(one) == pytest.approx(2.0, rel=0.06)
    assert {data[:2] for _, data in one.of(DIMMER_3)} == {"16"}
