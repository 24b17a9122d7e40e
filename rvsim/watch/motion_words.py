"""What a shade, a powered door and an awning report, in words.

Knows: the status messages of these functions. Does not know what moves them by outputs (`output_words` has those).
"""

from rvsim.watch.output_words import GetReading
from rvsim.wire.fields import State
from rvsim.wire.quantity_text import compose

SHADE_STATUS, LOCK_STATUS, AWNING_STATUS = "WINDOW_SHADE_CONTROL_STATUS", "LOCK_STATUS", "AWNING_STATUS"
_LOCKED = 1


def shade_text(get: GetReading) -> str | None:
    """Return what a window shade does."""
    moves, forward, back = (get(SHADE_STATUS, f"{name}_status") for name in ("motor", "forward", "reverse"))
    if moves is None or forward is None or back is None:
        return None
    lock = get(SHADE_STATUS, "lock_status")
    held = ", locked" if lock is not None and lock.raw == _LOCKED else ""
    if moves.state is not State.VALUE:
        return compose("motor ", moves.brief, held)
    if not moves.raw:
        return f"stands{held}"
    return ("moves forward" if forward.raw == 1 else "moves back" if back.raw == 1 else "moves") + held


def lock_text(get: GetReading) -> str | None:
    """Return whether a door is locked."""
    state = get(LOCK_STATUS, "lock_status")
    return None if state is None else state.brief


def awning_text(get: GetReading) -> str | None:
    """Return the lights of an awning, and whether it is kept from extending."""
    light, lock = get(AWNING_STATUS, "awning_light"), get(AWNING_STATUS, "oem_extension_lock")
    if light is None or lock is None:
        return None
    return compose("light ", light.brief, ", will not extend" if lock.raw == _LOCKED else "")
