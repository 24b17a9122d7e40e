"""Tables: heads and keys by which the script sorts, choices, and rows with a head of their own."""

import pytest

from rvsim.faces.page.tables import MAX_ROWS, Cell, Column, seconds_cell, table

COLUMNS = (Column("Name"), Column("Kind", filters=True), Column("Count", is_number=True))


def test_a_table():
    """The first cell of a row is its head; numbers have a key and stand on the right; the caption names the table."""
    made = table("Things", COLUMNS, [("a <b>", "x", Cell("1 200", 1200))], identifier="things", noun="thing")
    assert '<div class="table" id="things" data-noun="thing">' in made
    assert "<caption>Things</caption>" in made
    assert '<th scope="col" data-filter>Kind</th><th scope="col" class="number">Count</th>' in made
    assert '<th scope="row">a &lt;b&gt;</th><td>x</td><td class="number" data-key="1200">1 200</td>' in made


def test_rows_fit_the_columns():
    """A row that is too short is a mistake, not a shifted table."""
    with pytest.raises(ValueError, match="zip"):
        table("Things", COLUMNS, [("a", "x")], identifier="things")


def test_times():
    """In seconds with one decimal, sorted by the exact time; none sorts behind all."""
    assert seconds_cell(1_260_000) == ("1.3", 1_260_000)
    none = seconds_cell(None, "end of the log")
    assert none.content == "end of the log"
    assert none.key > 1e17


def test_very_many_rows():
    """The first ones are there, and how many are left out is said."""
    made = table("Things", COLUMNS, [("a", "x", "1")] * (MAX_ROWS + 3), identifier="things", noun="thing")
    assert made.count("<tr>") == MAX_ROWS + 1
    assert f"The first {MAX_ROWS} of {MAX_ROWS + 3} things. The JSON form has all of them." in made
    assert "The first" not in table("Things", COLUMNS, [("a", "x", "1")] * MAX_ROWS, identifier="things", noun="thing")
