"""rvsim.wire.transfer.packets: connection frames and packets, against published frames and bytes written by hand."""

import pytest

from rvsim.wire.ident import split_identifier
from rvsim.wire.transfer import packets as tp

# can-j1939 2.0.12 test_ecu.py (MIT): RTS, CTS, end of message and BAM of a message of 20 bytes; the RTS limit of 1 and
# DGNs as there. The abort is that of its j1939_21.py, __send_tp_abort, for the DGN 0FEB0, reason "timeout".
FRAMES = [
    ("20 14 00 03 FF B0 FE 00", tp.BroadcastAnnounce(20, 3, 0xFEB0)),
    ("10 14 00 03 01 B0 FE 00", tp.RequestToSend(20, 3, 1, 0xFEB0)),
    ("11 01 02 FF FF B0 FE 00", tp.ClearToSend(1, 2, 0xFEB0)),
    ("13 14 00 03 FF B0 FE 00", tp.EndOfMessage(20, 3, 0xFEB0)),
    ("FF 03 FF FF FF B0 FE 00", tp.Abort(3, 0xFEB0)),
    # the longest message (1785 = 06F9h), and a DGN of data page 1
    ("20 F9 06 FF FF CA FE 01", tp.BroadcastAnnounce(1785, 255, 0x1FECA)),
    ("10 F9 06 FF FF CA FE 01", tp.RequestToSend(1785, 255, 255, 0x1FECA)),
    ("11 00 FF FF FF CA FE 01", tp.ClearToSend(0, 255, 0x1FECA)),
    ("13 F9 06 FF FF CA FE 03", tp.EndOfMessage(1785, 255, 0x3FECA)),
    ("FF FA FF FF FF 00 EF 01", tp.Abort(250, 0x1EF00)),
]


@pytest.mark.parametrize(("data", "control"), FRAMES)
def test_connection_frames(data, control):
    """Each published frame is read, and made again byte for byte."""
    assert tp.read_control(bytes.fromhex(data)) == control
    assert type(tp.read_control(bytes.fromhex(data))) is type(control)
    assert control.to_bytes() == bytes.fromhex(data)


@pytest.mark.parametrize(
    "data",
    [
        "",
        "20 14 00 03 FF B0 FE",  # seven bytes
        "20 14 00 03 FF B0 FE 00 00",  # nine
        "12 14 00 03 FF B0 FE 00",  # no known control byte
        "00 14 00 03 FF B0 FE 00",
        "20 14 00 03 FF B0 FE 04",  # a DGN of 19 bits
        "20 14 00 03 FF 00 00 04",
    ],
)
def test_what_is_no_connection_frame(data):
    """Other lengths, unknown control bytes and impossible DGNs are not read."""
    assert tp.read_control(bytes.fromhex(data)) is None


def test_published_timers():
    """Tr, Th, T1, T2, T3 and T4 of SAE J1939-21, as can-j1939 2.0.12 j1939_21.py has them, in microseconds."""
    assert (tp.RESPONSE_US, tp.HOLD_US) == (200_000, 500_000)
    assert (tp.T1_US, tp.T2_US, tp.T3_US, tp.T4_US) == (750_000, 1_250_000, 1_250_000, 1_050_000)
    # SAE J1939-21 5.12.3 and Appendix C as cited in Linux commit 0ae18a82686f
    assert tp.PACKET_GAP_LIMITS_US == (50_000, 200_000)


def test_published_limits():
    """Seven bytes a packet, 255 packets, 1785 bytes (SAE J1939-21; RV-C 3.2.7); nine bytes at least."""
    assert (tp.PACKET_PAYLOAD, tp.MIN_MESSAGE_BYTES, tp.MAX_MESSAGE_BYTES) == (7, 9, 7 * 255)


@pytest.mark.parametrize(
    ("size", "packets"), [(9, 2), (14, 2), (15, 3), (20, 3), (35, 5), (1778, 254), (1779, 255), (1785, 255)]
)
def test_how_many_packets(size, packets):
    """Every seventh byte begins a packet; 20 bytes have 3 and 35 have 5 (published announce and recorded message)."""
    assert tp.packets_for(size) == packets
    assert tp.is_valid_size(tp.BroadcastAnnounce(size, packets, 0xFEB0))
    assert not tp.is_valid_size(tp.BroadcastAnnounce(size, packets - 1, 0xFEB0))
    assert not tp.is_valid_size(tp.RequestToSend(size, packets + 1, 255, 0xFEB0))


@pytest.mark.parametrize(("size", "packets"), [(0, 0), (7, 1), (8, 2), (1786, 256), (65535, 255)])
def test_sizes_of_no_long_message(size, packets):
    """What fits in a frame, and what is too long, is not announced."""
    assert not tp.is_valid_size(tp.BroadcastAnnounce(size, packets, 0xFEB0))


def test_packets():
    """The published packets of 20 bytes (can-j1939 2.0.12 test_ecu.py): numbered from 1, the rest of the last FF."""
    data = bytes([1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6])
    assert [tp.packet_frame(data, number, 0x90, 0x9B) for number in (1, 2, 3)] == [
        (0x1CEB9B90, bytes([1, 1, 2, 3, 4, 5, 6, 7])),
        (0x1CEB9B90, bytes([2, 1, 2, 3, 4, 5, 6, 7])),
        (0x1CEB9B90, bytes([3, 1, 2, 3, 4, 5, 6, 255])),
    ]


def test_connection_frames_are_addressed():
    """The published clear to send goes from 9Bh to 90h at priority 7 (can-j1939 2.0.12 test_ecu.py)."""
    frame = tp.control_frame(tp.ClearToSend(1, 1, 0xDF00), 0x9B, 0x90)
    assert frame == (0x1CEC909B, bytes.fromhex("11 01 01 FF FF 00 DF 00"))


@pytest.mark.parametrize(
    ("identifier", "data", "valid"),
    [
        (0x1CEB9B90, "01 00 00 00 00 00 00 00", True),
        (0x1CEB9B90, "00 00 00 00 00 00 00 00", False),  # packets are numbered from 1
        (0x1CEB9B90, "01 00 00 00 00 00 00", False),
        (0x1CEC9B90, "01 00 00 00 00 00 00 00", False),
        (0x1CEB9BFE, "01 00 00 00 00 00 00 00", False),  # a node without an address sends no packet
    ],
)
def test_valid_packets(identifier, data, valid):
    """A packet has eight bytes, a number from 1 on, and the source address of a node."""
    assert tp.is_packet(split_identifier(identifier), bytes.fromhex(data)) is valid
