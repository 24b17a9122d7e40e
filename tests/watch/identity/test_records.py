"""Tests for the records of who is there."""

from rvsim.rig.device_plan import DevicePlan
from rvsim.watch.decode import Decoder
from rvsim.watch.identity.records import AddressRecord, DeviceRecord, TopicRecord, roll_call_line
from rvsim.wire.frame import SECOND_US, Frame


def part(catalogue, node: AddressRecord, dgn: int, first: int, second: int = 0xFF, time: int = 0) -> TopicRecord:
    """A topic that was heard once."""
    frame = Frame(time, 0x19000000 | dgn << 8 | node.address, bytes([first, second]) + b"\xff" * 6)
    made = TopicRecord(0, node, b"", Decoder(catalogue).layout(dgn), frame)
    made.rhythm.times.append(time)
    return made


def planned(functions: dict, planned_gap: int | None = None) -> DeviceRecord:
    """A planned device."""
    plan = DevicePlan.model_validate({"name": "x", "kind": "x", "address": 1, "functions": functions})
    return DeviceRecord(0, "x", plan, planned_gap)


def test_a_topic_says_which_function_it_is_the_status_of(catalogue):
    """A status with an instance does, a command does not; a heartbeat can tell who speaks too."""
    node = AddressRecord(0x5E)
    status, command = part(catalogue, node, 0x1FFE4, 2), part(catalogue, node, 0x1FFE3, 2)
    heartbeat, nobody = part(catalogue, node, 0x1FECA, 5, 94), part(catalogue, node, 0x1FFE4, 255)
    assert (status.function.name, status.function_text, status.identifies_device) == ("furnace", "furnace 2", True)
    assert (command.function, command.function_text, command.identifies_device) == (None, "", False)
    assert (heartbeat.function, heartbeat.identifies_device) == (None, True)
    assert (nobody.function, nobody.identifies_device) == (None, False)


def test_a_new_topic_belongs_to_nobody_yet(catalogue):
    """To the address, as it is spoken."""
    made = part(catalogue, AddressRecord(0x0A), 0x1FFE4, 1)
    assert (made.device.name, made.device.plan, made.lateness, made.settled_data) == (
        "address 0A hex",
        None,
        None,
        None,
    )


def test_a_device_may_be_silent_for_three_of_its_slowest_gaps():
    """At least 15 s; planned statuses count even if none has come."""
    assert planned({"furnace": 1}).silence_limit() == 15 * SECOND_US
    assert planned({"furnace": 1}, 4 * SECOND_US).silence_limit() == 15 * SECOND_US
    assert planned({"furnace": 1}, 6 * SECOND_US).silence_limit() == 18 * SECOND_US


def test_the_slowest_gap_is_that_of_what_is_sent_or_planned(catalogue):
    """Whichever is slower; a command has none."""
    entry, node = planned({"furnace": 1}, 3 * SECOND_US), AddressRecord(0x5E)
    entry.topics += [part(catalogue, node, 0x1FFE3, 1)]
    assert entry.slowest_gap() == 3 * SECOND_US
    entry.topics += [part(catalogue, node, 0x1FFE4, 1)]
    assert entry.slowest_gap() == 5 * SECOND_US
    assert DeviceRecord(1, "address 5E hex", None).slowest_gap() is None


def test_the_last_of_a_device_is_the_last_of_its_topics(catalogue):
    """Before the first frame it is the moment from which it is waited for."""
    entry, node = planned({"furnace": 1}), AddressRecord(0x5E)
    entry.waiting_from = 7
    assert (entry.last_heard(), entry.last_frame()) == (7, None)
    entry.topics += [part(catalogue, node, 0x1FFE4, 1, time=20), part(catalogue, node, 0x1FFE3, 1, time=9)]
    assert (entry.last_heard(), entry.last_frame().time) == (20, 20)


def test_expected_functions_are_spoken_with_their_instances():
    """As they stand in an advice."""
    assert list(planned({"furnace": 1, "dc_source": [1, 2]}).expected_functions()) == ["furnace 1", "DC source 1, 2"]
    assert list(DeviceRecord(1, "address 5E hex", None).expected_functions()) == []


def test_heard_functions_have_their_instances_in_order(catalogue):
    """A function known by its heartbeat alone has none; an address that means nothing is no function."""
    entry, node = planned({"furnace": 1}), AddressRecord(0x5E)
    for dgn, first, second in [
        (0x1FECA, 5, 94),
        (0x1FFE4, 2, 0),
        (0x1FFE4, 1, 0),
        (0x1FECA, 5, 101),
        (0x1FECA, 5, 200),
    ]:
        entry.topics.append(part(catalogue, node, dgn, first, second))
    assert roll_call_line(entry).functions == {"furnace": (1, 2), "water_heater": ()}


def test_a_device_is_gone_once_it_was_found_silent():
    """Not before it was ever waited for in vain."""
    entry = planned({"furnace": 1})
    assert not entry.is_silent
    entry.state = "silent"  # type: ignore[assignment]
    assert entry.is_silent
    entry.is_heard = True
    assert not entry.is_silent
