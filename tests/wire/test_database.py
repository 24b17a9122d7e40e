"""rvsim.wire.database: a user's definition files, read exactly or refused with one line."""

import re
from decimal import Decimal
from pathlib import Path

import cantools
import pytest

from rvsim.errors import InputError
from rvsim.shipped import dbc_files
from rvsim.wire.database import load_catalogue
from rvsim.wire.fields import Grades, Origin, Special

# 99FFFDFEh: bit 31 marks a 29-bit identifier in a DBC file; below it priority 6, DGN 1FFFDh, source FEh
SOURCE_STATUS = 0x99FFFDFE
OWN = 0x99FF00FE

FIELD = ' SG_ level : 0|8@1+ (1,0) [0|250] "" any\n'
ATTRIBUTES = """
BA_DEF_ BO_ "BroadcastGap" INT 0 65535;
BA_DEF_ BO_ "Origin" ENUM "published","memory","unsure";
BA_DEF_ BO_ "Source" STRING ;
BA_DEF_ SG_ "SpecialCodes" ENUM "none","measured","commanded";
BA_DEF_DEF_ "BroadcastGap" 0;
BA_DEF_DEF_ "Origin" "unsure";
BA_DEF_DEF_ "Source" "";
BA_DEF_DEF_ "SpecialCodes" "none";
"""


def dbc(name="OWN_STATUS", number=OWN, fields=FIELD, more="", length=8):
    """Write a definition file with one message."""
    return f'VERSION ""\n\nBU_: any\n\nBO_ {number} {name}: {length} any\n{fields}{more}'


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    """Give one cache folder for all, so that the shipped definitions are compiled once."""
    return tmp_path_factory.mktemp("cache") / "rvsim"


@pytest.fixture
def own(tmp_path, cache):
    """Load the shipped definitions and the given texts as the user's own files, a.dbc, b.dbc ..."""

    def load_texts(*texts):
        paths = []
        for letter, text in zip("abc", texts, strict=False):
            path = tmp_path / f"{letter}.dbc"
            path.write_bytes(text if isinstance(text, bytes) else text.encode())
            paths.append(path)
        return load_catalogue(paths, cache)

    return load_texts


def refused(call, *args):
    """Return the lines in which the input is refused."""
    with pytest.raises(InputError) as caught:
        call(*args)
    assert all("\n" not in line for line in caught.value.problems)
    return list(caught.value.problems)


def only_field(catalogue):
    """Return the one field of the user's message."""
    (field,) = catalogue.by_name("OWN_STATUS").fields
    return field


# --- the user's own files


def test_the_shipped_definitions_are_there(catalogue):
    """Without files of the user's own every message of the shipped files is there, and says from which."""
    for path in dbc_files():
        for message in cantools.database.load_file(path, database_format="dbc").messages:
            assert catalogue.by_name(message.name).file == str(path)


def test_where_a_shipped_definition_comes_from(catalogue):
    """Origin, source, rule and gap of a shipped message and its fields are those that the file states."""
    message = catalogue.by_name("DC_SOURCE_STATUS_1")
    # 500 ms: two makers' RV-C appendices
    assert (message.origin, message.gap_us, message.rule) == (Origin.PUBLISHED, 500_000, "500 ms")
    assert message.source
    voltage, current = message.fields[2:]
    assert (voltage.scale, voltage.offset, voltage.decimals, voltage.unit) == (5, 0, 2, "V")
    assert (current.scale, current.offset, current.decimals, current.unit) == (1, -2_000_000_000, 3, "A")
    assert (voltage.grades.layout, voltage.special) == (Origin.PUBLISHED, Special.MEASURED)
    command = catalogue.by_name("FURNACE_COMMAND")
    assert command.gap_us is None
    assert command.by_name["operating_mode"].special is Special.COMMANDED


def test_an_own_message_replaces_ours_by_number(own, catalogue):
    """The user's definition of a DGN takes the place of ours, the other messages stay."""
    merged = own(dbc("BATTERY", SOURCE_STATUS))
    assert merged.by_dgn(0x1FFFD) is merged.by_name("BATTERY")
    assert set(merged.names) == set(catalogue.names) - {"DC_SOURCE_STATUS_1"} | {"BATTERY"}
    assert len(merged) == len(catalogue)


def test_an_own_message_replaces_ours_by_name(own, catalogue):
    """The user's definition of a name takes the place of ours: no name stands for two numbers."""
    merged = own(dbc("DC_SOURCE_STATUS_1", OWN))
    assert merged.by_dgn(0x1FF00) is merged.by_name("DC_SOURCE_STATUS_1")
    assert merged.by_dgn(0x1FFFD) is None
    assert sorted(merged.names) == sorted(catalogue.names)
    assert [message.name for message in merged] == merged.names


def test_an_own_message_is_the_users(own):
    """Without attributes the origin is the user, there is no gap, and no code means trouble."""
    message = own(dbc(more=f'CM_ BO_ {OWN} "what";\n')).by_name("OWN_STATUS")
    assert (message.origin, message.source, message.gap_us, message.rule) == (Origin.USER, "", None, "")
    assert (message.dgn, message.priority, message.length, message.comment) == (0x1FF00, 6, 8, "what")
    assert message.file.endswith("a.dbc")
    field = only_field(own(dbc(length=1)))
    assert field.grades == Grades(Origin.USER, Origin.USER, Origin.USER)
    assert (field.code_grades, field.alarms, field.moves_with) == ({}, {}, ())
    assert (field.unit, field.source, field.comment) == ("", "", "")
    assert own(dbc()).by_name("OWN_STATUS").comment == ""


def test_an_own_file_may_state_our_attributes(own):
    """Gap, origin, source and special codes are taken from the attributes, by place in a list of words too."""
    stated = (
        f'BA_ "BroadcastGap" BO_ {OWN} 250;\nBA_ "Origin" BO_ {OWN} 1;\nBA_ "Source" BO_ {OWN} "our manual";\n'
        f'BA_ "SpecialCodes" SG_ {OWN} level 2;\nBA_ "Source" SG_ {OWN} level "page 5";\n'
        f'CM_ SG_ {OWN} level "how much";\n'
    )
    message = own(dbc(more=ATTRIBUTES + stated)).by_name("OWN_STATUS")
    assert (message.gap_us, message.origin, message.source) == (250_000, Origin.MEMORY, "our manual")
    (field,) = message.fields
    assert (field.special, field.source, field.comment) == (Special.COMMANDED, "page 5", "how much")


@pytest.mark.parametrize(("place", "origin"), [(0, Origin.PUBLISHED), (1, Origin.MEMORY), (2, Origin.UNSURE)])
def test_every_word_of_a_list_is_found_by_its_place(own, place, origin):
    """A DBC file states a word of a list by its place, counted from 0."""
    assert own(dbc(more=ATTRIBUTES + f'BA_ "Origin" BO_ {OWN} {place};\n')).by_name("OWN_STATUS").origin is origin


def test_the_longest_gap_is_a_day(own):
    """A gap of 24 hours is taken."""
    message = own(dbc(more=ATTRIBUTES + f'BA_ "BroadcastGap" BO_ {OWN} 86400000;\n')).by_name("OWN_STATUS")
    assert message.gap_us == 86_400_000_000


def test_defaults_of_attributes_count(own):
    """What the file sets for all messages and fields holds for those that state nothing."""
    message = own(dbc(more=ATTRIBUTES)).by_name("OWN_STATUS")
    assert (message.gap_us, message.origin) == (None, Origin.UNSURE)
    assert message.fields[0].special is Special.NONE


def test_names_of_codes_and_long_names(own):
    """Value tables name raw codes; a long name takes the place of the short one."""
    name = f'BA_ "SystemSignalLongSymbol" SG_ {OWN} level "a_name_of_more_than_thirty_two_characters";\n'
    more = f'VAL_ {OWN} level 0 "off" 1 "on" ;\n{LONG}{name}'
    field = only_field(own(dbc(more=more)))
    assert field.name == "a_name_of_more_than_thirty_two_characters"
    assert field.labels == {0: "off", 1: "on"}


@pytest.mark.parametrize(
    ("scale", "offset", "kept"),
    [
        ("1", "0", (1, 0, 0)),
        ("100", "0", (100, 0, 0)),
        ("1E2", "-40", (100, -40, 0)),
        ("0.05", "-1600", (5, -160000, 2)),
        ("0.03125", "-273", (3125, -27300000, 5)),
        ("1e-3", "-2000000", (1, -2000000000, 3)),
        ("1E-05", "0.5", (1, 50000, 5)),
        ("0.0078125", "0", (78125, 0, 7)),
        ("2.50", "-0.125", (2500, -125, 3)),
        ("1e-18", "1e18", (1, 10**36, 18)),
        ("1e18", "-1e18", (10**18, -(10**18), 0)),
    ],
)
def test_scales_are_kept_as_they_were_written(own, scale, offset, kept):
    """Scale and offset become integers over a power of ten, whose quotient is the decimal number in the file."""
    field = only_field(own(dbc(fields=FIELD.replace("(1,0)", f"({scale},{offset})"))))
    assert (field.scale, field.offset, field.decimals) == kept
    assert Decimal(field.scale).scaleb(-field.decimals) == Decimal(scale)
    assert Decimal(field.offset).scaleb(-field.decimals) == Decimal(offset)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_degree_sign_survives_in_either_encoding(own, encoding):
    """Files come as UTF-8, with or without a mark at the start, and in the encoding of older tools."""
    text = dbc(fields=FIELD.replace('""', '"°C"'))
    assert only_field(own(text.encode(encoding))).unit == "°C"


def test_frames_with_short_identifiers_are_left_out(own):
    """An 11-bit message never meets an RV-C bus; the other messages of the file are taken."""
    merged = own(dbc(more='\nBO_ 1024 SHORT: 8 any\n SG_ level : 0|8@1+ (1,0) [0|250] "" any\n'))
    assert "OWN_STATUS" in merged.names
    assert "SHORT" not in merged.names


def test_places_in_both_byte_orders(own):
    """cantools' start bits become places on one line of bits: most significant first for big-endian fields."""
    fields = (
        ' SG_ a : 12|12@1+ (1,0) [0|0] "" any\n SG_ b : 35|12@0+ (1,0) [0|0] "" any\n'
        ' SG_ c : 55|16@0- (1,0) [0|0] "" any\n'
    )
    message = own(dbc(fields=fields)).by_name("OWN_STATUS")
    places = [(field.first, field.length, field.big_endian, field.signed) for field in message.fields]
    assert places == [(12, 12, False, False), (36, 12, True, False), (48, 16, True, True)]
    data = bytes.fromhex("00 B0 0A 00 0D EF FF FE")
    theirs = cantools.database.load_string(dbc(fields=fields), database_format="dbc").messages[0]
    expected = theirs.decode(data, decode_choices=False, scaling=False)
    assert {r.field.name: r.raw for r in message.decode(data)} == expected == {"a": 0xAB, "b": 0xDEF, "c": -2}


# --- mistakes


def test_one_number_in_two_own_files(own):
    """One line names the number, both messages and both files."""
    (line,) = refused(own, dbc("FIRST"), dbc("SECOND", OWN & ~0xFF | 0x21))
    assert re.fullmatch(
        r"DGN 1FF00 hex is defined twice, as FIRST in \S*a\.dbc and as SECOND in \S*b\.dbc: keep one of them", line
    )


def test_one_number_twice_in_one_file(own, caplog):
    """Priority and source address make no difference; nothing else is said beside the one line."""
    again = f"\nBO_ {OWN | 7 << 26} AGAIN: 8 any\n{FIELD}"
    (line,) = refused(own, dbc(more=again))
    assert re.fullmatch(r"DGN 1FF00 hex is defined twice, as OWN_STATUS in \S*a.dbc and as AGAIN in \S*a.dbc: .*", line)
    (line,) = refused(own, dbc(more=f"\nBO_ {OWN} OWN_STATUS: 8 any\n{FIELD}"))
    assert caplog.records == []


def test_one_name_for_two_numbers(own):
    """One line names the message, both numbers and both files."""
    (line,) = refused(own, dbc(), dbc(number=SOURCE_STATUS))
    assert re.fullmatch(
        r"OWN_STATUS is defined twice, with DGN 1FF00 hex in \S*a\.dbc and with DGN 1FFFD hex in \S*b\.dbc: "
        "keep one of them",
        line,
    )


def test_every_double_definition_has_its_line(own):
    """All of them are told at once."""
    two = dbc(more=f"\nBO_ {SOURCE_STATUS} OTHER: 8 any\n{FIELD}")
    assert len(refused(own, two, two)) == 2


@pytest.mark.parametrize(
    ("text", "where"),
    [
        # line and column are those of the first character that fits nothing
        (dbc(fields=FIELD.replace("level :", "level ")), r"line 6, column 13: not DBC from '0\|8@1\+ .*' on"),
        (dbc(fields=FIELD.replace("level", "1st")), "line 6, column 6: not DBC from '1st : .*' on"),
        ("this is a letter\nto you", "line 1, column 1: not DBC from 'this is a letter' on"),
        ("x" * 60, f"line 1, column 1: not DBC from '{'x' * 40}' on"),
        (bytes(range(1, 256)), r"line 1, column 1: not DBC from '\\x01\\x02.*' on"),
        (dbc(more='CM_ "a comment"'), "line 7, column 16: the last statement is not finished"),
        (dbc(more='CM_ "a comment\n'), "line 7, column 5: not DBC from '\"a comment' on"),
        (dbc(fields=" SG_ level : 0|8@1+ (1,0)\n\n"), "line 6, column 26: the last statement is not finished"),
    ],
)
def test_a_file_that_is_not_dbc(own, text, where):
    """One line names the file, the line, the column and what stands there."""
    (line,) = refused(own, text)
    assert re.fullmatch(rf"\S*a\.dbc, {where}: correct the file", line)


def field(old, new, more=""):
    """Write a definition file with one message whose field differs from the usual one."""
    return dbc(fields=FIELD.replace(old, new), more=more)


LONG = 'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
SECOND = ' SG_ second : 8|8@1+ (1,0) [0|250] "" any\n'

WHOLE_FILE = [
    (dbc(number=OWN & 0x7FFFFFFF), "message OWN_STATUS has the number 436142334, which is more than 11 bits: "
     f"for a 29-bit identifier write {OWN}, which is the number with bit 31 set"),
    (dbc(more=f'BA_ "Foo" BO_ {OWN} 1;\n'), "uses 'Foo' without defining it: correct the file"),
    (dbc(more=f'VAL_ {OWN} other 0 "x" ;\n'), f"unused VAL_ entries in DBC: VAL_ {OWN} other: correct the file"),
    (dbc(more=ATTRIBUTES + f'BA_ "SpecialCodes" SG_ {OWN} level "measured";\n'),
     "an attribute is defined as a number and has another value: correct it"),
    (dbc(more=LONG.replace("Signal", "Message").replace("SG_", "BO_")
         + f'BA_ "SystemMessageLongSymbol" BO_ {OWN} "x\ny";\n'),
     "message x y: a name has letters, digits and underscores: rename it"),
    (dbc(number=1024), "has no message with a 29-bit identifier: name a DBC file of an RV-C network"),
    (b"", "has no message with a 29-bit identifier: name a DBC file of an RV-C network"),
]  # fmt: skip

ONE_MESSAGE = [
    (dbc(fields=FIELD + FIELD), ": signals level and level overlap: keep one of them"),
    (field("0|8", "60|8"), ": signal level does not fit: it ends after the last of 8 bytes"),
    (dbc(fields="", length=0), " has 0 bytes: a frame holds 1 to 8"),
    (dbc(fields="", length=9), " has 9 bytes: a frame holds 1 to 8"),
    (field("level", "level m0", SECOND.replace("second", "second M")),
     " is multiplexed, which is not supported: define the parts that you need as fields"),
    (field("8@1+", "32@1-", f"SIG_VALTYPE_ {OWN} level : 1;\n"),
     ": signal level is a float: define it as an integer with a scale"),
    (field("0|8", "-1|8"), ": signal level starts at bit -1: the first bit of a message is 0"),
    (field("(1,", "(0,"), ": signal level has the scale 0: write one above 0 (1e-18 to 1e18)"),
    (field("(1,", "(-0.5,"), ": signal level has the scale -0.5: write one above 0 (1e-18 to 1e18)"),
    (field("(1,", "(1e999,"), ": signal level has the scale inf: write one above 0 (1e-18 to 1e18)"),
    (field(",0)", ",-1e999)"), ": signal level has the offset -inf: write one within -1e18 to 1e18"),
    (field("8@1+", "8@1-", ATTRIBUTES + f'BA_ "SpecialCodes" SG_ {OWN} level 1;\n'),
     ": signal level is signed and has special codes, which only unsigned fields have: choose one"),
    (dbc(more=ATTRIBUTES + f'BA_ "SpecialCodes" SG_ {OWN} level 3;\n'),
     ": signal level: attribute SpecialCodes is 3: write one of none, no_data, unchanged, measured, commanded"),
    (dbc(more='BA_DEF_ BO_ "Origin" STRING ;\nBA_DEF_DEF_ "Origin" "the moon";\n'),
     ": attribute Origin is the moon: write one of published, memory, unsure, user"),
    (dbc(more=ATTRIBUTES + f'BA_ "BroadcastGap" BO_ {OWN} -5;\n'),
     ": attribute BroadcastGap is -5: write milliseconds, at most a day"),
    (dbc(more=ATTRIBUTES + f'BA_ "BroadcastGap" BO_ {OWN} 86400001;\n'),
     ": attribute BroadcastGap is 86400001: write milliseconds, at most a day"),
    (dbc(more='BA_DEF_ BO_ "BroadcastGap" STRING ;\nBA_DEF_DEF_ "BroadcastGap" "often";\n'),
     ": attribute BroadcastGap is often: write milliseconds, at most a day"),
    (field("level", "class", SECOND.replace("second", "class_")),
     ": signals class and class_ have names that are too similar: rename one"),
    (dbc(more=LONG + f'BA_ "SystemSignalLongSymbol" SG_ {OWN} level "a=print(1)";\n'),
     ": 'a=print(1)' cannot be the name of a field: letters, digits and underscores, no digit first: rename it"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "line"),
    [(text, f": {what}") for text, what in WHOLE_FILE]
    + [(text, f": message OWN_STATUS{what}") for text, what in ONE_MESSAGE],
    ids=lambda item: item[2:50] if item[:2] == ": " else "",
)
def test_a_definition_that_cannot_be_used(own, tmp_path, text, line):
    """One line names the file, the message and field, and what to do."""
    assert refused(own, text) == [f"{tmp_path / 'a.dbc'}{line}"]


def test_a_missing_file_and_a_folder(tmp_path, cache):
    """One line says which file and why."""
    (line,) = refused(load_catalogue, [tmp_path / "gone.dbc"], cache)
    assert line == f"{tmp_path / 'gone.dbc'}: cannot be read (No such file or directory): name a DBC file"
    (line,) = refused(load_catalogue, [tmp_path], cache)
    assert line == f"{tmp_path}: cannot be read (Is a directory): name a DBC file"
    (line,) = refused(load_catalogue, [Path("a\0b")], cache)
    assert "cannot be read (embedded null byte): name a DBC file" in line


def test_a_file_larger_than_any_definition_file(tmp_path, cache):
    """Something else than a definition file is not read to its end; up to 16 MiB it is."""
    path = tmp_path / "huge.dbc"
    path.write_bytes(bytes(16 << 20))
    (line,) = refused(load_catalogue, [path], cache)
    assert line.startswith(f"{path}, line 1, column 1: not DBC")
    path.write_bytes(bytes((16 << 20) + 1))
    (line,) = refused(load_catalogue, [path], cache)
    assert line == f"{path}: larger than 16 MiB, which no definition file is: name a DBC file"


@pytest.mark.parametrize("error", [MemoryError, RecursionError])
def test_a_file_that_takes_more_memory_than_there_is(own, tmp_path, monkeypatch, error):
    """Where memory ends, it is the file that is named."""

    def load_string(*args, **more):
        raise error

    monkeypatch.setattr("cantools.database.can.formats.dbc.load_string", load_string)
    assert refused(own, dbc(f"{error.__name__}")) == [
        f"{tmp_path / 'a.dbc'}: needs more memory than is available: remove from it what you do not need"
    ]


def size(old, new):
    """Write a file whose one message or signal states a size that no network has."""
    return dbc().replace(old, new)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (size(": 8 any", ": 100000 any"),
         ": message OWN_STATUS has 100000 bytes: no message has more than 1785; correct it"),
        (size(": 8 any", ": 1786 any"),
         ": message OWN_STATUS has 1786 bytes: no message has more than 1785; correct it"),
        (size(": 8 any", ": -1 any"), ": message OWN_STATUS has -1 bytes: no message has more than 1785; correct it"),
        (size("0|8@", "0|100000000@"),
         ": message OWN_STATUS: signal level has 100000000 bits: a signal has at least 1, a message at most 14280"),
        (size("0|8@", "0|0@"),
         ": message OWN_STATUS: signal level has 0 bits: a signal has at least 1, a message at most 14280"),
        (size("0|8@", "14280|8@"),
         ": message OWN_STATUS: signal level starts at bit 14280: no message has more than 14280 bits; correct it"),
        (size("0|8@1", "-9|8@0"),
         ": message OWN_STATUS: signal level starts at bit -9: the first bit of a message is 0"),
        (dbc(number=OWN | 1 << 30),
         f": message OWN_STATUS has the number {OWN | 1 << 30}, which has more than 29 bits and bit 31: correct it"),
        (dbc(number=OWN | 1 << 32),
         f": message OWN_STATUS has the number {OWN | 1 << 32}, which has more than 29 bits and bit 31: correct it"),
        (dbc(number=1 << 30),
         f": message OWN_STATUS has the number {1 << 30}, which is more than 11 bits: correct the file"),
        (size("0|8@", "1e1|8@"),
         ", line 6, column 14: not DBC from '1e1|8@1+ (1,0) [0|250] \"\" any' on: correct the file"),
        (size("(1,", "(1e1000,"), ", line 6, column 22: a number that is too large: correct the file"),
        (size("(1,", f"(1{'0' * 400},"), ", line 6, column 22: a number of more than 400 characters: correct the file"),
        (dbc(more=f'CM_ BO_ {OWN} "{"x" * 65535}";\n'),
         ", line 7, column 20: a text of more than 65536 characters: correct the file"),
        (dbc(more=f'VAL_ {OWN} level {"0 " * (1 << 17)};\n'),
         ", line 7, column 1: a statement of more than 131072 numbers and texts: correct the file"),
    ],
    ids=lambda item: item[-60:-20],
)  # fmt: skip
def test_a_size_that_no_network_has_is_refused_from_the_text(own, tmp_path, monkeypatch, text, line):
    """What would take minutes and gigabytes to build is never handed to the parser."""
    monkeypatch.setattr("cantools.database.can.formats.dbc.load_string", None)
    assert refused(own, text) == [f"{tmp_path / 'a.dbc'}{line}"]


def test_the_largest_that_are_read(own):
    """Just within its bounds a text, a number and a list of codes are taken."""
    codes = " ".join(f'{code} "x"' for code in range(65_000))
    more = f'CM_ BO_ {OWN} "{"x" * 65534}";\nVAL_ {OWN} level {codes} ;\n'
    message = own(dbc(fields=FIELD.replace("0|8", "0|16").replace("(1,", f"({'0' * 399}1,"), more=more)).by_name(
        "OWN_STATUS"
    )
    assert (len(message.comment), len(message.fields[0].labels), message.fields[0].scale) == (65534, 65_000, 1)


def test_a_damaged_statement_that_nobody_uses_hides_no_message(own):
    """Where a semicolon is missing, the message behind it is not skipped as a part of the statement."""
    for lost in ('VAL_TABLE_ T 0 "off"\n', "BO_TX_BU_ 1 : a\n", 'BA_REL_ "x" BU_BO_REL_ a 1\n', 'CM_ BU_ a "x"\n'):
        (line,) = refused(own, dbc().replace("BO_", f"{lost}BO_", 1))
        assert re.search(r"a\.dbc, line 6, column 1: not DBC from 'BO_ \d+ OWN_STATUS", line)


def test_a_great_many_double_definitions_are_counted(own):
    """Some are told, and how many more there are."""
    many = dbc(more="".join(f"BO_ {OWN + 256 * number} M{number}: 8 any\n" for number in range(1, 70)))
    lines = refused(own, many, many)
    assert (len(lines), lines[-1]) == (51, "and 20 more")
