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
    Deed("left", "sideways(-1)", "Choose the reading before; on the tape, the byte before"),
    Deed("right", "sideways(1)", "Choose the next reading; on the tape, the next byte"),
    Deed("a", "page('Aboard')", "Aboard: everybody on the trunk"),
    Deed("i", "page('It says')", "It says: all that the chosen device says"),
    Deed("t", "page('Tape')", "Tape: its message byte by byte"),
    Deed("l", "page('Ledger')", "Ledger: amperes given, taken and left"),
    Deed("f", "page('Flags')", "Flags: everything that was noticed"),
    Deed("r", "page('Wires')", "Wires: one turn on the bus, bit by bit"),
    Deed("question_mark", "page('Keys')", "Keys"),
    Deed("n", "next_message", "Tape: the next message of the device"),
    Deed("o", "turn", "Order: as listed, by zone, trouble first"),
    Deed("s", "hand('silence')", "Silence the chosen device", _BENCH),
    Deed("h", "hand('hold')", "Hold the chosen reading", _BENCH),
    Deed("x", "hand('corrupt')", "Corrupt the chosen reading", _BENCH),
    Deed("b", "hand('restore')", "Restore the chosen device", _BENCH),
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
    ("↑ ↓", "choose a device; page up and page down go further", _ALL),
    ("← →", "choose a reading of the device; on the tape, a byte", _ALL),
    ("enter", "open or close the device in its place", _ALL),
    ("a esc", "Aboard: everybody on the trunk", _ALL),
    ("i", "It says: all that the chosen device says", _ALL),
    ("t", "Tape: its message byte by byte; n the next message", _ALL),
    ("l", "Ledger: amperes given, taken and left", _ALL),
    ("f", "Flags: what was noticed, with evidence and what to try next", _ALL),
    ("r", "Wires: one turn on the bus, bit by bit: who sent, who waited", _ALL),
    ("o", "order: as listed, by zone, trouble first", _ALL),
    ("s", "silence the device: nothing that it sends reaches the bus", _BENCH),
    ("h", "hold the chosen reading: it repeats its last value", _BENCH),
    ("x", "corrupt the chosen reading: it reports a value that cannot be", _BENCH),
    ("b", "restore the device: remove silence, hold and corrupt", _BENCH),
    ("w c", "warmer, cooler: command the thermostat half a degree up or down", _BENCH),
    ("p + -", "pause: time stands still; twice or half the speed", _PACED),
    ("g", "go on to the next flag and stand still there", _LOG),
    ("ctrl+p", "everything by name, and colours for light or dark", _ALL),
    ("q", "quit", _ALL),
)


def keys(mode: Mode) -> Iterator[tuple[str, str]]:
    """Return the keys of a screen, and what each does."""
    return ((key, does) for key, does, modes in _KEYS if mode in modes)


_HINTS: tuple[tuple[str, int, frozenset[Mode]], ...] = (
    ("enter open", 3, _ALL),
    ("← → reading", 9, _BENCH),
    ("t tape", 4, _ALL),
    ("i says", 11, _ALL),
    ("l ledger", 5, _ALL),
    ("f flags", 0, _ALL),
    ("o order", 10, _ALL),
    ("s silence", 1, _BENCH),
    ("h hold", 7, _BENCH),
    ("x corrupt", 6, _BENCH),
    ("b restore", 2, _BENCH),
    ("p pause", 8, _PACED),
    ("+ - speed", 7, _LOG),
    ("g next flag", 2, _LOG),
    ("? keys", 0, _ALL),
    ("q quit", 0, _ALL),
)
"""A key and its word, and its rank: the highest is left out first, and 0 never."""


def hint(mode: Mode, width: int) -> str:
    """Return the line of keys at the bottom: as many as fit, flags, keys and quit always."""
    told = [(word, rank) for word, rank, modes in _HINTS if mode in modes]
    line = "  ".join(word for word, _ in told)
    for least in sorted({rank for _, rank in told if rank}, reverse=True):
        if len(line) <= width:
            break
        told = [(word, rank) for word, rank in told if rank != least]
        line = "  ".join(word for word, _ in told)
    return line
