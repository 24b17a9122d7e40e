"""Tests for nodes without an address."""

import threading
import time
import uuid

import can
import j1939
import pytest

from rvsim.watch.watch import Watch
from rvsim.wire.claim import Claimer
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name

pytestmark = pytest.mark.paced

FURNACE, AMBIENT = "FURNACE_STATUS", "THERMOSTAT_AMBIENT_STATUS"
NULL, GLOBAL_ADDRESS = 0xFE, 0xFF
RAISED, CLEARED = "raised", "cleared"


def claims(made, *said):
    """Claims, as (seconds, source, serial number)."""
    return [made.frame(seconds, "ADDRESS_CLAIM", source, **made.unit(serial)) for seconds, source, serial in said]


def asked(seconds, to=GLOBAL_ADDRESS, source=0xF9, dgn=0xEE00):
    """A request for a DGN."""
    return Frame(round(seconds * SECOND_US), 0x18EA0000 | to << 8 | source, dgn.to_bytes(3, "little"))


# Cannot claim.


def test_a_node_that_cannot_claim_is_a_fault_at_once(bus, heard, of_kind):
    """With its NAME and the address that it had, once, however often it sends that."""
    frames = claims(bus(), (0, 0x5E, 5), (10, 0x5E, 4), (10.1, NULL, 5), (20, NULL, 5))
    frames += bus().frames(60, bus().every(5, FURNACE, 0x5E, 1.0))
    made = heard(frames, 60)
    assert of_kind(made, "cannot-claim") == [(10.1, RAISED, "address 5E hex")]
    flag = next(one for one in made.watch.flags if one.kind == "cannot-claim")
    assert (str(flag.severity), flag.since, flag.until) == ("fault", 10_100_000, None)
    assert flag.text == (
        "could not claim an address and has stopped sending: manufacturer code 0, serial number 5; its address "
        "before was 5E hex"
    )
    assert flag.evidence[0] == "NAME 0000000000000005"


def test_a_healthy_address_conflict_is_no_such_fault(bus, heard):
    """The loser claims another address, and no node is without one."""
    frames = claims(bus(), (0, 0x5E, 5), (10, 0x5E, 4), (10.1, 0x5D, 5), (11, 0x70, 7))
    assert heard(frames, 20).flags == []


def test_its_subject_is_the_planned_device_or_its_name(bus, planned, heard, of_kind):
    """By the planned NAME; otherwise by the device that sent under that NAME; otherwise by the NAME itself."""
    heater = planned("heater", claimed_name=f"{5:016X}")
    frames = claims(bus(), (0, NULL, 5), (1, NULL, 9))
    made = heard(frames, 5, heater)
    assert of_kind(made, "cannot-claim") == [(0.0, RAISED, "heater"), (1.0, RAISED, "NAME 0000000000000009 hex")]
    frames = [*claims(bus(), (0, 0x5E, 5), (10, 0x5E, 4), (10.1, NULL, 5)), bus().frame(1, FURNACE, 0x5E, instance=1)]
    assert of_kind(heard(frames, 12, "heater"), "cannot-claim") == [(10.1, RAISED, "heater")]


def test_a_challenger_is_not_named_after_the_address_that_it_never_had(bus, heard, of_kind):
    """It claimed the address of the heater, lost, and never sent from there."""
    frames = claims(bus(), (0, 0x5E, 5), (10, 0x5E, 6), (10.01, 0x5E, 5), (10.1, NULL, 6))
    frames.append(bus().frame(1, FURNACE, 0x5E, instance=1))
    assert of_kind(heard(frames, 12, "heater"), "cannot-claim") == [(10.1, RAISED, "NAME 0000000000000006 hex")]


@pytest.mark.parametrize(("again", "until"), [(1.99, None), (2.01, 32.0)])
def test_it_ends_when_the_name_has_an_address_for_two_seconds(bus, heard, of_kind, again, until):
    """A node that tries again and loses again is without one all the time."""
    frames = claims(bus(), (0, 0x5E, 4), (10, NULL, 5), (30, 0x5E, 5), (30 + again, NULL, 5))
    facts = of_kind(heard(frames, 40), "cannot-claim")
    told = [(10.0, RAISED, "NAME 0000000000000005 hex")]
    ended = [(until, CLEARED, told[0][2]), (32.01, RAISED, told[0][2])] if until else []
    assert facts == told + ended


@pytest.mark.parametrize(("answer", "flags"), [(2.0, 1), (2.1, 3), (None, 2)])
def test_it_ends_when_claims_are_requested_from_all_and_it_does_not_answer(bus, heard, of_kind, answer, flags):
    """Within two seconds: then it is gone. To a request to it alone it does not answer, and need not."""
    frames = [*claims(bus(), (0, 0x5E, 4), (10, NULL, 5)), asked(15, to=0x5E), asked(20)]
    frames += claims(bus(), (20 + answer, NULL, 5)) if answer else []
    facts = of_kind(heard(frames, 40), "cannot-claim")
    assert len(facts) == flags
    assert facts[1:2] == ([(22.0, CLEARED, facts[0][2])] if flags > 1 else [])


def test_two_nodes_without_an_address_are_two_flags(bus, heard, of_kind):
    """Each ends by itself; a claim of seven bytes does not count."""
    short = claims(bus(), (3, NULL, 7))[0]
    frames = [*claims(bus(), (1, NULL, 5), (2, NULL, 6), (10, 0x5E, 6)), short._replace(data=short.data[:7])]
    assert of_kind(heard(frames, 40), "cannot-claim") == [
        (1.0, RAISED, "NAME 0000000000000005 hex"),
        (2.0, RAISED, "NAME 0000000000000006 hex"),
        (12.0, CLEARED, "NAME 0000000000000006 hex"),
    ]


def test_the_number_of_nodes_without_an_address_is_bounded(bus):
    """The newest sixty-four are kept."""
    made = bus()
    for frame in claims(bus(), *((number / 100, NULL, number + 1) for number in range(100))):
        made.observe(frame)
    standing = [flag.subject for flag in made.watch.flags]
    assert (len(standing), standing[0]) == (64, f"NAME {37:016X} hex")


def test_a_general_node_that_cannot_claim_is_heard(catalogue, make_unit):
    """An outside stack (can-j1939) whose higher NAME loses against ours sends that; its frames raise the flag."""
    channel, watch, said = f"peer {uuid.uuid4()}", Watch(catalogue), threading.Event()
    ours = Claimer(Name(10, compatibility_field_2=127, compatibility_field_4=5), 0x85, lambda below: 0)
    theirs = j1939.Name(arbitrary_address_capable=0, industry_group=5, vehicle_system=127, identity_number=11)
    unit = make_unit()
    with can.Bus(interface="virtual", channel=channel) as line:
        unit.connect(interface="virtual", channel=channel)
        try:
            sent = ours.start(0)
            unit.add_ca(name=theirs, device_address=0x85).start()
            end, begun = time.monotonic() + 4, time.monotonic_ns() // 1000
            while not said.is_set() and time.monotonic() < end:
                for identifier, data in sent:
                    line.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=True))
                    watch.observe(Frame(time.monotonic_ns() // 1000 - begun, identifier, data))
                message = line.recv(0.01)
                sent = []
                if message is not None:
                    now = time.monotonic_ns() // 1000 - begun
                    watch.observe(Frame(now, message.arbitration_id, bytes(message.data)))
                    sent = ours.receive(now, message.arbitration_id, bytes(message.data))
                    if message.arbitration_id & 0xFF == NULL:
                        said.set()
        finally:
            unit.disconnect()
    assert [(flag.kind, flag.subject) for flag in watch.flags if flag.kind == "cannot-claim"] == [
        ("cannot-claim", f"NAME {int.from_bytes(bytes(theirs.bytes), 'little'):016X} hex")
    ]


# No address.


@pytest.mark.parametrize("devices", [(), ("heater",)])
@pytest.mark.parametrize(("source", "which"), [(NULL, "null"), (GLOBAL_ADDRESS, "global")])
def test_a_message_without_an_address_is_a_warning_with_its_name(bus, heard, of_kind, devices, source, which):
    """Once for each message, whatever its instance, until a minute has passed without it."""
    made = bus()
    frames = made.frames(40, made.every(5, FURNACE, source, 2.0), made.every(5, FURNACE, source, 3.0, instance=2))
    frames += made.frames(40, made.every(1, AMBIENT, source, 2.5))
    made = heard(frames, 98, *devices)
    who = f"address {source:02X} hex"
    assert of_kind(made, "no-address") == [(2.0, RAISED, who), (2.5, RAISED, who)]
    flag = next(one for one in made.watch.all_flags if one.kind == "no-address")
    assert (str(flag.severity), flag.message) == ("warning", FURNACE)
    assert (
        flag.text
        == f"FURNACE_STATUS, instance 1: sent from the {which} address ({source:02X} hex), which no device can have"
    )
    made.until(98.1)
    assert of_kind(made, "no-address")[2:] == [(98.0, CLEARED, who)]
    made.until(99.6).say(100, FURNACE, source, instance=1)
    assert of_kind(made, "no-address")[3:] == [(99.5, CLEARED, who), (100.0, RAISED, who)]


def test_allowed_messages_of_a_node_without_an_address_are_no_problem(bus, heard, of_kind):
    """Its claim, and requests for the claims of others."""
    frames = [*claims(bus(), (1, NULL, 5)), asked(2, source=NULL), asked(3, to=0x5E, source=NULL)]
    assert of_kind(heard(frames, 20), "no-address") == []
    frames = [asked(2, source=NULL, dgn=0x1FFE4), *claims(bus(), (1, GLOBAL_ADDRESS, 5))]
    assert len(of_kind(heard(frames, 20), "no-address")) == 2


def test_an_ordinary_node_is_no_problem(bus, heard, of_kind):
    """Up to the highest address, 253."""
    made = bus()
    assert of_kind(heard(made.frames(30, made.every(5, FURNACE, 0xFD)), 30), "no-address") == []
