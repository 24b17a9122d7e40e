"""The keys: what can be done and where, and how it is called in the palette, on the page of keys and in the hints.

Knows: names only. Does not know how anything is done; `app` does.
"""

from collections.abc import Iterator
from typing import NamedTuple

from rvsim.faces.screen.scene import Mode

_ALL = frozenset(Mode)
_BENCH = frozenset({Mode.BENCH})
_LOG = frozenset({Mode.LOG})
_PACED = _BENCH | _LOG


class Deed(NamedTuple):
    """Something that a key does: Textual's name of the key, the action, its name in the palette, and where it is."""

    key: str
    action: str
    name: str
    modes: frozenset[Mode] = _ALL


DEEDS = (
    Deed("up", "step(-1)", "Choose the device above"),
    Deed("down", "step(1)", "Choose the device below"),
    Deed("enter", "open", "Open or close the chosen device in its place"),
    Deed("a", "page('Aboard')", "Aboard: everybody on the trunk"),
    Deed("i", "page('It says')", "It says: all that the chosen device says"),
    Deed("t", "page('Tape')", "Tape: its message byte by byte"),
    Deed("l", "page('Ledger')", "Ledger: amperes given, taken and left"),
    Deed("f", "page('Flags')", "Flags: everything that was noticed"),
    Deed("r", "page('Wires')", "Wires: one access of the pair, bit by bit"),
    Deed("question_mark", "page('Keys')", "Keys"),
    Deed("n", "next_message", "Tape: the next message of the device"),
    Deed("left", "piece(-1)", "Tape: open the byte to the left"),
    Deed("right", "piece(1)", "Tape: open the byte to the right"),
    Deed("o", "turn", "Order: as listed, by zone, trouble first"),
    Deed("h", "hand('hush')", "Hush the chosen device", _BENCH),
    Deed("b", "hand('bring_back')", "Bring the chosen device back", _BENCH),
    Deed("k", "hand('stick')", "Stick a reading of the chosen device", _BENCH),
    Deed("x", "hand('spoil')", "Spoil a reading of the chosen device", _BENCH),
    Deed("w", "warmer(1)", "Warmer: the set point half a degree up", _BENCH),
    Deed("c", "warmer(-1)", "Cooler: the set point half a degree down", _BENCH),
    Deed("p", "pause", "Pause, or go on", _PACED),
    Deed("plus", "pace(2.0)", "Time at twice the speed", _PACED),
    Deed("minus", "pace(0.5)", "Time at half the speed", _PACED),
    Deed("g", "next_flag", "Go on to the next flag and stand still there", _LOG),
    Deed("escape", "page('Aboard')", "Back to Aboard"),
    Deed("pageup", "scroll(-1)", "A page up"),
    Deed("pagedown", "scroll(1)", "A page down"),
    Deed("q", "leave", "Quit"),
)
"""Everything that can be done."""


def available(mode: Mode) -> Iterator[Deed]:
    """Return what can be done on a screen."""
    return (deed for deed in DEEDS if mode in deed.modes)


_KEYS: tuple[tuple[str, str, frozenset[Mode]], ...] = (
    ("↑ ↓", "choose a device", _ALL),
    ("enter", "open or close it in its place", _ALL),
    ("pgup pgdn", "a page up or down", _ALL),
    ("a esc", "Aboard: everybody on the trunk", _ALL),
    ("i", "It says: all that the chosen device says", _ALL),
    ("t", "Tape: its message byte by byte; n the next message, ← → the byte", _ALL),
    ("l", "Ledger: amperes given, taken and left", _ALL),
    ("f", "Flags: what was noticed, with evidence and what to try next", _ALL),
    ("r", "Wires: one access of the pair bit by bit: who waited, stuff bits", _ALL),
    ("o", "order: as listed, by zone, trouble first", _ALL),
    ("h", "hush the device: nothing of it reaches the wires", _BENCH),
    ("k", "stick a reading: it repeats what it says next", _BENCH),
    ("x", "spoil a reading: it says the highest value it can", _BENCH),
    ("b", "bring the device back: take back hush, stick and spoil", _BENCH),
    ("w c", "warmer, cooler: command the thermostat half a degree up or down", _BENCH),
    ("p + -", "pause: time stands still; twice or half the speed", _PACED),
    ("g", "go on to the next flag and stand still there", _LOG),
    ("ctrl+p", "everything by name, and light or dark", _ALL),
    ("q", "quit", _ALL),
)


def keys(mode: Mode) -> Iterator[tuple[str, str]]:
    """Return the keys of a screen, and what each does."""
    return ((key, does) for key, does, modes in _KEYS if mode in modes)


_HINTS = {
    Mode.BENCH: (
        "enter open  t tape  i says  l ledger  f flags  o order  h hush  k stick  x spoil  b bring back  p pause  "
        "? keys",
        "enter open  t tape  l ledger  f flags  o order  h hush  b bring back  x spoil  p pause  ? keys",
        "enter open  t tape  l ledger  o order  h hush  b bring back  x spoil  ? keys",
        "enter  t l f o h b x  ? keys",
    ),
    Mode.LOG: (
        "enter open  t tape  i says  l ledger  f flags  o order  p pause  + - speed  g next flag  ? keys",
        "enter open  t tape  i says  f flags  p pause  + - speed  g next flag  ? keys",
        "enter  t i f p + - g  ? keys",
    ),
    Mode.BUS: (
        "enter open  t tape  i says  l ledger  f flags  o order  ? keys  q quit",
        "enter  t i l f o  ? keys",
    ),
}


def hint(mode: Mode, width: int) -> str:
    """Return the line of keys at the bottom: the longest that fits."""
    return next((one for one in _HINTS[mode] if len(one) <= width), _HINTS[mode][-1])
