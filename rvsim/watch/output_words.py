"""The state of an output, or of a switch, in words: "40 %, by hand", "off, tripped".

Knows: what dimmers, DC loads and digital inputs report of themselves. Does not know which output it is, nor what hangs
on it. Readings are handed in one by one, so that whoever asks knows which of them were used.
"""

from collections.abc import Callable

from rvsim.wire.fields import Reading, State
from rvsim.wire.quantity_text import compose

GetReading = Callable[[str, str], Reading | None]
"""Returns a reading by message and field, None where it was never received."""
LEVELS = {
    "dc_dimmer": (("DC_DIMMER_STATUS_3", "operating_status"), ("DC_DIMMER_STATUS_1", "master_brightness")),
    "dc_load": (("DC_LOAD_STATUS", "operating_status"),),
}
"""Where each function reports its level; the first one that was received counts."""
STATE_MESSAGES = {"dc_dimmer": "DC_DIMMER_STATUS_3", "dc_load": "DC_LOAD_STATUS_2"}
"""The message with everything else about an output."""
LOAD_AMPS = ("DC_LOAD_STATUS", "present_current")
_STATES = (
    ("over_current_status", "over-current"),
    ("override_status", "by hand"),
    ("lock_status", "locked"),
    ("interlock_status", "held by an interlock"),
)
"""What is said of an output while a field has the code 1."""


def level_of(function: str, get: GetReading) -> Reading | None:
    """Return the reported level of an output; None where none was received."""
    return next((found for place in LEVELS[function] if (found := get(*place)) is not None), None)


def level_text(function: str, level: Reading) -> str:
    """Return a level in words: off, on for all of a load, 40 %."""
    if level.state is not State.VALUE:
        return compose("level ", level.brief)
    if not level.value:
        return "off"
    return "on" if function == "dc_load" and level.value == 100 else level.brief


def state_words(function: str, get: GetReading, *, is_on: bool) -> list[str]:
    """Return what is to be said of an output besides its level, the most important first."""
    message = STATE_MESSAGES[function]
    words = [text for field, text in _STATES if (found := get(message, field)) is not None and found.raw == 1]
    load = get(message, "load_status") if function == "dc_dimmer" and not is_on else None
    if load is not None and load.raw == 1:
        words.append("flashing")
    return words


def output_text(function: str, get: GetReading) -> str | None:
    """Return the state of an output in words, without its current; None where nothing of it was received."""
    level = level_of(function, get)
    if level is None:
        return None
    text = level_text(function, level)
    for word in state_words(function, get, is_on=bool(level.value)):
        text = compose(text, f", {word}")
    return text


def position_text(get: GetReading) -> str | None:
    """Return the position of a switch or key in words; None where none was received."""
    position = get("DIGITAL_INPUT_STATUS", "switch_position")
    return None if position is None else position.brief
