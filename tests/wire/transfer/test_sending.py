"""rvsim.wire.transfer.sending: long messages sent by a node at address 90 hex, with frames written by hand.

The exchanges of 20 bytes are those of can-j1939 2.0.12 test_ecu.py (MIT); our own connection frames have priority 7
where that stack uses the message's, and our request sets no limit (FF).
"""

import pytest

from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessageSent, ProblemKind, TransferProblem

TWENTY = bytes([1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6])
RTS = "1CEC9B90 10 14 00 03 FF 00 DF 00"
PACKETS = ["1CEB9B90 01 01 02 03 04 05 06 07", "1CEB9B90 02 01 02 03 04 05 06 07", "1CEB9B90 03 01 02 03 04 05 06 FF"]
ALL = "1CEC909B 11 03 01 FF FF 00 DF 00"
WAIT = "1CEC909B 11 00 FF FF FF 00 DF 00"
ACKNOWLEDGED = "1CEC909B 13 14 00 03 FF 00 DF 00"


@pytest.fixture
def node(node_at):
    """Give a node with the usual settings."""
    return node_at(0x90)


# To all.


def test_a_published_message_to_all(node):
    """can-j1939's announce and packets of 20 bytes, 50 ms apart (SAE J1939-21), from the announce on."""
    assert node.send(0xFEB0, destination=255, at=1000) == ["1CECFF90 20 14 00 03 FF B0 FE 00"]
    assert node.due() == (51_000, ["1CEBFF90 01 01 02 03 04 05 06 07"])
    assert node.due() == (101_000, ["1CEBFF90 02 01 02 03 04 05 06 07"])
    assert node.events == []
    assert node.due() == (151_000, ["1CEBFF90 03 01 02 03 04 05 06 FF"])
    assert node.events == [LongMessageSent(151_000, 255, 0xFEB0)]
    assert (node.long.open_sessions, node.long.due()) == (0, None)


def test_the_longest_message_to_all(node):
    """255 packets of 50 ms: 12.75 s (SAE J1939-21), and every packet has its number."""
    node.send(0xFEB0, bytes(1785), 255)
    numbers = []
    while node.long.due() is not None:
        numbers += [int(frame.split()[1], 16) for frame in node.due()[1]]
    assert numbers == list(range(1, 256))
    assert node.events == [LongMessageSent(12_750_000, 255, 0xFEB0)]


def test_packets_may_be_further_apart(node_at):
    """Up to 200 ms; a node that was called late keeps the distance from when it really sent."""
    node = node_at(0x90, gap=200_000)
    node.send(0xFEB0, destination=255)
    assert node.long.due() == 200_000
    assert node.long.expire(199_999).frames == []
    node.long.expire(230_000)
    assert node.long.due() == 430_000
    late = node.long.receive(500_000, 0x19FFD101, bytes(8)).frames
    assert late == [(0x1CEBFF90, bytes.fromhex("02 01 02 03 04 05 06 07"))]
    assert node.long.due() == 700_000


@pytest.mark.parametrize("gap", [49_999, 200_001])
def test_other_distances_are_refused(gap):
    """Less than 50 ms or more than 200 ms is against SAE J1939-21."""
    with pytest.raises(ValueError, match=f"^packets {gap} us apart: a message to all needs 50 to 200 ms between them$"):
        LongMessages(1, gap=gap)


def test_it_rests_between_messages_to_all(node):
    """The next announce comes 750 ms (T1) after the last packet, when nobody waits for one that it missed."""
    node.send(0xFEB0, TWENTY[:9], 255)
    assert node.send(0xFEB1, TWENTY[:9], 255) == []
    node.due()
    node.due()
    assert node.time == 100_000
    assert node.due() == (850_000, ["1CECFF90 20 09 00 02 FF B1 FE 00"])


# To one.


def test_a_published_message_to_one(node):
    """can-j1939's exchange with a receiver that takes packet by packet."""
    assert node.send() == [RTS]
    for number in (1, 2, 3):
        assert node.receive(f"1CEC909B 11 01 0{number} FF FF 00 DF 00") == [PACKETS[number - 1]]
    assert node.receive(ACKNOWLEDGED, at=77) == []
    assert node.events == [LongMessageSent(77, 0x9B, 0xDF00)]
    assert (node.long.open_sessions, node.long.due()) == (0, None)


def test_it_sends_what_it_is_asked_for(node):
    """A turn of several packets goes out at once; more than there are is not possible."""
    node.send()
    assert node.receive("1CEC909B 11 02 01 FF FF 00 DF 00") == PACKETS[:2]
    assert node.receive("1CEC909B 11 FF 03 FF FF 00 DF 00") == PACKETS[2:]
    node.receive(ACKNOWLEDGED)
    assert node.kinds == []


def test_a_request_without_answer_is_repeated(node):
    """T3 is 1250 ms: asked three times in all, then ended for lack of time (reason 3)."""
    assert node.send() == [RTS]
    assert node.long.expire(1_249_999).frames == []
    assert node.due() == (1_250_000, [RTS])
    assert node.due() == (2_500_000, [RTS])
    assert node.due() == (3_750_000, ["1CEC9B90 FF 03 FF FF FF 00 DF 00"])
    assert node.events[-1] == TransferProblem(ProblemKind.TIMEOUT, 3_750_000, 0x90, 0x9B, 0xDF00, 3)
    assert node.kinds == [ProblemKind.RETRIED, ProblemKind.RETRIED, ProblemKind.TIMEOUT]
    assert node.long.open_sessions == 0


def test_silence_after_the_last_packet(node):
    """T3 after a turn: the session has ended, whatever the other side has got."""
    node.send()
    node.receive(ALL, at=100_000)
    assert node.due() == (1_350_000, ["1CEC9B90 FF 03 FF FF FF 00 DF 00"])
    assert node.kinds == [ProblemKind.TIMEOUT]


def test_it_waits_when_told(node, node_at):
    """T4 is 1050 ms after each "wait"; then the session has ended, even before the first packet."""
    node.send()
    assert node.receive(WAIT, at=100_000) == []
    assert node.receive(WAIT, at=600_000) == []
    assert node.long.due() == 1_650_000
    assert node.receive("1CEC909B 11 01 01 FF FF 00 DF 00", at=700_000) == PACKETS[:1]
    node.receive(WAIT, at=800_000)
    assert node.due() == (1_850_000, ["1CEC9B90 FF 03 FF FF FF 00 DF 00"])
    other = node_at(0x90)
    other.send()
    other.receive(WAIT)
    assert other.due() == (1_050_000, ["1CEC9B90 FF 03 FF FF FF 00 DF 00"])


def test_it_sends_again_what_it_is_asked_for_again(node):
    """From the packet that the receiver misses on, as often as that one is asked for, but three times at most."""
    node.send()
    assert node.receive(ALL) == PACKETS
    assert node.receive("1CEC909B 11 02 02 FF FF 00 DF 00") == PACKETS[1:]
    assert node.receive("1CEC909B 11 01 02 FF FF 00 DF 00") == PACKETS[1:2]
    assert node.receive("1CEC909B 11 02 02 FF FF 00 DF 00") == PACKETS[1:]
    assert node.receive("1CEC909B 11 02 02 FF FF 00 DF 00") == ["1CEC9B90 FF 05 FF FF FF 00 DF 00"]
    assert node.kinds == [ProblemKind.RETRIED] * 3 + [ProblemKind.TOO_MANY_RETRIES]
    assert node.events[-1].reason == 5


def test_the_last_packet_alone_may_be_asked_for_again(node):
    """It counts as sent again, like any other."""
    node.send()
    node.receive(ALL)
    assert node.receive("1CEC909B 11 01 03 FF FF 00 DF 00") == PACKETS[2:]
    assert node.kinds == [ProblemKind.RETRIED]


def test_progress_begins_the_count_anew(node):
    """Another packet is asked for: the tries for the one before no longer count."""
    node.send()
    for first in "1112223":
        node.receive(f"1CEC909B 11 03 0{first} FF FF 00 DF 00")
    node.receive(ACKNOWLEDGED)
    assert isinstance(node.events[-1], LongMessageSent)


def test_unanswered_requests_do_not_count_as_tries_for_packets(node):
    """Two lost requests leave the receiver its three tries for the first packet."""
    node.send()
    node.due()
    node.due()
    for _ in range(3):
        assert node.receive(ALL) == PACKETS
    assert node.receive(ALL) == ["1CEC9B90 FF 05 FF FF FF 00 DF 00"]


@pytest.mark.parametrize("first", ["02", "03", "00", "04"])
def test_the_first_turn_begins_with_the_first_packet(node, first):
    """Who asks for another one has an older message in mind: bad sequence (reason 7, from memory)."""
    node.send()
    assert node.receive(f"1CEC909B 11 01 {first} FF FF 00 DF 00") == ["1CEC9B90 FF 07 FF FF FF 00 DF 00"]
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.BAD_SEQUENCE], 0)


@pytest.mark.parametrize("first", ["03", "04", "00"])
def test_no_packet_is_left_out(node, first):
    """Nor may later turns pass over one, or ask for one that does not exist."""
    node.send()
    node.receive("1CEC909B 11 01 01 FF FF 00 DF 00")
    assert node.receive(f"1CEC909B 11 01 {first} FF FF 00 DF 00") == ["1CEC9B90 FF 07 FF FF FF 00 DF 00"]


def test_asked_for_more_when_there_is_no_more(node):
    """After the last packet comes the acknowledgement, or a packet again."""
    node.send()
    node.receive(ALL)
    assert node.receive("1CEC909B 11 01 04 FF FF 00 DF 00") == ["1CEC9B90 FF 07 FF FF FF 00 DF 00"]


@pytest.mark.parametrize(
    "frame",
    [
        "1CEC909B 13 15 00 03 FF 00 DF 00",  # another size
        "1CEC909B 13 14 00 04 FF 00 DF 00",  # another number of packets
        "1CEC909B 13 14 00 03 FF 00 DE 00",  # another DGN
        "1CEC909A 13 14 00 03 FF 00 DF 00",  # another node
    ],
)
def test_only_its_own_acknowledgement_counts(node, frame):
    """What acknowledges another message leaves this one open."""
    node.send()
    node.receive(ALL)
    assert node.receive(frame) == []
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.UNEXPECTED], 1)
    node.receive(ACKNOWLEDGED)
    assert node.long.open_sessions == 0


def test_an_early_acknowledgement_does_not_count(node):
    """Nobody can have what was not sent."""
    node.send()
    node.receive("1CEC909B 11 02 01 FF FF 00 DF 00")
    node.receive(ACKNOWLEDGED)
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.UNEXPECTED], 1)


def test_the_receiver_may_end_the_session(node):
    """Its abort is not answered, and its reason is told."""
    node.send()
    node.receive(ALL)
    assert node.receive("1CEC909B FF 02 FF FF FF 00 DF 00", at=5) == []
    assert node.events == [TransferProblem(ProblemKind.ABORTED, 5, 0x90, 0x9B, 0xDF00, 2)]
    assert node.long.open_sessions == 0


@pytest.mark.parametrize("frame", ["1CEC909B FF 02 FF FF FF 00 DE 00", "1CEC909B 11 03 01 FF FF 00 DE 00"])
def test_words_about_another_dgn_are_strays(node, frame):
    """They change nothing, and nobody answers them."""
    node.send()
    assert node.receive(frame) == []
    assert (node.kinds, node.long.open_sessions, node.long.due()) == ([ProblemKind.UNEXPECTED], 1, 1_250_000)


@pytest.mark.parametrize("frame", [ALL, ACKNOWLEDGED, "1CEC909B FF 02 FF FF FF 00 DF 00"])
def test_words_about_no_session_are_strays(node, frame):
    """Without a session nothing is sent."""
    assert node.receive(frame) == []
    assert node.kinds == [ProblemKind.UNEXPECTED]


@pytest.mark.parametrize(
    ("answers", "rest"),
    [
        ([ALL, ACKNOWLEDGED], 1_450_000),  # T3 and Tr after an acknowledgement
        (["1CEC909B FF 02 FF FF FF 00 DF 00"], 3_950_000),  # three T2 and Tr after the other's abort
        (["1CEC909B 11 01 02 FF FF 00 DF 00"], 3_950_000),  # and after one of its own
    ],
)
def test_it_rests_between_messages_to_one(node, answers, rest):
    """The next message to the same node waits until everybody has given the last one up: our decision."""
    node.send()
    for answer in answers:
        node.receive(answer, at=1000)
    assert node.send(0xDE00, TWENTY[:9]) == []
    assert node.due() == (1000 + rest, ["1CEC9B90 10 09 00 02 FF 00 DE 00"])


def test_it_rests_after_silence(node):
    """Three T2 and Tr from its abort on."""
    node.send()
    node.send(0xDE00)
    for _ in range(3):
        node.due()
    assert node.time == 3_750_000
    assert node.due()[0] == 3_750_000 + 3_950_000
