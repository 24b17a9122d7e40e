"""Network captures: every shape of a packet, byte orders, units of time, interfaces, damage."""

import io
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.formats.packet_records import CUT, DAMAGED
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ErrorFrame, ErrorState, OtherFrame, StateChanged
from rvsim.wire.timing import remote_bits, standard_bits

START = 1_410_714_882_622_188
"""Microseconds since the epoch."""
EXTENDED, REMOTE, ERROR = 1 << 31, 1 << 30, 1 << 29


def can(identifier, data=b"", *, flags=0, length=None, padded=False):
    """Return a packet of the link type SocketCAN."""
    size = len(data) if length is None else length
    return struct.pack(">LBBxx", identifier, size, flags) + (data.ljust(8, b"\0") if padded else data)


def cooked(packet, protocol=0x000C):
    """Return a packet as a capture of all interfaces has it."""
    return struct.pack(">HHH8sH", 0, 280, 0, bytes(8), protocol) + packet


def cooked_2(packet, interface, protocol=0x000C):
    """Return the same in the second version."""
    return struct.pack(">HHLHBB8s", protocol, 0, interface, 280, 0, 0, bytes(8)) + packet


def pcap(packets, *, order="<", nanoseconds=False, link_type=227):
    """Return a capture of (microseconds, packet) in the older format."""
    magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
    content = struct.pack(f"{order}LHHlLLL", magic, 2, 4, 0, 0, 262144, link_type)
    for time, packet in packets:
        fraction = time % 10**6 * (1000 if nanoseconds else 1)
        content += struct.pack(f"{order}LLLL", time // 10**6, fraction, len(packet), len(packet)) + packet
    return content


def block(type_, body, order="<"):
    """Return a block of the newer format."""
    body += bytes(-len(body) % 4)
    size = struct.pack(f"{order}L", len(body) + 12)
    return struct.pack(f"{order}L", type_) + size + body + size


def option(number, value, order="<"):
    """Return an option of a block."""
    return struct.pack(f"{order}HH", number, len(value)) + value + bytes(-len(value) % 4)


def section(order="<"):
    """Return the head of a section."""
    return block(0x0A0D0D0A, struct.pack(f"{order}LHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(*options, order="<", link_type=227):
    """Return the description of an interface."""
    return block(1, struct.pack(f"{order}HHL", link_type, 0, 262144) + b"".join(options), order)


def packet_block(ticks, packet, number=0, order="<"):
    """Return a block with a packet."""
    fields = (number, ticks >> 32, ticks & 0xFFFF_FFFF, len(packet), len(packet))
    return block(6, struct.pack(f"{order}LLLLL", *fields) + packet + bytes(-len(packet) % 4), order)


def pcapng(packets, *, order="<", link_type=227):
    """Return a capture of (microseconds, packet) in the newer format."""
    blocks = [packet_block(time, packet, order=order) for time, packet in packets]
    return section(order) + interface(order=order, link_type=link_type) + b"".join(blocks)


def read(content):
    """Return the entries by channel and the statistics of a log, given as bytes or as a file."""
    with open_log(io.BytesIO(content) if isinstance(content, bytes) else content) as log:
        entries = [(name, entry) for name, entry in log.by_channel() if type(entry).__name__ != "LogEnded"]
        return entries, log.statistics


def frames(content):
    """Return the frames of a log, with the log's own times."""
    entries, found = read(content)
    return [(entry.time + found.first, *entry[1:]) for _, entry in entries if isinstance(entry, Frame)]


class Slow(io.BytesIO):
    """A file that gives a few bytes at once."""

    def __init__(self, content, size):
        super().__init__(content)
        self.size = size

    def read1(self, _size=-1):
        """Return the next bytes."""
        return super().read1(self.size)


CLASSIC = st.tuples(st.integers(10**15, 2**32 * 10**6 - 1), st.integers(0, 0x1FFFFFFF), st.binary(max_size=8))


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("form", ["us", "ns", "ng"])
@given(sent=st.lists(CLASSIC, max_size=10), size=st.integers(1, 200))
def test_frames_come_back(order, form, sent, size):
    """Times, identifiers and bytes are those that were captured, wherever the blocks of the file are cut."""
    sent.sort(key=lambda each: each[0])
    packets = [(time, can(identifier | EXTENDED, data)) for time, identifier, data in sent]
    content = pcapng(packets, order=order) if form == "ng" else pcap(packets, order=order, nanoseconds=form == "ns")
    with open_log(Slow(content, size)) as log:
        assert log.kind == f"network capture (.pcap{'ng' if form == 'ng' else ''})"
        found = [entry for _, entry in log.by_channel() if isinstance(entry, Frame)]
        first = log.statistics.first
        assert log.statistics.unreadable == ()
    assert [(frame.time + (first or 0), frame.identifier, frame.data) for frame in found] == sent


WRAPPED = {227: lambda packet: packet, 113: cooked, 276: lambda packet: cooked_2(packet, 3)}


@pytest.mark.parametrize("link_type", WRAPPED)
@pytest.mark.parametrize("write", [pcap, pcapng])
def test_every_kind_of_packet(link_type, write):
    """Data frames, 11-bit, remote and FD frames, errors and states; the bytes of a full structure may follow."""
    packets = [
        can(0x19FFE45E | EXTENDED, b"\1\2\3"),
        can(0x19FFE45E | EXTENDED, b"\4", padded=True),
        can(0x7DF, b"\1\2"),
        can(0x19FFE45E | EXTENDED | REMOTE, length=8),
        can(0x123 | REMOTE),
        can(0x19FFE45E | EXTENDED, bytes(12)),
        can(0x19FFE45E | EXTENDED, bytes(8), flags=4),
        can(0x19FFE45E | EXTENDED, bytes(8), length=0x80),
        can(ERROR | 0x8, bytes([0, 0, 0, 4, 0, 0, 0, 0])),
        can(ERROR | 0x4, bytes([0, 0x20, 0, 0, 0, 0, 130, 0])),
    ]
    wrap = WRAPPED[link_type]
    entries, found = read(write([(START + n, wrap(packet)) for n, packet in enumerate(packets)], link_type=link_type))
    assert [entry for _, entry in entries if isinstance(entry, Frame)] == [
        Frame(0, 0x19FFE45E, b"\1\2\3"), Frame(1, 0x19FFE45E, b"\4")
    ]  # fmt: skip
    assert found.skipped == {"11-bit": 1, "remote": 2, "FD": 3, "error": 2}
    others = [entry for _, entry in entries if isinstance(entry, OtherFrame)]
    assert [entry.time for entry in others] == [2, 3, 4]
    assert [entry.bits for entry in others] == [
        standard_bits(0x7DF, b"\1\2"),
        remote_bits(0x19FFE45E, 8),
        standard_bits(0x123, b"", 0),
    ]
    assert [entry.time for _, entry in entries if isinstance(entry, ErrorFrame)] == [8]
    assert [(entry.state, entry.transmit_errors) for _, entry in entries if isinstance(entry, StateChanged)] == [
        (ErrorState.PASSIVE, 130)
    ]
    assert (found.first, found.started, found.unreadable) == (START, START, ())
    channel = {276: ("3",), 113: ("0",), 227: ("0",)}[link_type] if write is pcapng or link_type == 276 else ()
    assert found.channels == channel


@pytest.mark.parametrize("wrap", [cooked, lambda packet, protocol=0x000C: cooked_2(packet, 3, protocol)])
def test_a_capture_of_all_interfaces(wrap):
    """Other protocols are counted as events, FD by its protocol; identifiers may be little-endian."""
    link_type = 113 if wrap is cooked else 276

    def turned(identifier, data):
        packet = can(identifier | EXTENDED, data)
        return packet[3::-1] + packet[4:]

    first, second = turned(0x19FFE45E, b""), turned(0x18FECA9C, b"\1")
    packets = [wrap(first), wrap(second, 0x000D), wrap(b"GET /", 0x0800), wrap(second)]
    entries, found = read(pcap([(START, packet) for packet in packets], link_type=link_type))
    assert [entry for _, entry in entries] == [Frame(0, 0x19FFE45E, b""), Frame(0, 0x18FECA9C, b"\1")]
    assert (found.skipped, found.unreadable) == ({"FD": 1, "event": 1}, ())
    entries, _ = read(pcap([(START, wrap(can(0x7FF, b"\1"))), (START, wrap(can(EXTENDED | 5)))], link_type=link_type))
    assert [type(entry) for _, entry in entries] == [OtherFrame, Frame]


def test_packets_that_are_no_can():
    """Another link type is told for each packet, and a packet without its bytes too."""
    _, found = read(pcap([(START, bytes(60))], link_type=1))
    assert found.unreadable == ((24, "a packet of link type 1, which is not CAN"),)
    _, found = read(pcapng([(START, can(EXTENDED | 5, b"\1", length=3)), (START, b"\0\1")]))
    assert [why for _, why in found.unreadable] == [
        "a packet with 1 data bytes where the length is 3", "a packet that is cut off"
    ]  # fmt: skip


def test_interfaces_are_channels():
    """Each has its name, its unit of time and its offset; a packet of one that is not described is told."""
    packet = can(0x19FFE45E | EXTENDED, b"\1")
    content = section() + interface(option(2, b"can0"), option(9, b"\x09"), option(0, b""))
    content += interface(option(9, b"\x8a"), option(14, struct.pack("<q", 5)))
    content += block(5, bytes(16))  # statistics
    content += packet_block(10_500_000_000, packet) + packet_block(6 << 10, packet, 1) + packet_block(1, packet, 2)
    content += block(3, struct.pack("<L", len(packet)) + packet)
    content += block(2, struct.pack("<HHLLLL", 1, 0, 0, 7 << 10, len(packet), len(packet)) + packet)
    entries, found = read(content)
    assert [(name, entry.time + found.first) for name, entry in entries if isinstance(entry, Frame)] == [
        ("can0", 10_500_000), ("1", 11_000_000), ("can0", 10_500_000), ("1", 12_000_000)
    ]  # fmt: skip
    assert (found.untimed, found.channels) == (1, ("can0", "1"))
    assert [why for _, why in found.unreadable] == ["a packet of interface 2, which is not described"]


def test_sections_in_both_byte_orders():
    """A capture may be several that were joined."""
    packet = (START, can(0x19FFE45E | EXTENDED, b"\1"))
    assert frames(pcapng([packet]) + pcapng([packet], order=">") + pcapng([packet])) == [(START, 0x19FFE45E, b"\1")] * 3


SENT = [(START + n * 1000, 0x19FFE400 + n, bytes([n] * 8)) for n in range(40)]
WHOLE = {
    form: write([(time, can(identifier | EXTENDED, data)) for time, identifier, data in SENT], order=order)
    for form, write, order in (("pcap<", pcap, "<"), ("pcap>", pcap, ">"), ("ng<", pcapng, "<"), ("ng>", pcapng, ">"))
}
RECORD = {"pcap<": 32, "pcap>": 32, "ng<": 48, "ng>": 48}
"""The bytes of one packet with what is around it."""


@pytest.mark.parametrize("form", WHOLE)
@given(cut=st.integers(1, 1000))
def test_a_capture_that_is_cut_off_gives_what_it_holds(form, cut):
    """All whole packets come out, and half of one is told."""
    entries, found = read(WHOLE[form][:-cut])
    kept = len(SENT) - -(-cut // RECORD[form])
    assert [entry.identifier for _, entry in entries] == [identifier for _, identifier, _ in SENT[:kept]]
    assert [why for _, why in found.unreadable] == ([CUT] if cut % RECORD[form] else [])


@pytest.mark.parametrize("form", WHOLE)
@given(place=st.integers(0, 39), rubbish=st.binary(min_size=1, max_size=300), replaced=st.integers(0, 200))
def test_a_capture_is_read_on_behind_damage(form, place, rubbish, replaced):
    """Bytes that belong to no packet cost what they touch and at most the packet behind them; they are told once."""
    content, size = WHOLE[form], RECORD[form]
    start = len(content) - size * (40 - place)
    spoilt = content[:start] + rubbish + content[start + replaced :]
    entries, found = read(spoilt)
    seen = [entry.identifier for _, entry in entries if isinstance(entry, Frame)]
    lost = -(-replaced // size)
    before = [identifier for _, identifier, _ in SENT[:place]]
    after = [identifier for _, identifier, _ in SENT[place + lost + 1 :]]
    assert seen[:place] == before
    assert found.unreadable_count or found.skipped or len(seen) > place
    if b"\0\0" not in rubbish:  # which could be the size of a packet, taking in what follows
        assert seen[len(seen) - len(after) :] == after


@pytest.mark.parametrize("at_once", [7, 100, 1 << 16])
@pytest.mark.parametrize("form", WHOLE)
def test_one_damage_is_told_once(form, at_once):
    """With the place at which it ends, however few bytes come at once."""
    content, size = WHOLE[form], RECORD[form]
    start = len(content) - 20 * size
    entries, found = read(Slow(content[:start] + b"\xee" * 77 + content[start:], at_once))
    assert len(entries) == 40
    assert found.unreadable == ((start + 77, DAMAGED),)
    _, found = read(content + b"\xee" * 77)
    assert (found.frames, [why for _, why in found.unreadable]) == (40, [DAMAGED])


@pytest.mark.parametrize("form", WHOLE)
@given(content=st.binary(max_size=300))
def test_rubbish_behind_a_head(form, content):
    """It raises nothing."""
    head = WHOLE[form][: len(WHOLE[form]) - 40 * RECORD[form]]
    _, found = read(head + content)
    assert found.frames + sum(found.skipped.values()) + found.unreadable_count <= len(content)
    read(head[: 24 + len(content)] + content)


@pytest.mark.parametrize("form", WHOLE)
def test_rubbish_is_searched_in_blocks(form):
    """Two megabytes without a packet are one damage, and no work for each byte."""
    head = WHOLE[form][: len(WHOLE[form]) - 40 * RECORD[form]]
    _, found = read(head + b"\xee" * 2_000_000 + WHOLE[form][len(head) :])
    assert (found.frames, found.unreadable_count) == (40, 1)


def test_times_that_no_clock_has_are_unreadable():
    """A unit of seconds and a large number give no time that fits anywhere."""
    packet = can(0x19FFE45E | EXTENDED, b"\1")
    entries, found = read(section() + interface(option(9, b"\0")) + packet_block(1 << 62, packet))
    assert (entries, found.unreadable_count) == ([], 1)


def test_a_mark_alone():
    """It is a capture without packets, or cut off."""
    for form in WHOLE:
        for size in (4, 10, 23):
            entries, found = read(WHOLE[form][:size])
            assert (entries, found.unreadable_count) == ([], 1)
