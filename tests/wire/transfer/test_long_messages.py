"""Long messages of one node: the session of a frame, the order of messages, and nodes without an address."""

import pytest

from rvsim.wire.ident import dgn_of
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, LongMessageSent, ProblemKind, TransferProblem

NINE = bytes(range(1, 10))


def heard(long, text, time=0):
    """Tell a node a frame written as text."""
    identifier, _, data = text.partition(" ")
    return long.receive(time, int(identifier, 16), bytes.fromhex(data))


def test_messages_to_several_nodes_and_to_all_go_out_together():
    """One session for each destination: only the second message to one has to wait."""
    long = LongMessages(0x90)
    starts = [long.send(0, 0xDF00, NINE, to).frames for to in (0x10, 0x11, 255, 0x10)]
    assert [[identifier for identifier, _ in frames] for frames in starts] == [
        [0x1CEC1090],
        [0x1CEC1190],
        [0x1CECFF90],
        [],
    ]
    assert long.open_sessions == 3


def test_what_waits_goes_out_in_its_order():
    """The oldest message to a destination comes first, and one that waits does not hold up another destination."""
    long = LongMessages(0x90)
    for dgn in (0xDA00, 0xDB00, 0xDC00):
        long.send(0, dgn, NINE)
    assert long.send(0, 0xDD00, NINE, 0x10).frames[0][1][5:] == bytes.fromhex("00 DD 00")
    begun = []
    while long.due() is not None and len(begun) < 3:
        outcome = long.expire(long.due())
        begun += [event.dgn for event in outcome.events if isinstance(event, LongMessageSent)]
    assert begun == [0xDA00, 0xDB00, 0xDC00]


def test_room_for_messages_on_their_way_is_bounded():
    """The seventeenth message is not taken, and counted; when one has gone there is room again."""
    long = LongMessages(0x90)
    for _ in range(16):
        assert long.send(0, 0xFEB0, NINE).events == []
    refused = long.send(5, 0xFEB0, NINE)
    assert (refused.frames, refused.events) == (
        [],
        [TransferProblem(ProblemKind.NO_SESSION_FREE, 5, 0x90, 255, 0xFEB0)],
    )
    long.expire(50_000)
    long.expire(100_000)
    assert long.send(100_000, 0xFEB0, NINE).events == []
    assert long.counts == {ProblemKind.NO_SESSION_FREE: 1}


@pytest.mark.parametrize("size", [0, 8, 1786])
def test_other_sizes_are_refused(size):
    """Eight bytes fit in a frame, 1786 in no message."""
    with pytest.raises(ValueError, match=f"^{size} bytes: a long message has 9 to 1785$"):
        LongMessages(1).send(0, 0xFEB0, bytes(size))


@pytest.mark.parametrize("destination", [0x90, 254, -1, 256])
def test_nobody_to_send_to(destination):
    """Itself, the null address, and what is no address."""
    with pytest.raises(ValueError, match=f"^no other node can have the address {destination}$"):
        LongMessages(0x90).send(0, 0xFEB0, NINE, destination)


@pytest.mark.parametrize("dgn", [-1, 1 << 18])
def test_no_such_dgn(dgn):
    """A DGN has 18 bits."""
    with pytest.raises(ValueError, match=r"does not fit in 18 bits$"):
        LongMessages(0x90).send(0, dgn, NINE)


def test_the_lowest_numbers_are_numbers_too():
    """DGN 0 and address 0 exist."""
    assert LongMessages(0x90).send(0, 0, NINE, 0).frames == [(0x1CEC0090, bytes.fromhex("10 09 00 02 FF 00 00 00"))]


def test_what_waits_goes_out_with_the_next_frame_heard():
    """A caller that only hears sends what had to wait, too."""
    long = LongMessages(0x90)
    long.send(0, 0xDF00, NINE, 0x10)
    long.send(0, 0xDE00, NINE, 0x10)
    heard(long, "1CEC9010 FF 02 FF FF FF 00 DF 00")
    assert heard(long, "19FFD101", 3_949_999).frames == []
    assert heard(long, "19FFD101", 3_950_000).frames == [(0x1CEC1090, bytes.fromhex("10 09 00 02 FF 00 DE 00"))]


def test_room_as_it_is_without_asking():
    """64 messages to all and 64 to the node may come in at once, unless its owner says otherwise."""
    long = LongMessages(0x90)
    for source in range(65):
        heard(long, f"1CEC90{source:02X} 10 09 00 02 FF 00 DF 00")
        heard(long, f"1CECFF{source:02X} 20 09 00 02 FF B0 FE 00")
    assert (long.open_sessions, long.counts) == (128, {ProblemKind.NO_SESSION_FREE: 2})


def test_in_and_out_at_once_between_two_nodes():
    """A message each way between two nodes, packets interleaved; the frames of one are not taken for the other's."""
    long = LongMessages(0x90)
    long.send(0, 0xDF00, NINE, 0x10)
    assert heard(long, "1CEC9010 10 09 00 02 FF 00 DF 00").frames == [
        (0x1CEC1090, bytes.fromhex("11 02 01 FF FF 00 DF 00"))
    ]
    assert len(heard(long, "1CEC9010 11 02 01 FF FF 00 DF 00").frames) == 2
    heard(long, "1CEB9010 01 09 09 09 09 09 09 09")
    assert heard(long, "1CEC9010 13 09 00 02 FF 00 DF 00").events == [LongMessageSent(0, 0x10, 0xDF00)]
    done = heard(long, "1CEB9010 02 08 08 FF FF FF FF FF")
    assert done.events == [LongMessage(0x10, 0x90, 0xDF00, bytes([9] * 7 + [8] * 2), 0, 0)]
    assert long.open_sessions == 0


def test_an_abort_ends_what_goes_either_way():
    """An abort does not say which of two sessions about one DGN it means: both have ended."""
    long = LongMessages(0x90)
    long.send(0, 0xDF00, NINE, 0x10)
    heard(long, "1CEC9010 10 09 00 02 FF 00 DF 00")
    events = heard(long, "1CEC9010 FF 03 FF FF FF 00 DF 00").events
    assert [(event.kind, event.source) for event in events] == [
        (ProblemKind.ABORTED, 0x10),
        (ProblemKind.ABORTED, 0x90),
    ]
    assert long.open_sessions == 0


def test_several_senders_at_once():
    """Three nodes send to this one at the same time, in turn; each gets its own answers."""
    long = LongMessages(0x90)
    for source in (1, 2, 3):
        heard(long, f"1CEC900{source} 10 09 00 02 FF 00 DF 00")
    for source in (3, 1, 2):
        heard(long, f"1CEB900{source} 01 0{source} 02 03 04 05 06 07")
    for source in (2, 3, 1):
        done = heard(long, f"1CEB900{source} 02 08 09 FF FF FF FF FF")
        assert done.frames[0][0] == 0x1CEC0090 | source << 8
        assert done.events[0].data == bytes([source, 2, 3, 4, 5, 6, 7, 8, 9])


def test_its_own_frames_are_not_heard():
    """A bus may hand a node its own frames back: they are nobody's message."""
    long = LongMessages(0x90)
    own = long.send(0, 0xFEB0, NINE).frames + long.expire(50_000).frames + long.expire(100_000).frames
    assert [event for frame in own for event in long.receive(100_000, *frame).events] == []
    assert long.counts == {}


def test_other_frames_are_none_of_its_business():
    """Anything but the two DGNs of long messages passes by."""
    assert heard(LongMessages(0x90), "19EC9001 10 09 00 02 FF 00 DF 00") == ([], [])


def test_without_an_address_nothing_is_sent():
    """It says so instead; what others announce to all is heard all the same."""
    long = LongMessages()
    outcome = long.send(7, 0xFEB0, NINE)
    assert outcome == ([], [TransferProblem(ProblemKind.NO_ADDRESS, 7, 254, 255, 0xFEB0)])
    assert heard(long, "1CECFE01 10 09 00 02 FF 00 DF 00") == ([], [])
    heard(long, "1CECFF01 20 09 00 02 FF B0 FE 00")
    heard(long, "1CEBFF01 01 01 02 03 04 05 06 07")
    assert heard(long, "1CEBFF01 02 08 09 FF FF FF FF FF").events == [LongMessage(1, 255, 0xFEB0, NINE, 0, 0)]


def test_a_lost_address_ends_what_was_under_way():
    """Nothing more is sent from it, what waits is dropped, and all of it is told."""
    long = LongMessages(0x90)
    long.send(0, 0xDF00, NINE, 0x10)
    long.send(0, 0xFEB0, NINE)
    long.send(0, 0xFEB1, NINE)
    heard(long, "1CEC9011 10 09 00 02 FF 00 DE 00")
    outcome = long.move(9, None)
    assert outcome.frames == []
    assert outcome.events == [
        TransferProblem(ProblemKind.MOVED, 9, 0x11, 0x90, 0xDE00),
        TransferProblem(ProblemKind.MOVED, 9, 0x90, 0x10, 0xDF00),
        TransferProblem(ProblemKind.MOVED, 9, 0x90, 255, 0xFEB0),
        TransferProblem(ProblemKind.MOVED, 9, 0x90, 255, 0xFEB1),
    ]
    assert (long.open_sessions, long.due(), long.expire(10**9)) == (0, None, ([], []))
    assert heard(long, "1CEC9010 11 02 01 FF FF 00 DF 00") == ([], [])


def test_it_goes_on_from_another_address():
    """Messages go out from the new address, to the old destinations after the rest; requests to it are answered."""
    long = LongMessages(0x90)
    long.send(0, 0xDF00, NINE, 0x10)
    long.move(0, 0x8F)
    assert long.send(0, 0xDE00, NINE, 0x12).frames[0][0] == 0x1CEC128F
    assert long.send(0, 0xDF00, NINE, 0x10).frames == []
    assert long.expire(3_950_000).frames[-1][0] == 0x1CEC108F
    assert heard(long, "1CEC9001 10 09 00 02 FF 00 DF 00", 3_950_000).frames == []
    assert heard(long, "1CEC8F01 10 09 00 02 FF 00 DF 00", 3_950_000).frames[0][0] == 0x1CEC018F


def test_what_was_due_is_done_before_a_frame_is_heard():
    """A caller that only hears gets packets and timeouts with the next frame."""
    long = LongMessages(0x90)
    long.send(0, 0xFEB0, NINE)
    assert [dgn_of(identifier) for identifier, _ in heard(long, "19FFD101", 60_000).frames] == [0xEB00]
    heard(long, "1CEC9001 10 09 00 02 FF 00 DF 00", 60_000)
    assert heard(long, "1CEB9001 01 01 02 03 04 05 06 07", 1_310_000).events == [
        LongMessageSent(1_310_000, 255, 0xFEB0)
    ]
    late = heard(long, "19FFD101", 2_060_001)
    assert [event.kind for event in late.events] == [ProblemKind.RETRIED]


def test_the_next_thing_due_is_the_earliest_of_all():
    """Receptions, sendings, announced messages and rests are all looked at."""
    long = LongMessages(0x90, gap=200_000)
    assert long.due() is None
    heard(long, "1CEC9001 10 09 00 02 FF 00 DF 00")
    assert long.due() == 1_250_000
    heard(long, "1CECFF01 20 09 00 02 FF B0 FE 00")
    assert long.due() == 750_000
    long.send(0, 0xFEB0, NINE)
    assert long.due() == 200_000
