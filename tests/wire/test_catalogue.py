"""rvsim.wire.catalogue: messages found by number or by name."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue, Definition
from rvsim.wire.fields import Alarm, AlarmSeverity, Grades, Origin, Special


def definition(name, dgn, **more):
    """Write the compiled form of a message with one field."""
    head = {
        "name": name, "dgn": dgn, "priority": 6, "length": 8, "gap_us": 500_000, "rule": "500 ms", "origin": "unsure",
        "source": "a manual", "comment": "what it is",
    }  # fmt: skip
    field = {
        "name": "instance", "first": 0, "length": 8, "big_endian": False, "signed": False, "scale": 1, "offset": 0,
        "decimals": 0, "unit": "", "labels": {"1": "first"}, "special": "measured", "coding": "plain",
        "grades": ["published", "memory", "unsure"], "code_grades": {"1": "published"}, "alarms": {"1": "warning"},
        "alarm_grade": "memory", "moves_with": ["OTHER.level"], "source": "a page", "comment": "which one",
    }  # fmt: skip
    return Definition(dgn, name, json.dumps(head | {"fields": [field | more]}), "own.dbc")


@given(
    priority=st.integers(0, 7),
    source=st.integers(0, 255),
    # published: rv-c.com and makers' appendices print both numbers (examples.csv)
    known=st.sampled_from([(0x1FFFD, "DC_SOURCE_STATUS_1"), (0x0EA00, "REQUEST_FOR_DGN")]),
    destination=st.integers(0, 255),
)
def test_a_message_is_found_whatever_the_priority_and_the_addresses(catalogue, priority, source, known, destination):
    """Matching is by number: priority, source and destination of a frame do not matter."""
    dgn, name = known
    identifier = ident.join_identifier(priority, dgn, source, destination if ident.is_addressed(dgn) else None)
    assert catalogue.by_dgn(ident.split_identifier(identifier).dgn) is catalogue.by_name(name)
    assert catalogue.by_name(name).dgn == dgn


def test_a_number_without_a_definition_is_none(catalogue):
    """An unknown number is no error: most of what a bus carries may be unknown."""
    assert catalogue.by_dgn(129025) is None
    assert catalogue.by_dgn(129025) is None


def test_a_number_with_the_reserved_bit_is_another_number(catalogue):
    """A frame with the reserved bit set never matches by accident."""
    assert catalogue.by_dgn(0x1FFFD | 1 << 17) is None


def test_all_messages_are_there_once(catalogue):
    """The catalogue counts, names and yields each message once, in one order."""
    messages = list(catalogue)
    assert len(catalogue) == len(messages) == len({message.dgn for message in messages})
    assert [message.name for message in messages] == catalogue.names


def test_a_message_is_built_once(catalogue):
    """Asking twice gives the same object, by number and by name."""
    assert catalogue.by_name("DM_RV") is catalogue.by_dgn(0x1FECA) is catalogue.by_name("DM_RV")


def test_only_the_message_that_is_asked_for_is_built():
    """A definition that nobody asks for costs nothing, not even where it makes no sense."""
    catalogue = Catalogue([definition("GOOD", 0x1FFFD), Definition(0x1FFFC, "ODD", "[", "own.dbc")])
    assert catalogue.by_name("GOOD").dgn == 0x1FFFD
    assert catalogue.names == ["GOOD", "ODD"]


def test_everything_a_definition_says_arrives():
    """Each part of the plain form is found in the message and its field, as the kind of thing it is."""
    message = Catalogue([definition("GOOD", 0x1FFFD)]).by_name("GOOD")
    assert (message.name, message.dgn, message.priority, message.length) == ("GOOD", 0x1FFFD, 6, 8)
    assert (message.gap_us, message.rule, message.origin) == (500_000, "500 ms", Origin.UNSURE)
    assert (message.source, message.comment, message.file) == ("a manual", "what it is", "own.dbc")
    (field,) = message.fields
    assert (field.labels, field.special) == ({1: "first"}, Special.MEASURED)
    assert field.grades == Grades(name=Origin.PUBLISHED, layout=Origin.MEMORY, codes=Origin.UNSURE)
    assert field.code_grades == {1: Origin.PUBLISHED}
    assert field.alarms == {1: Alarm(AlarmSeverity.WARNING, Origin.MEMORY)}
    assert field.moves_with == ("OTHER.level",)
    assert (field.source, field.comment) == ("a page", "which one")


def test_names_by_a_rule_stand_behind_those_that_are_written():
    """A bitmap of groups has a name for each of its values; what the file says of one goes first."""
    message = Catalogue([definition("GOOD", 0x1FFFD, coding="groups", labels={"0": "all"})]).by_name("GOOD")
    labels = message.fields[0].labels
    assert (labels[0], labels[0x7E], labels[0x7A]) == ("all", "group 1", "groups 1, 3")


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        ("DC_SOURCE_STATUS1", ' (did you mean "DC_SOURCE_STATUS_1"?)'),
        ("dc_source_status_1", ' (did you mean "DC_SOURCE_STATUS_1"?)'),
        ("zzz", ""),
    ],
)
def test_an_unknown_name_is_refused_with_a_hint(catalogue, word, hint):
    """One line: the word, the closest name if one is close, and what to do next."""
    text = f"no message is called {word}{hint}: `rvsim about` says where the definitions were found"
    with pytest.raises(InputError, match=f"^{re.escape(text)}$"):
        catalogue.by_name(word)
