"""Column mappings: how they are written, and what is said about mistakes."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.column_mapping import Column, ColumnMapping, parse_mapping


def test_columns_by_number():
    """A column, several up to another one, and several up to the last."""
    found = parse_mapping("time=1,id=2,data=4-")
    assert found == ColumnMapping(
        "time=1,id=2,data=4-", Column("2", "hex", 2, 2), Column("4-", "hex", 4, None), Column("1", "s", 1, 1)
    )
    assert parse_mapping("id=2,data=4-11").data == Column("4-11", "hex", 4, 11)
    assert parse_mapping("id=2,data=4").data == Column("4", "hex", 4, 4)
    assert all(column.is_numbered for column in found.columns)
    assert [column.name for column in found.columns] == ["1", "2", "4-"]


def test_columns_by_name():
    """Names with spaces stand as they are, those with a comma or a colon in quotes; units stand behind a colon."""
    found = parse_mapping(' time = Time stamp : ms , id="CAN: id, hex":dec, data = D0-D7, length=DLC, channel="2" ')
    assert found.time == Column("Time stamp", "ms")
    assert found.identifier == Column("CAN: id, hex", "dec")
    assert found.data == Column("D0-D7", "hex")
    assert (found.length, found.channel) == (Column("DLC"), Column("2"))
    assert not any(column.is_numbered for column in found.columns)


@pytest.mark.parametrize(("name", "sign"), [("comma", ","), ("semicolon", ";"), ("tab", "\t"), ("blank", " ")])
def test_the_separator_may_be_given(name, sign):
    """By its name, since a shell would take some of them."""
    assert parse_mapping(f"separator={name},id=1,data=2").separator == sign
    assert parse_mapping("id=1,data=2").separator is None


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "id and data are missing"),
        ("time=1,id=2", "data is missing"),
        ("data=2", "id is missing"),
        ("foo=3,id=1,data=2", "foo is not a key; the keys are time, id, data, length, channel, separator"),
        ("time=1:h,id=2,data=3", "h is not a unit here; the units of time are s, ms, us, ns; a name with a colon is"),
        ("id=2:ms,data=3", "ms is not a unit here; the units of id are hex, dec"),
        ("id=2,data=3,length=4:dec", "dec is not a unit here; length has no unit"),
        ("id=1,data=5-3", "data=5-3: the last column is before the first"),
        ("id=1-2,data=3", "id=1-2: only data can be several columns"),
        ("id=1-,data=3", "id=1-: only data can be several columns"),
        ("id=1,id=2,data=3", "id is given twice"),
        ("separator=tab,separator=tab,id=2,data=3", "separator is given twice"),
        ("id=,data=3", "id names no column"),
        ('id="",data=3', "id names no column"),
        ("separator=x,id=1,data=2", "separator=x: the separators are comma, semicolon, tab, blank"),
        ("4-", '"4-" is not key=column'),
        ('id="a,data=3', '"id="a,data=3" is not key=column'),
        ("id=1,,data=3", '",data=3" is not key=column'),
    ],
)
def test_a_mistake_is_one_clear_line(text, what):
    """It says what is wrong, and how a mapping is written."""
    with pytest.raises(ValueError, match=re.escape(what)) as refused:
        parse_mapping(text)
    assert str(refused.value).endswith("; write the columns like time=1,id=2,data=4-")


@given(st.text(max_size=40) | st.from_regex(r'([a-z]{2,6}="?[a-z0-9:\-]*"?,?){1,4}', fullmatch=True))
def test_any_text_is_a_mapping_or_a_mistake(text):
    """Nothing else is raised."""
    try:
        found = parse_mapping(text)
    except ValueError:
        return
    assert found.identifier.name.strip()
