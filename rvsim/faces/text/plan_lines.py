"""Lines of a plan's text: as wide as a terminal, sentences, and counts with their words.

Knows: how a text is broken into lines. Does not know what a plan says.
"""

import re
from textwrap import wrap

WIDTH = 80
"""How long a line is, also where the output is a file. Common practice, no source."""
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[A-Za-z%°µΩ])")


def wrapped(text: str, first: str, indent: str) -> list[str]:
    """Return a text in lines of ``WIDTH``; ``first`` stands before the first line, ``indent`` before the others."""
    joined = _BEFORE_UNIT.sub("\u00a0", text)  # a number and its unit stay on one line
    lines = wrap(joined, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def sentence(text: str) -> str:
    """Return a text that begins with a capital letter and ends with a full stop."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"


def counted(number: int, what: str) -> str:
    """Return a number with what is counted, in the plural where there is not one."""
    return f"{number} {what if number == 1 else plural(what)}"


def plural(word: str) -> str:
    """Return the plural of a word for a part of a rig; one that ends in "s" is a plural already."""
    if word.endswith("s"):
        return word
    if word.endswith("y") and word[-2:-1] not in tuple("aeou"):
        return f"{word[:-1]}ies"
    return f"{word}es" if word.endswith(("ch", "sh", "x")) else f"{word}s"
