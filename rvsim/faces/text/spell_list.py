"""All messages by subject, and those in which a word occurs.

Knows: which definition file is which subject, and where a word can occur in a definition. Does not know the layout of a
message.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from rvsim.errors import InputError, did_you_mean
from rvsim.faces.text.marks import LEGEND, mark
from rvsim.faces.text.spell_fields import WIDTH, wrapped
from rvsim.logs.formats.jsonl import SCHEMA, json_text
from rvsim.rig.functions import by_command, by_status
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.spec import MessageSpec

SUBJECTS = {
    "general": "The network itself: addresses, requests, faults, clock",
    "climate": "Climate",
    "power": "Batteries, chargers, inverters, generators",
    "switching": "Switched loads and inputs",
    "water": "Tanks, pumps, hot water, gas",
    "body": "Awnings, doors, locks, chassis",
}
"""The subject of each shipped definition file by its name, in the order of the list."""
OWN = "Your own definitions"
_MAX_SHOWN_PLACES = 4


class Found(NamedTuple):
    """A message in which a word occurs, and where: what is shown behind its name. ``rank`` 0 is its name."""

    spec: MessageSpec
    places: tuple[str, ...]
    rank: int


def subject_of(spec: MessageSpec) -> str:
    """Return the subject of a message by its definition file."""
    return SUBJECTS.get(Path(spec.file).stem, OWN)


def gap_text(spec: MessageSpec) -> str:
    """Return how often a message is sent, in a few words; empty where no definition says it."""
    if spec.gap_us is not None:
        seconds = spec.gap_us / 1_000_000
        return f"every {seconds:g} s" if seconds >= 1 else f"every {spec.gap_us / 1000:g} ms"
    return spec.rule


def list_text(catalogue: Catalogue) -> Iterator[str]:
    """Yield the list of all messages by subject, line by line."""
    yield f"{len(catalogue)} messages: DGN in hex, name, how often it is sent"
    yield LEGEND
    for title in (*SUBJECTS.values(), OWN):
        specs = [spec for spec in catalogue if subject_of(spec) == title]
        if specs:
            yield ""
            yield title
            yield from (_line(spec) for spec in specs)
    yield ""
    yield "A message byte by byte: rvsim spell NAME. A word: rvsim spell --find WORD."


def _line(spec: MessageSpec) -> str:
    named = f"  {spec.dgn:05X}  {spec.name}{mark([spec.origin])}"
    gap = gap_text(spec) if spec.fields else "known by name only"
    line = f"{named:<52}{gap}".rstrip()
    return line if len(line) <= WIDTH else f"{line[: WIDTH - 4].rstrip()} ..."


def found_messages(word: str, catalogue: Catalogue) -> list[Found]:
    """Return each message in which all parts of a word occur, those with it in their names first.

    Raises:
        InputError: it occurs nowhere; the line has close words.
    """
    wanted = word.lower().replace("_", " ").split()
    if not wanted:
        raise InputError("--find needs a word, like --find tank")
    found = [hit for spec in catalogue if (hit := _find(spec, wanted)) is not None]
    if not found:
        known = {part for name in catalogue.names for part in name.lower().split("_") if part.isalpha()}
        close = did_you_mean(word.lower(), sorted(known))
        raise InputError(f"{word!r} occurs in no message{close}: `rvsim spell` lists all")
    return sorted(found, key=lambda hit: hit.rank)


def _find(spec: MessageSpec, wanted: list[str]) -> Found | None:
    def holds(text: str) -> bool:
        text = text.lower().replace("_", " ")
        return all(part in text for part in wanted)

    places = [f"field {field.title}" for field in spec.fields if holds(field.title)]
    for field in spec.fields:
        places += [f"{field.title} = {label}" for label in field.labels.values() if holds(label)]
    places += [f"note on {field.title}" for field in spec.fields if field.comment and holds(field.comment)]
    function = by_status(spec.name) or by_command(spec.name)
    if function is not None and holds(function.title):
        places.append(f"function {function.title}")
    if holds(spec.name):
        return Found(spec, tuple(places), 0)
    if spec.comment and holds(spec.comment):
        places.append("its description")
    return Found(spec, tuple(places), 1) if places else None


def found_text(word: str, found: list[Found]) -> Iterator[str]:
    """Yield where a word was found, line by line."""
    yield f'"{word}" is in {len(found)} message{"" if len(found) == 1 else "s"}'
    for spec, places, _ in found:
        yield _line(spec)
        shown = places[:_MAX_SHOWN_PLACES]
        more = f" and {len(places) - len(shown)} more" if len(places) > len(shown) else ""
        if shown:
            yield from wrapped(f"{'; '.join(shown)}{more}", "         ")


def list_json(catalogue: Catalogue) -> str:
    """Return the list as one JSON object: ``messages``, each with DGN, name, subject, gap and origin."""
    return json_text({"schema": SCHEMA, "messages": [_as_json(spec) for spec in catalogue]})


def found_json(word: str, found: list[Found]) -> str:
    """Return where a word was found as one JSON object, each message with ``places``."""
    messages = [{**_as_json(spec), "places": list(places)} for spec, places, _ in found]
    return json_text({"schema": SCHEMA, "find": word, "messages": messages})


def _as_json(spec: MessageSpec) -> dict[str, object]:
    return {
        "dgn": f"{spec.dgn:05X}",
        "message": spec.name,
        "subject": subject_of(spec),
        "gap_ms": None if spec.gap_us is None else spec.gap_us / 1000,
        "rule": spec.rule or None,
        "origin": str(spec.origin),
        "fields": len(spec.fields),
    }
