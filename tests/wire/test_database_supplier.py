"""rvsim.wire.database: a supplier's file is read unchanged; a mistake in a message leaves out that message."""

import random
import re

import canmatrix.formats
import pytest

from rvsim.errors import InputError
from rvsim.shipped import dbc_files
from rvsim.wire.database import load_catalogue

HEAD = """VERSION "7.1"

NS_ :
\tNS_DESC_
\tCM_
\tBA_DEF_
\tVAL_
\tSG_MUL_VAL_

BS_: 250 : 1,2

BU_: Maker Other

"""
TAIL = """
CM_ "the whole network";
CM_ BU_ Maker "who sends; BO_ 1 X: 8 Y";
EV_ Cabin: 0 [0|1] "" 0 1 DUMMY_NODE_VECTOR0 Vector__XXX;
ENVVAR_DATA_ Cabin: 5;
BO_TX_BU_ 2583625982 : Maker,Other;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "VFrameFormat" INT 0 15;
BA_DEF_ SG_ "GenSigStartValue" STRING ;
BA_DEF_ SG_ "SPN" INT 0 524287;
BA_DEF_REL_ BU_BO_REL_ "Timeout" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenSigStartValue" "0";
BA_DEF_DEF_REL_ "Timeout" 0;
BA_REL_ "Timeout" BU_BO_REL_ Maker 2583625982 100;
SIG_GROUP_ 2583625982 both 1 : level;
VAL_TABLE_ OnOff 1 "on" 0 "off" ;
VAL_ Cabin 0 "closed" ;
"""
SIGNAL = ' SG_ level : 0|8@1+ (0.5,0) [0|125] "%" Maker,Other\n'
GOOD = 2583625982
ODD = 2583626238


def message(name, number, fields=SIGNAL, length=8):
    """Write a message."""
    return f"BO_ {number} {name}: {length} Maker\n{fields}\n"


def odd(fields=SIGNAL, length=8):
    """Write the message that something is wrong with."""
    return message("ODD", ODD, fields, length)


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    """Give one cache folder for all, so that the shipped definitions are compiled once."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def supplied(tmp_path, cache):
    """Load a supplier's file: one good message, and what is given."""

    def go(more="", tail="", text=None, encoding="utf-8"):
        path = tmp_path / "s.dbc"
        whole = HEAD + message("GOOD", GOOD) + more + TAIL + tail if text is None else text
        path.write_bytes(whole.encode(encoding))
        return load_catalogue([path], cache)

    return go


def test_what_a_supplier_writes_for_others_is_passed_over(supplied):
    """Bit timing, nodes, environment, groups and attributes that we do not read stand in no way."""
    catalogue = supplied("", f'BA_ "GenSigStartValue" SG_ {GOOD} level "three";\nSGTYPE_ any : 8@1+ (1,0) ;\n')
    spec = catalogue.by_name("GOOD")
    assert [(field.name, field.scale, field.decimals, field.unit) for field in spec.fields] == [("level", 5, 1, "%")]
    assert (spec.gap_us, spec.comment, catalogue.left_out) == (None, "", ())


@pytest.mark.parametrize("timing", ["BS_:", "BS_: ", "BS_: 250000 : 0,0", "BS_ : 250 : 1 , 2 ;", "BS_:500"])
def test_bit_timing_in_any_form(supplied, timing):
    """BS_ is ignored, whatever it holds."""
    text = (HEAD + message("GOOD", GOOD) + TAIL).replace("BS_: 250 : 1,2", timing)
    assert "GOOD" in supplied(text=text).names


@pytest.mark.parametrize(
    ("more", "tail", "why"),
    [
        (odd(' SG_ page M : 0|8@1+ (1,0) [0|0] "" Maker\n SG_ a m0 : 8|8@1+ (1,0) [0|0] "" Maker\n'),
         f'VAL_ {ODD} page 0 "first" 1 "second" ;\nSG_MUL_VAL_ {ODD} a page 0-900000000;\n',
         " is multiplexed, which is not supported: define the parts that you need as fields"),
        (odd(), f"SG_MUL_VAL_ {ODD} level page 0-3;\n",
         " is multiplexed, which is not supported: define the parts that you need as fields"),
        (odd(length=64), "", " has 64 bytes: a frame holds 1 to 8"),
        (odd(length=9), "", " has 9 bytes: a frame holds 1 to 8"),
        (odd(length=1785), "", " has 1785 bytes: a frame holds 1 to 8"),
        (odd(length=0, fields=""), "", " has 0 bytes: a frame holds 1 to 8"),
        (odd(SIGNAL + ' SG_ more : 7|8@1+ (1,0) [0|0] "" Maker\n'), f'VAL_ {ODD} more 0 "no" ;\n',
         ": signals level and more overlap: keep one of them"),
        (odd(SIGNAL.replace("8@1", "32@1")), f"SIG_VALTYPE_ {ODD} level : 1;\n",
         ": signal level is a float: define it as an integer with a scale"),
        (odd(SIGNAL.replace("8@1", "64@1")), f"SIG_VALTYPE_ {ODD} level 2;\n",
         ": signal level is a float: define it as an integer with a scale"),
        (odd(SIGNAL.replace("0|8@1", "57|8@1")), "", ": signal level does not fit: it ends after the last of 8 bytes"),
        (odd(SIGNAL.replace("0|8@1", "62|8@0")), "", ": signal level does not fit: it ends after the last of 8 bytes"),
        (odd(SIGNAL.replace("0|8@1", "64|1@1")), "", ": signal level does not fit: it ends after the last of 8 bytes"),
        (odd(SIGNAL.replace("(0.5", "(-0.5")), "",
         ": signal level has the scale -0.5: write one above 0 (1e-18 to 1e18)"),
    ],
)  # fmt: skip
def test_a_message_that_cannot_be_used_is_left_out_by_name(supplied, tmp_path, more, tail, why):
    """The others are used, and what was left out is told with the reason."""
    for catalogue in (supplied(more, tail), supplied(more, tail)):  # the second one from the cache
        assert "GOOD" in catalogue.names
        assert "ODD" not in catalogue.names
        where = tmp_path / "s.dbc"
        assert catalogue.left_out == (
            f"{where}: 1 of 2 messages is left out; the others are used",
            f"{where}: left out: message ODD{why}",
        )


def test_messages_with_one_reason_share_a_line(supplied):
    """A file of many long messages is told in two lines."""
    more = "".join(message(f"LONG_{number}", ODD + 256 * number, length=20) for number in range(60))
    head, line = supplied(more).left_out
    assert head.endswith("s.dbc: 60 of 61 messages are left out; the others are used")
    assert line.endswith("LONG_48, LONG_49, and 10 more: each has 20 bytes: a frame holds 1 to 8")


@pytest.mark.parametrize(
    "fields",
    [
        SIGNAL.replace("0|8@1", "56|8@1"),
        SIGNAL.replace("0|8@1", "63|8@0"),
        SIGNAL.replace("0|8@1", "7|64@0"),
        SIGNAL.replace("0|8@1", "0|64@1"),
        ' SG_ a : 4|4@0+ (1,0) [0|0] "" Maker\n SG_ b : 5|3@1+ (1,0) [0|0] "" Maker\n',
        "".join(f' SG_ b{bit} : {bit}|1@{bit % 2}+ (1,0) [0|0] "" Maker\n' for bit in range(64)),
        "",
    ],
)
def test_what_fits_to_the_last_bit_is_used(supplied, fields):
    """Signals at the edges of the frame and side by side, in both byte orders, are no mistake."""
    catalogue = supplied(odd(fields))
    assert len(catalogue.by_name("ODD").fields) == fields.count("SG_")
    assert catalogue.left_out == ()


def test_messages_of_other_networks_are_passed_over(supplied):
    """Short identifiers and signals of no message are no messages of an RV-C network, whatever is wrong with them."""
    more = (
        message("VECTOR__INDEPENDENT_SIG_MSG", 3221225472, SIGNAL * 70, 0)
        + message("SHORT", 1024, SIGNAL + SIGNAL, 64)
        + message("LAST_SHORT", 2047, SIGNAL.replace("level", "level m0"), 100000)
    )
    tail = 'VAL_ 3221225472 level 0 "x" ;\nVAL_ 1024 level 0 "x" ;\nCM_ SG_ 1024 level "y";\n'
    tail += "SIG_VALTYPE_ 1024 level : 1;\n"
    catalogue = supplied(more, tail)
    assert {"VECTOR__INDEPENDENT_SIG_MSG", "SHORT", "LAST_SHORT"}.isdisjoint(catalogue.names)
    assert catalogue.left_out == ()


@pytest.mark.parametrize(
    ("stated", "default", "gap_us"),
    [("500", "0", 500_000), ("", "250", 250_000), ("0", "250", None), ("-1", "0", None), ("86400001", "0", None)],
)
def test_a_cycle_time_is_a_gap(supplied, stated, default, gap_us):
    """GenMsgCycleTime, in milliseconds, is how far a message's frames may be apart; what cannot be one is none."""
    text = (HEAD + message("GOOD", GOOD) + TAIL).replace('"GenMsgCycleTime" 0;', f'"GenMsgCycleTime" {default};')
    tail = f'BA_ "GenMsgCycleTime" BO_ {GOOD} {stated};\n' if stated else ""
    assert supplied(text=text + tail).by_name("GOOD").gap_us == gap_us


@pytest.mark.parametrize("kind", ["STRING ;", 'ENUM "slow","fast";', "FLOAT 0 10;"])
def test_a_cycle_time_of_another_kind(supplied, kind):
    """A number is a gap, in whatever form; a word is none and stands in no way."""
    text = (HEAD + message("GOOD", GOOD) + TAIL).replace('"GenMsgCycleTime" INT 0 65535;', f'"GenMsgCycleTime" {kind}')
    text = text.replace(
        '"GenMsgCycleTime" 0;', f'"GenMsgCycleTime" {"2.5" if "FLOAT" in kind else chr(34) + "slow" + chr(34)};'
    )
    assert supplied(text=text).by_name("GOOD").gap_us == (2500 if "FLOAT" in kind else None)


def test_two_messages_of_one_number_stay_a_mistake(supplied):
    """Nobody can say which of them is meant, so both are named."""
    with pytest.raises(InputError, match=r"DGN 1FF00 hex is defined twice, as GOOD in .* and as AGAIN in "):
        supplied(message("AGAIN", GOOD + 1))


def test_a_file_of_which_nothing_can_be_used_says_why(supplied, tmp_path):
    """Each message has its line."""
    text = HEAD + odd(length=64) + message("ALSO", GOOD, SIGNAL + SIGNAL) + 'BA_DEF_ BO_ "x" STRING ;\n'
    with pytest.raises(InputError) as caught:
        supplied(text=text)
    assert caught.value.problems == (
        f"{tmp_path / 's.dbc'}: message ODD has 64 bytes: a frame holds 1 to 8",
        f"{tmp_path / 's.dbc'}: message ALSO: signals level and level overlap: keep one of them",
    )


def test_names_of_codes_and_units_are_one_line(supplied):
    """A control character in a text of the file becomes a blank: what is shown is one line on any terminal."""
    fields = SIGNAL.replace('"%"', '"\x1b[2J%"')
    (field,) = supplied(odd(fields), f'VAL_ {ODD} level 1 "a\nb\x9bc" ;\n').by_name("ODD").fields
    assert (field.unit, field.labels[1]) == (" [2J%", "a b c")


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_files_of_other_systems(supplied, end, encoding):
    """Line ends and encodings of older tools, and comments of the format, are read."""
    text = HEAD + "// °C are meant\n" + message("GOOD", GOOD, SIGNAL.replace('"%"', '"°C"')) + TAIL + "// the end"
    (field,) = supplied(text=text.replace("\n", end), encoding=encoding).by_name("GOOD").fields
    assert field.unit == "°C"


@pytest.mark.parametrize("path", dbc_files(), ids=lambda path: path.stem)
def test_nothing_is_left_out_of_our_own_files(path, cache, catalogue):
    """Given as a file of the user's own, each has the same messages, none left out."""
    given = load_catalogue([path], cache)
    assert given.left_out == ()
    assert sorted(given.names) == sorted(catalogue.names)
    assert {spec.name: spec for spec in given} == {spec.name: spec for spec in catalogue}


@pytest.mark.parametrize("seed", range(20))
def test_another_reader_finds_the_same_messages(supplied, tmp_path, seed):
    """What is used and what is left out are together what canmatrix reads; and their signals are the same."""
    draw = random.Random(seed)
    catalogue = supplied("".join(message(f"M{number}", ODD + 256 * number, *drawn(draw)) for number in range(12)))
    (theirs,) = canmatrix.formats.loadp(str(tmp_path / "s.dbc")).values()
    frames = {frame.name: frame for frame in theirs.frames}
    used = {name for name in catalogue.names if catalogue.by_name(name).file.endswith("s.dbc")}
    left = {name for name in frames if re.search(rf"\b{name}\b", "\n".join(catalogue.left_out[1:]))}
    assert (used | left, used & left) == (set(frames), set())
    for name, frame in frames.items():
        assert (name in used) == usable(frame), name
    for name in used:
        ours = {field.name: (field.first, field.length, field.big_endian) for field in catalogue.by_name(name).fields}
        assert ours == {
            signal.name: (signal.start_bit, signal.size, not signal.is_little_endian) for signal in frames[name].signals
        }


def drawn(draw):
    """Draw the signals and the length of a message: some overlap, some are too long, some multiplexed."""
    order, size = draw.choice("001"), draw.randint(1, 24)
    marks = draw.choice([("", ""), ("", ""), ("", ""), (" M", " m0")])
    fields = "".join(
        f' SG_ s{place}{mark} : {draw.randrange(60)}|{size}@{order}+ (0.05,0) [0|0] "" Maker\n'
        for place, mark in enumerate(marks[: draw.choice([0, 1, 2, 2, 2])])
    )
    return fields, draw.choice([8, 8, 8, 3, 64])


def usable(frame):
    """Tell whether canmatrix knows a frame that we read; its start bits are the first ones on the wires."""
    places = [set(range(signal.start_bit, signal.start_bit + signal.size)) for signal in frame.signals]
    wires = [
        {bit ^ 7 for bit in bits} if signal.is_little_endian else bits
        for bits, signal in zip(places, frame.signals, strict=True)
    ]
    fits = all(max(bits) < 8 * frame.size for bits in places)
    apart = len(set().union(*wires)) == sum(map(len, wires))
    marked = any(signal.multiplex is not None for signal in frame.signals)
    return 0 < frame.size <= 8 and fits and apart and not marked
