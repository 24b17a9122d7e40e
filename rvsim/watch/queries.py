"""What can be asked of a watch, as plain records.

Knows: what a frame says, what a device said last, and counts. Does not know how any of it was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions import Topic
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


class DecodedFrame(NamedTuple):
    """Everything that one frame says, with who said it; the instance is no reading."""

    time: int
    device: str
    source: int
    spec: MessageSpec
    instance: int | None
    readings: tuple[Reading, ...]
    dsa: int | None


class LastFrame(NamedTuple):
    """What a device said last of one topic; ``gap`` is the usual time between two such frames, None if unknown."""

    device: str
    topic: Topic
    spec: MessageSpec | None
    frame: Frame
    gap: int | None


class WatchStatistics(NamedTuple):
    """What a watch has taken in. ``unknown`` frames have no definition; ``steps_back`` had a time already gone by;
    ``accepted`` flags were not raised because the rig accepts them.
    """

    frames: int
    unknown: int
    steps_back: int
    sources: int
    topics: int
    accepted: int
