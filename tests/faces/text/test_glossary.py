"""The glossary: every term once, with its origin; and DEVELOPERS.md has the same of our own words."""

import re
from pathlib import Path

import pytest

from rvsim.errors import InputError
from rvsim.faces.text.glossary import all_terms, find_term, term_lines
from rvsim.faces.text.glossary_terms import FIELD, OUR_OWN, OWN_WORD
from rvsim.watch.transitions import Presence

DEVELOPERS = Path(__file__).parents[3] / "DEVELOPERS.md"
IDEAS = (
    "rig, scenario, bench, flag, evidence, roll call, verdict, shakedown, vary, survey, spell, tape, ledger, practice, "
    "plan, hub, port, line, sight, origin"
)
OF_THE_FIELD = (
    "DGN, PGN, source address, destination, priority, instance, DSA, NAME, address claim, broadcast gap, heartbeat, "
    "DM_RV, SPN, FMI, bus load, arbitration, bit stuffing, error passive, bus-off, terminator, trunk, drop, tap, "
    "load centre, output, input, resistor ladder, state of charge, bulk, absorption, float, acknowledgement, bit rate, "
    "frame, identifier, long message, transport protocol, product identification, lamp, DM1, special values, no data, "
    "out of range, error, reserved, unchanged, RV-C, CAN, bus, node, frame, bit, byte, hex, ASCII, PDU format, "
    "function, dominant, low byte first, step, offset, uint8, group byte, request, null address, field, log, J1939"
)


@pytest.mark.parametrize("word", [*OF_THE_FIELD.split(", "), *IDEAS.split(", "), *map(str, Presence)])
def test_a_word_is_explained(word):
    """In upper or lower case, with an origin; what it is called is among its names."""
    for given in (word, word.upper(), f" {word.lower()} "):
        term = find_term(given)
        assert word in (term.word, *term.also)
    assert term.meaning.endswith(".")
    assert term.origin


def test_our_own_words_are_marked_as_such():
    """They have no other origin, and no term of the field calls itself ours."""
    assert {term.word for term in OUR_OWN} == {*IDEAS.split(", "), *map(str, Presence)}
    assert {term.origin for term in OUR_OWN} == {OWN_WORD}
    assert all(OWN_WORD not in term.origin for term in FIELD)


def test_what_is_said_of_the_field_has_an_origin_of_a_known_sort():
    """A published source or a device maker's document, a standard from memory, memory alone, or common practice."""
    sorts = ("published: ", "common practice, no source", "from memory", "maker's", "makers'")
    assert [term.word for term in FIELD if not any(sort in term.origin for sort in sorts)] == []


def test_no_word_leads_to_two_terms():
    """Neither by its name nor by another word for it."""
    names = [name.lower() for term in (*OUR_OWN, *FIELD) for name in (term.word, *term.also)]
    assert sorted(names) == sorted(set(names))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("dng", 'did you mean "DGN"?'),
        ("buss lod", "near ones are bus load, bus-off"),
        ("address cl", "near ones are address claim, source address"),
        ("charge", "near ones are state of charge"),
        ("qqqqqq", "rvsim about --words lists all"),
        ("\x1b[31m", "rvsim about --words lists all"),
    ],
)
def test_an_unknown_word_names_near_ones(given, said):
    """Those that are spelled alike, and those that have it in them."""
    with pytest.raises(InputError) as told:
        find_term(given)
    (line,) = told.value.problems
    assert said.removeprefix("near ones are ") in line
    assert "is not in the glossary; " in line
    assert line.isprintable()


def test_a_term_in_lines():
    """Other words for it, its meaning, its origin, within eighty columns."""
    assert list(term_lines(find_term("trunk"))) == [
        "trunk",
        "    The twisted pair from one terminator to the other, along the vehicle.",
        "    Origin: published: rv-c.com/node/10",
    ]
    assert next(term_lines(find_term("dsa"))) == "default source address (DSA)"


def test_the_whole_glossary():
    """Each term once, our own words apart, in the order of the alphabet, within eighty columns."""
    lines = list(all_terms())
    assert max(map(len, lines)) <= 80
    own, field = (lines.index(title) for title in ("Words of rvsim's own", "Terms of the field"))
    shown = [line.partition(" (")[0] for line in lines if line and not line.startswith(" ")]
    assert len(shown) == len(OUR_OWN) + len(FIELD) + 2
    assert own == 0
    for part in (shown[1 : len(OUR_OWN) + 1], shown[len(OUR_OWN) + 2 :]):
        assert part == sorted(part, key=str.lower)
    assert lines[field - 1] == ""


def test_developers_md_has_the_same_of_our_own_words():
    """The section "Glossary": a list item for each, word for word."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    section = re.search(r"^## Glossary\n(.*?)^## ", text, re.DOTALL | re.MULTILINE)[1]
    items = re.findall(r"^- \*\*(.+?)\*\*: (.*?)(?=^- |\Z|\n\n)", section, re.DOTALL | re.MULTILINE)
    assert [(word, " ".join(said.split())) for word, said in items] == [(term.word, term.meaning) for term in OUR_OWN]
