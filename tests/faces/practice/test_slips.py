"""Answers as people get them wrong: the reason that is given is the very mistake."""

import re
from fractions import Fraction
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.practice.course import MAKERS
from rvsim.faces.practice.exercise import Bytes, Hex, Kind, Number, Several, Words, usual_mistakes
from rvsim.faces.practice.material import load_material
from rvsim.faces.practice.session import judged
from rvsim.faces.practice.slips import slip_in, why_wrong

VOLTS = Number(Fraction(138, 10), "V", Fraction(2, 100))
BYTES = Bytes(bytes.fromhex("010AC864"))
FAULT = Several((Number(Fraction(260)), Number(Fraction(3))))
PAIR = Several((Hex(0x5E), Hex(0xB9)), is_ordered=False)
WHOLE = Several((Hex(0x19FFE25E, 8), Bytes(bytes.fromhex("01FF"))))


@pytest.mark.parametrize(
    ("answer", "text", "says"),
    [
        (VOLTS, "13.8 A", "the unit is not: it is in V"),
        (VOLTS, "13800 mV", "Write it in V."),
        (VOLTS, "-13.8", "sign"),
        (VOLTS, "138", "decimal point"),
        (VOLTS, "0.138 V", "decimal point"),
        (VOLTS, "13.83", "do not round"),
        (VOLTS, "13.9", None),
        (VOLTS, "nonsense", None),
        (Number(Fraction(0), "A", Fraction(1, 100)), "1", None),
        (Number(Fraction(65259)), "65,259", "read as that of a decimal"),
        (Number(Fraction(65259)), "65.259", "read as that of a decimal"),
        (Number(Fraction(65259)), "FEEB", "That is the number in hex: in decimal it is 65259."),
        (Number(Fraction(120)), "78", "in hex"),
        (Number(Fraction(120)), "12O", "A letter stands for a digit"),
        (Number(Fraction(120)), "120 V", "It has no unit."),
        (Hex(0x5E), "94", "in decimal: in hex it is 5E"),
        (Hex(0x5E), "01011110", "in binary: in hex it is 5E"),
        (Hex(0x5E), "5F", None),
        (Hex(0x10), "lO", "A letter stands for a digit"),
        (BYTES, "1 10 200 100", "in decimal: in hex they are 01 0A C8 64"),
        (BYTES, "1 A C8 64", "two hex digits for each byte"),
        (BYTES, "010AC86", "7 hex digits"),
        (BYTES, "01 0A C8", "These are 3 bytes: 4 are asked for."),
        (BYTES, "64 C8 0A 01", "opposite order"),
        (BYTES, "01 0A C8 65", "Only byte 3 is wrong."),
        (BYTES, "02 0A C8 65", None),
        (BYTES, "O1 OA C8 64", "A letter stands for a digit"),
        (BYTES, "no idea", None),
        (Words("0010"), "10", "Write all 4 digits"),
        (Words("0010"), "2", "in decimal: the bits are 0010"),
        (Words("0010"), "0100", "opposite order"),
        (Words("0010"), "0011", None),
        (Words("no data"), "10", None),
        (FAULT, "3 260", "opposite order"),
        (FAULT, "260", "2 answers are asked for, and these are 1."),
        (FAULT, "261 3", "The first part is not right."),
        (FAULT, "260 4", "The second part is not right."),
        (FAULT, "104 3", "The first part is not right. That is the number in hex"),
        (FAULT, "1 2", None),
        (PAIR, "5E B8", "One of both is right."),
        (PAIR, "5E", "2 answers are asked for"),
        (PAIR, "11 12", None),
        (WHOLE, "19FFE25E 01FE", "The second part is not right. Only byte 1 is wrong."),
        (WHOLE, "", None),
    ],
)
def test_a_slip_is_named(answer, text, says):
    """In one sentence; nothing is said of an answer that is not near."""
    assert not answer.fits(text)
    found = slip_in(text, answer)
    assert (found is None) == (says is None), found
    assert (says or "") in (found or "")


@pytest.mark.parametrize(
    ("answer", "texts"),
    [
        (FAULT, ["SPN 260 FMI 3", "spn=260, fmi=3", "260/3", "SPN: 0x104; FMI: 3"]),
        (PAIR, ["5E & B9", "b9 + 5e", "addresses 5E and B9", "0x5E 0xB9"]),
        (WHOLE, ["19FFE25E#01FF", "identifier 19FFE25E data 01 FF"]),
        (Several((Words("output"), Number(Fraction(2)), Number(Fraction(1)))), ["output, line 2, instance 1"]),
    ],
)
def test_labels_do_not_matter(answer, texts):
    """Written as a person would write them beside each other."""
    for text in texts:
        assert answer.fits(text), text


@pytest.fixture(scope="module")
def material(catalogue):
    """A minute of the shipped vehicle."""
    return load_material(None, catalogue, 1)


def drawn(material, kind, level, count=25):
    """Exercises of a kind, with the texts of their questions."""
    for number in range(count):
        exercise = MAKERS[kind](Random(f"slip:{kind}:{level}:{number}"), material, level)
        assert exercise is not None
        yield exercise, " ".join(exercise.question)


@pytest.mark.parametrize("level", [1, 2, 3])
def test_slips_in_identifiers(material, level):
    """The neighbouring byte, the number in decimal, the page or the destination left in."""
    for exercise, question in drawn(material, Kind.IDENTIFIER, level):
        text = re.search(r"[0-9A-F]{8}", question)[0]
        if "source address" in question and text[4:6] != text[6:]:
            assert "low byte of the DGN" in why_wrong(exercise, text[4:6])
            if (decimal := str(int(text[6:], 16))) not in (text[4:6], text[:2]):
                assert exercise.is_right(decimal) or "decimal" in why_wrong(exercise, decimal)
        if "DGN" in question:
            page = int(text[:2], 16) & 3
            assert "priority is still in it" in why_wrong(exercise, text[:6]) or int(text[2:4], 16) < 0xF0
            if page:
                assert "data page is missing" in why_wrong(exercise, exercise.answer.shown[1:])
            if int(text[2:4], 16) < 0xF0 and text[4:6] != "00":
                assert "is a destination" in why_wrong(exercise, f"{page}{text[2:6]}")
        if "For which address" in question and len({text[2:4], text[4:6], text[6:]}) == 3:
            assert "source address" in why_wrong(exercise, text[6:])
            assert "message group byte" in why_wrong(exercise, text[2:4])


def test_counting_bytes_from_one_is_named(material):
    """Who counts from one takes the bytes before; the reason says where the count begins."""
    named = 0
    for exercise, question in drawn(material, Kind.PLACE, 1):
        first, last = (int(one) // 8 for one in re.search(r"the bits (\d+) to (\d+)", question).groups())
        data = bytes.fromhex(re.search(r"[A-Z_0-9]+  ((?:[0-9A-F]{2} )*[0-9A-F]{2})", question)[1])
        early, late = data[first - 1 : last].hex(" "), data[first + 1 : last + 2].hex(" ")
        if not exercise.is_right(early):
            assert "Bytes count from 0" in why_wrong(exercise, early)
            if late != early and not exercise.is_right(late) and len(late) == len(early):
                assert "one byte too late" in why_wrong(exercise, late)
                named += 1
    assert named


def test_zeros_in_place_of_no_data_are_named(material):
    """And the high byte first, and a frame that ends too early."""
    for exercise, question in drawn(material, Kind.BUILD, 3):
        data = exercise.answer.data
        places = re.search(r" and in bytes? (\d)(?:-(\d))?", question)
        field = range(int(places[1]), int(places[2] or places[1]) + 1)
        zeros = bytes(byte if place == 0 or place in field else 0 for place, byte in enumerate(data))
        assert "FF, no data: 00 would be a value" in why_wrong(exercise, zeros.hex(" "))
        assert f"bytes: {len(data)} are asked for" in why_wrong(exercise, data[:-1].hex())
        turned = bytearray(data)
        turned[field.start : field.stop] = data[field.start : field.stop][::-1]
        if turned != data:
            assert "the low byte comes first" in why_wrong(exercise, turned.hex())


def test_the_reason_stands_behind_the_answer(material):
    """As it is shown to a person: the right answer, the reason, how it is done."""
    exercise, _ = next(drawn(material, Kind.OHMS, 1))
    reply = judged(exercise, f"-{exercise.answer.shown}")
    assert reply.lines[0] == f"Wrong: it is {exercise.answer.shown}."
    assert reply.lines[1] == "The sign is wrong."


@given(st.text(max_size=30))
def test_any_text_has_a_slip_or_none(text):
    """Nothing else happens, whatever is typed."""
    for answer in (VOLTS, BYTES, FAULT, PAIR, WHOLE, Words("0010"), Hex(0x5E)):
        found = slip_in(text, answer)
        assert found is None or found.endswith(".")


def test_no_two_reasons_for_one_answer():
    """Of mistakes with one answer the first stands, and none that is right."""
    known = [(Hex(0x5E), "right"), (Hex(0x10), "first"), (Hex(0x10), "second"), (Hex(0x11), "third")]
    assert [one.why for one in usual_mistakes(Hex(0x5E), known)] == ["first", "third"]


def test_the_lowest_source_address_does_not_go_first(material):
    """Of several frames the bits before it decide; the highest number is another mistake."""
    named = 0
    for exercise, question in drawn(material, Kind.TURN, 3):
        shown = [int(one, 16) for one in re.findall(r"([0-9A-F]{8}) = ", question)]
        by_source = min(shown, key=lambda one: one & 0xFF)
        assert "a recessive 1 loses" in why_wrong(exercise, f"{max(shown):08X}")
        if by_source not in (min(shown), max(shown)):
            assert "the bits before it have decided" in why_wrong(exercise, f"{by_source:08X}")
            named += 1
    assert named
