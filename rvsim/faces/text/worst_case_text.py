"""What the plan promises, in words and as JSON: how busy the pair can be, and how long a message takes at worst.

Knows: the assumptions that have to be said with it. Does not know how it is worked out (`watch.promise`).
"""

from typing import Any

from rvsim.watch.bus.worst_case import OTHER_FRAMES_GAP_US, WorstCase

_SHOWN = 3


def promise_text(promise: WorstCase) -> str:
    """Say it in a sentence or two, with what it rests on."""
    load = f"By the plan the pair is at most {promise.percent:.1f} % busy"
    hopeless = [one.message for one in promise.responses.values() if one.worst_us is None]
    if hopeless:
        more = f" and {len(hopeless) - _SHOWN} more" if len(hopeless) > _SHOWN else ""
        kept = f": no longest time can be promised for {', '.join(hopeless[:_SHOWN])}{more}"
    elif promise.responses:
        message, worst = max(promise.responses.values(), key=lambda one: one.worst_us or 0)
        kept = (
            f", and no periodic message is through later than {(worst or 0) / 1000:.1f} ms after it is due ({message})"
        )
    else:
        kept = ""
    return (
        f"{load}{kept}. Computed, not measured: no errors, gaps kept, and each node sends at most one other frame in "
        f"{OTHER_FRAMES_GAP_US // 1000} ms."
    )


def promise_json(promise: WorstCase | None) -> dict[str, Any] | None:
    """Return it as plain data, times in milliseconds."""
    if promise is None:
        return None
    return {
        "load_percent": round(promise.percent, 3),
        "responses": [
            {"message": message, "worst_ms": None if worst is None else worst / 1000}
            for message, worst in promise.responses.values()
        ],
    }
