"""The frames that long messages travel in, in words: each kind by hand and by can-j1939, and what does not fit."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from j1939.j1939_21 import J1939_21

from rvsim.faces.text.spell import as_json, as_text
from rvsim.faces.text.spell_transport import complete_layout
from rvsim.wire.fields import FieldSpec, Origin
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec
from rvsim.wire.texts import Product, pack_product
from rvsim.wire.transfer import packets as tp


def text(catalogue, identifier, data):
    """The frame in words, as one line."""
    return " ".join(" ".join(as_text(Frame(0, int(identifier, 16), bytes.fromhex(data)), catalogue)).split())


def meaning(catalogue, identifier, data):
    """The meaning in the JSON form."""
    return json.loads(as_json(Frame(0, int(identifier, 16), bytes.fromhex(data)), catalogue))["meaning"]


LONG_DM1 = {"dgn": "0FECA", "message": "DM1"}
UNKNOWN = {"dgn": "0FEB0", "message": None}
# Bytes of can-j1939 2.0.12 test_ecu.py (MIT) for a message of 20 bytes, DGN 0FEB0, and of its __send_tp_abort; the
# announce of a long DM1 is the textbook form of J1939, completed by hand with 14 bytes in two packets.
KINDS = [
    (
        "1CECFF00", "20 14 00 03 FF B0 FE 00",
        "Broadcast announce (BAM): address 00 hex is about to send a message of 20 bytes in 3 packets to everyone.",
        {"kind": "broadcast announce", "size": 20, "packets": 3, **UNKNOWN},
    ),
    (
        "18ECFF00", "20 0E 00 02 FF CA FE 00",
        "address 00 hex is about to send a message of 14 bytes in 2 packets to everyone. "
        "The long message is DGN 0FECA hex: DM1.",
        {"kind": "broadcast announce", "size": 14, "packets": 2, **LONG_DM1},
    ),
    (
        "1CEC9B90", "10 14 00 03 01 B0 FE 00",
        "Request to send (RTS): address 90 hex has a message of 20 bytes in 3 packets for address 9B hex, "
        "which may request at most 1 packet at a time.",
        {"kind": "request to send", "size": 20, "packets": 3, "limit": 1, **UNKNOWN},
    ),
    (
        "1CEC9B90", "10 14 00 03 FF B0 FE 00",
        "which may request any number of packets at a time.",
        {"kind": "request to send", "size": 20, "packets": 3, "limit": 255, **UNKNOWN},
    ),
    (
        "1CEC909B", "11 01 02 FF FF B0 FE 00",
        "Clear to send (CTS): address 9B hex requests 1 packet from address 90 hex, from number 2 on.",
        {"kind": "clear to send", "packets": 1, "first": 2, **UNKNOWN},
    ),
    (
        "1CEC909B", "11 00 FF FF FF B0 FE 00",
        "Clear to send (CTS): address 9B hex tells address 90 hex to wait: no packet may be sent now.",
        {"kind": "clear to send", "packets": 0, "first": 255, **UNKNOWN},
    ),
    (
        "1CEC909B", "13 14 00 03 FF B0 FE 00",
        "End of message: address 9B hex confirms to address 90 hex that it has received a message of 20 bytes in "
        "3 packets.",
        {"kind": "end of message", "size": 20, "packets": 3, **UNKNOWN},
    ),
    (
        "1CEC909B", "FF 03 FF FF FF B0 FE 00",
        "Abort: address 9B hex ends the transfer with address 90 hex, for reason 3: it waited for too long.",
        {"kind": "abort", "reason": 3, "reason_text": "it waited for too long", **UNKNOWN},
    ),
    (
        "1CEC909B", "FF C8 FF FF FF B0 FE 00",
        "for reason 200: reserved by the standard.",
        {"kind": "abort", "reason": 200, "reason_text": "reserved by the standard", **UNKNOWN},
    ),
]  # fmt: skip


@pytest.mark.parametrize(("identifier", "data", "sentence", "facts"), KINDS)
def test_every_kind_is_told_whole(catalogue, identifier, data, sentence, facts):
    """Who asks whom for what, in words and as JSON; none of them is malformed."""
    assert sentence in text(catalogue, identifier, data)
    found = meaning(catalogue, identifier, data)
    assert found.pop("origin") in ("published", "memory")
    assert found.pop("problems") == []
    assert found == facts


@pytest.mark.parametrize(
    ("data", "rows"),
    [
        ("20 14 00 03 FF B0 FE 00", ["bytes 1-2 message length 14 00, low byte first: 0014 hex = 20 bytes",
                                     "byte 3 number of packets 03 hex = 3", "byte 4 unused, filled with ones"]),
        ("10 14 00 03 FF B0 FE 00", ["byte 4 packets for each clear to send FF hex = 255: no limit"]),
        ("11 02 05 FF FF B0 FE 00", ["byte 1 packets that may come 02 hex = 2", "byte 2 next packet 05 hex = 5",
                                     "bytes 3-4 unused, filled with ones"]),
        ("13 14 00 03 FF B0 FE 00", ["message length 14 00", "number of packets 03 hex = 3"]),
        ("FF 01 FF FF FF B0 FE 00", ["byte 1 reason 01 hex = 1: it is busy with another session",
                                     "bytes 2-4 unused, filled with ones"]),
    ],
)  # fmt: skip
def test_the_bytes_have_the_meaning_that_the_control_byte_gives_them(catalogue, data, rows):
    """Each byte between control byte and DGN is told by its kind; the JSON fields stay those of the definition."""
    spelled = text(catalogue, "1CEC909B", data)
    assert all(row in spelled for row in rows)
    fields = json.loads(as_json(Frame(0, 0x1CEC909B, bytes.fromhex(data)), catalogue))["fields"]
    assert [field["field"] for field in fields] == ["control_byte", "dgn_of_the_long_message"]


@pytest.mark.parametrize(
    ("identifier", "data", "problem"),
    [
        ("1CECFF00", "20 14 00 04 FF B0 FE 00", "20 bytes need 3 packets of 7 bytes, not 4"),
        ("1CECFF00", "20 07 00 02 FF B0 FE 00", "7 bytes are too few for a long message: up to 8 fit in one frame"),
        ("1CECFF00", "20 FA 06 FF FF B0 FE 00", "1786 bytes are too many for a long message: 1785 at most"),
        ("1CEC9B90", "20 14 00 03 FF B0 FE 00", "an announcement goes to everyone, not to one address"),
        (
            "1CECFF90",
            "10 14 00 03 FF B0 FE 00",
            "this frame goes to one address; only an announcement goes to everyone",
        ),
        ("1CEC9B90", "10 14 00 03 00 B0 FE 00", "with 0 packets for each clear to send, no packet could be sent"),
        ("1CEC909B", "11 01 00 FF FF B0 FE 00", "packets are numbered from 1; there is no packet 0"),
        ("1CEC909B", "11 02 FF FF FF B0 FE 00", "it requests packets up to 256; the longest message has 255"),
        ("1CEC909B", "13 14 00 01 FF B0 FE 00", "20 bytes need 3 packets of 7 bytes, not 1"),
        (
            "1CEC909B",
            "12 14 00 01 FF B0 FE 00",
            "18 is not a control byte of SAE J1939-21; these are 16, 17, 19, 32 and 255",
        ),
        ("1CEC909B", "13 14 00 03 FF B0 FE", "a connection frame has 8 bytes, not 7"),
        ("1CEC909B", "13 14 00 03 FF B0 FE 04", "bytes 5-7 hold 04FEB0 hex; a DGN has at most 18 bits"),
        ("1CEBFF00", "00 01 02 03 04 05 06 07", "packets are numbered from 1"),
        ("1CEBFF00", "01 01 02", "a packet has 8 bytes, not 3"),
    ],
)
def test_what_does_not_fit_is_said(catalogue, identifier, data, problem):
    """One clause, in words and as JSON."""
    assert meaning(catalogue, identifier, data)["problems"] == [problem]
    assert f"Wrong in this frame: {problem}." in text(catalogue, identifier, data)


@pytest.mark.parametrize(
    ("identifier", "data", "origin"),
    [
        ("1CECFF00", "20 14 00 03 FF CA FE 00", "published"),  # an announce of a DM1, as can-j1939 has both
        ("1CECFF00", "20 14 00 03 FF E4 FF 01", "memory"),  # that 1FFE4 is a furnace's status is from memory
        ("1CEC9B90", "10 14 00 03 FF CA FE 00", "memory"),  # the bytes of a request to send
        ("1CEBFF00", "01 49 6E 76 65 6E 74 65", "memory"),
    ],
)
def test_a_meaning_is_as_sure_as_its_weakest_part(catalogue, identifier, data, origin):
    """Layout of the frame, and name of the long message."""
    assert meaning(catalogue, identifier, data)["origin"] == origin
    assert ("[from memory]" in text(catalogue, identifier, data)) == (origin == "memory")


def test_the_longest_message_fits(catalogue):
    """1785 bytes are 255 packets of seven (SAE J1939-21; RV-C 3.2.7), and the last of them can be asked for."""
    assert meaning(catalogue, "1CECFF00", "20 F9 06 FF FF CA FE 00")["problems"] == []
    assert meaning(catalogue, "1CEC909B", "11 01 FF FF FF CA FE 00")["problems"] == []
    assert meaning(catalogue, "1CECFF00", "20 09 00 02 FF CA FE 00")["problems"] == []


def test_the_long_message_is_named_without_its_destination(catalogue):
    """EF21 and EF00 are one DGN: the low byte of an addressed one is a destination (SAE J1939-21)."""
    found = meaning(catalogue, "1CEC9B90", "10 14 00 03 FF 21 EF 00")
    assert (found["dgn"], found["message"]) == ("0EF21", "PROPRIETARY_MESSAGE")


def test_the_reasons_that_are_not_from_memory_are_those_of_can_j1939(catalogue):
    """Its table has BUSY, RESOURCES, TIMEOUT and CTS_WHILE_DT; what else is told of reasons says that it is memory."""
    known = {number for name, number in vars(J1939_21.ConnectionAbortReason).items() if not name.startswith("_")}
    sure = set()
    for reason in range(256):
        layout = complete_layout(catalogue.by_name("INITIAL_PACKET"), b"\xff")
        if layout.by_name["reason"].code_grade(reason) is Origin.PUBLISHED:
            sure.add(reason)
    assert sure == known


@pytest.mark.parametrize("reason", [*tp.AbortReason, 200])
def test_a_reason_is_as_sure_as_its_source(catalogue, reason):
    """What the list says of a reason stands in the frame's words; one from memory, not sure, is marked so."""
    data = bytes([255, reason, 255, 255, 255, 0xB0, 0xFE, 0]).hex()
    assert f"for reason {int(reason)}: {tp.reason_text(reason)}." in text(catalogue, "1CEC909B", data)
    expected = "unsure" if reason == tp.AbortReason.TOO_LONG else "memory"  # the frame's layout is from memory anyhow
    assert meaning(catalogue, "1CEC909B", data)["origin"] == expected


CONTROLS = st.one_of(
    st.builds(lambda size: tp.BroadcastAnnounce(size, tp.packets_for(size), 0xFECA), st.integers(9, 1785)),
    st.builds(lambda size, limit: tp.RequestToSend(size, tp.packets_for(size), limit, 0xFECA),
              st.integers(9, 1785), st.integers(1, 255)),
    st.builds(lambda first: tp.ClearToSend(256 - first, first, 0xFECA), st.integers(1, 255)),
    st.builds(lambda size: tp.EndOfMessage(size, tp.packets_for(size), 0xFECA), st.integers(9, 1785)),
    st.builds(lambda reason: tp.Abort(reason, 0xFECA), st.integers(0, 255)),
)  # fmt: skip


@given(CONTROLS)
def test_what_this_program_sends_fits_and_is_told_as_it_was_meant(catalogue, control):
    """Every connection frame of the sender's own code: its numbers come out again, without a problem."""
    destination = 0xFF if isinstance(control, tp.BroadcastAnnounce) else 0x9B
    identifier, data = tp.control_frame(control, 0x90, destination)
    found = meaning(catalogue, f"{identifier:08X}", data.hex())
    assert found["problems"] == []
    assert {key: found[key] for key in control._fields if key != "dgn"} == {
        key: value for key, value in control._asdict().items() if key != "dgn"
    }
    assert (found["dgn"], found["message"]) == ("0FECA", "DM1")


# Data packets.


def test_a_packet_of_text(catalogue):
    """The first two packets of a product's name, as this program cuts it; ones at the end are filling."""
    product = pack_product(Product("Invented", "H 50"))
    for number, (kept, first) in enumerate((("Invente", 0), ("d*H 50*", 7)), 1):
        identifier, data = tp.packet_frame(product, number, 0x90, 0xFF)
        found = meaning(catalogue, f"{identifier:08X}", data.hex())
        assert (found["kind"], found["number"], found["text"]) == ("data packet", number, kept)
        spelled = text(catalogue, f"{identifier:08X}", data.hex())
        assert f"bytes 1-7 data {data[1:].hex(' ').upper()}: text {kept!r}" in spelled
        assert f"Packet {number} of a long message from address 90 hex to everyone: bytes {first} to" in spelled
    last = tp.packet_frame(product, 3, 0x90, 0xFF)[1]
    assert last.hex() == "03" + "2a2a" + "ff" * 5
    assert meaning(catalogue, "1CEBFF90", last.hex())["text"] == "**"


@pytest.mark.parametrize("payload", ["A0 0F A6 60 3B D1 40", "FF FF FF FF FF FF FF", "00 01 02 03 04 05 06"])
def test_a_packet_that_is_no_text(catalogue, payload):
    """The first packet of python-can's recorded long message (test/data/logfile.asc), filling, and control bytes."""
    found = meaning(catalogue, "1CEBFF00", f"01 {payload}")
    assert (found["text"], found["data"]) == (None, payload.replace(" ", ""))
    assert f"bytes 1-7 data {payload}: 7 bytes" in text(catalogue, "1CEBFF00", f"01 {payload}")


def test_a_frame_without_bytes_is_malformed_and_nothing_more(catalogue):
    """Neither kind of frame can be empty."""
    assert meaning(catalogue, "1CECFF00", "")["problems"] == ["a connection frame has 8 bytes, not 0"]
    assert meaning(catalogue, "1CEBFF00", "")["problems"] == ["a packet has 8 bytes, not 0"]


def test_a_layout_of_the_user_stays_as_it_is():
    """Who has defined bytes 1 to 4 wants them told so; so does who has a shorter message."""
    own = MessageSpec("OWN", tp.CONNECTION_MANAGEMENT, 7, 8, (FieldSpec("control", 0, 8), FieldSpec("mine", 16, 8)))
    short = MessageSpec("OWN", tp.CONNECTION_MANAGEMENT, 7, 2, (FieldSpec("control", 0, 8),))
    data = bytes.fromhex("20140003FFB0FE00")
    assert complete_layout(own, data) is own
    assert complete_layout(short, data) is short
    free = MessageSpec("OWN", tp.CONNECTION_MANAGEMENT, 7, 8, (FieldSpec("control", 0, 8),))
    assert [field.name for field in complete_layout(free, data).fields] == [
        "control",
        "message_length",
        "number_of_packets",
    ]
