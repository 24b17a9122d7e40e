"""rvsim.wire.transfer.listener: long messages between other nodes, with frames written by hand.

The exchange between 90h and 9Bh is that of can-j1939 2.0.12 test_ecu.py (MIT), byte for byte.
"""

import pytest

from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferProblem

TWENTY = bytes([1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6])
RTS = "18EC9B90 10 14 00 03 01 00 DF 00"
CLEARS = [f"1CEC909B 11 01 0{number} FF FF 00 DF 00" for number in (1, 2, 3)]
ALL = "1CEC909B 11 03 01 FF FF 00 DF 00"
WAIT = "1CEC909B 11 00 FF FF FF 00 DF 00"
PACKETS = ["1CEB9B90 01 01 02 03 04 05 06 07", "1CEB9B90 02 01 02 03 04 05 06 07", "1CEB9B90 03 01 02 03 04 05 06 FF"]
ACKNOWLEDGED = "1CEC909B 13 14 00 03 FF 00 DF 00"
ABORT = "1CEC909B FF 03 FF FF FF 00 DF 00"


class Ear:
    """A listener that is told frames as text; what happened is kept."""

    def __init__(self, **options):
        self.listener = LongMessageListener(**options)
        self.events = []

    def receive(self, *frames, at=0):
        """Hear frames at one moment."""
        for frame in frames:
            identifier, _, data = frame.partition(" ")
            self.events += self.listener.receive(at, int(identifier, 16), bytes.fromhex(data))

    def expire(self, at):
        """Let time pass."""
        self.events += self.listener.expire(at)

    @property
    def kinds(self):
        """What went wrong so far."""
        return [event.kind for event in self.events if isinstance(event, TransferProblem)]

    @property
    def bytes(self):
        """The bytes of all messages so far."""
        return [event.data for event in self.events if isinstance(event, LongMessage)]


@pytest.fixture
def ear():
    """Give a listener with the usual settings."""
    return Ear()


def test_a_published_message_between_two_nodes(ear):
    """The whole exchange gives the 20 bytes once, when the last packet came."""
    ear.receive(RTS, at=5)
    for clear, packet in zip(CLEARS, PACKETS, strict=True):
        ear.receive(clear, packet, at=77)
    assert ear.events == [LongMessage(0x90, 0x9B, 0xDF00, TWENTY, 5, 77)]
    assert ear.listener.open_sessions == 1
    ear.receive(ACKNOWLEDGED, at=80)
    assert (len(ear.events), ear.listener.open_sessions, ear.listener.due()) == (1, 0, None)


def test_a_published_message_to_all(ear):
    """An announce and its packets (can-j1939 2.0.12 test_ecu.py): 20 bytes from 01 to all."""
    ear.receive("00ECFF01 20 14 00 03 FF B0 FE 00", at=1)
    ear.receive(*[packet.replace("1CEB9B90", "00EBFF01") for packet in PACKETS], at=2)
    assert ear.events == [LongMessage(1, 255, 0xFEB0, TWENTY, 1, 2)]
    assert ear.listener.open_sessions == 0


def test_silence_to_all(ear):
    """T1 ends what was announced, as everywhere."""
    ear.receive("00ECFF01 20 14 00 03 FF B0 FE 00")
    assert ear.listener.due() == 750_000
    ear.expire(749_999)
    ear.expire(750_000)
    assert ear.events == [TransferProblem(ProblemKind.TIMEOUT, 750_000, 1, 255, 0xFEB0)]
    assert ear.listener.counts == {ProblemKind.TIMEOUT: 1}


def test_many_pairs_at_once(ear):
    """Messages between several pairs, even both ways, and to all, interleaved."""
    pairs = [("9B", "90"), ("90", "9B"), ("9B", "91"), ("9C", "90")]
    for destination, source in pairs:
        ear.receive(f"18EC{destination}{source} 10 09 00 02 FF 00 DF 00")
    ear.receive("18ECFF90 20 09 00 02 FF B0 FE 00")
    for destination, source in pairs:
        ear.receive(f"18EC{source}{destination} 11 02 01 FF FF 00 DF 00")
    for destination, source in [*pairs, ("FF", "90")]:
        ear.receive(f"18EB{destination}{source} 01 {source} {destination} 03 04 05 06 07")
    for destination, source in [*pairs, ("FF", "90")]:
        ear.receive(f"18EB{destination}{source} 02 08 09 FF FF FF FF FF")
    assert [(event.destination, event.source) for event in ear.events] == [
        (int(destination, 16), int(source, 16)) for destination, source in [*pairs, ("FF", "90")]
    ]
    assert all(event.data[:2] == bytes([event.source, event.destination]) for event in ear.events)


def test_packets_are_taken_only_when_the_receiver_asked_for_them(ear):
    """Without a clear to send, or outside of it, a packet may be another message's."""
    ear.receive(RTS, PACKETS[0])
    assert ear.kinds == [ProblemKind.UNREQUESTED]
    ear.receive(CLEARS[0], PACKETS[1])
    assert ear.kinds == [ProblemKind.UNREQUESTED] * 2
    ear.receive("1CEC909B 11 05 01 FF FF 00 DF 00", PACKETS[0], "1CEB9B90 04 01 02 03 04 05 06 07")
    assert ear.kinds == [ProblemKind.UNREQUESTED] * 3
    ear.receive(PACKETS[1], PACKETS[2])
    assert ear.bytes == [TWENTY]


def test_packets_may_come_in_any_order_within_a_turn(ear):
    """The receiver can ask for them again in any order, so the listener takes them in any."""
    ear.receive(RTS, ALL, PACKETS[2], PACKETS[0], PACKETS[1], ACKNOWLEDGED)
    assert (ear.bytes, ear.kinds) == ([TWENTY], [])


def test_a_packet_that_both_missed_comes_again(ear):
    """The receiver asks for it again, and the listener has it too; what it had already is counted."""
    ear.receive(
        RTS, ALL, PACKETS[0], PACKETS[2], "1CEC909B 11 02 02 FF FF 00 DF 00", PACKETS[1], PACKETS[2], ACKNOWLEDGED
    )
    assert (ear.bytes, ear.kinds) == ([TWENTY], [ProblemKind.REPEATED])


def test_what_follows_a_complete_message_is_quiet(ear):
    """The receiver missed something that the listener has: it is not given out twice, however the session ends."""
    for end in ([ACKNOWLEDGED], [ABORT], [RTS]):
        ear = Ear()
        ear.receive(RTS, ALL, *PACKETS, ALL, *PACKETS, *end)
        assert ear.bytes == [TWENTY]
        assert ear.kinds == [ProblemKind.REPEATED] * 3
    ear.expire(10**9)
    assert ear.kinds[3:] == [ProblemKind.TIMEOUT]  # of the last request only


@pytest.mark.parametrize("clear", [ALL, "1CEC909B 11 FF 01 FF FF 00 DF 00"])
def test_a_complete_message_needs_no_acknowledgement(ear, clear):
    """Whatever is missed after its last packet, it has come; the session is put away after T3."""
    ear.receive(RTS, clear, *PACKETS)
    assert ear.listener.due() == 1_450_000
    ear.expire(1_450_000)
    assert (ear.bytes, ear.kinds, ear.listener.open_sessions) == ([TWENTY], [], 0)


def test_what_only_the_listener_missed_stays_missing(ear):
    """The receiver acknowledges: nothing brings the packet back."""
    ear.receive(RTS, ALL, PACKETS[0], PACKETS[2], ACKNOWLEDGED, at=3)
    assert ear.events == [TransferProblem(ProblemKind.INCOMPLETE, 3, 0x90, 0x9B, 0xDF00)]
    assert ear.listener.open_sessions == 0


def test_another_packet_of_the_same_number_ends_it(ear):
    """Two packets of one number that differ: one of them is another message's."""
    ear.receive(RTS, ALL, PACKETS[0], "1CEB9B90 01 FF FF FF FF FF FF FF", PACKETS[1], PACKETS[2])
    assert (ear.bytes, ear.kinds) == ([], [ProblemKind.CONTRADICTED, ProblemKind.UNEXPECTED, ProblemKind.UNEXPECTED])


@pytest.mark.parametrize("abort", [ABORT, "18EC9B90 FF 03 FF FF FF 00 DF 00"])
def test_either_side_may_end_it(ear, abort):
    """An abort about its DGN, from the receiver or the sender."""
    ear.receive(RTS, ALL, PACKETS[0], abort.replace("DF", "DE"))
    assert (ear.kinds, ear.listener.open_sessions) == ([ProblemKind.UNEXPECTED], 1)
    ear.receive(abort, at=9)
    assert ear.events[-1] == TransferProblem(ProblemKind.ABORTED, 9, 0x90, 0x9B, 0xDF00, 3)
    assert ear.listener.open_sessions == 0


def test_an_abort_ends_what_goes_either_way(ear):
    """It does not say which of two sessions about one DGN it means."""
    ear.receive(RTS, "18EC909B 10 14 00 03 01 00 DF 00", ABORT)
    assert ear.kinds == [ProblemKind.ABORTED] * 2


def test_a_second_request_takes_the_place_of_the_first(ear):
    """The old message is counted, the new one is taken with its own size."""
    ear.receive(RTS, CLEARS[0], "1CEB9B90 01 99 99 99 99 99 99 99", RTS, ALL, *PACKETS)
    assert (ear.kinds, ear.bytes) == ([ProblemKind.RESTARTED], [TWENTY])


@pytest.mark.parametrize("frame", [ALL, WAIT, ACKNOWLEDGED, PACKETS[0], ABORT])
def test_what_belongs_to_no_session(ear, frame):
    """Words and packets without a request are strays."""
    ear.receive(frame)
    assert ear.kinds == [ProblemKind.UNEXPECTED]
    assert ear.listener.open_sessions == 0


@pytest.mark.parametrize("frame", [ALL, ACKNOWLEDGED])
def test_words_about_another_dgn_are_strays(ear, frame):
    """They open and close nothing."""
    ear.receive(RTS, frame.replace("DF", "DE"), PACKETS[0])
    assert ear.kinds == [ProblemKind.UNEXPECTED, ProblemKind.UNREQUESTED]
    assert ear.listener.open_sessions == 1


@pytest.mark.parametrize(
    ("frames", "wait"),
    [
        ([RTS], 1_450_000),  # T3: the sender waits for an answer
        ([RTS, WAIT], 1_250_000),  # T4: it was told to wait
        ([RTS, ALL], 1_450_000),  # T2: the receiver waits for the first packet
        ([RTS, ALL, PACKETS[0]], 950_000),  # T1: and for the next
        ([RTS, CLEARS[0], PACKETS[0]], 1_450_000),  # T3: the turn is over
    ],
)
def test_silence_between_two_nodes(ear, frames, wait):
    """Each wait has the standard's length and 200 ms (Tr) for what is done at its end; then it is given up, once."""
    ear.receive(*frames, at=1000)
    assert ear.listener.due() == 1000 + wait
    ear.expire(999 + wait)
    assert ear.events == []
    ear.expire(1000 + wait)
    assert ear.events == [TransferProblem(ProblemKind.TIMEOUT, 1000 + wait, 0x90, 0x9B, 0xDF00)]
    assert ear.listener.open_sessions == 0


def test_a_listener_may_be_driven_by_frames_alone(ear):
    """What was due before a frame is done with it; at the very moment, the frame comes first."""
    ear.receive(RTS, ALL, PACKETS[0])
    ear.receive(PACKETS[1], at=950_000)
    ear.receive(PACKETS[2], at=1_900_001)
    assert ear.kinds == [ProblemKind.TIMEOUT, ProblemKind.UNEXPECTED]


@pytest.mark.parametrize("data", ["10 14 00 02 FF 00 DF 00", "10 08 00 02 FF 00 DF 00", "10 FA 06 FF FF 00 DF 00"])
def test_size_and_packets_that_do_not_fit(ear, data):
    """Such a request opens nothing, and ends what was under way."""
    ear.receive(RTS, f"18EC9B90 {data}", ALL)
    assert ear.kinds == [ProblemKind.RESTARTED, ProblemKind.SIZE_MISMATCH, ProblemKind.UNEXPECTED]


@pytest.mark.parametrize(
    "frame",
    [
        "18ECFF90 10 14 00 03 01 00 DF 00",  # a request to all
        "18EC9B90 20 14 00 03 FF 00 DF 00",  # an announce to one
        "18EC9BFE 10 14 00 03 01 00 DF 00",  # from the null address
        "18EC9B90 10 14 00 03 01 00 DF",
        "18EC9B90 55 14 00 03 01 00 DF 00",
        "18EB9B90 00 01 02 03 04 05 06 07",
        "18EB9B90 01 01 02 03 04 05 06",
        "18EB9BFE 01 01 02 03 04 05 06 07",
    ],
)
def test_malformed_frames_change_nothing(ear, frame):
    """They are counted, and the message under way goes on."""
    ear.receive(RTS, ALL, frame, *PACKETS)
    assert (ear.kinds, ear.bytes) == ([ProblemKind.MALFORMED], [TWENTY])
    assert ear.listener.counts == {ProblemKind.MALFORMED: 1}


def test_room_is_bounded():
    """Messages that begin when there is no room are counted; the ones under way go on."""
    ear = Ear(max_sessions=1)
    ear.receive(RTS, "18EC9B91 10 14 00 03 01 00 DF 00", ALL, *PACKETS)
    ear.receive("18ECFF01 20 14 00 03 FF B0 FE 00", "18ECFF02 20 14 00 03 FF B0 FE 00")
    assert (ear.kinds, ear.bytes) == ([ProblemKind.NO_SESSION_FREE] * 2, [TWENTY])
    assert ear.listener.open_sessions == 2


def test_room_as_it_is_without_asking(ear):
    """64 messages to all and 64 between two nodes, unless its owner says otherwise."""
    for source in range(65):
        ear.receive(f"18EC9B{source:02X} 10 14 00 03 01 00 DF 00", f"18ECFF{source:02X} 20 14 00 03 FF B0 FE 00")
    assert (ear.listener.open_sessions, ear.listener.counts) == (128, {ProblemKind.NO_SESSION_FREE: 2})


def test_other_frames_pass_by(ear):
    """Other DGNs, other data pages."""
    ear.receive("19FFD101 01", "19ECFF01 20 14 00 03 FF B0 FE 00", "19EBFF01 01 01 02 03 04 05 06 07")
    assert ear.events == []


def test_the_next_thing_due_is_the_earliest(ear):
    """Messages to all and between two nodes are both looked at."""
    assert ear.listener.due() is None
    ear.receive(RTS)
    ear.receive("18ECFF01 20 14 00 03 FF B0 FE 00", at=100)
    assert ear.listener.due() == 750_100
    ear.receive(WAIT, at=200)
    ear.expire(750_100)
    assert ear.listener.due() == 1_250_200


def test_a_request_that_is_repeated_unanswered_is_one_message(ear):
    """Sent three times, T3 apart and a frame's length late; answered at last, it comes in as one, with no failure."""
    ear.receive(RTS)
    ear.receive(RTS, at=1_250_600)
    ear.receive(RTS, at=2_501_200)
    ear.receive(ALL, *PACKETS, ACKNOWLEDGED, at=2_600_000)
    assert (ear.kinds, ear.bytes) == ([ProblemKind.RETRIED] * 2, [TWENTY])


def test_a_request_that_is_given_up_is_one_failure(ear):
    """Three requests, then the sender's abort for lack of time (reason 3): one message has failed."""
    for turn in range(3):
        ear.receive(RTS, at=turn * 1_250_600)
    ear.receive("18EC9B90 FF 03 FF FF FF 00 DF 00", at=3_751_800)
    assert ear.kinds == [ProblemKind.RETRIED, ProblemKind.RETRIED, ProblemKind.ABORTED]


def test_another_size_is_another_message(ear):
    """A request for the same DGN that offers something else does not repeat the one before."""
    ear.receive(RTS, RTS.replace("14 00 03", "15 00 03"))
    assert ear.kinds == [ProblemKind.RESTARTED]


@pytest.mark.parametrize(("heard", "silence"), [([], 1_250_600), ([PACKETS[0]], 750_600)])
def test_a_receiver_that_asks_again_is_waited_for(ear, heard, silence):
    """At the end of its T2 or T1 it clears to send once more, and that is a frame's length later on the wires."""
    ear.receive(RTS, ALL, *heard)
    ear.receive(ALL, *PACKETS, ACKNOWLEDGED, at=silence)
    assert ear.bytes == [TWENTY]
    assert ProblemKind.TIMEOUT not in ear.kinds
