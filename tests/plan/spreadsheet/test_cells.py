"""Cells and heads of a spreadsheet: numbers, units, sizes, lists, and what is said of what cannot be read."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.plan.spreadsheet.cells import CellError, read_cell, write_cell
from rvsim.plan.spreadsheet.columns import COLUMNS, Head, cell_name, head_of

BY_HEAD = {column.head: column for column in COLUMNS}


def read(head, text, *, unit="", decimal_comma=False):
    """Return the value of a cell below one of our own heads."""
    return read_cell(text, BY_HEAD[head], unit, decimal_comma=decimal_comma)


@pytest.mark.parametrize("column", COLUMNS, ids=lambda column: column.head)
def test_every_column_is_known_by_the_head_that_is_written(column):
    """And by each of its names, with and without capitals; no name is that of two columns."""
    found = head_of(column.head)
    assert isinstance(found, Head)
    assert (found.column.keys, found.column.form) == (column.keys, column.form)
    for name in column.names:
        assert head_of(name.title()).column is column


@pytest.mark.parametrize(
    ("text", "head", "unit"),
    [
        ("Length (m)", "length (m)", "m"),
        ("length ft", "length (m)", "ft"),
        ("Wire length [feet]", "length (m)", "feet"),
        ("length_m", "length (m)", "m"),
        ("fuse_amps", "fuse (A)", "amps"),
        ("AMPS", "current (A)", ""),
        ("Load current, A", "current (A)", "a"),
        ("awg", "wire (AWG)", ""),
        ("Wire size (AWG)", "wire", "awg"),
        ("cross-section mm²", "wire (mm2)", "mm²"),
        ("Standing current (mA)", "standing current (mA)", "ma"),
        ("Source address (hex)", "address", "hex"),
        ("Name (as on the plan)", "name", ""),
    ],
)
def test_heads_with_units(text, head, unit):
    """In brackets or as the last word, as the keys of a rig too."""
    found = head_of(text)
    assert (found.column.head, found.unit) == (head, unit)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Lenght (m)", 'unknown head (did you mean "length"?)'),
        ("length (miles)", "the unit miles is not known for length; write one of m, "),
        ("curent", 'did you mean "current"?'),
    ],
)
def test_a_head_that_is_nearly_known(text, said):
    """Is a mistake, and not a column that is passed over."""
    assert said in head_of(text)


@pytest.mark.parametrize("text", ["Supplier", "Remarks", "Notes"])
def test_a_head_that_is_none_of_ours(text):
    """Is left to its owner."""
    assert head_of(text) is None


@pytest.mark.parametrize(
    ("head", "text", "value"),
    [
        ("current (A)", "2.5", 2.5),
        ("current (A)", "2,5", 2.5),
        ("current (A)", "500 mA", 0.5),
        ("current (A)", "8A", 8.0),
        ("length (m)", "10 ft", 3.048),
        ("length (m)", "10'", 3.048),
        ("length both ways (m)", "8 m", 4.0),
        ("standing current (mA)", "0.02 A", 20.0),
        ("resistance (mohm)", "0.012 ohm", 12.0),
        ("wire", "2.5 mm2", ("area_mm2", 2.5)),
        ("wire", "2,5mm²", ("area_mm2", 2.5)),
        ("wire", "12 AWG", ("awg", "12")),
        ("wire", "AWG 12", ("awg", "12")),
        ("wire", "#12", ("awg", "12")),
        ("wire", "1/0", ("awg", "1/0")),
        ("wire (AWG)", "12", ("awg", "12")),
        ("wire (mm2)", "1.5", ("area_mm2", 1.5)),
        ("peak time", "200 ms", "200ms"),
        ("peak time", "1.5", "1.5s"),
        ("terminal", "3", 3),
        ("load", "LED", "led"),
        ("type", "Heater", "heater mat"),
        ("switch", "Toggle", "maintained"),
        ("kind", "My_Kind", "My_Kind"),
        ("critical", "Yes", True),
        ("critical", "n", False),
        ("address", "0x5E", 0x5E),
        ("address", "5E hex", 0x5E),
        ("address", "94", 94),
        ("functions", "furnace 1; thermostat 1 2", {"furnace": [1], "thermostat": [1, 2]}),
        ("currents", "furnace 0.1..6.1", {"furnace": [0.1, 6.1]}),
        ("currents", "charger -30 to 0", {"charger": [-30.0, 0.0]}),
        ("ladder", "galley = 0; far seat = 330", {"galley": 0.0, "far seat": 330.0}),
        ("ladder", "galley 0; far seat 330", {"galley": 0.0, "far seat": 330.0}),
        ("switches", "galley light", "galley light"),
        ("switches", "a = galley light; b = fan", {"a": "galley light", "b": "fan"}),
        ("needs", "TANK_STATUS 1; DATE_TIME_STATUS", ["TANK_STATUS 1", "DATE_TIME_STATUS"]),
    ],
)
def test_cells(head, text, value):
    """Units in the cell come before those of the head; 1 ft is 0.3048 m (NIST SP 811)."""
    assert read(head, text) == value


@pytest.mark.parametrize(
    ("head", "text", "said"),
    [
        ("current (A)", "some", '"some" is not a number; write one like 2.5'),
        ("current (A)", "1,000", '"1,000" can be 1000 or 1.000; write it without a comma'),
        ("current (A)", "1.000,5", "without separators of thousands"),
        ("current (A)", "5 V", "the unit v is not known here; write a, amp"),
        ("length (m)", "8", '"8" has no unit; write it into the head, like length (m)'),
        ("wire", "12", '"12" has no unit; write 12 mm2 or 12 AWG'),
        ("wire", "2.5 in", "the unit in is not known here; write mm2 or AWG"),
        ("wire (AWG)", "2.5", '"2.5" is not a gauge; write one like 12 AWG'),
        ("peak time", "3 days", "the unit days is not known here; write s, ms or min"),
        ("terminal", "1.5", '"1.5" is not a whole number'),
        ("critical", "perhaps", '"perhaps" is neither yes nor no'),
        ("address", "heater", '"heater" is not an address; write one like 0x5E or 94'),
        ("functions", "furnace", '"furnace" is not a name with a value'),
        ("functions", "furnace one", '"one" is not an instance of furnace'),
        ("functions", "furnace 1; furnace 2", "furnace stands there twice"),
        ("currents", "furnace 6", '"6" is not a range'),
        ("ladder", "330", '"330" has no name and value'),
        ("ladder", "a = 1; a = 2", "a stands there twice"),
        ("ladder", "{ a = ", "cannot be read"),
    ],
)
def test_what_is_said_of_a_cell_that_cannot_be_read(head, text, said):
    """What is wrong, and what to write."""
    with pytest.raises(CellError) as refused:
        read(head, text)
    assert said in str(refused.value)


def test_a_comma_in_a_sheet_with_semicolons_is_a_decimal_comma():
    """Also before three digits."""
    assert read("current (A)", "1,000", decimal_comma=True) == 1.0
    assert read("currents", "furnace 0,1..6,1", decimal_comma=True) == {"furnace": [0.1, 6.1]}


@given(
    st.dictionaries(
        st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=6).filter(str.strip),
        st.integers(0, 10**6) | st.floats(0, 1e6),
        min_size=1,
        max_size=4,
    )
)
def test_ladders_are_written_and_read_again(rungs):
    """Whatever signs are in the names of the switches."""
    column = BY_HEAD["ladder"]
    names = {name.strip(): ohm for name, ohm in rungs.items()}
    assert read("ladder", write_cell(names, column)) == names


def test_names_of_cells():
    """As a spreadsheet has them."""
    assert [cell_name(6, column) for column in (0, 1, 25, 26, 701, 702)] == ["A7", "B7", "Z7", "AA7", "ZZ7", "AAA7"]
