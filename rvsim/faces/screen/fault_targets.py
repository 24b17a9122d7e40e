"""The readings of a device that a manual fault can act on.

Knows: which readings have a value that can be held or corrupted, and where each is on the tape. Does not know what is
chosen, nor what a fault does.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from rvsim.faces.screen.tape import pieces
from rvsim.watch.summaries import Rail
from rvsim.watch.watch import LastFrame
from rvsim.wire.fields import Reading, State

_WITHOUT_VALUE = frozenset({State.NO_DATA, State.MISSING, State.UNCHANGED})


class Target(NamedTuple):
    """The reading that a manual fault acts on."""

    message: str
    field: str


class Choice(NamedTuple):
    """A reading that manual faults can act on, and its place on the tape."""

    target: Target
    topic_index: int
    """The place of its message among the frames of the device."""
    piece_index: int
    """Its place in ``tape.pieces`` of that message."""
    reading: Reading


def fault_choices(frames: Sequence[LastFrame], rails: Iterable[Rail]) -> list[Choice]:
    """Return the readings of frames that hold and corrupt can act on, those on rails first.

    Readings without data and messages of the protocol are not among them.
    """
    found: dict[Target, Choice] = {}
    for topic_index, last in enumerate(frames):
        if last.spec is None or last.spec.is_protocol or not last.spec.fields:
            continue
        for piece_index, piece in enumerate(pieces(last.spec, last.frame.data)):
            for reading in piece.readings:
                name = reading.field.name
                if reading.state in _WITHOUT_VALUE or name.endswith("instance") or name not in last.spec.by_name:
                    continue
                target = Target(last.spec.name, name)
                found.setdefault(target, Choice(target, topic_index, piece_index, reading))
    first = dict.fromkeys(Target(rail.message, rail.reading.field.name) for rail in rails)
    ranks = {target: rank for rank, target in enumerate(first)}
    return sorted(found.values(), key=lambda choice: ranks.get(choice.target, len(ranks)))


def first_value(last: LastFrame, piece_index: int) -> Target | None:
    """Return the first reading from a piece of the frame on that has a value and is not the instance."""
    for piece in pieces(last.spec, last.frame.data)[piece_index:]:
        for reading in piece.readings:
            name = reading.field.name
            is_number = reading.state is State.VALUE and not name.endswith("instance")
            if is_number and last.spec is not None and name in last.spec.by_name:
                return Target(last.spec.name, name)
    return None
