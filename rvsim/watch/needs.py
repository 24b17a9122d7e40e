"""What a watch needs of the frames of a log that is held as columns: which of those with new data it must be given.

Knows: the kinds of needs, for the topics of planned or otherwise settled devices. Does not know columns, nor which
detector has which need: each detector states its own. A topic that is not settled is given every frame, or every frame
with new data, whatever is stated here. The first frame of a topic is always given.
"""

from collections.abc import Callable, Mapping
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
    """When a field got its present raw value: in bus time, and in frame time; ``place`` is which of the frames of its
    topic that are held as columns was the first with it.
    """

    raw: int
    now: int
    time: int
    place: int


class Rest(NamedTuple):
    """Since when a value has been constant: in bus time, and in frame time; and whether it is reported as stuck."""

    now: int
    time: int
    is_reported: bool


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
    """Each frame of two messages with which a difference of two fields, or the lower one, exceeds a limit or ceases to.

    A value of ``field`` counts only where ``current`` is at least ``min_current``. ``differences`` are the limits of
    the difference, ``lowest`` those of the lower value; no difference up to the lowest limit matters.
    """

    message: str
    field: str
    current: str
    min_current: float
    other_message: str
    other_field: str
    differences: tuple[float, ...]
    lowest: tuple[float, ...]


class Crossing(NamedTuple):
    """Each frame with which a field gets to another side of one of some levels, or has a value or ceases to."""

    field: str
    levels: tuple[float, ...]


class Extremes(NamedTuple):
    """Each frame in which a field exceeds its range since another field has been constant for some time.

    The other field is ``resting_field`` of any topic of ``resting_message``. The range counts from the last value
    before the moment at which that field was constant for ``lag`` microseconds of bus time, and begins again when it
    changes. Nothing is needed while that field is reported as stuck.
    """

    field: str
    resting_message: str
    resting_field: str
    lag: int


Need = EachChange | Alternations | Exceeding | Differing | Crossing | Extremes
EACH_CHANGE = EachChange()
COLUMN_FORMS: Mapping[str, str] = {
    # Every frame, since these settle nothing: claims, requests, resets, acknowledgments, commands, packets.
    "AddressConflicts": "every claim",
    "IgnoredCommands": "every command and acknowledgment; each change of what may answer while one waits",
    "JustStarted": "every claim and request",
    "Pauses": "every claim; rhythms when they are asked for",
    "Refusals": "every request and acknowledgment; each change of a message that is awaited",
    "RequestHistory": "every request and reset",
    "Restarts": "every claim",
    "SharedNames": "every claim; rhythms when they are asked for",
    "Transfers": "every packet, request, acknowledgment and claim",
    "TwoCommanders": "every command",
    # Each change of some messages, or as long as something is open.
    "Identity": "each change while a sender is in question",
    "LengthChecks": "changes of length; each change of the right one while a wrong one is reported, then every frame",
    "Reports": "faults of heartbeats, each change of one with a fault; each change of reports and texts; every packet",
    "SendersWithoutAddress": "every claim and request; each change of addresses that no node has",
    "SharedInstances": "each change where several addresses send a function; a change after a silence",
    # Chosen by values.
    "Alarms": "alarm codes",
    "ChargeSigns": "`Crossing`; each change of a state of charge whose current is known, and of what is reported",
    "Contradictions": "`Exceeding` and `Differing`",
    "DarkBatteries": "`Crossing`; each change of a value that is reported",
    "DrivenValues": "`Crossing` of what moves values; each change of one that is reported; values when asked for",
    "FreezeRisks": "`Crossing`; what is reported when it is asked for, of a battery with each change",
    "HeldKeys": "`Crossing`",
    "LowVoltages": "`Crossing`; each change of a value that is reported",
    "MotionsWithoutInterlock": "each change of outputs that move something, and of inputs that must hold",
    "OffOutputs": "`Crossing`; each change of a value that is reported",
    "PlaceTemperatures": "each change of sensors that a rig has at least three of in one zone",
    "StuckValues": "`Extremes` of neighbours; each change of a value that is reported; values when they are asked for",
    "ValueTrains": "`Alternations`",
    "Values": "special codes and sides of limits; values when they are asked for",
    # The first frame of a topic only.
    "MissingFunctions": "the first frame of a status or heartbeat; every command",
    "StartSequences": "the first frame of a topic; the heartbeat is known to be regular until its next odd step",
    "TwoSendersDetector": "the first frame of a topic; messages are known to be sparse until the next dense frames",
    # No frames.
    "BusErrors": "every event of the line",
    "LogOrder": "every event of the line",
    "Replacements": "silences, returns and assignments of devices",
    "WireProblems": "every event of the line; the source of each frame while a node is not acknowledged",
}
"""What each part of a watch that takes in frames or events needs of a log that is held as columns.

A new one has to be listed here; until it states a need of its own, its messages are needed with each change.
"""
