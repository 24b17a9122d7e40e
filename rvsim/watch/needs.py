"""What a watch needs of the frames of a log that is held as columns: which of those with new data it must be given.

Knows: the kinds of needs, for the topics of planned or otherwise settled devices. Does not know columns, nor which
detector has which need: each detector states its own. A topic that is not settled is given every frame, or every frame
with new data, whatever is stated here. The first frame of a topic is always given.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.wire.fields import FieldSpec


class PassedChange(NamedTuple):
    """A frame that was passed over, and whose data differ from those of the frame before.

    ``now`` is its bus time, ``before`` that of the frame before, None for the first frame.
    """

    time: int
    now: int
    before: int | None
    data: bytes


class FieldChange(NamedTuple):
    """When a field got its present raw value: in bus time, and in frame time."""

    raw: int
    now: int
    time: int


LastChange = Callable[[FieldSpec], FieldChange | None]
"""Returns when a field got its present value, None where it got that before the frames that were passed over."""


class EachChange(NamedTuple):
    """Every frame whose data differ from those of the frame before."""


class Alternations(NamedTuple):
    """Each frame with which a field returns to the value before the last one, far from the last one.

    ``min_ratio`` is how many times the step from the value before the last one the step from the last one must exceed;
    a smaller step than one counts as one.
    """

    field: str
    min_ratio: int


class Exceeding(NamedTuple):
    """Every change of a topic of which a field exceeds another field of it in any frame."""

    field: str
    bound: str


class Differing(NamedTuple):
    """Every change of two messages, if any value of the one field differs by more than this from one of the other.

    A value of ``field`` counts only where ``current`` is at least ``min_current``.
    """

    message: str
    field: str
    current: str
    min_current: float
    other_message: str
    other_field: str
    max_difference: float


class Extremes(NamedTuple):
    """Each frame in which a field exceeds its range since another field has been constant for some time.

    The other field is ``resting_field`` of any topic of ``resting_message``. The range counts from the last value
    before the moment at which that field was constant for ``lag`` microseconds, and begins again when it changes.
    """

    field: str
    resting_message: str
    resting_field: str
    lag: int


Need = EachChange | Alternations | Exceeding | Differing | Extremes
EACH_CHANGE = EachChange()
