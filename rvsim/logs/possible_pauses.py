"""The silences of a block in which bus time may stop: in all others it certainly goes on.

Knows: that bus time stops only where two sources have missed a message since the silence began (`watch/bus/quiet_bus`),
and that a message is missed half a gap after its next frame was due, or later where its device returned before. Every
answer may have more silences than needed, never fewer. Does not know what a watch decides in a silence.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from rvsim.logs.topic_columns import TopicFrames
from rvsim.watch.decode import Layout
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US
from rvsim.watch.traffic import MIN_MISSED_SOURCES

if TYPE_CHECKING:
    from numpy import bool_, int64
    from numpy.typing import NDArray

_NEVER = 1 << 62


def possible_pauses(
    starts: "NDArray[int64]",
    ends: "NDArray[int64]",
    topics: Iterable[TopicFrames],
    layout_of: Callable[[int], Layout],
    paused_us: int,
    *,
    with_rig: bool,
) -> "NDArray[bool_]":
    """Return in which silences of the bus of a block bus time may stop.

    Args:
        starts: the time of the last frame before each silence, in their order.
        ends: the time of the first frame after each one.
        topics: all topics of the bus, with or without frames in the block, before any of these was taken.
        layout_of: returns the layout of a DGN.
        paused_us: by how much bus time is behind the time of the frames.
        with_rig: whether there is a rig: then any frame may tell which device sends from its address.
    """
    import numpy as np

    sources: dict[int, list[_Course]] = {}
    for topic in topics:
        if topic.record is not None or len(topic.times):
            sources.setdefault(topic.source, []).append(
                _Course(topic, layout_of(topic.dgn), paused_us, with_rig=with_rig)
            )
    paused = 0
    while True:
        missing = np.zeros(len(starts), np.intp)
        for courses in sources.values():
            missing += _may_miss(courses, starts, ends, paused)
        found = missing >= MIN_MISSED_SOURCES
        longest = int((ends - starts)[found].sum())
        if longest == paused:
            return found
        paused = longest


def _may_miss(
    courses: "Sequence[_Course]", starts: "NDArray[int64]", ends: "NDArray[int64]", paused: int
) -> "NDArray[bool_]":
    """Return the silences in which a source may miss a message, if bus time stops for ``paused`` in all at most."""
    import numpy as np

    returns = np.sort(np.concatenate([course.returns for course in courses]))
    may_miss = np.zeros(len(starts), np.bool_)
    for course in courses:
        for first, end in course.missing(starts, ends, returns, paused):
            may_miss[first:end] = True
    return may_miss


class _Course:
    """The steps of one topic in the block, from its last frame before that on; the last one has no end."""

    def __init__(self, topic: TopicFrames, layout: Layout, paused_us: int, *, with_rig: bool) -> None:
        import numpy as np

        self._layout = layout
        rhythm = topic.record.rhythm if topic.record is not None else None
        stored = np.array(rhythm.stored if rhythm is not None else (), np.int64) + paused_us
        known = max(0, len(stored) - 1)
        every = np.concatenate((stored, topic.times, [_NEVER]))
        steps = np.diff(every)
        self._longest = np.maximum.accumulate(np.concatenate(([layout.gap or 0], steps[:-1])))[known:]
        """The longest step before each one, and at least the defined gap: no measured gap is longer."""
        self._last, self._next = every[known:-1], every[known + 1 :]
        if rhythm is not None:
            self._last[0] = max(self._last[0], rhythm.returned_at + paused_us)
        after_silence = self._next[self._next - self._last > MIN_SILENCE_LIMIT_US]
        first = topic.times[:1] if rhythm is None else topic.times[:0]
        self.returns = topic.times if with_rig else np.concatenate((first, after_silence[after_silence != _NEVER]))
        """When its device may be heard anew, from which moment all ages of its messages count."""

    def missing(
        self, starts: "NDArray[int64]", ends: "NDArray[int64]", returns: "NDArray[int64]", paused: int
    ) -> Iterator[tuple[int, int]]:
        """Yield the first silence in which a frame of the topic may be missed, and the one after the last of a row."""
        import numpy as np

        gap = self._layout.gap
        if gap is None:
            if not self._layout.gap_is_known:  # it is measured: any silence may be too long
                yield int(ends.searchsorted(self._last[0], "right")), len(ends)
            return
        long = np.flatnonzero(self._next - self._last > gap + gap // 2)
        last, until = self._last[long], self._next[long]
        returned = np.concatenate(([0], returns))[returns.searchsorted(until)]
        latest = np.maximum(last, returned) + self._longest[long] + self._longest[long] // 2 + paused
        first = ends.searchsorted(last + gap + gap // 2, "right")
        yield from zip(first.tolist(), starts.searchsorted(np.minimum(until, latest)).tolist(), strict=True)
