"""rvsim.wire.transfer.reassembly: received messages to all, for a node at address 02, with frames written by hand.

The announce and packets of 20 bytes are those of can-j1939 2.0.12 test_ecu.py (MIT).
"""

import pytest

from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferProblem

TWENTY = bytes([1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6])
BAM = "00ECFF01 20 14 00 03 FF B0 FE 00"
TO_ALL = ["00EBFF01 01 01 02 03 04 05 06 07", "00EBFF01 02 01 02 03 04 05 06 07", "00EBFF01 03 01 02 03 04 05 06 FF"]


@pytest.fixture
def node(node_at):
    """Give a node with the usual settings."""
    return node_at(2)


def test_a_published_message_to_all(node):
    """The announce and packets of can-j1939's test give its 20 bytes, with source, DGN and times; nobody answers."""
    assert node.receive(BAM, at=1000) == []
    for number, frame in enumerate(TO_ALL, start=1):
        assert node.receive(frame, at=1000 + number * 50_000) == []
    assert node.events == [LongMessage(1, 255, 0xFEB0, TWENTY, 1000, 151_000)]
    assert (node.long.open_sessions, node.long.due()) == (0, None)


def test_a_recorded_message_to_all(node):
    """A recorded bus (python-can 4.6.1 test/data/logfile.asc): four packets, a fifth of FF, the 35 bytes it printed.

    The announce is not in the log and written out here; the packets are 49.3 to 51.1 ms apart.
    """
    node.receive("18ECFF00 20 23 00 05 FF E3 FE 00", at=3_048_000)
    node.receive("18EBFF00 01 A0 0F A6 60 3B D1 40", at=3_098_426)
    node.receive("18EBFF00 02 1F DE 80 25 DF C0 2B", at=3_148_421)
    node.receive("18EBFF00 03 E1 00 4B FF FF 3C 0F", at=3_197_693)
    node.receive("18EBFF00 04 00 4B FF FF FF FF FF", at=3_248_765)
    node.receive("18EBFF00 05 FF FF FF FF FF FF FF", at=3_297_743)
    printed = "A0 0F A6 60 3B D1 40 1F DE 80 25 DF C0 2B E1 00 4B FF FF 3C 0F 00 4B FF FF FF FF FF" + " FF" * 7
    assert node.events == [LongMessage(0, 255, 0xFEE3, bytes.fromhex(printed), 3_048_000, 3_297_743)]


def test_an_addressed_dgn_to_all_is_named_without_a_destination(node):
    """A DGN whose low byte would be a destination counts it as 00, whatever the announce says there."""
    node.receive("1CECFF01 20 09 00 02 FF FF EF 00")
    node.receive("1CEBFF01 01 01 02 03 04 05 06 07")
    node.receive("1CEBFF01 02 08 09 FF FF FF FF FF")
    assert [(message.dgn, message.data) for message in node.messages] == [(0xEF00, bytes(range(1, 10)))]


@pytest.mark.parametrize("heard", [0, 1, 2])
def test_silence_of_750_ms_ends_a_message_to_all(node, heard):
    """T1: so long after the announce or the last packet it is given up, once and counted."""
    node.receive(BAM)
    for number, frame in enumerate(TO_ALL[:heard], start=1):
        node.receive(frame, at=number * 100_000)
    last = heard * 100_000
    assert node.long.due() == last + 750_000
    assert node.long.expire(last + 749_999).events == []
    assert node.due() == (last + 750_000, [])
    assert node.events == [TransferProblem(ProblemKind.TIMEOUT, last + 750_000, 1, 255, 0xFEB0)]
    assert (node.long.open_sessions, node.long.counts) == (0, {ProblemKind.TIMEOUT: 1})


def test_a_packet_at_the_very_end_of_the_wait_counts(node):
    """750 ms after the one before it is taken; one microsecond later it belongs to nothing."""
    node.receive(BAM)
    node.receive(TO_ALL[0], at=750_000)
    node.receive(TO_ALL[1], at=1_500_001)
    assert node.kinds == [ProblemKind.TIMEOUT, ProblemKind.UNEXPECTED]


@pytest.mark.parametrize("order", [(0, 2), (1,), (2,), (0, 2, 1), (1, 0, 2)])
def test_lost_and_swapped_packets_to_all_end_it(node, order):
    """Nobody can ask for a packet again: the first one that is out of its turn ends it, and the others are strays."""
    node.receive(BAM)
    for place in order:
        node.receive(TO_ALL[place])
    assert node.kinds[0] is ProblemKind.INCOMPLETE
    assert set(node.kinds[1:]) <= {ProblemKind.UNEXPECTED}
    assert (node.messages, node.long.open_sessions) == ([], 0)


def test_a_repeated_packet_to_all_is_counted_only(node):
    """The same packet again changes nothing, and does not lengthen the wait."""
    node.receive(BAM)
    node.receive(TO_ALL[0], at=50_000)
    node.receive(TO_ALL[0], at=60_000)
    assert node.long.due() == 800_000
    node.receive(TO_ALL[1], at=100_000)
    node.receive(TO_ALL[0], at=110_000)
    node.receive(TO_ALL[2], at=150_000)
    assert node.kinds == [ProblemKind.REPEATED] * 2
    assert [message.data for message in node.messages] == [TWENTY]


def test_a_packet_that_comes_again_with_other_bytes_ends_it(node):
    """Two packets of one number that differ: one of them is another message's."""
    node.receive(BAM)
    node.receive(TO_ALL[0])
    node.receive("00EBFF01 01 01 02 03 04 05 06 08")
    assert node.kinds == [ProblemKind.CONTRADICTED]
    assert node.long.open_sessions == 0


def test_a_second_announce_begins_anew(node):
    """What came before it is forgotten and counted; the new message is taken whole."""
    node.receive(BAM)
    node.receive("00EBFF01 01 99 99 99 99 99 99 99")
    node.receive(BAM, at=10)
    for frame in TO_ALL:
        node.receive(frame)
    assert node.kinds == [ProblemKind.RESTARTED]
    assert [(message.data, message.started) for message in node.messages] == [(TWENTY, 10)]


@pytest.mark.parametrize(
    "announce",
    [
        "00ECFF01 20 14 00 02 FF B0 FE 00",  # too few packets for 20 bytes
        "00ECFF01 20 14 00 04 FF B0 FE 00",  # too many
        "00ECFF01 20 08 00 02 FF B0 FE 00",  # eight bytes need no packets
        "00ECFF01 20 FA 06 FF FF B0 FE 00",  # 1786 bytes
    ],
)
def test_size_and_packets_that_do_not_fit(node, announce):
    """Such a message is not gathered, and its packets belong to nothing; one that was under way has ended too."""
    node.receive(announce)
    node.receive(TO_ALL[0])
    assert node.kinds == [ProblemKind.SIZE_MISMATCH, ProblemKind.UNEXPECTED]
    node.receive(BAM)
    node.receive(announce)
    assert node.kinds[2:] == [ProblemKind.RESTARTED, ProblemKind.SIZE_MISMATCH]
    assert node.long.open_sessions == 0


@pytest.mark.parametrize(
    "frame",
    [
        "00EBFF01 01 01 02 03 04 05 06",  # a packet cut short
        "00EBFF01 00 01 02 03 04 05 06 07",  # packets count from 1
        "00EBFF01",
        "00EBFFFE 01 01 02 03 04 05 06 07",  # nobody speaks from the null address
        "00ECFFFE 20 14 00 03 FF B0 FE 00",
        "00ECFF01 20 14 00 03 FF B0 FE",
        "00ECFF01 10 14 00 03 01 B0 FE 00",  # a request to send goes to one
        "00ECFF01 11 01 01 FF FF B0 FE 00",
        "00EC0201 20 14 00 03 FF B0 FE 00",  # an announce goes to all
        "00EC0201 77 14 00 03 FF B0 FE 00",
        "00EC02FE 10 14 00 03 01 B0 FE 00",
        "00EB0201 01 01 02 03 04 05 06",
    ],
)
def test_malformed_frames_change_nothing(node, frame):
    """They are counted, answered by nobody, and a message under way goes on."""
    node.receive(BAM)
    assert node.receive(frame) == []
    assert node.kinds == [ProblemKind.MALFORMED]
    for good in TO_ALL:
        node.receive(good)
    assert [message.data for message in node.messages] == [TWENTY]


def test_senders_do_not_disturb_each_other(node):
    """Messages of two senders, packet by packet in turn, and other traffic between them."""
    for frame in (BAM, *TO_ALL):
        node.receive(frame)
        node.receive("19FFD101 01 02 03 04 05 06 07 08")
        node.receive(f"{frame[:6]}77{frame[8:]}")
    assert [(message.source, message.data) for message in node.messages] == [(0x01, TWENTY), (0x77, TWENTY)]
    assert node.kinds == []


def test_room_for_messages_to_all_is_bounded(node_at):
    """The sender that comes when there is no room is counted, and has to begin again."""
    node = node_at(2, max_sessions=2)
    for source in ("01", "03", "04"):
        node.receive(f"00ECFF{source} 20 14 00 03 FF B0 FE 00")
    assert (node.kinds, node.long.open_sessions) == ([ProblemKind.NO_SESSION_FREE], 2)
    assert node.events[0].source == 4
