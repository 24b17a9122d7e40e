"""What all tables of a rig have in common."""

import pytest
from pydantic import ValidationError

from rvsim.rig.table import Mistake, OneLineText, Table, entry_value, validation_error


class Shelf(Table):
    """An invented table."""

    label: OneLineText
    width: int = 3


def test_a_table_is_strict_and_frozen():
    """Texts are no numbers, keys are known, nothing changes."""
    assert Shelf(label="a b").width == 3
    for wrong in ({"label": "a", "width": "3"}, {"label": "a", "depth": 3}, {"label": 3}):
        with pytest.raises(ValidationError):
            Shelf.model_validate(wrong)
    with pytest.raises(ValidationError, match="frozen"):
        Shelf(label="a").label = "b"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("  ", "this is empty; write a few words"),
        ("a\x1b[2J", '"a\\x1b[2J" has a line break or another control character; write plain text'),
        ("a ", '"a " has spaces around it; remove them'),
    ],
)
def test_a_line_is_safe_to_print(text, problem):
    """It says something, on one line, without what a terminal would obey."""
    with pytest.raises(ValidationError) as refused:
        Shelf(label=text)
    assert refused.value.errors()[0]["msg"] == f"Value error, {problem}"


def test_mistakes_of_our_own_and_those_that_were_found_come_together():
    """Each at its place, with what was given."""
    with pytest.raises(ValidationError) as found:
        Shelf.model_validate({"label": "a", "width": "wide"})
    both = validation_error("shelf", [Mistake((0, "label"), "it is taken", "a")], found.value).errors(include_url=False)
    assert [(one["loc"], one["type"], one["input"]) for one in both] == [
        (("width",), "int_type", "wide"),
        ((0, "label"), "value_error", "a"),
    ]
    assert both[1]["msg"] == "it is taken"
    assert len(validation_error("shelf", [Mistake((), "x", 1)]).errors()) == 1


def test_a_part_is_found_before_and_after_reading():
    """By key, by attribute; None where there is nothing."""
    assert entry_value({"label": "a"}, "label") == entry_value(Shelf(label="a"), "label") == "a"
    assert entry_value({}, "label") is entry_value(3, "label") is None
