"""The frames of a virtual run, observed together in columns, with the same flags, verdict and evidence.

Knows: that the jury gets the frames that it looks for, and those with which time decides something, at the moment when
the watch knows no later frame. Does not know when a run may wait with its frames (`bench`), nor which frames the watch
must examine (`logs/column_watch`).
"""

from bisect import bisect_right
from collections.abc import Sequence

from rvsim.logs.blocks import Block
from rvsim.logs.column_watch import ColumnWatch
from rvsim.logs.columns import to_columns
from rvsim.logs.topic_columns import TopicFrames, joined_positions
from rvsim.runs.pipeline import Pipeline
from rvsim.shakedown.expect.run_judge import RunJudge
from rvsim.watch.decode import Decoder
from rvsim.watch.watch import Event
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent


class ColumnRun:
    """Has the watch and the jury of a run observe many frames at once; it follows the watch through each block."""

    def __init__(self, pipeline: Pipeline, run_judge: RunJudge, catalogue: Catalogue) -> None:
        self._pipeline, self._watch, self._judge = pipeline, pipeline.watch, run_judge
        self._columns = ColumnWatch(pipeline.watch, Decoder(catalogue), self)
        self._frames: Sequence[Frame] = ()
        self._times: list[int] = []
        self._taken = 0
        """How many frames of the block the jury has taken."""
        self._topics: Sequence[TopicFrames] = ()
        self._sources: list[int] = []
        self._chosen: list[int] = []
        """The positions of the frames that the jury looks for; the last item is the end of the block."""
        self._place = 0
        self._known: object = None
        """By which names of devices the frames were chosen."""
        self._may_have_changed = True

    def keep(self, frames: Sequence[Frame]) -> None:
        """Keep what is needed of the latest frames, which were observed elsewhere, one by one."""
        self._columns.keep(to_columns(frames))

    def observe(self, frames: Sequence[Frame], events: Sequence[tuple[int, LineEvent]]) -> None:
        """Observe frames, and events of the bus, each with the number of frames before it."""
        columns = to_columns(frames)
        topics = self._columns.split(columns)
        self._frames, self._times, self._taken = frames, columns.times.tolist(), 0
        self._topics = topics or ()
        self._sources = sorted({topic.source for topic in self._topics})
        self._known, self._may_have_changed = None, True
        self._columns.observe(Block(columns, events), topics)
        self._pipeline.time = max(self._pipeline.time, self._times[-1], *(event.time for _, event in events[-1:]))
        self._frames, self._topics = (), ()

    def catch_up(self) -> None:
        """Let the watch know every frame that the jury has taken."""
        self._columns.catch_up(self._taken)

    # What follows the watch.

    def pass_over(self, end: int) -> None:
        """Give the jury what concerns it of the frames before ``end``."""
        if self._may_have_changed:
            self._choose()
        while True:
            due = bisect_right(self._times, self._judge.next_due, self._taken, end)
            while self._chosen[self._place] < self._taken:
                self._place += 1
            position = min(self._chosen[self._place], due)
            if position >= end:
                break
            self._give(position, ())
        self._skip_to(end)

    def observe_frame(self, position: int, events: list[Event]) -> None:
        """Give the jury a frame and its events."""
        self._may_have_changed = True
        self._give(position, events)

    def observe_events(self, events: list[Event]) -> None:
        """Give the jury events that were not caused by a frame."""
        self._may_have_changed = True
        self._judge.observe_events(events)

    def _give(self, position: int, events: Sequence[Event]) -> None:
        self._skip_to(position)
        self._taken = position + 1
        self._judge.observe_frame(self._frames[position], events)

    def _skip_to(self, position: int) -> None:
        if position > self._taken:
            self._judge.pass_over(self._frames[self._taken : position])
            self._taken = position

    def _choose(self) -> None:
        """Find the frames that the jury looks for, by the names that the devices have now."""
        self._may_have_changed = False
        names = self._watch.devices_at(self._sources)
        known = names, self._judge.known_senders
        if known == self._known:
            return
        self._known = known
        concerning = [
            topic
            for topic in self._topics
            if any(
                self._judge.may_concern(topic.frame(index), names[topic.source]) for index in topic.first_uses or (0,)
            )
        ]
        self._chosen = [*joined_positions(concerning), len(self._frames)]
        self._place = 0
