"""The worst case computed from a plan, as text and as JSON: the highest bus load, and the longest delay of a message.

Knows: the assumptions that the text has to name. Does not know how the worst case is computed (`watch.bus.worst_case`).
"""

from typing import Any

from rvsim.watch.bus.worst_case import OTHER_FRAMES_GAP_US, WorstCase

_MAX_NAMED_MESSAGES = 3


def worst_case_text(plan: WorstCase) -> str:
    """Return the worst case in two sentences, with its assumptions."""
    load = f"Computed from the plan, not measured: bus load at most {plan.percent:.1f} %"
    unbounded = [response.message for response in plan.responses.values() if response.worst_us is None]
    if unbounded:
        named, others = ", ".join(unbounded[:_MAX_NAMED_MESSAGES]), len(unbounded) - _MAX_NAMED_MESSAGES
        delay = f"; no longest delay can be computed for {named}" + (f" and {others} more" if others > 0 else "")
    elif plan.responses:
        message, worst = max(plan.responses.values(), key=lambda response: response.worst_us or 0)
        delay = f"; every periodic message gets through within {(worst or 0) / 1000:.1f} ms (slowest: {message})"
    else:
        delay = ""
    return (
        f"{load}{delay}. Assumed: no errors, all gaps as planned, and at most one other frame of each node in "
        f"{OTHER_FRAMES_GAP_US // 1000} ms."
    )


def worst_case_json(plan: WorstCase | None) -> dict[str, Any] | None:
    """Return the worst case as plain data, times in milliseconds; None without a plan."""
    if plan is None:
        return None
    return {
        "load_percent": round(plan.percent, 3),
        "responses": [
            {"message": message, "worst_ms": None if worst is None else worst / 1000}
            for message, worst in plan.responses.values()
        ],
    }
