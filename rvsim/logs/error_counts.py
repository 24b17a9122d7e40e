"""Error frames and controller states of one channel of a log, counted.

Knows: what is counted. Does not know what it means: whoever tells it does.
"""

from collections import Counter
from dataclasses import dataclass, field

from rvsim.wire.line_events import ErrorFrame, ErrorState, LineEvent, StateChanged


@dataclass
class States:
    """How often controllers went over to one state: the first time, and the nodes, in the order of first telling."""

    count: int
    first: int
    nodes: dict[str, None]


@dataclass
class ErrorCounts:
    """What a log tells of errors."""

    frames: int = 0
    by_about: Counter[str] = field(default_factory=Counter)
    """Error frames by what is said of them; empty for nothing."""
    states: dict[ErrorState, States] = field(default_factory=dict)
    """The states that are told, those of trust left out."""

    def count_event(self, event: LineEvent) -> None:
        """Count what tells of errors."""
        if isinstance(event, ErrorFrame):
            self.frames += 1
            self.by_about[event.about] += 1
        elif isinstance(event, StateChanged) and event.state is not ErrorState.ACTIVE:
            known = self.states.setdefault(event.state, States(0, event.time, {}))
            known.count += 1
            known.nodes[event.node] = None
