"""Tables that fit a terminal."""

from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.text.table_text import table_lines


def test_columns_are_as_wide_as_their_cells():
    """Numbers stand to the right, a column without any value is left out."""
    rows = [("fan", "3.5", "", "-"), ("galley light", "12", "", "4")]
    assert list(table_lines(("output", "A", "relay", "no."), rows, 80, "  ")) == [
        "  output          A  no.",
        "  fan           3.5    -",
        "  galley light   12    4",
    ]


def test_words_are_broken_between_blanks_first():
    """The widest column gives way; words are broken only where nothing else helps."""
    rows = [("a long name of an output", "7")]
    assert list(table_lines(("output", "A"), rows, 14)) == [
        "output       A",
        "a long name  7",
        "of an",
        "output",
    ]
    assert list(table_lines(("output",), [("DIGITAL_INPUT_STATUS",)], 12)) == ["output", "DIGITAL_INPU", "T_STATUS"]


def test_a_table_without_rows_has_its_heads():
    """And one without columns nothing."""
    assert list(table_lines(("output", "A"), [], 80)) == ["output  A"]
    assert list(table_lines((), [], 80)) == []


ROWS = st.integers(1, 6).flatmap(
    lambda columns: st.lists(st.lists(st.text("ab 1.", max_size=30), min_size=columns, max_size=columns), min_size=1)
)


@given(ROWS, st.integers(50, 100))
def test_every_sign_is_there_and_no_line_is_too_long(rows, width):
    """Whatever the cells are."""
    head, *below = rows
    lines = list(table_lines(head, below, width))
    assert all(len(line) <= width for line in lines)
    shown = [place for place in range(len(head)) if not below or any(row[place] for row in below)]
    signs = "".join(row[place] for row in rows for place in shown)
    assert sorted("".join(lines).replace(" ", "")) == sorted(signs.replace(" ", ""))
