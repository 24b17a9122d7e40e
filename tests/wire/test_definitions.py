"""The shipped message definitions, compared with the table from which they were written.

The table (tests/vectors/dgns.csv and signals.csv) gathers each message and field with its source and how sure it is;
corrections.csv holds later findings as data. test_definitions_grades.py holds how sure each part of a field is,
test_definitions_alarms.py which codes mean trouble, test_definitions_names.py what is true of all files alike;
test_definitions_outside.py has a second reader and published figures.
"""

import csv
import re
from collections import Counter
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
from cantools.j1939 import frame_id_unpack, pgn_pack

VECTORS = Path(__file__).parents[1] / "vectors"

# Which subject a message belongs to, by the longest beginning of its name that stands here.
SUBJECTS = {
    "general": (
        "ADDRESS_CLAIM", "REQUEST_FOR_DGN", "ACKNOWLEDGMENT", "INITIAL_PACKET", "DATA_PACKET", "PROPRIETARY",
        "TERMINAL", "GENERAL_RESET", "DM", "PRODUCT_ID", "SOFTWARE_ID", "VEHICLE_ID", "GENERIC_CONFIGURATION",
        "MFG_SPECIFIC", "COMMANDED_ADDRESS", "COMMUNICATION", "DATE_TIME", "SET_DATE_TIME", "GPS",
        "VEHICLE_DIRECTION", "AMBIENT",
    ),
    "power": (
        "DC_SOURCE", "BATTERY", "DC_DISCONNECT", "CHARGER", "SOLAR", "INVERTER", "GENERATOR", "AGS", "ATS",
        "GENERIC_AC",
    ),
    "climate": ("THERMOSTAT", "FURNACE", "AIR_CONDITIONER", "HEAT_PUMP", "FLOOR_HEAT", "ROOF_FAN"),
    "water": ("WATERHEATER", "TANK", "WATER_PUMP", "AUTOFILL", "WASTEDUMP", "CIRCULATION_PUMP"),
    "switching": ("DC_LOAD", "AC_LOAD", "DC_DIMMER", "DC_MOTOR", "DIGITAL_INPUT", "GENERIC_INDICATOR"),
    "body": (
        "WINDOW", "LOCK", "AWNING", "SLIDE", "LEVELING", "HYDRAULIC", "SUSPENSION", "AAS", "CHASSIS",
        "VEHICLE_ENVIRONMENT", "GAS_SENSOR", "TIRE", "WEATHER", "ALTIMETER", "COMPASS",
    ),
}  # fmt: skip

# Fields that the table splits at byte borders, least significant part first. Places are "bytes bits".
MERGED = {
    ("ADDRESS_CLAIM", "serial_number"): ("0-1 0-7", "2-2 0-4"),
    ("ADDRESS_CLAIM", "manufacturer_code"): ("2-2 5-7", "3-3 0-7"),
    ("DM_RV", "spn"): ("4-4 5-7", "3-3 0-7", "2-2 0-7"),
    ("GENERIC_CONFIGURATION_STATUS", "manufacturer_code"): ("0-0 0-7", "1-1 0-2"),
}
# Rows of the table without a field of ours.
LEFT_OUT = {
    "ACKNOWLEDGMENT 2-2 4-7": "kept free for J1939, sent as ones like any unused bit",
    "ACKNOWLEDGMENT 3-3 0-7": "kept free for J1939, sent as ones like any unused bit",
    "DM_RV 5-5 7-7": "reserved, sent as one like any unused bit",
    "PRODUCT_IDENTIFICATION 0-7 0-7": "text of any length",
    "SOFTWARE_IDENTIFICATION 0-0 0-7": "text of any length follows, so it is never a single frame",
    "PROPRIETARY_MESSAGE 0-7 0-7": "eight bytes that only their maker can read",
    "DATA_PACKET 1-7 0-7": "a part of another message",
    "INITIAL_PACKET 1-2 0-7": "a length only with some of the control bytes",
    "INITIAL_PACKET 3-3 0-7": "a number of packets only with some of the control bytes",
    "INITIAL_PACKET 4-4 0-7": "a limit only with one of the control bytes",
}
# Fields with a name of their own: a reserved bit that is sent as 0, where unused bits are sent as ones; a bitmap.
RENAMED = {
    "ADDRESS_CLAIM 6-6 0-0": "reserved_bit",
    "DM1 1-1 0-7": "flash_lamps",
}
# Layouts of messages whose number is not established.
WITHOUT_NUMBER = {
    "SOLAR_CONTROLLER_CONFIGURATION_STATUS_5", "SOLAR_CONTROLLER_CONFIGURATION_COMMAND_5", "GENERIC_ALARM_STATUS",
}  # fmt: skip
# Units that the table words for people.
UNITS = {"instance": "", "year": "", "K (temperature difference)": "K"}
ORIGINS = {"high": "published", "medium": "published", "memory": "memory", "low": "unsure"}

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
    # the same in SAE J1939's order; lamps that flash as a bitmap
    "DM1": {
        "flash_lamps", "spn_low_byte", "spn_second_byte", "spn_high_3_bits", "fmi", "occurrence_count",
        "spn_conversion_method",
    },
    # a code list with FFh in it, a DGN number, a count
    "INITIAL_PACKET": {"control_byte", "dgn_of_the_long_message"},
    "DATA_PACKET": {"packet_number"},
    # parts of a NAME
    "GENERIC_CONFIGURATION_STATUS": {"manufacturer_code", "function_instance", "function"},
}  # fmt: skip
# The same in any message: bitmaps, code lists of a delay in which FFh is "no limit / no data", banks.
PLAIN_ANYWHERE = {"group", "interlock", "delay", "delay_duration", "bank_select"}
# Fields of commands that say which one is meant, so that all ones are no data and never "unchanged".
WHICH_ONE = {"instance", "schedule_mode_instance"}
# Quantities that the table gives no unit: all codes of the data type apply, as to those with a unit or a scale. A power
# source that says its priority to be out of range must not pass for the one with the highest.
QUANTITIES = {
    "month", "day_of_month", "load_sense_interval", "relative_level", "resolution", "on_duty_on_duration",
    "off_duty_off_duration", "device_priority", "charger_priority",
}  # fmt: skip
# Rules by which codes have names, and the words of the table that tell the rule.
CODINGS = {"groups": "bit n=0 means member of group n+1", "delay": "1..240 seconds;241..250 = 5..14 minutes"}
# Instances of chargers, in which an alternator regulator maker writes the type into the high nibble.
CHARGERS = re.compile(r"CHARGER_(?!AC_)")
# The printed end of the range by width, where all ones are special; other widths go on to all ones. bit2, uint8, uint32
# from memory; uint16: rv-c.com/node/500.
TOP = {2: 1, 8: 250, 16: 65530, 32: 4294967290}


class Field(NamedTuple):
    """All that the table says about a field; ``places`` are (byte, bit), least significant first."""

    places: tuple[tuple[int, int], ...]
    scale: float
    offset: float
    unit: str
    names: dict[int, str]
    coding: str


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


MESSAGES = [row["name"] for row in read("dgns.csv") if row["dgn_hex"]]
LAID_OUT = sorted({row["dgn_name"] for key, row in table("signals").items() if key not in LEFT_OUT} - WITHOUT_NUMBER)


# Named in the table, which says nothing of their bytes.
UNKNOWN_LAYOUT = set(MESSAGES) - {row["dgn_name"] for row in table("signals").values()} - {"VEHICLE_IDENTIFICATION"}


def evidence(source):
    """Boil a source text down to what it rests on: pages, documents, makers, memory."""
    return frozenset(re.findall(r"rv(?:-c\.com|ia\.org)/[\w/-]*\w|J1939(?:-\d+)?|maker|memory", source))


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
    return Field(
        tuple(spot for row in rows for spot in places(row)),
        float(first["resolution"]),
        float(first["offset"]),
        UNITS.get(first["unit"], first["unit"]),
        code_names(first["value_table"]),
        next((name for name, words in CODINGS.items() if words in first["value_table"]), "plain"),
    )


def code_names(text):
    """Return the names of single codes; one with a question mark is not sure enough to be shown."""
    codes = (code.strip().partition("=") for code in text.split(";"))
    sure = {number: name for number, _, name in codes if not name.endswith("?")}
    return {int(number, 0): name for number, name in sure.items() if re.fullmatch(r"\d+|0x[0-9A-F]{2}", number)}


def promised_gap(rule):
    """Return the gap that a rule promises in milliseconds, 0 for none: not on request, nor under a condition."""
    found = re.match(r"(?:(?:at most|at least every|on change /) )?(\d+) ms(?! (?:when|while) )", rule)
    return int(found[1]) if found else 0


def expected_fields(message):
    """Return the fields that the table gives a message, by name."""
    rows = {key: row for key, row in table("signals").items() if row["dgn_name"] == message and key not in LEFT_OUT}
    fields = {}
    for (owner, name), parts in MERGED.items():
        if owner == message:
            fields[name] = field([rows.pop(f"{owner} {part}") for part in parts])
    fields |= {RENAMED.get(key) or symbol(row["signal"]): field([row]) for key, row in rows.items()}
    if CHARGERS.match(message):
        for name in fields.keys() & {"instance", "charger_instance"}:
            fields[name] = fields[name]._replace(coding="charger_instance")
    return fields


@pytest.fixture(scope="module")
def message_named(definition_files):
    """Return the messages by name as cantools reads them."""
    return {message.name: message for db in definition_files.values() for message in db.messages}


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
        {code: text for code, text in named_codes(signal).items() if (code, text) not in special_names(signal)},
        stated.get("Coding", "plain"),
    )


def named_codes(signal):
    """The codes of a signal that have names."""
    return {code: str(text) for code, text in (signal.choices or {}).items()}


def special_names(signal):
    """The special codes of a field of whole bytes with what they mean, by the kind that the file states.

    All ones: rv-c.com/node/522. The others from memory of the standard's table of data types.
    """
    kind, ones = attributes(signal)["SpecialCodes"], 2**signal.length - 1
    if kind == "none" or signal.length < 8:
        return []
    found = [(ones, "unchanged" if kind in ("unchanged", "commanded") else "no data")]
    if kind in ("measured", "commanded"):
        found += [(ones - 1, "out of range"), *((ones - below, "reserved") for below in (2, 3, 4))]
    return found


def subject(name):
    """Return the file in which a message belongs."""
    starts = {start: file for file, all_of in SUBJECTS.items() for start in all_of if name.startswith(start)}
    return starts[max(starts, key=len)]


def test_each_file_has_the_messages_of_its_subject(definition_files):
    """No message is missing, there twice, extra or in the wrong file."""
    found = [(m.name, file) for file, db in definition_files.items() for m in db.messages]
    assert sorted(found) == sorted((name, subject(name)) for name in MESSAGES)


def test_number_priority_gap_and_origin_are_the_tables(message_named):
    """A message has the table's DGN, priority, broadcast gap, rule, origin and source."""
    for name in MESSAGES:
        row = table("dgns")[name]
        rule = row["broadcast_gap_ms_or_rule"]
        origin = ORIGINS[row["confidence"]]
        wanted = Head(
            int(row["priority"]), int(row["dgn_hex"], 16), promised_gap(rule), rule, origin, evidence(row["source"])
        )
        assert head_of(message_named[name]) == wanted, name


def test_fields_are_the_tables(message_named):
    """A message has just the table's fields, or none: place, scale, offset, unit and value names."""
    for name in MESSAGES:
        found = {signal.name: field_of(signal) for signal in message_named[name].signals}
        assert found == expected_fields(name), name


def test_corrections_name_a_table_and_a_row():
    """Each correction belongs to one of the two tables, finds its row there and changes something of one of ours."""
    for fix in read("corrections.csv"):
        assert fix["row"] in table(fix["table"])
        assert fix["row"].split()[0] in MESSAGES
        assert fix["old"] != fix["new"]
        assert fix["reason"]


def test_every_row_of_the_table_is_a_field_or_left_out_for_a_reason(message_named):
    """Only reserved bits and what belongs to long messages or one maker is left out, and what has no number."""
    rows = {key: table("signals")[key] for key in LEFT_OUT if "PACKET" not in key and "IDENTIFICATION" not in key}
    assert rows.pop("PROPRIETARY_MESSAGE 0-7 0-7")["type"] == "uint8[8]"
    assert {row["signal"].split()[0] for row in rows.values()} == {"Reserved"}
    assert {row["dgn_name"] for row in table("signals").values()} - set(MESSAGES) == WITHOUT_NUMBER
    used = sum(len(MERGED.get((name, s.name), (s,))) for name in MESSAGES for s in message_named[name].signals)
    numberless = sum(row["dgn_name"] in WITHOUT_NUMBER for row in table("signals").values())
    assert used + numberless + len(LEFT_OUT) == len(table("signals")) == len(read("signals.csv"))


def test_fields_stand_in_the_order_of_their_places_and_share_no_bit(message_named):
    """From the first byte on, and each bit belongs to one field at most."""
    for name in LAID_OUT:
        fields = [field_of(signal).places for signal in message_named[name].signals]
        assert [min(spots) for spots in fields] == sorted(min(spots) for spots in fields), name
        assert max(Counter(spot for spots in fields for spot in spots).values()) == 1, name


def special_codes(message, signal):
    """Return the special codes that a field has by its kind."""
    if signal.name in PLAIN_CODES.get(message, ()) or signal.name in PLAIN_ANYWHERE:
        return "none"
    command = ("_COMMAND" in message or message == "GENERAL_RESET") and signal.name not in WHICH_ONE
    scaled = signal.unit or (signal.scale, signal.offset) != (1, 0) or signal.name in QUANTITIES
    if (signal.length == 2 and str((signal.choices or {}).get(2, "error")) == "error") or (
        signal.length in (8, 16, 32) and scaled
    ):
        return "commanded" if command else "measured"
    return "unchanged" if command else "no_data"


def test_special_codes_and_range_follow_the_kind_of_field(message_named):
    """All codes of the type for quantities and pairs of bits, all ones alone for lists of codes, none for content.

    In commands all ones are "unchanged", elsewhere "no data"; the range ends below the type's codes.
    """
    for name, signal in ((one, signal) for one in LAID_OUT for signal in message_named[one].signals):
        special = special_codes(name, signal)
        assert attributes(signal)["SpecialCodes"] == special, f"{name} {signal.name}"
        full = 2**signal.length - 1
        top = full if special == "none" else TOP.get(signal.length, full)
        ends = [raw * Decimal(str(signal.scale)) + Decimal(str(signal.offset)) for raw in (0, top)]
        assert [signal.minimum, signal.maximum] == [float(end) for end in ends], f"{name} {signal.name}"
        assert not signal.is_signed, f"{name} {signal.name}"


def test_special_codes_of_whole_bytes_have_names(message_named):
    """For programs that know no special codes; a name of a code's own stays."""
    for signal in (signal for name in LAID_OUT for signal in message_named[name].signals):
        if signal.length in (8, 16, 32):
            named = named_codes(signal)
            for code, text in special_names(signal):
                assert named[code] == text or text == "reserved" or named[code] not in ("no data", "out of range")


SOMETIMES_STATED = {"SystemSignalLongSymbol", "Coding", "CodeGrades", "AlarmCodes", "AlarmGrade", "MovesWith"}


def test_every_attribute_is_stated_on_every_message_and_signal(definition_files):
    """Nothing leans on a default: each message and signal states its own origin, source and rules, and a comment."""
    for db in definition_files.values():
        for message in db.messages:
            stated = set(message.dbc.attributes) - {"SystemMessageLongSymbol"}
            gap = message.dbc.attributes["BroadcastGap"].value
            cycle = {"GenMsgCycleTime"} if gap else set()
            assert stated == {"Origin", "Source", "BroadcastGap", "BroadcastRule", "VFrameFormat"} | cycle
            assert not gap or message.dbc.attributes["GenMsgCycleTime"].value == gap
            assert message.comment
            assert ("Known by name only" in message.comment) is (message.name in UNKNOWN_LAYOUT)
            for signal in message.signals:
                stated = set(signal.dbc.attributes) - SOMETIMES_STATED
                assert stated == {"NameGrade", "LayoutGrade", "CodesGrade", "Source", "SpecialCodes"}, signal.name
