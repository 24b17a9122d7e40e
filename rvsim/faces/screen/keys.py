"""The keys: what each does, where it is available, and its name in the palette, its text on the page of keys
and in the line of hints at the bottom.

Knows: names of actions, pages and modes. Does not know how an action is done; `app` does.
"""

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

from rvsim.faces.screen.scene import Mode, Page

_ALL = frozenset(Mode)
_BENCH = frozenset({Mode.BENCH})
_LOG = frozenset({Mode.LOG})
_PACED = _BENCH | _LOG
_LIVE = frozenset({Mode.BENCH, Mode.BUS})


class ManualFaultAction(StrEnum):
    """What the keys of manual faults do."""

    SILENCE = "silence"
    HOLD = "hold"
    CORRUPT = "corrupt"
    RESTORE = "restore"


class RowAction(StrEnum):
    """What the keys do to the chosen switch, key or output."""

    PRESS = "press"
    ON = "on"
    OFF = "off"
    AS_COMMANDED = "as commanded"


class KeyAction(NamedTuple):
    """What one key does: Textual's name of the key, the action, its name in the palette, and where it is available.

    ``action`` is a call in Textual's form, such as ``scroll(1)``; `app.LiveScreen` has a method ``action_scroll``.
    """

    key: str
    action: str
    name: str
    modes: frozenset[Mode] = _ALL


class DraftAction(StrEnum):
    """What the keys do to a draft, the copy of a frame on the tape."""

    FLIP = "flip"
    SET = "set"
    CLEAR = "clear"
    STEP_UP = "step up"
    STEP_DOWN = "step down"
    ASK_VALUE = "ask for a value"
    UNDO = "undo"
    REVERT = "revert"
    LEAVE = "leave"


def _page(page: Page) -> str:
    return f"page({page.value!r})"


def _manual_fault(action: ManualFaultAction) -> str:
    return f"manual_fault({action.value!r})"


def _row(action: RowAction) -> str:
    return f"use_row({action.value!r})"


KEY_ACTIONS = (
    KeyAction("up", "step(-1)", "Choose the device or row above"),
    KeyAction("down", "step(1)", "Choose the device or row below"),
    KeyAction("enter", "open", "Open or close the chosen device in its place"),
    KeyAction(
        "left", "step_reading(-1)", "Choose the reading before; on the tape, the byte; on Wires, the turn before"
    ),
    KeyAction(
        "right", "step_reading(1)", "Choose the next reading; on the tape, the next byte; on Wires, the next turn"
    ),
    KeyAction("a", _page(Page.ABOARD), "Aboard: every device on the trunk"),
    KeyAction("i", _page(Page.READINGS), "It says: everything that the chosen device sends"),
    KeyAction("t", _page(Page.TAPE), "Tape: its message byte by byte"),
    KeyAction("l", _page(Page.LEDGER), "Ledger: amperes given, taken and left"),
    KeyAction("e", _page(Page.ENERGY), "Energy: who gives heat, fuel, water and power, who takes"),
    KeyAction("f", _page(Page.FLAGS), "Flags: everything that was noticed"),
    KeyAction("r", _page(Page.WIRES), "Wires: one turn on the bus, bit by bit"),
    KeyAction("v", _page(Page.MOVED), "Moved: what moved in the last seconds, and before each mark", _LIVE),
    KeyAction("question_mark", _page(Page.KEYS), "Keys"),
    KeyAction("n", "next_message", "Tape: the next message of the device"),
    KeyAction("d", "take_draft", "Tape: a copy of the frame to change; nothing is sent"),
    KeyAction("o", "next_order", "Order: as listed, by zone, trouble first"),
    KeyAction("s", _manual_fault(ManualFaultAction.SILENCE), "Silence the chosen device", _BENCH),
    KeyAction("h", _manual_fault(ManualFaultAction.HOLD), "Hold the chosen reading", _BENCH),
    KeyAction("x", _manual_fault(ManualFaultAction.CORRUPT), "Corrupt the chosen reading", _BENCH),
    KeyAction("b", _manual_fault(ManualFaultAction.RESTORE), "Restore the chosen device", _BENCH),
    KeyAction("space", _row(RowAction.PRESS), "Press the chosen switch or key", _BENCH),
    KeyAction("1", _row(RowAction.ON), "On: hold or switch on the chosen switch, or set the output on by hand", _BENCH),
    KeyAction("0", _row(RowAction.OFF), "Off: release or switch off the switch, or set the output off by hand", _BENCH),
    KeyAction("u", _row(RowAction.AS_COMMANDED), "Let the chosen output be as commanded", _BENCH),
    KeyAction("w", "warmer(1)", "Warmer: the set point half a degree up", _BENCH),
    KeyAction("c", "warmer(-1)", "Cooler: the set point half a degree down", _BENCH),
    KeyAction("p", "pause", "Pause, or go on", _PACED),
    KeyAction("plus", "change_speed(2.0)", "Twice the speed", _PACED),
    KeyAction("minus", "change_speed(0.5)", "Half the speed", _PACED),
    KeyAction("g", "next_flag", "Go on to the next flag and pause there", _LOG),
    KeyAction("G", "previous_flag", "Go back to the flag before and pause there", _LOG),
    KeyAction("slash", "search", "Search on for a device, message, field or flag", _LOG),
    KeyAction("m", "set_mark", "Mark this place of the log", _LOG),
    KeyAction("m", "set_mark", "Mark this moment with a note", _LIVE),
    KeyAction("M", "go_to_mark", "Go to the mark", _LOG),
    KeyAction("full_stop", "step_frames(1)", "One frame on", _LOG),
    KeyAction("comma", "step_frames(-1)", "One frame back", _LOG),
    KeyAction("escape", _page(Page.ABOARD), "Back to Aboard"),
    KeyAction("pageup", "scroll(-1)", "A page up"),
    KeyAction("pagedown", "scroll(1)", "A page down"),
    KeyAction("q", "end_run", "Quit"),
)
"""Every key of the screen but Ctrl-C and Ctrl-P."""
BOUND_KEYS = tuple({entry.key: (entry.key, entry.action, entry.name) for entry in KEY_ACTIONS}.values())
"""Each key once: what it does is the same action in every mode."""


def _draft(action: DraftAction) -> str:
    return f"change_draft({action.value!r})"


DRAFT_ACTIONS = (
    KeyAction("left", "step_bit(-1)", "Copy: choose the bit before"),
    KeyAction("right", "step_bit(1)", "Copy: choose the next bit"),
    KeyAction("up", "step_draft_piece(-1)", "Copy: choose the byte before; before the first, the identifier"),
    KeyAction("down", "step_draft_piece(1)", "Copy: choose the next byte"),
    KeyAction("space", _draft(DraftAction.FLIP), "Copy: change the chosen bit"),
    KeyAction("1", _draft(DraftAction.SET), "Copy: make the bit 1, and choose the next"),
    KeyAction("0", _draft(DraftAction.CLEAR), "Copy: make the bit 0, and choose the next"),
    KeyAction("enter", _draft(DraftAction.ASK_VALUE), "Copy: write a value for the field or part with the bit"),
    KeyAction("plus", _draft(DraftAction.STEP_UP), "Copy: the value one step up"),
    KeyAction("minus", _draft(DraftAction.STEP_DOWN), "Copy: the value one step down"),
    KeyAction("u", _draft(DraftAction.UNDO), "Copy: undo the last change"),
    KeyAction("b", _draft(DraftAction.REVERT), "Copy: the frame as heard again"),
    KeyAction("escape", _draft(DraftAction.LEAVE), "Back from the copy to the frame"),
    KeyAction("d", _draft(DraftAction.LEAVE), "Back from the copy to the frame"),
)
"""What keys do while a draft is on the tape; all other keys do what they do anywhere."""
DRAFT_REFUSED_KEYS = ("s", "h", "x", "w", "c")
"""Keys that would send something or disturb a device: while a draft is on the tape they only say that it does not."""


def available_actions(mode: Mode) -> Iterator[KeyAction]:
    """Return the keys that do something in a mode."""
    return (entry for entry in KEY_ACTIONS if mode in entry.modes)


_KEY_TEXTS: tuple[tuple[str, str, frozenset[Mode]], ...] = (
    ("↑ ↓", "choose a device, or a row of an open module; page up, page down", _ALL),
    ("← →", "choose a reading; on the tape, a byte; on Wires, a turn", _ALL),
    ("enter", "open or close the device in its place", _ALL),
    ("a esc", "Aboard: every device on the trunk", _ALL),
    ("i t", "It says: all that it sends; Tape: byte by byte, n the next message", _ALL),
    ("d", "on the tape: a copy of the frame to change; nothing is sent", _ALL),
    ("l e", "Ledger: amperes given, taken, left; Energy: heat, fuel, water, power", _ALL),
    ("f r", "Flags: what was noticed, what to try; Wires: one turn, bit by bit", _ALL),
    ("v m", "Moved: what moved in the last 5 s; m marks this moment with a note", _LIVE),
    ("o", "order: as listed, by zone, trouble first", _ALL),
    ("s b", "silence the device; restore it: remove silence, hold and corrupt", _BENCH),
    ("h x", "the chosen reading: hold its last value; corrupt: impossible value", _BENCH),
    ("space", "press the chosen switch or key; a switch that stays changes over", _BENCH),
    ("1 0", "hold or release it, or switch it on or off; an output: by hand", _BENCH),
    ("u", "let the chosen output be as commanded again", _BENCH),
    ("w c", "warmer, cooler: command the thermostat half a degree up or down", _BENCH),
    ("p + -", "pause or go on; twice or half the speed", _PACED),
    ("g G", "go on to the next flag, or back to the one before, and pause there", _LOG),
    ("/", "search on for a text in devices, messages, fields and flags", _LOG),
    ("m M", "mark this place; go to the mark", _LOG),
    (". ,", "one frame on; one frame back", _LOG),
    ("ctrl+p q", "all commands by name, other colours; quit", _ALL),
)


def key_texts(mode: Mode) -> Iterator[tuple[str, str]]:
    """Return the keys of a mode and what each does, for the page of keys."""
    return ((key, text) for key, text, modes in _KEY_TEXTS if mode in modes)


_DRAFT_KEY_TEXTS = (
    ("← → ↑ ↓", "choose a bit; a byte, the identifier before the first"),
    ("space", "change the chosen bit"),
    ("1 0", "make it 1 or 0, and choose the next"),
    ("enter", "write a value: a number, the name of a code, no data, 0x and hex"),
    ("+ -", "the value one step up or down"),
    ("u b", "undo the last change; the frame as heard again"),
    ("d esc", "back to the frame; d takes a copy with changes again"),
)


def draft_key_texts() -> Iterator[tuple[str, str]]:
    """Return the keys of a draft and what each does, for the page of keys."""
    return iter(_DRAFT_KEY_TEXTS)


DRAFT_HINTS = (
    ("← → bit", 0),
    ("↑ ↓ byte", 2),
    ("space flip", 0),
    ("1 0 set", 5),
    ("enter value", 0),
    ("+ - step", 3),
    ("u undo", 1),
    ("b as heard", 4),
    ("esc frame", 0),
    ("? keys", 0),
    ("q quit", 6),
)
"""The line of hints while a draft is on the tape: a key with its word, and its rank as in ``_HINTS``."""
_HINTS: tuple[tuple[str, int, frozenset[Mode]], ...] = (
    ("enter open", 3, _ALL),
    ("← → reading", 9, _BENCH),
    ("t tape", 4, _ALL),
    ("i says", 11, _ALL),
    ("l ledger", 5, _ALL),
    ("e energy", 8, _ALL),
    ("f flags", 0, _ALL),
    ("o order", 10, _ALL),
    ("s silence", 1, _BENCH),
    ("h hold", 7, _BENCH),
    ("x corrupt", 6, _BENCH),
    ("b restore", 2, _BENCH),
    ("p pause", 8, _PACED),
    ("+ - speed", 7, _LOG),
    ("g next flag", 2, _LOG),
    ("/ search", 6, _LOG),
    ("? keys", 0, _ALL),
    ("q quit", 0, _ALL),
)
"""A key with its word, its rank, and where it is shown. The highest rank is left out first; rank 0 always stays."""


def hint_line(mode: Mode, width: int) -> str:
    """Return the line of keys at the bottom: as many as fit in ``width``; flags, keys and quit always."""
    return _fitting([(word, rank) for word, rank, modes in _HINTS if mode in modes], width)


def draft_hint_line(width: int) -> str:
    """Return the line of keys at the bottom while a draft is on the tape: as many as fit in ``width``."""
    return _fitting(list(DRAFT_HINTS), width)


def _fitting(hints: list[tuple[str, int]], width: int) -> str:
    line = "  ".join(word for word, _ in hints)
    for dropped in sorted({rank for _, rank in hints if rank}, reverse=True):
        if len(line) <= width:
            break
        hints = [(word, rank) for word, rank in hints if rank != dropped]
        line = "  ".join(word for word, _ in hints)
    return line
