"""The glossary: how a term is found and printed.

Knows: other words for a term, and which terms are similar to an unknown word. Does not know what any term means
(``glossary_terms`` does).
"""

from collections.abc import Iterator
from difflib import get_close_matches
from textwrap import wrap

from rvsim.errors import InputError
from rvsim.faces.text.glossary_terms import FIELD, OUR_OWN, Term
from rvsim.rig.quantity import shown

WIDTH = 80
"""Columns of every terminal. Common practice, no source."""
MAX_NEAR_TERMS = 5
"""At most so many terms are proposed for an unknown word. Our decision."""


def find_term(text: str) -> Term:
    """Return the term with this word, or with this other word for it, in upper or lower case.

    Raises:
        InputError: there is none; the line names similar ones.
    """
    wanted = " ".join(text.lower().split())
    names = {name.lower(): term for term in (*OUR_OWN, *FIELD) for name in (*term.also, term.word)}
    if wanted in names:
        return names[wanted]
    close = [
        *get_close_matches(wanted, names, n=MAX_NEAR_TERMS),
        *(name for name in names if wanted and wanted in name),
    ]
    near = list(dict.fromkeys(names[name].word for name in close))[:MAX_NEAR_TERMS]
    if near:
        proposed = f"near ones are {', '.join(near)}" if len(near) > 1 else f'did you mean "{near[0]}"?'
    else:
        proposed = "rvsim about --words lists all"
    raise InputError(f"--words: {shown(text)} is not in the glossary; {proposed}")


def term_lines(term: Term) -> Iterator[str]:
    """Yield one term: its word and other words for it, its meaning, its origin."""
    also = f" ({', '.join(term.also)})" if term.also else ""
    yield f"{term.word}{also}"
    yield from _indented(term.meaning)
    yield from _indented(f"Origin: {term.origin}")


def all_terms() -> Iterator[str]:
    """Yield the whole glossary, our own words first, each part in the order of the alphabet."""
    for title, terms in (("Words of rvsim's own", OUR_OWN), ("Terms of the field", FIELD)):
        yield title
        for term in sorted(terms, key=lambda one: one.word.lower()):
            yield ""
            yield from term_lines(term)
        if terms is OUR_OWN:
            yield ""


def _indented(text: str) -> Iterator[str]:
    yield from wrap(text, WIDTH, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False)
