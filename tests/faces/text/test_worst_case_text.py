"""What a plan promises of the pair, in words and as JSON."""

from rvsim.faces.text.worst_case_text import promise_json, promise_text
from rvsim.watch.bus.worst_case import Response, WorstCase

ASSUMED = "Computed, not measured: no errors, gaps kept, and each node sends at most one other frame in 50 ms."
KEPT = WorstCase({1: Response("DM_RV", 1920), 2: Response("TANK_STATUS", 28_160)}, 15.32)
BROKEN = WorstCase({n: Response(f"M{n}", None if n else 900) for n in range(6)}, 120.0)


def test_the_slowest_message_is_named():
    """With its time, the load, and what both rest on."""
    assert promise_text(KEPT) == (
        "By the plan the pair is at most 15.3 % busy, and no periodic message is through later than 28.2 ms after it "
        f"is due (TANK_STATUS). {ASSUMED}"
    )


def test_messages_without_a_promise_are_named():
    """The first three of them, the rest counted."""
    assert promise_text(BROKEN) == (
        f"By the plan the pair is at most 120.0 % busy: no longest time can be promised for M1, M2, M3 and 2 more. "
        f"{ASSUMED}"
    )


def test_nothing_periodic():
    """Then there is only the load."""
    assert promise_text(WorstCase({}, 1.28)) == f"By the plan the pair is at most 1.3 % busy. {ASSUMED}"


def test_as_json():
    """Times in milliseconds, null where nothing can be promised, null without a plan."""
    assert promise_json(None) is None
    assert promise_json(KEPT) == {
        "load_percent": 15.32,
        "responses": [{"message": "DM_RV", "worst_ms": 1.92}, {"message": "TANK_STATUS", "worst_ms": 28.16}],
    }
    assert promise_json(BROKEN)["responses"][1] == {"message": "M1", "worst_ms": None}
