"""Every sign beyond ASCII that we print, and what stands for it where a terminal or a file cannot have it.

Knows: twins of the same width for the screen, readable ones for text. Does not know who prints.

All signs are in Windows Glyph List 4 (from memory), which the console fonts of Windows have had since 1995; most are in
code page 437 as well.
"""

SAME_WIDTH = {
    "╠": "|", "═": "=", "║": "|", "Ω": "O", "┌": "+", "└": "+", "─": "-", "│": "|", "├": "|", "┤": "|",
    "●": "o", "▒": ":", "·": ".", "°": " ", "×": "x", "►": ">", "…": "~",
    "←": "<", "→": ">", "↑": "^", "↓": "v",
}  # fmt: skip
"""For columns, in which nothing may move."""
READABLE = {
    **SAME_WIDTH,
    "°": "deg", "Ω": "ohm", "\u2126": "ohm", "…": "...", "µ": "u", "μ": "u", "²": "2", "³": "3", "±": "+/-",
    "−": "-", "–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "\u00a0": " ",
}  # fmt: skip
"""For text; beside our own the signs that units and names of other people's definitions have."""


def readable(sign: str, before_a_letter: bool = False) -> str:
    """Return what stands for one sign in text: its twin, the byte of a name that is not UTF-8, or a question mark."""
    if "\udc80" <= sign <= "\udcff":  # how Python keeps a byte of a file's name that it could not decode
        return f"\\x{ord(sign) - 0xDC00:02x}"
    return READABLE.get(sign, "?") + (" " if sign == "°" and before_a_letter else "")
