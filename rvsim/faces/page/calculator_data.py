"""The definitions as plain data for the calculator of a page.

Knows: which facts of a message the script needs; integers are decimal text, since JavaScript's own numbers are exact
only up to 53 bits. Does not know what the script does with them.
"""

import json
from collections.abc import Iterable, Mapping
from typing import Any

from rvsim.errors import printable
from rvsim.faces.page.markup import Html, element
from rvsim.faces.text.spell_example import example_frame
from rvsim.faces.text.spell_fields import NO_VALUE_STATES, STATE_WORDS, WRITTEN_STATES, place
from rvsim.faces.text.spell_layout import special_codes, type_of
from rvsim.faces.text.spell_senders import parties
from rvsim.rig.functions import by_command, by_status
from rvsim.wire.fields import FieldSpec
from rvsim.wire.spec import MessageSpec


def definitions(specs: Iterable[MessageSpec]) -> Html:
    """Return the definitions as a block of data in the page."""
    labels: dict[tuple[tuple[str, str], ...], int] = {}
    messages = {f"{spec.dgn:05X}": _message(spec, labels) for spec in specs}
    data = {
        "messages": messages,
        "labels": [dict(one) for one in labels],
        "written": list(WRITTEN_STATES),
        "states": {str(state): words for state, words in STATE_WORDS.items()},
        "empty": [str(state) for state in NO_VALUE_STATES],
    }
    content = json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")
    return element("script", Html(content), type="application/json", id="definitions")


def _message(spec: MessageSpec, labels: dict[tuple[tuple[str, str], ...], int]) -> Mapping[str, Any]:
    function = by_status(spec.name) or by_command(spec.name)
    frame = example_frame(spec, parties(spec)) if spec.fields else None
    return {
        "name": spec.name,
        "dgn": spec.dgn,
        "priority": spec.priority,
        "length": spec.length,
        "comment": printable(spec.comment),
        "function": function.title if function is not None else "",
        "example": None if frame is None else [f"{frame.identifier:08X}", frame.data.hex().upper()],
        "fields": [_field(field, labels) for field in spec.fields],
    }


def _field(field: FieldSpec, labels: dict[tuple[tuple[str, str], ...], int]) -> Mapping[str, Any]:
    named = tuple((str(raw), printable(label)) for raw, label in sorted(field.labels.items()))
    low, high = field.raw_limits
    written = {word: field.code(state) for word, state in WRITTEN_STATES.items()}
    return {
        "name": field.name,
        "title": field.title,
        "place": place(field),
        "type": type_of(field),
        "first": field.first,
        "length": field.length,
        "big": field.big_endian,
        "signed": field.signed,
        "scale": str(field.scale),
        "offset": str(field.offset),
        "decimals": field.decimals,
        "unit": printable(field.unit),
        "shown": printable(field.printed_unit),
        "low": str(low),
        "high": str(high),
        "labels": labels.setdefault(named, len(labels)),
        "special": [[str(first), str(last), state] for first, last, state in special_codes(field)],
        "written": {word: str(code) for word, code in written.items() if code is not None},
        "comment": printable(field.comment),
    }
