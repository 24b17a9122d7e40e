"""What rests on memory is marked."""

from dataclasses import replace

from rvsim.faces.text.marks import LEGEND, mark, mark_of, topic_origins
from rvsim.wire.fields import FieldSpec, Grades, Origin
from rvsim.wire.spec import MessageSpec

P, M, U = Origin.PUBLISHED, Origin.MEMORY, Origin.UNSURE


def test_the_least_sure_counts():
    """Unsure before memory before published; a user's own definitions need no mark."""
    assert mark([Origin.PUBLISHED, Origin.USER]) == ""
    assert mark([Origin.PUBLISHED, Origin.MEMORY]) == " *"
    assert mark([Origin.MEMORY, Origin.UNSURE, Origin.PUBLISHED]) == " **"
    assert mark([]) == ""
    assert LEGEND == "Marked *: from memory; marked **: from memory, not sure."


INSTANCE = FieldSpec("ac_instance", 0, 4, grades=Grades(P, M, P))
LINE = FieldSpec("line", 4, 4, grades=Grades(P, P, U))
DSA = FieldSpec("dsa", 8, 8, grades=Grades(P, P, U))
SPEC = MessageSpec("AC", 0x1FFCA, 6, 8, (INSTANCE, LINE, FieldSpec("volts", 16, 16, grades=Grades(U, U, U))), origin=P)


def test_a_message_is_as_sure_as_what_is_said_of_it():
    """Its name alone, with its instance, and with the line beside it; fields that are not named do not count."""
    assert mark_of(SPEC) == ""
    assert mark_of(SPEC, has_instance=True) == " *"
    assert mark_of(SPEC, has_instance=True, has_part=True) == " **"
    assert mark_of(replace(SPEC, origin=M)) == " *"
    assert mark_of(None) == ""


def test_a_heartbeat_is_as_sure_as_its_function():
    """88 is the published number of a thermostat, 89 is not sure, and 200 is nobody's: its number is named alone."""
    beat = MessageSpec("DM_RV", 0x1FECA, 6, 8, (DSA,), origin=P)
    assert [mark_of(beat, dsa) for dsa in (88, 89, 200)] == ["", " **", ""]
    less = replace(beat, fields=(replace(DSA, grades=Grades(P, M, P)),))
    assert mark_of(less, 88) == " *"


def test_what_a_reading_is_of(catalogue):
    """Message, instance and function each have their origin."""
    assert topic_origins(SPEC, None, None) == (P,)
    assert topic_origins(SPEC, 1, None) == (P, M)
    assert set(topic_origins(catalogue.by_name("DM_RV"), None, 94)) >= {U}
