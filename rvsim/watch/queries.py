"""Answers of a watch to queries, as plain records.

Knows: decoded frames, last frames and counts. Does not know how they were found.
"""

from typing import NamedTuple

from rvsim.watch.transitions import Topic
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec


class DecodedFrame(NamedTuple):
    """All readings of one frame (microseconds), with its sender; the instance is no reading."""

    time: int
    device: str
    source: int
    spec: MessageSpec
    instance: int | None
    readings: tuple[Reading, ...]
    dsa: int | None


class LastFrame(NamedTuple):
    """The last frame of one topic; ``gap_us`` is the usual time between two such frames, None if unknown."""

    device: str
    topic: Topic
    spec: MessageSpec | None
    frame: Frame
    gap_us: int | None


class WatchStatistics(NamedTuple):
    """Counts of a watch. ``unknown`` frames have no definition; ``steps_back`` frames had a time before the present
    one; ``accepted`` flags were not raised because the rig accepts them.
    """

    frames: int
    unknown: int
    steps_back: int
    sources: int
    topics: int
    accepted: int
