"""The first difference between what a right and a wrong controller sent, in words.

Knows: how two frames are compared field by field. Does not know which frames are compared (`controller_site`).
"""

from rvsim.rig.quantity import time_text
from rvsim.shakedown.strength.controller_site import Difference
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.quantity_text import compose, join
from rvsim.wire.spec import MessageSpec

MAX_FIELDS = 3
"""So many fields that differ are told. Our decision."""


def difference_text(difference: Difference, catalogue: Catalogue) -> str:
    """Return a difference as one text, with its time and its fields."""
    right, wrong = difference.right, difference.wrong
    when = f"at {time_text(difference.time)}"
    if right is None or wrong is None:
        frame = right or wrong
        only = "" if frame is None else _message(frame, catalogue)
        who = "the right one sends" if wrong is None else "this one sends"
        return f"{when} only {who} {only}"
    spec = catalogue.by_dgn(dgn_of(right.identifier))
    if spec is None or right.identifier != wrong.identifier or right.data[:1] != wrong.data[:1]:
        return f"{when} {_message(wrong, catalogue)} instead of {_message(right, catalogue)}"
    if right.data == wrong.data:
        late = f"{abs(wrong.time - right.time) / 1e6:g} s {'later' if wrong.time > right.time else 'earlier'}"
        return f"{when} {_message(wrong, catalogue)}, {late} than the right one"
    if len(right.data) != len(wrong.data):
        return f"{when} {_message(wrong, catalogue)} with {len(wrong.data)} bytes instead of {len(right.data)}"
    return compose(f"{when} {_message(wrong, catalogue)}: ", _fields(spec, right, wrong))


def _message(frame: Frame, catalogue: Catalogue) -> str:
    """Return what a frame is: its message and instance, and its address where that says no sender."""
    spec = catalogue.by_dgn(dgn_of(frame.identifier))
    name = f"{dgn_of(frame.identifier):05X}" if spec is None else spec.name
    field = spec.instance if spec is not None else None
    raw = field.raw_in(frame.data) if field is not None else None
    instance = f", instance {raw}," if field is not None and raw is not None and field.state(raw) is State.VALUE else ""
    return f"{name}{instance} from {frame.identifier & 0xFF:02X}"


def _fields(spec: MessageSpec, right: Frame, wrong: Frame) -> str:
    pairs = zip(spec.decode(right.data), spec.decode(wrong.data), strict=True)
    texts = [
        compose(f"{other.field.title} ", other.brief, " instead of ", one.brief)
        for one, other in pairs
        if one.raw != other.raw
    ]
    if not texts:
        return "other bytes that belong to no field"
    return join("; ", texts[:MAX_FIELDS])
