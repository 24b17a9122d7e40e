"""What dimmers, loads, switches and keys send, in words: "100 %, last command toggle", "toggle, groups 1, 3".

Knows: which fields of these messages a person reads, and how. Does not know whose they are, nor which have changed.
Fields that only repeat another one are left out; the JSON form has them.
"""

from collections.abc import Callable, Mapping

from rvsim.watch.output_words import level_text
from rvsim.wire.fields import Origin, Reading, State
from rvsim.wire.quantity_text import compose, join

News = Mapping[str, Reading]
"""The readings that have changed, by field."""
_NO_GROUP = 127
"""From this bitmap on there is no group in it: all seven bits are ones."""
_NO_TIME = frozenset({0, 255})
"""Codes of a delay that say nothing: immediate, and no limit or no data."""
_NO_INTERLOCK = frozenset({0, 3})
_TWO_POSITIONS = 2
_WORDS = {
    "over_current_status": ("over-current ended", "over-current"),
    "override_status": ("as commanded again", "set by hand at the module"),
    "lock_status": ("unlocked", "locked"),
    "interlock_status": ("free of its interlock", "held by an interlock"),
}
"""What is said when a field becomes 0, and when it becomes 1."""
_LEVELS = ("operating_status", "master_brightness")
_REPEATED = frozenset({"load_status", "variable_level_capability", "priority", "instance"})


def _level_reading(news: News) -> Reading | None:
    return next((news[name] for name in _LEVELS if name in news), None)


def output_words(function: str) -> Callable[[News], tuple[str, list[Origin]]]:
    """Return what renders the news of an output with this function."""

    def render(news: News) -> tuple[str, list[Origin]]:
        level = _level_reading(news)
        parts: list[tuple[str, Reading]] = [] if level is None else [(level_text(function, level), level)]
        is_off = level is not None and level.raw == 0
        for name, reading in news.items():
            text = "" if reading is level else _output_part(name, reading, is_off=is_off)
            if text:
                parts.append((text, reading))
        return join(", ", (text for text, _ in parts)), [reading.origin for _, reading in parts]

    return render


def _output_part(name: str, reading: Reading, *, is_off: bool) -> str:
    """Return one field of an output's status, empty for one that says nothing here."""
    if name in _REPEATED or reading.state is not State.VALUE or reading.raw is None:
        return ""
    if name in _WORDS:
        return _WORDS[name][reading.raw] if reading.raw in (0, 1) else compose(f"{reading.field.title} ", reading.brief)
    match name:
        case "present_current":
            return "" if is_off and not reading.value else reading.brief
        case "demanded_current":
            return compose("would take ", reading.brief) if is_off and reading.value else ""
        case "group":
            return "" if reading.raw >= _NO_GROUP else f"in {reading.brief}"
        case "operating_mode":
            return "" if reading.raw == 0 else compose("mode ", reading.brief)
        case "delay_duration" | "delay":
            return "" if reading.raw in _NO_TIME else compose(reading.brief, " left")
        case _:
            return compose(f"{reading.field.title} ", reading.brief)


def command_words(news: News) -> tuple[str, list[Origin]]:
    """Return the news of a command to outputs."""
    parts = [(text, reading) for name, reading in news.items() if (text := _command_part(name, reading))]
    parts.sort(key=lambda part: part[1].field.name != "command")
    return join(", ", (text for text, _ in parts)), [reading.origin for _, reading in parts]


def _command_part(name: str, reading: Reading) -> str:
    if name == "instance" or reading.state is not State.VALUE or reading.raw is None:
        return ""
    match name:
        case "command" | "desired_level" | "desired_operating_level":
            return reading.brief
        case "group":
            return "" if reading.raw >= _NO_GROUP else reading.brief
        case "delay_duration" | "delay":
            return "" if reading.raw in _NO_TIME else compose("delay or duration ", reading.brief)
        case "interlock":
            return "" if reading.raw in _NO_INTERLOCK else reading.brief
        case _:
            return compose(f"{reading.field.title} ", reading.brief)


def input_words(news: News) -> tuple[str, list[Origin]]:
    """Return the news of a switch or key: its position, and what kind of switch it is."""
    parts = []
    for name in ("switch_position", "configuration"):
        if name in news and news[name].state is State.VALUE:
            parts.append((news[name].brief, news[name]))
    positions = news.get("number_of_positions")
    if positions is not None and positions.raw != _TWO_POSITIONS and positions.state is State.VALUE:
        parts.append((compose("positions ", positions.brief), positions))
    return join(", ", (text for text, _ in parts)), [reading.origin for _, reading in parts]


GROUP_COMMANDS = ("DC_DIMMER_COMMAND", "DC_DIMMER_COMMAND_2", "DC_LOAD_COMMAND")
"""Commands that are for one output, or for groups of outputs where no output has their instance."""
SWITCHING_WORDS: Mapping[str, Callable[[News], tuple[str, list[Origin]]]] = {
    **dict.fromkeys(("DC_DIMMER_STATUS_1", "DC_DIMMER_STATUS_3"), output_words("dc_dimmer")),
    **dict.fromkeys(("DC_LOAD_STATUS", "DC_LOAD_STATUS_2"), output_words("dc_load")),
    **dict.fromkeys(GROUP_COMMANDS, command_words),
    "DIGITAL_INPUT_STATUS": input_words,
}
"""What renders the news of each message."""
SAME_READING = {
    ("DC_DIMMER_STATUS_1", "master_brightness"): ("DC_DIMMER_STATUS_3", "operating_status"),
    ("DC_DIMMER_STATUS_1", "group"): ("DC_DIMMER_STATUS_3", "group"),
}
"""Fields that repeat a field of another message: one change of both is one sentence."""
