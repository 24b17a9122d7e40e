"""What was probably meant by a word in the place of a command that is none.

Knows: words by which people look for something that has another name here. Does not know what a command does.
"""

import re
from typing import Any

from typer.core import TyperGroup

_MEANT = {
    **dict.fromkeys(("guide", "guides", "tutorial"), "about --guide"),
    **dict.fromkeys(("word", "words", "glossary", "term"), "about --words"),
    **dict.fromkeys(("key", "keys"), "about --keys"),
    **dict.fromkeys(("schema", "schemas"), "about --schema"),
    **dict.fromkeys(("decode", "explain", "build", "encode", "frame", "message", "dgn"), "spell"),
    **dict.fromkeys(("find", "search"), "spell --find"),
    **dict.fromkeys(("run", "simulate", "start"), "bench"),
    "test": "shakedown",
    "check": "plan",
    **dict.fromkeys(("exercise", "quiz", "learn"), "practice"),
    "help": "--help",
    "version": "--version",
}
"""Words that are no command, and what stands in their place."""
_FRAME = re.compile(r"(?:0x)?[0-9a-f]{8}(?:#.*)?", re.IGNORECASE)


class CommandGroup(TyperGroup):
    """The commands of the program; a word that is none of them has a next step where one is known."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the command that is named, and the words behind it."""
        word = args[0] if args else ""
        if word not in self.commands and (meant := _meant(args)) is not None:
            ctx.fail(f"No such command '{word}'. Write: rvsim {meant}")
        return super().resolve_command(ctx, args)


def _meant(words: list[str]) -> str | None:
    """Return the words that were probably meant, None where that is not known."""
    first, *rest = words or [""]
    meant = _MEANT.get(first.lower())
    if _FRAME.fullmatch(first):
        meant, rest = "spell", words
    if meant is None:
        return None
    quoted = (f'"{word}"' if re.search(r"[\s#]", word) else word for word in rest)
    return " ".join([meant, *(() if meant.startswith("--") else quoted)])
