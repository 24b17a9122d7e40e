"""Every sign beyond ASCII that is printed, and its replacement where a terminal or a file cannot hold it.

Knows: replacements of the same width for the screen, readable ones for text. Does not know what is printed.

All signs are in Windows Glyph List 4 (from memory), which the console fonts of Windows have had since 1995; most are in
code page 437 as well.
"""

import json

SAME_WIDTH = {
    "╠": "|", "═": "=", "║": "|", "Ω": "O", "┌": "+", "└": "+", "─": "-", "│": "|", "├": "|", "┤": "|",
    "●": "o", "▒": ":", "·": ".", "°": " ", "×": "x", "►": ">", "…": "~",
    "←": "<", "→": ">", "↑": "^", "↓": "v", "≈": "~", "²": "2", "³": "3",
}  # fmt: skip
"""Replacements of one column, for tables and drawings."""
READABLE = {
    **SAME_WIDTH,
    "°": "deg", "Ω": "ohm", "\u2126": "ohm", "…": "...", "µ": "u", "μ": "u", "±": "+/-",
    "−": "-", "–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "\u00a0": " ",
}  # fmt: skip
"""Replacements in text; also for signs that stand in units and names of users' own definitions."""


def readable(sign: str, *, before_a_letter: bool = False) -> str:
    r"""Return the ASCII replacement of one sign in text; a sign without one is escaped as in JSON, like ``\u0107``."""
    replacement = READABLE.get(sign) or json.dumps(sign)[1:-1]
    return replacement + (" " if sign == "°" and before_a_letter else "")
