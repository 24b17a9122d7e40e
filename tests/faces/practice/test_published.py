"""Every published example is in the practice bank, and `spell` says of it what its source says.

What is expected stands here as it was read out of the text of each row of `tests/vectors/examples.csv`, not out of the
decoder.
"""

import csv
import re
from itertools import islice
from pathlib import Path

import pytest

from rvsim.faces.practice.published_exercises import examples, exercise_of
from rvsim.faces.text.spell import as_text
from rvsim.faces.text.spell_given import read_given
from rvsim.faces.text.spell_layout import layout_text

ROWS = list(
    csv.DictReader((Path(__file__).parents[2] / "vectors" / "examples.csv").read_text(encoding="utf-8").splitlines())
)
ANSWERS: dict[int, tuple[str, ...]] = {
    1: ("13.8 V", "0 A", "120"),
    2: ("13.5 V",),
    3: ("0 A",),
    4: ("0 A",),
    5: ("3212.5 V",),
    6: ("15 °C", "-273"),
    7: ("-40 °C",),
    8: ("0 mV/s",),
    9: ("output 1 1",),
    10: ("output, 2, 1",),
    11: ("input 1 1",),
    12: ("Input 2 1",),
    13: ("65259",),
    14: ("65242",),
    15: ("130762",),
    16: ("131031",),
    17: ("131028",),
    18: ("131027",),
    19: ("131018",),
    20: ("131017",),
    21: ("131015",),
    22: ("130723",),
    23: ("130966",),
    24: ("131069",),
    25: ("131068",),
    26: ("131067",),
    27: ("59904",),
    28: ("60928",),
    29: ("no fault",),
    30: ("li3",),
    31: ("FF",),
    32: ("1",),
    33: ("2",),
    34: ("all",),
    35: ("no data",),
    36: ("100 %",),
    37: ("2",),
    38: ("700 rpm", "3"),
    39: ("1",),
    40: ("2",),
    41: ("3",),
    42: ("4",),
    43: ("5",),
    44: ("6",),
    45: ("7", "11 F0"),
    46: ("65226",),
    47: ("62982",),
    48: ("62995",),
    49: ("64526",),
    50: ("31744",),
    51: ("0FEEE",),
    52: ("FECA",),
}
"""The published answers by row, as a person would write them."""
SPELLED: dict[int, tuple[tuple[str, ...], tuple[str, ...]]] = {
    1: (
        ("19FFFD45", "01 78 14 01 00 94 35 77"),
        ("45 hex", "1FFFD hex: DC_SOURCE_STATUS_1", "instance 01 hex = 1", "78 hex = 120", "276 × 0.05 = 13.8 V",
         "2000000000 × 0.001 - 2000000 = 0 A"),
    ),
    2: (("DC_SOURCE_STATUS_1", "01 78 0E 01 FF FF FF FF"), ("0E 01, low byte first: 010E hex = 270", "13.5 V")),
    3: (("DC_SOURCE_STATUS_1", "01 78 FF FF 00 94 35 77"), ("77359400 hex", "= 0 A")),
    4: (("CHARGER_STATUS_2", "01 01 78 0E 01 00 7D FF"), ("00 7D, low byte first: 7D00 hex = 32000", "= 0 A")),
    5: (("DC_SOURCE_STATUS_1", "01 78 FA FA FF FF FF FF"), ("FAFA hex = 64250", "= 3212.5 V")),
    6: (("DC_SOURCE_STATUS_2", "01 78 00 24 FF FF FF FF"), ("2400 hex = 9216", "9216 × 0.03125 - 273 = 15 °C")),
    7: (("CHARGER_STATUS_2", "01 01 78 0E 01 00 7D 00"), ("00 hex = 0; 0 × 1 - 40 = -40 °C",)),
    8: (("DC_SOURCE_STATUS_5", "01 78 FF FF FF FF 00 7D"), ("7D00 hex = 32000", "bytes 6-7", "= 0 V/s")),
    9: (("INVERTER_AC_STATUS_1", "41 FF FF FF FF FF FF FF"), ("0001 binary = 1", "0: line 1", "1: output")),
    10: (("INVERTER_AC_STATUS_1", "51 FF FF FF FF FF FF FF"), ("0001 binary = 1", "1: line 2", "1: output")),
    11: (("INVERTER_AC_STATUS_1", "01 FF FF FF FF FF FF FF"), ("0001 binary = 1", "0: line 1", "0: input")),
    12: (("INVERTER_AC_STATUS_1", "11 FF FF FF FF FF FF FF"), ("0001 binary = 1", "1: line 2", "0: input")),
    29: (("19FECA45", "00 00 FF FF FF 00 00 00"), ("7FFFF hex = 524287: no fault", "11111 binary = 31", "No fault.")),
    30: (("18FEEB45", "4C 49 33 2A 38 2A 2A 20"), ("0FEEB hex: PRODUCT_IDENTIFICATION", "make 'LI3' and model '8'")),
    31: (("19FFFD45", "01 78 14 01 FF FF FF FF"), ("FF FF FF FF: no data",)),
    32: (("WINDOW_SHADE_CONTROL_STATUS", "01 7E FF FF FF FF FF FF"), ("7E hex = 126: group 1",)),
    33: (("WINDOW_SHADE_CONTROL_STATUS", "01 7D FF FF FF FF FF FF"), ("7D hex = 125: group 2",)),
    34: (("WINDOW_SHADE_CONTROL_STATUS", "01 00 FF FF FF FF FF FF"), ("00 hex = 0: all groups",)),
    35: (("WINDOW_SHADE_CONTROL_STATUS", "01 FF FF FF FF FF FF FF"), ("group FF hex = 255: no data",)),
    36: (("FURNACE_STATUS", "01 00 C8 FF FF FF FF FF"), ("C8 hex = 200; 200 × 0.5 = 100 %",)),
    37: (
        ("DIGITAL_INPUT_STATUS", "05 01 01 02 FF FF FF FF"),
        ("05 hex = 5", "01 hex = 1: on", "01 binary = 1: momentary", "positions 02 hex = 2", "1111 binary = 15"),
    ),
    38: (("0CF00400", "FF 7D 7D E0 15 FF F0 FF"), ("priority 3", "0F004 hex", "source address: 00 hex")),
    45: (("1CFECA27", "04 FF 11 F0 E0 01 FF FF"), ("priority 7", "0FECA hex: DM1", "27 hex", "SPN 520209, FMI 0")),
    46: (("PGN 65226",), ("DM1, DGN 0FECA hex (65226)", "priority 6")),
    47: (("18F60680", "00"), ("0F606 hex", "F6 hex", "06 hex", "priority 6", "0 data page")),
    48: (("18F61380", "00"), ("0F613 hex", "F6 hex", "13 hex", "priority 6", "0 data page")),
    49: (("18FC0E80", "00"), ("0FC0E hex", "FC hex", "0E hex", "priority 6", "0 data page")),
    50: (("1C7CFF80", "00"), ("07C00 hex", "7C hex", "to everyone", "priority 7", "0 data page")),
    51: (("18EAFFF9", "EE FE 00"), ("F9 hex", "to everyone", "0EA00 hex: REQUEST_FOR_DGN", "00FEEE hex")),
    52: (("18ECFF00", "20 14 00 03 FF CA FE 00"), ("Broadcast announce", "20 bytes", "0FECA hex: DM1")),
}  # fmt: skip
"""What is given to `spell` for a row, and what its source says of it; rows of a DGN pair and priorities are below."""
NAMES = {"PRODUCT_ID": "PRODUCT_IDENTIFICATION", "SOFTWARE_ID": "SOFTWARE_IDENTIFICATION"}


def spelled(catalogue, *words):
    """What `spell` prints, in one line."""
    given = read_given(words, catalogue)
    if given.frame is None:
        lines = list(islice(layout_text(catalogue.by_name(given.message), catalogue), 12))
    else:
        lines = list(as_text(given.frame, catalogue))
    return " ".join("\n".join(lines).split())


def test_every_row_is_in_the_bank():
    """Each row is asked, and nothing else; each exercise names the source of its row."""
    assert {int(one["example"]) for one in examples()} == set(ANSWERS) == set(range(1, len(ROWS) + 1))
    for one in examples():
        row = ROWS[int(one["example"]) - 1]
        assert one["source"] == row["source"]


@pytest.mark.parametrize("number", ANSWERS)
def test_the_published_answer_is_right(number):
    """And no answer to another question of the row."""
    asked = [exercise_of(one, 2) for one in examples() if int(one["example"]) == number]
    for exercise, answer in zip(asked, ANSWERS[number], strict=True):
        assert exercise.is_right(answer), (exercise.question, answer)
        assert [one for one in ANSWERS[number] if exercise.is_right(one)] == [answer]
        assert not exercise.is_right("")
        assert max(map(len, " ".join(exercise.question).split())) < 60


@pytest.mark.parametrize("number", SPELLED)
def test_spell_says_what_is_published(catalogue, number):
    """A frame, or a message with the bytes of the row in a field of that kind."""
    words, says = SPELLED[number]
    said = spelled(catalogue, *words)
    for one in says:
        assert one in said, one


@pytest.mark.parametrize("number", [number for number, row in enumerate(ROWS, 1) if "pair" in row["scope"]])
def test_both_numbers_of_a_message_are_published(catalogue, number):
    """A maker prints each DGN in hex and in decimal: either finds the message, with both."""
    row = ROWS[number - 1]
    hexadecimal, decimal = re.fullmatch(r"([0-9A-F]{5})h = (\d+)", row["can_id_or_dgn"]).groups()
    name = NAMES.get(row["published_meaning"], row["published_meaning"])
    for given in (hexadecimal, decimal):
        assert f"{name}, DGN {hexadecimal} hex ({decimal})" in spelled(catalogue, given)


@pytest.mark.parametrize("number", range(39, 45))
def test_the_priority_is_in_the_first_byte(catalogue, number):
    """The first byte divided by four, as a maker writes."""
    first = ROWS[number - 1]["can_id_or_dgn"][:2]
    published = ROWS[number - 1]["published_meaning"]
    assert f"{published} (0 goes first)" in spelled(catalogue, f"{first}FECA00", "00")


def test_every_row_is_spelled():
    """Here by its text, or above as a pair of numbers or a priority."""
    pairs = {number for number, row in enumerate(ROWS, 1) if "pair" in row["scope"]}
    assert set(SPELLED) | pairs | set(range(39, 45)) == set(ANSWERS)
