"""Counts of error frames and controller states of one channel of a log.

Knows: what is counted. Does not know what the counts mean, nor how they are rendered.
"""

from collections import Counter
from dataclasses import dataclass, field

from rvsim.wire.line_events import ErrorFrame, ErrorState, LineEvent, StateChanged


@dataclass
class StateCount:
    """How often controllers entered one state: the first time in microseconds, and the nodes in order of appearance."""

    count: int
    first: int
    nodes: dict[str, None]


@dataclass
class ErrorCounts:
    """The errors that a log reports."""

    frames: int = 0
    by_about: Counter[str] = field(default_factory=Counter)
    """Error frames by their description; an empty text where there is none."""
    states: dict[ErrorState, StateCount] = field(default_factory=dict)
    """Controller states except error active."""

    def count_event(self, event: LineEvent) -> None:
        """Count an event if it reports an error."""
        if isinstance(event, ErrorFrame):
            self.frames += 1
            self.by_about[event.about] += 1
        elif isinstance(event, StateChanged) and event.state is not ErrorState.ACTIVE:
            state = self.states.setdefault(event.state, StateCount(0, event.time, {}))
            state.count += 1
            state.nodes[event.node] = None
