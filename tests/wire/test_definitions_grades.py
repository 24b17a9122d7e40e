"""The shipped message definitions: the grades of each field's name, layout and codes, and their sources.

tests/vectors/grades.csv says of each source of signals.csv which part of a field it gives; "+ memory" at the end of a
source means that the rest of the row is memory. grades_by_row.csv has the rows that were read one by one, and the codes
of which a source gives only some. A field of several rows is as sure as the least sure of them.
"""

import csv
from collections import Counter
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

VECTORS = Path(__file__).parents[1] / "vectors"
STRENGTH = ("published", "memory", "unsure")
PARTS = ("name", "layout", "codes")

# How many fields there are of each grade; the codes are counted where a field has names for some. A source that names
# fields, lists them in order or gives their scales, and not their places, publishes no layout.
COUNTS = {
    "name": {"published": 201, "memory": 382, "unsure": 216},
    "layout": {"published": 130, "memory": 453, "unsure": 216},
    "codes": {"published": 71, "memory": 212, "unsure": 114},
}


class Graded(NamedTuple):
    """What grades a field has, by part, those of single codes that differ, and the words that give the reason."""

    parts: dict[str, str]
    single: dict[int, str]
    source: str


def read(name):
    """Read one of the tables as dicts."""
    with (VECTORS / name).open(newline="", encoding="ascii") as file:
        return list(csv.DictReader(file))


def key_of(row):
    """Name a row of signals.csv by its message and place."""
    return f"{row['dgn_name']} {row['byte_first']}-{row['byte_last']} {row['bit_first']}-{row['bit_last']}"


@cache
def signals():
    """Read the rows of signals.csv by their places, corrections applied."""
    rows = {key_of(row): row for row in read("signals.csv")}
    for fix in read("corrections.csv"):
        if fix["table"] == "signals":
            rows[fix["row"]][fix["column"]] = fix["new"]
    return rows


@cache
def rules():
    """Return what each source gives, by its words and how sure the row is."""
    return {(rule["source"], rule["confidence"]): rule for rule in read("grades.csv")}


@cache
def by_row():
    """Return what was decided for single rows."""
    found = {}
    for line in read("grades_by_row.csv"):
        found.setdefault(line["row"], {})[line["part"]] = line["from"]
    return found


@pytest.fixture(scope="module")
def fields(definition_files):
    """Return every signal of the shipped files with its message's name."""
    messages = [message for file in definition_files.values() for message in file.messages]
    return [(message.name, signal) for message in messages for signal in message.signals]


def attributes(signal):
    """Return the attributes that the file states, enumerated ones as words."""
    return {
        name: a.definition.choices[a.value] if a.definition.type_name == "ENUM" else a.value
        for name, a in signal.dbc.attributes.items()
    }


def bits_of(signal):
    """Return the places of a signal's bits as (byte, bit)."""
    if signal.byte_order == "little_endian":
        return {divmod(at, 8) for at in range(signal.start, signal.start + signal.length)}
    first = signal.start // 8 * 8 + 7 - signal.start % 8
    return {(at // 8, 7 - at % 8) for at in range(first, first + signal.length)}


@cache
def spots_by_message():
    """Return the places of the bits of each row of the table, by message and row."""
    found = {}
    for key, row in signals().items():
        of_bytes = range(int(row["byte_first"]), int(row["byte_last"]) + 1)
        of_bits = range(int(row["bit_first"]), int(row["bit_last"]) + 1)
        found.setdefault(row["dgn_name"], {})[key] = {(byte, bit) for byte in of_bytes for bit in of_bits}
    return found


def rows_of(message, signal):
    """Return the rows of the table that a signal is made of."""
    return [key for key, spots in spots_by_message().get(message, {}).items() if spots & bits_of(signal)]


def grade(given):
    """Return the grade of a part by who gives it."""
    return given if given in STRENGTH else "published"


def words(given):
    """Return how a source is worded in the files."""
    return "memory, not sure" if given == "unsure" else given


def has_codes(signal):
    """Tell whether the file or a rule names codes of a signal."""
    ones = 2**signal.length - 1
    meanings = {"no data", "unchanged", "out of range", "reserved"} if signal.length >= 8 else set()
    own = [code for code, text in (signal.choices or {}).items() if code < ones - 4 or str(text) not in meanings]
    return bool(own) or "Coding" in signal.dbc.attributes


def wanted(message, signal):
    """Return the grades of a signal by the tables."""
    given, single = {}, {}
    for key in rows_of(message, signal):
        rule = rules()[signals()[key]["source"], signals()[key]["confidence"]]
        apart = by_row().get(key, {})
        for part in PARTS:
            said = apart.get(part, rule[part])
            given[part] = max(given.get(part, said), said, key=lambda one: STRENGTH.index(grade(one)))
        for part, said in apart.items():
            if part.startswith("codes "):
                single |= {int(code): said for code in part.removeprefix("codes ").split(";")}
    said = [f"{part}: {words(given[part])}" for part in PARTS if part != "codes" or has_codes(signal)]
    for one in dict.fromkeys(single[code] for code in sorted(single)):
        said.append(f"codes {', '.join(str(code) for code in sorted(single) if single[code] == one)}: {words(one)}")
    parts = {part: grade(given[part]) for part in PARTS}
    if not has_codes(signal):
        parts["codes"] = parts["layout"]
    others = {code: grade(one) for code, one in sorted(single.items()) if grade(one) != parts["codes"]}
    return Graded(parts, others, "; ".join(said))


def stated(signal):
    """Return the grades of a signal as the file states them."""
    said = attributes(signal)
    single = (part.partition("=") for part in said.get("CodeGrades", "").split(";") if part)
    return Graded(
        {part: said[f"{part.capitalize()}Grade"] for part in PARTS},
        {int(code): one for code, _, one in single},
        said["Source"],
    )


def test_each_part_of_a_field_is_graded_by_what_its_source_gives(fields):
    """Name, layout, codes and single codes have the tables' grades, and the source says where each is from."""
    for message, signal in fields:
        assert stated(signal) == wanted(message, signal), f"{message} {signal.name}"


def test_no_part_that_rests_on_memory_is_graded_published(fields):
    """The source states every part; where it says memory the grade says so too, and a published part names a source."""
    for message, signal in fields:
        said = attributes(signal)
        parts = dict(part.split(": ", 1) for part in said["Source"].split("; "))
        assert set(PARTS) - ({"codes"} - set(parts)) <= set(parts), f"{message} {signal.name}"
        assert ("codes" in parts) is has_codes(signal), f"{message} {signal.name}"
        for part in PARTS:
            if part in parts:
                rests = "memory" in parts[part]
                assert rests is (said[f"{part.capitalize()}Grade"] != "published"), f"{message} {signal.name} {part}"


def test_fields_by_grade(fields):
    """The table of how many fields are how sure: a layout that a source gives is the exception."""
    found = {part: Counter() for part in PARTS}
    for _, signal in fields:
        for part in PARTS:
            if part != "codes" or has_codes(signal):
                found[part][attributes(signal)[f"{part.capitalize()}Grade"]] += 1
    assert {part: dict(counted) for part, counted in found.items()} == COUNTS
    assert sum(COUNTS["name"].values()) == sum(COUNTS["layout"].values()) == len(fields)


@pytest.mark.parametrize(
    ("message", "name"),
    [
        ("CHARGER_COMMAND", "force_charge"),
        ("DC_DIMMER_STATUS_1", "master_brightness"),
        ("DC_DIMMER_COMMAND", "master_brightness"),
        ("CHARGER_CONFIGURATION_STATUS_2", "shore_breaker_size"),
        ("CHARGER_CONFIGURATION_COMMAND_2", "shore_breaker_size"),
        ("DM_RV", "dsa"),
        ("DM_RV", "fmi"),
        ("INVERTER_AC_STATUS_1", "rms_voltage"),  # a list of fields in order, without places
        ("CHARGER_STATUS_2", "charging_voltage"),  # the same
    ],
)
def test_a_name_without_places_does_not_publish_a_layout(fields, message, name):
    """A source that names a field and leaves out where it stands grades the name alone."""
    (signal,) = (signal for owner, signal in fields if (owner, signal.name) == (message, name))
    said = attributes(signal)
    assert (said["NameGrade"], said["LayoutGrade"]) == ("published", "memory")


def test_every_decision_has_its_row_and_its_reason():
    """No rule is unused, and each row that was decided by itself is in the table, with a reason."""
    used = {(row["source"], row["confidence"]) for row in signals().values()}
    assert set(rules()) <= used
    for line in read("grades_by_row.csv"):
        assert line["row"] in signals()
        assert line["part"].split()[0] in PARTS
        assert line["reason"]
    assert len({(line["row"], line["part"]) for line in read("grades_by_row.csv")}) == len(read("grades_by_row.csv"))
