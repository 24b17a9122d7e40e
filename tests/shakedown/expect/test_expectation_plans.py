"""How expectations are written: what cannot be, and how each reads as a sentence."""

import pytest
from pydantic import TypeAdapter, ValidationError

from rvsim.shakedown.expect.expectation_plans import Expectation

SIGHT = {"message": "THERMOSTAT_AMBIENT_STATUS"}
FIELD = {**SIGHT, "field": "ambient_temperature"}
PLANS = TypeAdapter(Expectation)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"expect": "seen", "sight": SIGHT, "at_least": 3, "at_most": 2}, "no number meets both"),
        ({"expect": "seen", "sight": SIGHT, "at_least": 0}, "greater than or equal to 1"),
        ({"expect": "seen", "sight": SIGHT, "at_least": 1, "at_most": 0}, "greater than or equal to 1"),
        ({"expect": "seen", "sight": SIGHT, "from": "3s", "until": "3s"}, "is not after from"),
        ({"expect": "stays", "sight": FIELD}, "at_least and at_most are missing"),
        ({"expect": "stays", "sight": FIELD, "at_least": 3.0, "at_most": 2.0}, "no value is both"),
        ({"expect": "stays", "sight": SIGHT, "at_least": 3.0}, "has no field to compare"),
        ({"expect": "world", "value": "cabn", "at_least": 3.0}, 'did you mean "cabin"'),
        ({"expect": "presence", "device": "x", "state": "silnt"}, 'did you mean "silent"'),
        ({"expect": "flag", "kind": "bus-bus"}, 'did you mean "bus-busy"'),
        ({"expect": "flag", "raised": False, "cleared": True}, "cannot be cleared"),
        ({"expect": "order", "steps": [SIGHT]}, "at least 2"),
        ({"expect": "every", "sight": SIGHT, "gap": "0s"}, "greater than 0"),
        ({"expect": "wires", "frames": "spoilt", "at_least": 1.0, "from": "3s"}, "over the whole run"),
    ],
)
def test_expectations_that_cannot_be(given, said):
    """In the words of the check."""
    with pytest.raises(ValidationError, match=said):
        PLANS.validate_python(given)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"expect": "seen", "sight": SIGHT}, "THERMOSTAT_AMBIENT_STATUS is seen at least once"),
        ({"expect": "seen", "sight": SIGHT, "at_most": 1}, "THERMOSTAT_AMBIENT_STATUS is seen once"),
        ({"expect": "seen", "sight": SIGHT, "at_least": 2, "at_most": 3, "until": "9s"}, "2 to 3 times until 9 s"),
        ({"expect": "never", "sight": {"device": "pump"}}, "no frame of pump is seen"),
        ({"expect": "never", "sight": {"message": "node_status"}}, "node_status is never seen"),
        ({"expect": "never", "sight": SIGHT, "from": "2s"}, "THERMOSTAT_AMBIENT_STATUS is never seen from 2 s"),
        ({"expect": "every", "sight": SIGHT, "gap": "5s"}, "is seen at least every 5 s"),
        ({"expect": "order", "steps": [SIGHT, {"device": "a"}]}, "in this order: THERMOSTAT_AMBIENT_STATUS, then any"),
        ({"expect": "answer", "to": SIGHT, "sight": {"device": "a"}, "within": "2s"}, "is followed by any frame of a"),
        ({"expect": "only_after", "sight": SIGHT, "after": {"device": "a"}}, "is seen only after any frame of a"),
        ({"expect": "only_until", "sight": SIGHT, "end": {"device": "a"}, "grace": "1s"}, "a, plus 1 s of grace"),
        (
            {"expect": "stays", "sight": FIELD, "at_least": 1, "at_most": 2},
            "stays at least 1 and at most 2",
        ),
        ({"expect": "rate", "sight": SIGHT, "at_most": 2}, "is seen at most 2 times a second on average"),
        ({"expect": "world", "value": "cabin", "at_least": 2}, "cabin is at least 2 at all times"),
        ({"expect": "wires", "frames": "given_up", "at_most": 0}, "frames dropped: at most 0"),
        ({"expect": "presence", "device": "a", "state": "late", "throughout": True}, "a is late at all times"),
        ({"expect": "flag", "kind": "bus-busy", "cleared": True}, "the flag bus-busy is raised and cleared again"),
        ({"expect": "flag", "subject": "a", "raised": False}, "any flag of a is never raised"),
    ],
)
def test_expectations_in_words(given, said):
    """As they stand in a verdict and in --explain."""
    assert said in PLANS.validate_python(given).sentence


def test_sights_have_the_names_under_which_they_are_written():
    """What is wrong with one is told by its key, and by its place in an order, counted from 1."""
    order = PLANS.validate_python({"expect": "order", "steps": [SIGHT, {"device": "a"}]})
    assert {key: str(sight) for key, sight in order.sights.items()} == {
        "steps, item 1": "THERMOSTAT_AMBIENT_STATUS",
        "steps, item 2": "any frame of a",
    }
    answer = PLANS.validate_python({"expect": "answer", "to": SIGHT, "sight": {"device": "a"}, "within": "2s"})
    assert {key: str(sight) for key, sight in answer.sights.items()} == {
        "to": "THERMOSTAT_AMBIENT_STATUS",
        "sight": "any frame of a",
    }
    assert PLANS.validate_python({"expect": "flag"}).sights == {}
