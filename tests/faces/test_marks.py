"""What rests on memory is marked."""

from rvsim.faces.marks import LEGEND, mark, mark_of
from rvsim.wire.fields import Origin


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
