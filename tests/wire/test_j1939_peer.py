"""Claims and long messages against a general J1939 stack, can-j1939 (MIT), on one python-can virtual bus.

The stack knows nothing of this project: it claims, asks, announces and clears to send in its own way and by its own
threads, so these tests run on the wall clock, a second or two each.
"""

import threading
import time
import uuid

import can
import j1939
import pytest

from rvsim.wire.claim import Claimer, ClaimState
from rvsim.wire.name import Name
from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, LongMessageSent, ProblemKind

pytestmark = pytest.mark.paced

PATIENCE_S = 4
OURS, THEIRS = 0x85, 0x90
TEXT = b"Otter Works*Bench heater*000123*unit 1*"  # a made-up product identification
LONG = [place * 7 % 251 for place in range(1785)]


class Bus:
    """Our state machines on a virtual bus, moved by the wall clock; ``heard`` keeps what the others sent."""

    def __init__(self):
        self.channel = f"peer {uuid.uuid4()}"
        self.bus = can.Bus(interface="virtual", channel=self.channel)
        self.claimer = None
        self.long = LongMessages(OURS)
        self.listener = LongMessageListener()
        self.heard, self.events, self.overheard = [], [], []
        self.deaf_for = "nothing"

    def now(self):
        """The wall clock in microseconds."""
        return time.monotonic_ns() // 1000

    def put(self, frames):
        """Send frames; the listener hears them too."""
        for identifier, data in frames:
            self.bus.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=True))
            self.overheard += self.listener.receive(self.now(), identifier, data)

    def note(self, outcome):
        """Send what a node wants to send, keep what happened to it."""
        self.events += outcome.events
        self.put(outcome.frames)

    def claim(self, name, address, **options):
        """Claim an address as a node of our own."""
        self.claimer = Claimer(name, address, lambda below: 0, **options)
        self.put(self.claimer.start(self.now()))

    def step(self):
        """Take in one frame, or let a moment pass; do what is due."""
        message = self.bus.recv(0.002)
        if message is not None:
            frame = message.arbitration_id, bytes(message.data)
            self.heard.append(f"{frame[0]:08X} {frame[1].hex(' ').upper()}")
            self.overheard += self.listener.receive(self.now(), *frame)
            if not self.heard[-1].startswith(self.deaf_for):
                self.note(self.long.receive(self.now(), *frame))
            if self.claimer is not None:
                self.put(self.claimer.receive(self.now(), *frame))
        self.note(self.long.expire(self.now()))
        if self.claimer is not None:
            self.put(self.claimer.expire(self.now()))

    def until(self, condition):
        """Go on until something is true."""
        end = time.monotonic() + PATIENCE_S
        while not condition():
            assert time.monotonic() < end, (self.heard[-10:], self.events[-10:])
            self.step()


@pytest.fixture
def bus():
    """Give a bus with our side on it."""
    bus = Bus()
    yield bus
    bus.bus.shutdown()


@pytest.fixture
def peer(bus, make_unit):
    """Put units of the other stack on the bus: ``peer()``."""
    units = []

    def put(**options):
        unit = make_unit(**options)
        unit.connect(interface="virtual", channel=bus.channel)
        units.append(unit)
        return unit

    yield put
    for unit in units:
        unit.stop()
        closing = threading.Thread(target=unit.disconnect)
        closing.start()
        while closing.is_alive():  # its reader waits up to a second for a frame
            bus.bus.send(can.Message(arbitration_id=0x19FFFF00, is_extended_id=True))
            closing.join(0.01)


def their_name(identity, arbitrary=0):
    """Make a NAME with their class."""
    return j1939.Name(
        arbitrary_address_capable=arbitrary, industry_group=5, vehicle_system=127, identity_number=identity
    )


def our_name(identity, arbitrary=0):
    """Make a NAME of the same parts with ours."""
    return Name(
        serial_number=identity, compatibility_field_2=127, compatibility_field_4=5, arbitrary_address_capable=arbitrary
    )


@pytest.fixture
def partner(bus, peer):
    """Give a unit of the other stack that is at its address already, as (unit, application, what it received)."""

    def put(**options):
        unit = peer(**options)
        application = j1939.ControllerApplication(their_name(1), THEIRS, bypass_address_claim=True)
        unit.add_ca(controller_application=application)
        received = []
        application.subscribe(lambda priority, pgn, source, stamp, data: received.append((pgn, source, bytes(data))))
        return unit, application, received

    return put


# Claims.


def test_names_are_the_same_number():
    """Both stacks make the same eight bytes of the same parts."""
    assert bytes(their_name(77, 1).bytes) == our_name(77, 1).to_bytes()


def test_they_lose(bus, peer):
    """Their higher NAME claims our address: we defend it, and they say that they cannot claim."""
    bus.claim(our_name(10), OURS)
    theirs = peer().add_ca(name=their_name(11), device_address=OURS)
    theirs.start()
    bus.until(lambda: theirs.state == theirs.State.CANNOT_CLAIM and len(bus.heard) == 2)
    assert [frame[:8] for frame in bus.heard] == ["18EEFF85", "18EEFFFE"]
    assert bus.claimer.address == OURS


def test_they_win(bus, peer):
    """Their lower NAME claims our address: we have none, say so, and they keep it."""
    bus.claim(our_name(10), OURS)
    theirs = peer().add_ca(name=their_name(9), device_address=OURS)
    theirs.start()
    bus.until(lambda: theirs.state == theirs.State.NORMAL)
    assert (theirs.device_address, bus.claimer.state) == (OURS, ClaimState.CANNOT_CLAIM)
    assert len(bus.heard) == 1  # our "cannot claim" is no contest for them


def test_we_move_away(bus, peer):
    """Their lower NAME claims our address, and ours may choose: we claim the next lower one and keep that."""
    bus.claim(our_name(10, arbitrary=1), OURS)
    theirs = peer().add_ca(name=their_name(10), device_address=OURS)
    theirs.start()
    bus.until(lambda: theirs.state == theirs.State.NORMAL and bus.claimer.address is not None)
    assert (theirs.device_address, bus.claimer.address) == (OURS, OURS - 1)


def test_they_move_away(bus, peer):
    """Their higher NAME may choose: driven from our address it takes the next higher one, its own way."""
    bus.claim(our_name(10), OURS)
    theirs = peer().add_ca(name=their_name(10, arbitrary=1), device_address=OURS)
    theirs.start()
    bus.until(lambda: theirs.state == theirs.State.NORMAL)
    assert (theirs.device_address, bus.claimer.address) == (OURS + 1, OURS)


@pytest.mark.parametrize("destination", [255, OURS])
def test_they_ask_for_our_claim(bus, partner, destination):
    """Their request, to all or to us, is answered with the NAME that their class reads as the same parts."""
    _, application, _ = partner()
    claims = []
    bus.claim(our_name(1234567), OURS)
    bus.until(lambda: bus.claimer.address == OURS)
    application._process_addressclaim = lambda mid, data, stamp: claims.append((mid.source_address, bytes(data)))
    application.send_request(0, 0xEE00, destination)
    bus.until(lambda: claims)
    source, data = claims[0]
    assert source == OURS
    assert j1939.Name(bytes=bytearray(data)).identity_number == 1234567


def test_we_ask_for_their_claim(bus, partner):
    """A request from the null address brings their claim, and our class reads its parts."""
    partner()
    bus.put([(0x18EAFFFE, bytes.fromhex("00 EE 00"))])
    bus.until(lambda: bus.heard)
    identifier, _, data = bus.heard[0].partition(" ")
    assert identifier == "18EEFF90"
    assert Name.from_bytes(bytes.fromhex(data)) == our_name(1)


# Long messages.


def test_we_announce(bus, partner):
    """Our message to all reaches them byte for byte."""
    _, _, received = partner()
    bus.note(bus.long.send(bus.now(), 0xFEEB, TEXT))
    bus.until(lambda: received)
    assert received == [(0xFEEB, OURS, TEXT)]
    assert [event.data for event in bus.overheard] == [TEXT]


def test_they_ask_and_we_announce(bus, partner):
    """They request our product identification (FEEBh) and read it whole."""
    _, application, received = partner()
    application.send_request(0, 0xFEEB, OURS)
    bus.until(lambda: bus.heard == ["18EA8590 EB FE 00"])
    bus.note(bus.long.send(bus.now(), 0xFEEB, TEXT))
    bus.until(lambda: received)
    assert received == [(0xFEEB, OURS, TEXT)]


@pytest.mark.parametrize("size", [9, 14, 100])
def test_they_announce(bus, partner, size):
    """Their message to all reaches us byte for byte, and the listener too."""
    _, application, _ = partner()
    application.send_pgn(0, 0xFE, 0xB0, 6, LONG[:size])
    bus.until(lambda: bus.events)
    [event] = bus.events
    assert isinstance(event, LongMessage)
    assert event[:4] == (THEIRS, 255, 0xFEB0, bytes(LONG[:size]))
    assert bus.overheard[0][:4] == event[:4]


@pytest.mark.parametrize("at_once", [1, 5, 255])
@pytest.mark.parametrize("size", [9, 36, 1785])
def test_we_send_to_them(bus, partner, size, at_once):
    """They clear one, a few or many packets at a time; they get every byte and acknowledge it."""
    _, _, received = partner(max_cmdt_packets=at_once)
    bus.note(bus.long.send(bus.now(), 0xDF00, bytes(LONG[:size]), THEIRS))
    bus.until(lambda: received and bus.events)
    assert received == [(0xDF00, OURS, bytes(LONG[:size]))]
    assert [type(event) for event in bus.events] == [LongMessageSent]
    assert [event[:4] for event in bus.overheard] == [(OURS, THEIRS, 0xDF00, bytes(LONG[:size]))]


@pytest.mark.parametrize("at_once", [1, 5, 255])
@pytest.mark.parametrize("size", [9, 36, 1785])
def test_they_send_to_us(bus, partner, size, at_once):
    """We clear as many as they allow, up to 16; we get every byte, and they end their session."""
    unit, application, _ = partner(max_cmdt_packets=at_once)
    assert application.send_pgn(0, 0xDF, OURS, 6, LONG[:size])
    bus.until(lambda: bus.events and not unit.j1939_dll._snd_buffer)
    assert [event[:4] for event in bus.events] == [(THEIRS, OURS, 0xDF00, bytes(LONG[:size]))]
    assert [event[:4] for event in bus.overheard] == [(THEIRS, OURS, 0xDF00, bytes(LONG[:size]))]
    assert bus.long.open_sessions == 0


def test_both_ways_at_once(bus, partner):
    """A message each way between two nodes, and one to all from each, at the same time."""
    _, application, received = partner(max_cmdt_packets=4)
    application.send_pgn(0, 0xDF, OURS, 6, LONG[:50])
    application.send_pgn(0, 0xFE, 0xB0, 6, LONG[:30])
    bus.note(bus.long.send(bus.now(), 0xDE00, bytes(LONG[50:100]), THEIRS))
    bus.note(bus.long.send(bus.now(), 0xFEB1, bytes(LONG[100:130])))
    bus.until(lambda: len(received) == 2 and len(bus.events) == 4)
    assert sorted(received) == [(0xDE00, OURS, bytes(LONG[50:100])), (0xFEB1, OURS, bytes(LONG[100:130]))]
    ours = sorted(event[2:4] for event in bus.events if isinstance(event, LongMessage))
    assert ours == [(0xDF00, bytes(LONG[:50])), (0xFEB0, bytes(LONG[:30]))]
    assert len(bus.overheard) == 4


def test_they_are_told_to_wait(bus, partner):
    """A busy node of ours lets them wait; they go on when it is ready."""
    _, application, _ = partner()
    bus.long.hold()
    application.send_pgn(0, 0xDF, OURS, 6, LONG[:20])
    bus.until(lambda: bus.heard)
    bus.step()
    assert bus.events == []
    bus.note(bus.long.resume(bus.now()))
    bus.until(lambda: bus.events)
    assert [event.data for event in bus.events] == [bytes(LONG[:20])]


def test_they_are_refused(bus, partner):
    """A node of ours that has no room tells them so, and they put their session away."""
    unit, application, _ = partner()
    bus.long = LongMessages(OURS, max_sessions=1)
    bus.long.receive(bus.now(), 0x1CEC8533, bytes.fromhex("10 14 00 03 01 00 DF 00"))
    application.send_pgn(0, 0xDF, OURS, 6, LONG[:20])
    bus.until(lambda: bus.events)
    finished = unit.j1939_dll.SendBufferState.TRANSMISSION_FINISHED
    bus.until(lambda: all(sending["state"] == finished for sending in unit.j1939_dll._snd_buffer.values()))
    assert [event.kind for event in bus.events] == [ProblemKind.NO_SESSION_FREE]


def test_they_give_up(bus, partner):
    """They wait for packets that we do not send, since we do not hear them ask: their abort ends our session too."""
    partner()
    bus.deaf_for = "1CEC8590 11"
    bus.note(bus.long.send(bus.now(), 0xDF00, bytes(LONG[:20]), THEIRS))
    bus.until(lambda: bus.long.open_sessions == 0)
    assert bus.events[-1][:1] + bus.events[-1][2:5] == (ProblemKind.ABORTED, OURS, THEIRS, 0xDF00)
    assert bus.heard[-1][:11] == "1CEC8590 FF"
