"""Lines as plain data: widths, rails, marks and their ASCII form."""

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import rvsim
from rvsim.faces.screen.lines import (
    MARKS,
    draw_rail,
    elapsed_text,
    fit_width,
    interval_text,
    list_text,
    plain_line,
    tag_span,
    text_of,
    to_ascii,
    with_right_edge,
    wrap_text,
)
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.transitions import Presence

LINES = st.lists(st.tuples(st.text(max_size=12), st.sampled_from(["plain", "dim", "fault"])), max_size=6).map(tuple)
WIDTHS = st.integers(0, 60)


def letters(line):
    """Every letter of a line with its style."""
    return [(letter, style) for text, style in line for letter in text]


@given(LINES, WIDTHS)
def test_a_cut_line_is_exactly_as_wide_as_asked(line, width):
    """Short lines are filled up with blanks, long ones end in a mark; what stays keeps its place and style."""
    whole, found = letters(line), letters(fit_width(line, width))
    assert len(found) == width
    if len(whole) <= width:
        assert found == whole + [(" ", "plain")] * (width - len(whole))
    elif width:
        assert found == [*whole[: width - 1], ("…", whole[width - 1][1])]


def test_a_line_that_just_fits_has_no_mark():
    """Five letters fit in five places, not in four."""
    assert fit_width(plain_line("heats"), 5) == (("heats", "plain"),)
    assert fit_width(plain_line("heats"), 4) == (("hea…", "plain"),)
    assert fit_width((("hea", "dim"), ("ts", "fault")), 3) == (("he…", "dim"),)
    assert fit_width((), 2) == (("  ", "plain"),)
    assert fit_width(plain_line("heats"), -1) == ()


@given(LINES, LINES, WIDTHS)
def test_the_right_side_stays_whole(left, right, width):
    """What stands at the right edge is never cut; the left side gives way, and the line is as wide as asked."""
    found, kept = letters(with_right_edge(left, right, width)), letters(right)
    assert len(found) == max(width, len(kept))
    assert found[len(found) - len(kept) :] == kept
    assert found[: len(found) - len(kept)] == letters(fit_width(left, width - len(kept)))


@pytest.mark.parametrize(
    ("value", "past", "low", "high", "drawn"),
    [
        (0, None, 0, 100, "├●─────────┤"),
        (100, None, 0, 100, "├─────────●┤"),
        (50, None, 0, 90, "├─────●────┤"),
        (-40, None, 0, 100, "├●─────────┤"),
        (900, None, 0, 100, "├─────────●┤"),
        (90, 10, 0, 90, "├─▒───────●┤"),
        (90, -500, 0, 90, "├▒────────●┤"),
        (20, 20, 0, 90, "├──●───────┤"),
        (None, 20, 0, 90, "├──▒───────┤"),
        (None, None, 0, 90, "├──────────┤"),
        (-30, 50, -30, 60, "├●───────▒─┤"),
        (7, 3, 5, 5, "├●─────────┤"),
        (7, None, 9, 5, "├●─────────┤"),
    ],
)
def test_a_rail_by_hand(value, past, low, high, drawn):
    """Ten places: each a ninth of the way; ends hold what lies beyond, where it is now hides where it came from.

    Without a value there is no mark for it, and a rail without length holds everything at its low end.
    """
    assert draw_rail(value, past, low, high, 12) == drawn


@given(st.integers(-1000, 1000), st.integers(-1000, 1000), st.integers(3, 40))
def test_a_rail_is_as_wide_as_asked_and_rises(one, other, width):
    """A higher value never lies further left."""
    lower, higher = (draw_rail(value, None, -500, 500, width) for value in sorted((one, other)))
    assert len(lower) == len(higher) == width
    assert lower.index("●") <= higher.index("●")


def test_the_narrowest_rail():
    """One place is the least."""
    assert draw_rail(1, None, 0, 1, 0) == draw_rail(1, None, 0, 1, 3) == "├●┤"


TEXTS = st.text(alphabet="ab -.,°", max_size=120) | st.text(alphabet="abc", min_size=30, max_size=80)


@given(TEXTS, st.integers(0, 60), st.text("x ", max_size=8), st.text("y ", max_size=8))
def test_wrapped_lines_are_never_wider(text, width, first, later):
    """No line is wider than asked, or than what stands before it and ten letters; every letter is there, in order."""
    lines = wrap_text(text, width, first, later, "fault")
    assert all(len(text_of(line)) <= max(width, max(len(first), len(later)) + 10) for line in lines)
    assert [line[0] for line in lines] == [(first, "dim"), *[(later, "dim")] * (len(lines) - 1)]
    assert {line[1][1] for line in lines} == {"fault"}
    assert "".join("".join(line[1][0].split()) for line in lines) == "".join(text.split())


def test_a_mark_stays_beside_what_it_marks():
    """A star alone on the next line would mark nothing."""
    assert [text_of(line) for line in wrap_text("heat level 50 % * on", 15)] == ["heat level 50", "% * on"]
    assert [text_of(line) for line in wrap_text("heat level 50 % ** on", 15)] == ["heat level 50", "% ** on"]


def test_wrapped_by_hand():
    """Words go over whole and hyphens stay; a word that is too long is broken; no text is one line."""
    assert wrap_text("its half-open dome", 15, "- ", "   ") == [
        (("- ", "dim"), ("its", "plain")),
        (("   ", "dim"), ("half-open", "plain")),
        (("   ", "dim"), ("dome", "plain")),
    ]
    assert [text_of(line) for line in wrap_text("a" * 23, 10)] == ["a" * 10, "a" * 10, "a" * 3]
    assert [text_of(line) for line in wrap_text("a" * 13, 0)] == ["a" * 10, "a" * 3]
    assert wrap_text("", 20, "> ") == [(("> ", "dim"), ("", "plain"))]


def drawn_signs() -> set[str]:
    """Every sign beyond ASCII in a text of ours, but for docstrings, words of logs, pages and the table of twins.

    Nor what is printed and never drawn: the bits of a frame, a plan, and units that are read in a spreadsheet or an
    answer.
    """
    signs, package = set(), Path(rvsim.__file__).parent
    elsewhere = {*(package / "logs").rglob("*.py"), *(package / "faces" / "page").rglob("*.py")}
    elsewhere |= {*(package / "plan").rglob("*.py"), package / "faces" / "cli" / "plan_files.py"}
    elsewhere |= {package / "faces" / "practice" / f"{name}.py" for name in ("slips", "written_words")}
    elsewhere |= {package / "faces" / "text" / f"{name}.py" for name in ("plan_lines", "plan_text", "spell_wire")}
    for path in set(package.rglob("*.py")) - elsewhere - {package / "faces" / "text" / "signs.py"}:
        text = path.read_text(encoding="utf-8")
        if text.isascii() and not re.search(r"\\[uUxN0-7]", text):
            continue
        tree = ast.parse(text)
        told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
                signs |= {sign for sign in node.value if not sign.isascii()}
    return signs


def test_every_sign_we_draw_has_a_twin_in_ascii():
    """No sign of our own turns into a question mark, which stands for a key and for letters that ASCII lacks."""
    signs = drawn_signs()
    assert {"╠", "●", "…", "°", "←"} <= signs
    assert [sign for sign in sorted(signs) if to_ascii(sign) in ("?", sign)] == []


@given(st.text())
def test_the_ascii_form_is_ascii_and_of_the_same_width(text):
    """Whatever a device is called; what was ASCII stays as it was."""
    found = to_ascii(text)
    assert found.isascii()
    assert len(found) == len(text)
    assert all(new == old for new, old in zip(found, text, strict=True) if old.isascii())


def test_drawings_in_ascii():
    """Drop wires as the screen's arrangement has them in brackets; a rail keeps its ends, its place and its past."""
    assert {state: to_ascii(mark) for state, mark in MARKS.items()} == {
        Presence.PRESENT: "|===",
        Presence.LATE: "|==~",
        Presence.SILENT: "|= =",
        Presence.ASLEEP: "|= z",
        Presence.UNPLANNED: "+===",
        None: "|= ?",
    }
    assert to_ascii("├─▒──●┤") == "|-:--o|"
    assert to_ascii(" ║ ┌─ └─ │ Ω · 5 × 2 °C ► naïve …") == " | +- +- | O . 5 x 2  C > na?ve ~"
    assert to_ascii("↑ ↓ ← →") == "^ v < >"


def test_every_state_has_a_mark_of_its_own():
    """Nobody's drop wire looks like that of another state, in either form, and all are four wide."""
    assert set(MARKS) == {*Presence, None}
    assert len(set(MARKS.values())) == len({to_ascii(mark) for mark in MARKS.values()}) == len(MARKS)
    assert {len(mark) for mark in MARKS.values()} == {4}


@pytest.mark.parametrize(
    ("severity", "shown"),
    [
        (Severity.NOTICE, ("(7)", "notice-tag")),
        (Severity.WARNING, ("<7>", "warning-tag")),
        (Severity.FAULT, ("[7]", "fault-tag")),
    ],
)
def test_a_tag_tells_the_severity_by_its_brackets(severity, shown):
    """Number, brackets and style; colour only repeats what the brackets say."""
    assert tag_span(Flag(7, FlagKind.NO_DATA, "heater", severity, 0, "text", "advice")) == shown


@pytest.mark.parametrize(
    ("words", "said"),
    [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_words_are_joined_as_a_person_lists_them(words, said):
    """None, one, two, three."""
    assert list_text(words) == list_text(iter(words)) == said


def test_words_can_be_joined_with_another_last_word():
    """Or instead of and."""
    assert list_text(["a", "b", "c"], " or ") == "a, b or c"


@pytest.mark.parametrize(
    ("microseconds", "said"),
    [
        (0, "0.0 s"),
        (800_000, "0.8 s"),
        (9_900_000, "9.9 s"),
        (10_000_000, "10 s"),
        (43_000_000, "43 s"),
        (119_000_000, "119 s"),
        (120_000_000, "2 min 00 s"),
        (151_900_000, "2 min 31 s"),
        (7_199_000_000, "119 min 59 s"),
        (7_200_000_000, "2 h 00 min"),
        (11_100_000_000, "3 h 05 min"),
        (172_799_000_000, "47 h 59 min"),
        (172_800_000_000, "2 d 0 h"),
        (532_800_000_000, "6 d 4 h"),
    ],
)
def test_a_time_span_is_said_shortly(microseconds, said):
    """Tenths below ten seconds, then seconds to two minutes, minutes and seconds to two hours, hours, days."""
    assert elapsed_text(microseconds) == said


def test_plain_and_back():
    """A plain line is one span; a line without its styles is its text."""
    assert plain_line("hot") == (("hot", "plain"),)
    assert text_of((("hot", "dim"), (" water", "fault"))) == "hot water"


@pytest.mark.parametrize(
    ("microseconds", "text"),
    [(400, "0.4 ms"), (9_900, "9.9 ms"), (10_000, "10 ms"), (95_400, "95 ms"), (1_000_000, "1.0 s")],
)
def test_an_interval_of_a_message(microseconds, text):
    """Below a second in milliseconds, so that no message comes "every 0.0 s"."""
    assert interval_text(microseconds) == text
