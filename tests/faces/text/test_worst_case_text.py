"""The worst case of a plan, as text and as JSON."""

from rvsim.faces.text.worst_case_text import worst_case_json, worst_case_text
from rvsim.watch.bus.worst_case import Response, WorstCase

ASSUMED = "Assumed: no errors, all gaps as planned, and at most one other frame of each node in 50 ms."
COMPUTED = "Computed from the plan, not measured: bus load at most"
KEPT = WorstCase({1: Response("DM_RV", 1920), 2: Response("TANK_STATUS", 28_160)}, 15.32)
BROKEN = WorstCase({n: Response(f"M{n}", None if n else 900) for n in range(6)}, 120.0)


def test_the_slowest_message_is_named():
    """With its time, the load, and what both rest on."""
    assert worst_case_text(KEPT) == (
        f"{COMPUTED} 15.3 %; every periodic message gets through within 28.2 ms (slowest: TANK_STATUS). {ASSUMED}"
    )


def test_messages_without_a_bound_are_named():
    """The first three of them, the rest counted."""
    assert worst_case_text(BROKEN) == (
        f"{COMPUTED} 120.0 %; no longest delay can be computed for M1, M2, M3 and 2 more. {ASSUMED}"
    )


def test_nothing_periodic():
    """Then there is only the load."""
    assert worst_case_text(WorstCase({}, 1.28)) == f"{COMPUTED} 1.3 %. {ASSUMED}"


def test_as_json():
    """Times in milliseconds, null where nothing can be computed, null without a plan."""
    assert worst_case_json(None) is None
    assert worst_case_json(KEPT) == {
        "load_percent": 15.32,
        "responses": [{"message": "DM_RV", "worst_ms": 1.92}, {"message": "TANK_STATUS", "worst_ms": 28.16}],
    }
    assert worst_case_json(BROKEN)["responses"][1] == {"message": "M1", "worst_ms": None}
