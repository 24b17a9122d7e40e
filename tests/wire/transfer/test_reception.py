"""rvsim.wire.transfer.reception: received long messages, for a node at address 02, with frames written by hand.

The exchanges of 20 bytes are those of can-j1939 2.0.12 test_ecu.py (MIT), but for the priority of the sender's frames.
"""

import pytest

from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferProblem

TWENTY = bytes([1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6])
RTS = "00EC0201 10 14 00 03 01 B0 FE 00"
RTS_NO_LIMIT = "00EC0201 10 14 00 03 FF B0 FE 00"
TO_IT = ["00EB0201 01 01 02 03 04 05 06 07", "00EB0201 02 01 02 03 04 05 06 07", "00EB0201 03 01 02 03 04 05 06 FF"]
ACKNOWLEDGED = "1CEC0102 13 14 00 03 FF B0 FE 00"


@pytest.fixture
def node(node_at):
    """Give a node with the usual settings."""
    return node_at(2)


def test_a_published_message_to_one(node):
    """can-j1939's exchange: packet by packet as the sender wants it, and the acknowledgement, byte for byte."""
    assert node.receive(RTS, at=10) == ["1CEC0102 11 01 01 FF FF B0 FE 00"]
    assert node.receive(TO_IT[0]) == ["1CEC0102 11 01 02 FF FF B0 FE 00"]
    assert node.receive(TO_IT[1]) == ["1CEC0102 11 01 03 FF FF B0 FE 00"]
    assert node.receive(TO_IT[2], at=20) == [ACKNOWLEDGED]
    assert node.events == [LongMessage(1, 2, 0xFEB0, TWENTY, 10, 20)]
    assert (node.long.open_sessions, node.long.due()) == (0, None)


def test_it_asks_for_no_more_packets_than_there_are(node):
    """A sender without a limit is asked for everything at once, one of many packets for 16 at a time."""
    assert node.receive(RTS_NO_LIMIT) == ["1CEC0102 11 03 01 FF FF B0 FE 00"]
    assert node.receive("00EC0203 10 F9 06 FF FF B0 FE 00") == ["1CEC0302 11 10 01 FF FF B0 FE 00"]


def test_its_own_limit_counts_too(node_at):
    """A node that takes two packets at a time asks for two, then for the one that is left."""
    node = node_at(2, window=2)
    assert node.receive(RTS_NO_LIMIT) == ["1CEC0102 11 02 01 FF FF B0 FE 00"]
    assert node.receive(TO_IT[0]) == []
    assert node.receive(TO_IT[1]) == ["1CEC0102 11 01 03 FF FF B0 FE 00"]


def test_a_sender_that_allows_no_packet_is_asked_for_one(node):
    """A limit of 0 cannot be meant."""
    assert node.receive("00EC0201 10 14 00 03 00 B0 FE 00") == ["1CEC0102 11 01 01 FF FF B0 FE 00"]


@pytest.mark.parametrize("number", [2, 3, 15, 16, 17, 33, 254, 255])
def test_any_number_of_packets(number, node_at):
    """Messages of 2 to 255 packets, built by hand, arrive whole; the last packet has a byte or two of the message."""
    node = node_at(2, window=255)
    size = (number - 1) * 7 + 1 if number > 2 else 9
    data = bytes(place * 7 % 251 for place in range(size))
    head = bytes([16, size & 255, size >> 8, number, 255, 0xB0, 0xFE, 0])
    node.receive("00EC0201 " + head.hex())
    for packet in range(number):
        piece = (data[packet * 7 : packet * 7 + 7] + bytes([255] * 7))[:7]
        node.receive("00EB0201 " + bytes([packet + 1, *piece]).hex())
    assert [message.data for message in node.messages] == [data]


def test_it_asks_again_for_a_lost_packet(node):
    """When the last packet of a turn comes and one is missing, it asks from that one on."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[0])
    assert node.receive(TO_IT[2]) == ["1CEC0102 11 02 02 FF FF B0 FE 00"]
    node.receive(TO_IT[1])
    assert node.receive(TO_IT[2]) == [ACKNOWLEDGED]
    assert node.kinds == [ProblemKind.LOST, ProblemKind.RETRIED]
    assert [message.data for message in node.messages] == [TWENTY]


def test_a_gap_is_counted_once_a_turn(node):
    """Each packet after a lost one is passed over; the loss counts once."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[1], at=100)
    assert node.long.due() == 750_100
    assert node.receive(TO_IT[2]) == ["1CEC0102 11 03 01 FF FF B0 FE 00"]
    assert node.kinds == [ProblemKind.LOST, ProblemKind.RETRIED]


def test_a_gap_counts_again_in_the_next_turn(node):
    """The packet that is asked for again may be lost again."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[2])
    node.receive(TO_IT[2])
    assert node.kinds == [ProblemKind.LOST, ProblemKind.RETRIED] * 2


def test_silence_after_clear_to_send(node):
    """T2 is 1250 ms: it asks again, three times in all, then ends the session for lack of time (reason 3)."""
    ask = "1CEC0102 11 01 01 FF FF B0 FE 00"
    assert node.receive(RTS) == [ask]
    assert node.due() == (1_250_000, [ask])
    assert node.due() == (2_500_000, [ask])
    assert node.due() == (3_750_000, ["1CEC0102 FF 03 FF FF FF B0 FE 00"])
    assert node.kinds == [ProblemKind.RETRIED, ProblemKind.RETRIED, ProblemKind.TIMEOUT]
    assert node.events[-1] == TransferProblem(ProblemKind.TIMEOUT, 3_750_000, 1, 2, 0xFEB0, 3)
    assert (node.long.open_sessions, node.long.due()) == (0, None)


def test_silence_between_packets(node):
    """T1 is 750 ms after a packet: it asks for what is missing, and what comes then counts as progress."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[0], at=100_000)
    assert node.due() == (850_000, ["1CEC0102 11 02 02 FF FF B0 FE 00"])
    assert node.long.due() == 2_100_000
    node.receive(TO_IT[1], at=900_000)
    assert node.due() == (1_650_000, ["1CEC0102 11 01 03 FF FF B0 FE 00"])
    assert node.receive(TO_IT[2], at=1_700_000) == [ACKNOWLEDGED]


def test_it_gives_up_asking_for_the_same_packet(node):
    """The third turn without the missing packet ends the session: too many tries (reason 5, from memory)."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[2])
    node.receive(TO_IT[2])
    assert node.receive(TO_IT[2]) == ["1CEC0102 FF 05 FF FF FF B0 FE 00"]
    assert node.events[-1] == TransferProblem(ProblemKind.TOO_MANY_RETRIES, 0, 1, 2, 0xFEB0, 5)
    assert node.long.open_sessions == 0


def test_repeated_packets_to_one_are_counted_only(node):
    """They bring no answer and change nothing, not even the wait."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[0], at=100)
    assert node.receive(TO_IT[0], at=200) == []
    assert (node.kinds, node.long.due()) == ([ProblemKind.REPEATED], 750_100)
    node.receive(TO_IT[1])
    assert node.receive(TO_IT[2]) == [ACKNOWLEDGED]


def test_packets_nobody_asked_for_are_passed_over(node):
    """A packet beyond the turn is not taken, were it the next one; the session goes on."""
    node.receive(RTS)
    assert node.receive(TO_IT[1]) == []
    assert node.receive(TO_IT[0]) == ["1CEC0102 11 01 02 FF FF B0 FE 00"]
    assert node.kinds == [ProblemKind.UNREQUESTED]


def test_another_packet_of_the_same_number_ends_the_session(node):
    """Two packets of one number that differ: duplicate sequence number (reason 8 of SAE J1939-21, from memory)."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[0])
    assert node.receive("00EB0201 01 FF FF FF FF FF FF FF") == ["1CEC0102 FF 08 FF FF FF B0 FE 00"]
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.CONTRADICTED], 0)
    assert node.events[-1] == TransferProblem(ProblemKind.CONTRADICTED, 0, 1, 2, 0xFEB0, 8)
    assert node.receive(TO_IT[1]) == []  # the rest of it belongs to no session, and is not aborted again
    assert node.kinds == [ProblemKind.CONTRADICTED, ProblemKind.UNEXPECTED]


def test_a_second_request_for_the_same_dgn_takes_its_place(node):
    """The most recent request is acted on (SAE J1939-21, from memory), with its own size."""
    node.receive(RTS)
    node.receive(TO_IT[0])
    assert node.receive("00EC0201 10 09 00 02 FF B0 FE 00") == ["1CEC0102 11 02 01 FF FF B0 FE 00"]
    node.receive("00EB0201 01 09 09 09 09 09 09 09")
    node.receive("00EB0201 02 08 08 FF FF FF FF FF")
    assert node.kinds == [ProblemKind.RESTARTED]
    assert [message.data for message in node.messages] == [bytes([9] * 7 + [8] * 2)]


def test_a_second_request_for_another_dgn_is_refused(node):
    """One session for each sender: busy (reason 1), and the first goes on."""
    node.receive(RTS)
    assert node.receive("00EC0201 10 14 00 03 01 EB FE 00") == ["1CEC0102 FF 01 FF FF FF EB FE 00"]
    assert node.events == [TransferProblem(ProblemKind.BUSY, 0, 1, 2, 0xFEEB, 1)]
    assert node.receive(TO_IT[0]) == ["1CEC0102 11 01 02 FF FF B0 FE 00"]


def test_a_request_that_does_not_fit_is_refused(node):
    """Size and packets that do not go together are no message (reason 250, from memory); an old one has ended."""
    assert node.receive("00EC0201 10 14 00 02 FF B0 FE 00") == ["1CEC0102 FF FA FF FF FF B0 FE 00"]
    node.receive(RTS)
    node.receive("00EC0201 10 08 00 02 FF B0 FE 00")
    assert node.kinds == [ProblemKind.SIZE_MISMATCH, ProblemKind.RESTARTED, ProblemKind.SIZE_MISMATCH]
    assert node.long.open_sessions == 0


def test_room_for_messages_to_it_is_bounded(node_at):
    """The sender that comes when there is no room is told so (reason 2)."""
    node = node_at(2, max_sessions=2)
    node.receive("00EC0201 10 14 00 03 01 B0 FE 00")
    node.receive("00EC0203 10 14 00 03 01 B0 FE 00")
    assert node.receive("00EC0204 10 14 00 03 01 B0 FE 00") == ["1CEC0402 FF 02 FF FF FF B0 FE 00"]
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.NO_SESSION_FREE], 2)


def test_the_sender_may_end_the_session(node):
    """Its abort is not answered; one about another DGN belongs to nothing."""
    node.receive(RTS)
    assert node.receive("00EC0201 FF 03 FF FF FF EB FE 00") == []
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.UNEXPECTED], 1)
    assert node.receive("00EC0201 FF 02 FF FF FF B0 FE 00") == []
    assert node.events[-1] == TransferProblem(ProblemKind.ABORTED, 0, 1, 2, 0xFEB0, 2)
    assert node.long.open_sessions == 0


def test_what_is_for_others_is_not_for_it(node):
    """Requests and packets to another node are nobody's business here."""
    assert node.receive("00EC0301 10 14 00 03 01 B0 FE 00") == []
    assert node.receive("00EB0301 01 01 02 03 04 05 06 07") == []
    assert (node.events, node.long.open_sessions) == ([], 0)


def test_packets_without_a_request_are_strays(node):
    """Nothing was asked for, nothing is taken."""
    assert node.receive(TO_IT[0]) == []
    assert node.events == [TransferProblem(ProblemKind.UNEXPECTED, 0, 1, 2)]


# Waiting.


def test_a_busy_node_lets_senders_wait(node):
    """It clears no packets, every 500 ms (Th) until it is ready, then asks for the rest."""
    wait = "1CEC0102 11 00 FF FF FF B0 FE 00"
    node.receive(RTS)
    node.long.hold()
    assert node.receive(TO_IT[0], at=1000) == [wait]
    assert node.due() == (501_000, [wait])
    assert node.due() == (1_001_000, [wait])
    assert node.receive(TO_IT[1]) == []  # nobody asked for it
    frames = node.long.resume(1_100_000).frames
    assert frames == [(0x1CEC0102, bytes.fromhex("11 01 02 FF FF B0 FE 00"))]
    assert node.long.due() == 2_350_000
    assert node.receive(TO_IT[1], at=1_200_000) == ["1CEC0102 11 01 03 FF FF B0 FE 00"]
    assert node.kinds == [ProblemKind.UNREQUESTED]


def test_a_busy_node_lets_a_new_sender_wait(node):
    """A request that comes meanwhile is answered by "wait"."""
    node.long.hold()
    assert node.receive(RTS) == ["1CEC0102 11 00 FF FF FF B0 FE 00"]
    assert node.long.resume(1).frames == [(0x1CEC0102, bytes.fromhex("11 01 01 FF FF B0 FE 00"))]
    assert node.receive("00EC0203 10 14 00 03 01 B0 FE 00") == ["1CEC0302 11 01 01 FF FF B0 FE 00"]
    assert node.long.open_sessions == 2


def test_a_busy_node_asks_for_lost_packets_when_it_is_ready(node):
    """What is missing at the end of a turn waits, too; meanwhile nothing new is taken, and old packets are known."""
    node.receive(RTS_NO_LIMIT)
    node.long.hold()
    node.receive(TO_IT[0])
    assert node.receive(TO_IT[2]) == ["1CEC0102 11 00 FF FF FF B0 FE 00"]
    node.receive(TO_IT[1])
    node.receive(TO_IT[0])
    assert node.kinds == [ProblemKind.LOST, ProblemKind.UNREQUESTED, ProblemKind.REPEATED]
    assert node.long.resume(1).frames == [(0x1CEC0102, bytes.fromhex("11 02 02 FF FF B0 FE 00"))]


def test_waiting_gives_all_tries_back(node):
    """After a hold the same packet may be asked for three times again, as long as packets come at all."""
    node.receive(RTS_NO_LIMIT)
    node.receive(TO_IT[2])
    node.receive(TO_IT[2])
    node.long.hold()
    node.receive(TO_IT[2])
    node.long.resume(0)
    node.receive(TO_IT[2])
    node.receive(TO_IT[2])
    assert node.long.open_sessions == 1
    assert node.receive(TO_IT[2]) == ["1CEC0102 FF 05 FF FF FF B0 FE 00"]


def test_nobody_waits_for_ever(node):
    """After 3.75 s without a packet the sender may be gone: a busy node ends the session, too (reason 3)."""
    node.receive(RTS)
    node.long.hold()
    node.receive(TO_IT[0], at=100_000)
    sent = {}
    while node.long.due() is not None:
        moment, frames = node.due()
        sent[moment] = [frame[9:14] for frame in frames]
    assert sent == {100_000 + turn * 500_000: ["11 00"] for turn in range(1, 8)} | {3_850_000: ["FF 03"]}
    assert node.kinds == [ProblemKind.TIMEOUT]


@pytest.mark.parametrize("at", [3_750_000, 9_000_000])
def test_ready_too_late(node, at):
    """Nobody is asked for packets after that time: the session has ended, once."""
    node.long.hold()
    node.receive(RTS)
    outcome = node.long.resume(at)
    assert outcome.frames == [(0x1CEC0102, bytes.fromhex("FF 03 FF FF FF B0 FE 00"))]
    assert (node.long.open_sessions, node.long.due(), node.long.counts) == (0, None, {ProblemKind.TIMEOUT: 1})


def test_asking_again_after_a_hold_ends_in_time(node):
    """The 3.75 s count from the last packet, whatever was said in between."""
    node.long.hold()
    node.receive(RTS)
    assert node.long.resume(3_000_000).frames == [(0x1CEC0102, bytes.fromhex("11 01 01 FF FF B0 FE 00"))]
    assert node.due() == (3_750_000, ["1CEC0102 FF 03 FF FF FF B0 FE 00"])


def test_ready_again_before_the_turn_ended(node):
    """A sender that never had to wait notices nothing."""
    node.receive(RTS)
    node.long.hold()
    assert node.long.resume(1).frames == []
    assert node.receive(TO_IT[0]) == ["1CEC0102 11 01 02 FF FF B0 FE 00"]
