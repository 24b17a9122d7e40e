"""What rests on memory is marked."""

from rvsim.faces.marks import LEGEND, mark, mark_of
from rvsim.wire.fields import FieldSpec, Grades, Origin
from rvsim.wire.spec import MessageSpec


def test_the_least_sure_counts():
    """Unsure before memory before published; a user's own definitions need no mark."""
    assert mark([Origin.PUBLISHED, Origin.USER]) == ""
    assert mark([Origin.PUBLISHED, Origin.MEMORY]) == " *"
    assert mark([Origin.MEMORY, Origin.UNSURE, Origin.PUBLISHED]) == " **"
    assert mark([]) == ""
    assert "*" in LEGEND


def test_a_message_is_as_sure_as_its_least_sure_part(catalogue):
    """By the tables: the DC source's first status is published throughout, a furnace's status is not."""
    assert mark_of(catalogue.by_name("DC_SOURCE_STATUS_1")) == ""
    assert mark_of(catalogue.by_name("FURNACE_STATUS")) != ""
    assert mark_of(None) == ""


def test_a_message_is_marked_for_names_and_layouts_and_not_for_codes():
    """The mark stands beside a message, whose codes are not printed there."""

    def graded(name, layout, codes):
        field = FieldSpec("level", 0, 8, grades=Grades(name, layout, codes))
        return mark_of(MessageSpec("M", 0x1FF00, 6, 8, (field,), origin=Origin.PUBLISHED))

    assert graded(Origin.PUBLISHED, Origin.PUBLISHED, Origin.UNSURE) == ""
    assert graded(Origin.PUBLISHED, Origin.MEMORY, Origin.PUBLISHED) == " *"
    assert graded(Origin.UNSURE, Origin.MEMORY, Origin.PUBLISHED) == " **"
