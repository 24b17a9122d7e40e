"""The shipped message definitions, held against the table they were written from.

The table (tests/vectors/dgns.csv and signals.csv) gathers each message and field with its source and how sure it is;
corrections.csv holds later findings as data. test_definitions_outside.py has a second reader and published figures.
"""

import csv
import re
from collections import Counter
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import NamedTuple

import cantools
import pytest
from cantools.j1939 import frame_id_unpack, pgn_pack

from rvsim.shipped import dbc_files

VECTORS = Path(__file__).parents[1] / "vectors"

FILES = {
    "general": ("ADDRESS_CLAIM", "REQUEST_FOR_DGN", "ACKNOWLEDGMENT", "DM_RV"),
    "power": (
        "DC_SOURCE_STATUS_1",
        "DC_SOURCE_STATUS_2",
        "DC_SOURCE_STATUS_3",
        "CHARGER_STATUS",
        "CHARGER_STATUS_2",
        "CHARGER_COMMAND",
    ),
    "climate": (
        "THERMOSTAT_STATUS_1",
        "THERMOSTAT_COMMAND_1",
        "THERMOSTAT_AMBIENT_STATUS",
        "FURNACE_STATUS",
        "FURNACE_COMMAND",
        "ROOF_FAN_STATUS_1",
        "ROOF_FAN_COMMAND_1",
    ),
    "water": (
        "WATERHEATER_STATUS",
        "WATERHEATER_COMMAND",
        "TANK_STATUS",
        "CIRCULATION_PUMP_STATUS",
        "CIRCULATION_PUMP_COMMAND",
    ),
}
MESSAGES = [name for names in FILES.values() for name in names]

# Fields that the table splits at byte borders, least significant part first. Places are "bytes bits".
MERGED = {
    ("ADDRESS_CLAIM", "serial_number"): ("0-1 0-7", "2-2 0-4"),
    ("ADDRESS_CLAIM", "manufacturer_code"): ("2-2 5-7", "3-3 0-7"),
    ("DM_RV", "spn"): ("4-4 5-7", "3-3 0-7", "2-2 0-7"),
}
# Rows of the table without a field of ours.
LEFT_OUT = {
    "ACKNOWLEDGMENT 2-2 4-7": "kept free for J1939, sent as ones like any unused bit",
    "ACKNOWLEDGMENT 3-3 0-7": "kept free for J1939, sent as ones like any unused bit",
    "DM_RV 5-5 7-7": "reserved, sent as one like any unused bit",
}
# A reserved bit that has a field, because it is sent as 0 and unused bits are sent as ones.
RENAMED = {"ADDRESS_CLAIM 6-6 0-0": "reserved_bit"}
# Units that the table words for people.
UNITS = {"instance": "", "K (temperature difference)": "K"}
ORIGINS = {"high": "published", "medium": "published", "memory": "memory", "low": "unsure"}
STRENGTH = ("published", "memory", "unsure")

# Fields whose all-ones and neighbouring codes are ordinary content. Not among them: the priorities of power sources,
# because a device that leaves its priority out (FFh) must not pass for the one with the highest.
PLAIN_CODES = {
    # NAME parts compare as one number, whatever they hold
    "ADDRESS_CLAIM": {
        "serial_number", "manufacturer_code", "node_instance", "function_instance", "compatibility_field_1",
        "reserved_bit", "compatibility_field_2", "compatibility_field_3", "compatibility_field_4",
        "arbitrary_address_capable",
    },
    # a DGN number, and two choices in which all ones mean "all" or "not specified"
    "REQUEST_FOR_DGN": {"desired_dgn", "requested_instance", "requested_instance_bank"},
    # a code list, a bank, an address, a DGN number
    "ACKNOWLEDGMENT": {
        "acknowledgment_code", "instance_bank", "source_address_acknowledged", "dgn_acknowledged",
    },
    # addresses, fault numbers in which all ones mean "no fault", a counter, a bank
    "DM_RV": {"dsa", "spn", "fmi", "occurrence_count", "dsa_extension", "bank_select"},
}  # fmt: skip
# Highest valid raw value by width, where the special codes apply; other widths are valid throughout. bit2, uint8,
# uint32 from memory; uint16: rv-c.com/node/500.
TOP = {2: 1, 8: 250, 16: 65530, 32: 4294967290}


class Field(NamedTuple):
    """All that the table says about a field; ``places`` are (byte, bit), least significant first."""

    places: tuple[tuple[int, int], ...]
    scale: float
    offset: float
    unit: str
    names: dict[int, str]
    origin: str
    label_origin: str
    evidence: frozenset[str]


class Head(NamedTuple):
    """All that the table says about a message."""

    priority: int
    dgn: int
    gap: int
    rule: str
    origin: str
    evidence: frozenset[str]


def read(name):
    """Read one of the tables as dicts."""
    with (VECTORS / name).open(newline="", encoding="ascii") as file:
        return list(csv.DictReader(file))


def place(row):
    """Name a row of signals.csv by its place in the message."""
    return f"{row['byte_first']}-{row['byte_last']} {row['bit_first']}-{row['bit_last']}"


@cache
def table(name):
    """Read dgns or signals, keyed by message and, for signals, by "message bytes bits", corrections applied."""
    rows = {r["name"] if name == "dgns" else f"{r['dgn_name']} {place(r)}": r for r in read(f"{name}.csv")}
    for fix in read("corrections.csv"):
        if fix["table"] == name:
            row = rows[fix["row"]]
            assert row[fix["column"]] == fix["old"], f"a correction no longer fits: {fix}"
            row[fix["column"]] = fix["new"]
    return rows


def evidence(source):
    """Boil a source text down to what it rests on: pages, documents, makers, memory."""
    return frozenset(re.findall(r"rv(?:-c\.com|ia\.org)/[\w/-]*\w|J1939(?:-\d+)?|maker|memory", source))


def weakest(rows):
    """Return the origin of the row that is least sure."""
    return max((ORIGINS[row["confidence"]] for row in rows), key=STRENGTH.index)


def symbol(name):
    """Turn a field's name in the standard into ours: lower case, underscores, nothing in parentheses."""
    return re.sub(r"[^a-z0-9]+", "_", re.sub(r"\(.*?\)", "", name).lower()).strip("_")


def places(row):
    """List the bits of a row, least significant first (the table is little-endian)."""
    bits = range(int(row["bit_first"]), int(row["bit_last"]) + 1)
    found = [(byte, bit) for byte in range(int(row["byte_first"]), int(row["byte_last"]) + 1) for bit in bits]
    assert len(found) == int(re.sub(r"\D", "", row["type"])), f"type and place disagree: {row}"
    return found


def field(rows):
    """Build what is expected of a field from its row, or from its parts."""
    first = rows[0]
    assert {(r["resolution"], r["offset"]) for r in rows} == {(first["resolution"], first["offset"])}
    codes = (code.partition("=") for code in first["value_table"].split(";"))
    names = {int(number): text for number, _, text in codes if number.isdecimal()}
    origin = weakest(rows)
    softer = bool(names) and origin == "published" and "from memory" in first["notes"]
    return Field(
        tuple(spot for row in rows for spot in places(row)),
        float(first["resolution"]),
        float(first["offset"]),
        UNITS.get(first["unit"], first["unit"]),
        names,
        origin,
        "memory" if softer else "same",
        evidence(" ".join(row["source"] for row in rows)),
    )


def expected_fields(message):
    """Return the fields that the table gives a message, by name."""
    rows = {key: row for key, row in table("signals").items() if row["dgn_name"] == message and key not in LEFT_OUT}
    fields = {}
    for (owner, name), parts in MERGED.items():
        if owner == message:
            fields[name] = field([rows.pop(f"{owner} {part}") for part in parts])
    return fields | {RENAMED.get(key) or symbol(row["signal"]): field([row]) for key, row in rows.items()}


@cache
def definitions():
    """Read every shipped file with cantools, by the file's name."""
    return {path.stem: cantools.database.load_file(path, database_format="dbc", strict=True) for path in dbc_files()}


def message_named(name):
    """Return one message as cantools reads it."""
    return next(m for db in definitions().values() for m in db.messages if m.name == name)


def attributes(item):
    """Return the attributes that the file states for a message or signal, enumerated ones as words."""
    return {
        name: a.definition.choices[a.value] if a.definition.type_name == "ENUM" else a.value
        for name, a in item.dbc.attributes.items()
    }


def head_of(message):
    """Return a message's identity as the file gives it."""
    ident, stated = frame_id_unpack(message.frame_id), attributes(message)
    return Head(
        ident.priority,
        dgn_of(message),
        stated["BroadcastGap"],
        stated["BroadcastRule"],
        stated["Origin"],
        evidence(stated["Source"]),
    )


def dgn_of(message):
    """Return a message's DGN by cantools' own J1939 rules."""
    ident = frame_id_unpack(message.frame_id)
    specific = 0 if ident.pdu_format < 240 else ident.pdu_specific
    return pgn_pack(ident.reserved, ident.data_page, ident.pdu_format, specific)


def field_of(signal):
    """Return a signal as the file gives it."""
    step = [signal.start]
    while len(step) < signal.length:
        at = step[-1]
        step.append(at + 1 if signal.byte_order == "little_endian" else at - 1 if at % 8 else at + 15)
    if signal.byte_order == "big_endian":
        step.reverse()
    stated = attributes(signal)
    return Field(
        tuple(divmod(at, 8) for at in step),
        signal.scale,
        signal.offset,
        signal.unit or "",
        {code: str(text) for code, text in (signal.choices or {}).items()},
        stated["Origin"],
        stated["LabelOrigin"],
        evidence(stated["Source"]),
    )


def test_each_file_has_the_messages_of_its_subject():
    """No message is missing, extra or in the wrong file."""
    assert {name: tuple(m.name for m in db.messages) for name, db in definitions().items()} == FILES


@pytest.mark.parametrize("name", MESSAGES)
def test_number_priority_gap_and_origin_are_the_tables(name):
    """A message has the table's DGN, priority, broadcast gap, rule, origin and source."""
    row = table("dgns")[name]
    rule = row["broadcast_gap_ms_or_rule"]
    gap = re.search(r"(\d+) ms", rule)
    origin = ORIGINS[row["confidence"]]
    wanted = Head(
        int(row["priority"]), int(row["dgn_hex"], 16), int(gap[1]) if gap else 0, rule, origin, evidence(row["source"])
    )
    assert head_of(message_named(name)) == wanted


@pytest.mark.parametrize("name", MESSAGES)
def test_fields_are_the_tables(name):
    """A message has just the table's fields: place, scale, offset, unit, value names, origins, source."""
    assert {signal.name: field_of(signal) for signal in message_named(name).signals} == expected_fields(name)


def test_corrections_name_a_table_and_a_row():
    """Each correction belongs to one of the two tables, finds its row there and changes something of one of ours."""
    for fix in read("corrections.csv"):
        assert fix["row"] in table(fix["table"])
        assert fix["row"].split()[0] in MESSAGES
        assert fix["old"] != fix["new"]
        assert fix["reason"]


def test_rows_left_out_exist_and_are_reserved():
    """Only rows that the table itself calls reserved have no field."""
    assert {table("signals")[key]["signal"].split()[0] for key in LEFT_OUT} == {"Reserved"}


@pytest.mark.parametrize("name", MESSAGES)
def test_special_codes_and_range_follow_the_kind_of_field(name):
    """Commands take "unchanged", status fields "no data", plain codes neither; the range ends where those begin."""
    for signal in message_named(name).signals:
        plain = signal.name in PLAIN_CODES.get(name, ())
        command = "_COMMAND" in name and signal.name != "instance"
        wanted = "none" if plain else "commanded" if command else "measured"
        assert attributes(signal)["SpecialCodes"] == wanted, signal.name
        full = 2**signal.length - 1
        top = full if plain else TOP.get(signal.length, full)
        ends = [raw * Decimal(str(signal.scale)) + Decimal(str(signal.offset)) for raw in (0, top)]
        assert [signal.minimum, signal.maximum] == [float(end) for end in ends], signal.name
        assert not signal.is_signed


def test_every_attribute_is_stated_on_every_message_and_signal():
    """Nothing leans on a default: each message and signal states its own origin, source and rules, and a comment."""
    for db in definitions().values():
        for message in db.messages:
            assert set(message.dbc.attributes) == {"Origin", "Source", "BroadcastGap", "BroadcastRule"}
            assert message.comment
            for signal in message.signals:
                stated = set(signal.dbc.attributes) - {"SystemSignalLongSymbol"}
                assert stated == {"Origin", "Source", "SpecialCodes", "LabelOrigin"}, signal.name


def test_identifiers_hold_fillers_and_messages_eight_bytes():
    """The source byte is FE, the destination byte FF where there is one, and every message has eight bytes."""
    for name in MESSAGES:
        message = message_named(name)
        ident = frame_id_unpack(message.frame_id)
        assert message.is_extended_frame
        assert ident.source_address == 0xFE
        assert ident.pdu_format >= 240 or ident.pdu_specific == 0xFF
        assert message.length == 8


def test_no_dgn_is_defined_twice():
    """One DGN stands in one message of one file."""
    counted = Counter(dgn_of(message) for db in definitions().values() for message in db.messages)
    assert counted.most_common(1)[0][1] == 1


@pytest.mark.parametrize("path", dbc_files(), ids=lambda path: path.stem)
def test_files_are_ascii_with_short_symbols(path):
    """Any tool can read the files: plain ASCII, symbols of at most 32 characters, no tool's own node name."""
    text = path.read_bytes().decode("ascii")
    assert max(len(name) for name in re.findall(r"^ SG_ (\w+)|^BO_ \d+ (\w+)", text, re.M) for name in name) <= 32
    assert "Vector__XXX" not in text
