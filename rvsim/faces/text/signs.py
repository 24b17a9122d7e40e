"""Every sign beyond ASCII that we print, and what stands for it where a terminal or a file cannot have it.

Knows: twins of the same width for the screen, readable ones for text. Does not know who prints.

All signs are in Windows Glyph List 4 (from memory), which the console fonts of Windows have had since 1995; most are in
code page 437 as well.
"""

import json

SAME_WIDTH = {
    "╠": "|", "═": "=", "║": "|", "Ω": "O", "┌": "+", "└": "+", "─": "-", "│": "|", "├": "|", "┤": "|",
    "●": "o", "▒": ":", "·": ".", "°": " ", "×": "x", "►": ">", "…": "~",
    "←": "<", "→": ">", "↑": "^", "↓": "v", "≈": "~", "²": "2", "³": "3",
}  # fmt: skip
"""For columns, in which nothing may move."""
READABLE = {
    **SAME_WIDTH,
    "°": "deg", "Ω": "ohm", "\u2126": "ohm", "…": "...", "µ": "u", "μ": "u", "±": "+/-",
    "−": "-", "–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "\u00a0": " ",
}  # fmt: skip
"""For text; beside our own the signs that units and names of other people's definitions have."""


def readable(sign: str, before_a_letter: bool = False) -> str:
    r"""Return what stands for one sign in text: its twin, or where it has none what JSON writes, like ``\u0107``."""
    twin = READABLE.get(sign) or json.dumps(sign)[1:-1]
    return twin + (" " if sign == "°" and before_a_letter else "")
