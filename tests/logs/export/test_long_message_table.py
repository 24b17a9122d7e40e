"""The table of long messages: from packets in any blocks, and from lines that have them whole."""

import pytest

from rvsim.logs.blocks import Block, to_blocks
from rvsim.logs.columns import to_columns
from rvsim.logs.export.log_tables import LogPart
from rvsim.logs.export.long_message_table import LongMessageReader, LongMessageTable, WholeMessage
from rvsim.logs.export.table import Integers, Numbers, Texts, Times
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ErrorFrame, JoinedMessage, LineEvent

PRODUCT = b"ACME*LAMP 7*0012**"
ALARMS = bytes(range(1, 15))


def frame(time, identifier, data):
    """A frame of bytes in hex."""
    return Frame(time, identifier, bytes.fromhex(data))


def to_all(time):
    """The product identification of address 44 hex, announced to all: 18 bytes in three packets (SAE J1939-21)."""
    return [
        frame(time, 0x1CECFF44, "20 12 00 03 FF EB FE 00"),
        Frame(time + 60_000, 0x1CEBFF44, b"\x01" + PRODUCT[:7]),
        Frame(time + 120_000, 0x1CEBFF44, b"\x02" + PRODUCT[7:14]),
        Frame(time + 180_000, 0x1CEBFF44, b"\x03" + PRODUCT[14:] + b"\xff" * 3),
    ]


def to_one(time):
    """A message of 14 bytes with DGN 0EF00 from 45 hex to 46 hex: request, clear to send, two packets, the end."""
    return [
        frame(time, 0x1CEC4645, "10 0E 00 02 FF 00 EF 00"),
        frame(time + 1000, 0x1CEC4546, "11 02 01 FF FF 00 EF 00"),
        Frame(time + 2000, 0x1CEB4645, b"\x01" + ALARMS[:7]),
        Frame(time + 3000, 0x1CEB4645, b"\x02" + ALARMS[7:]),
        frame(time + 4000, 0x1CEC4546, "13 0E 00 02 FF 00 EF 00"),
    ]


OF_ALL = WholeMessage(180_000, 0x0FEEB, 0x44, None, PRODUCT, 180_000)
OF_ONE = WholeMessage(53_000, 0x0EF00, 0x45, 0x46, ALARMS, 3000)


@pytest.mark.parametrize("most", [1, 2, 3, 100])
def test_packets_become_messages(most):
    """Two at once, between other frames, in blocks of any size; each at the time of its last packet."""
    others = [Frame(time, 0x19FFE45E, bytes(8)) for time in range(0, 200_000, 7000)]
    reader = LongMessageReader()
    blocks = to_blocks((("can0", each) for each in sorted([*to_all(0), *to_one(50_000), *others])), most)
    assert [message for _, block in blocks for message in reader.of(block)] == [OF_ONE, OF_ALL]


def test_a_message_without_one_packet_is_none():
    """Nothing is put together from what is left."""
    packets = to_all(0)
    for missing in range(len(packets)):
        left = packets[:missing] + packets[missing + 1 :]
        assert not list(LongMessageReader().of(Block(to_columns(left))))


def test_lines_that_have_a_message_whole_stand_in_their_place():
    """Before, between and after messages of packets; what else happened on the wires is none."""
    line = JoinedMessage(7, 0x18EFFF47, bytes(9))
    events: list[tuple[int, LineEvent]] = [(0, line), (1, ErrorFrame(8)), (2, line), (9, line)]
    found = list(LongMessageReader().of(Block(to_columns(sorted([*to_one(0), *to_all(1)])), events)))
    whole = WholeMessage(7, 0x0EF00, 0x47, None, bytes(9), None)
    assert found == [
        whole,
        whole,
        OF_ONE._replace(time=3000),
        OF_ALL._replace(time=180_001),
        whole,
    ]


def test_rows(catalogue):
    """Names, the text of a text alone, and no value where none is known."""
    messages = [OF_ONE, OF_ALL, WholeMessage(7, 0x0EF00, 0x47, None, bytes(9), None)]
    table = LongMessageTable(catalogue, with_log=False)
    rows = table.rows(messages, LogPart(None, "can0", 1_764_000_000_000_000, {0x44: "panel"}))
    assert [column.name for column in table.table.columns] == list(rows.columns)
    columns = {}
    for name, data in rows.columns.items():
        match data:
            case Texts():
                columns[name] = [None if code < 0 else data.names[code] for code in data.codes.tolist()]
            case Times():
                columns[name] = data.microseconds.tolist()
            case Numbers():
                columns[name] = [None if value != value else value for value in data.values.tolist()]
            case Integers():
                missing = [False] * rows.length if data.missing is None else data.missing.tolist()
                columns[name] = [None if no else value for value, no in zip(data.values.tolist(), missing, strict=True)]
    first, second, third = (dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True))
    assert second == {
        "time": 1_764_000_000_180_000,
        "seconds": 0.18,
        "channel": "can0",
        "source": 0x44,
        "device": "panel",
        "dgn": "0FEEB",
        "message": "PRODUCT_IDENTIFICATION",
        "destination": None,
        "duration": 0.18,
        "length": 18,
        "bytes": PRODUCT.hex().upper(),
        "text": "ACME*LAMP 7*0012*",
    }
    assert (first["destination"], first["duration"], first["text"], first["device"]) == (0x46, 0.003, None, None)
    assert (third["destination"], third["duration"], third["length"]) == (None, None, 9)


def test_a_filter_sees_time_source_and_dgn():
    """A DGN beyond 18 bits, which a packet can state, does no harm."""
    assert OF_ONE.as_frame == Frame(53_000, 0x0EF0045, b"")
    assert OF_ALL._replace(dgn=0xFFFFFF).as_frame.identifier == 0x3FFFF44
