"""Problems with a message as a whole, and what a node reports about itself.

Knows: lengths, undefined messages, reported faults, products. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.diagnostics import Lamps, ReportedFault
from rvsim.wire.frame import Frame
from rvsim.wire.texts import Product


class LengthWrong(NamedTuple):
    """A frame has fewer bytes than its message needs, or more than it has.

    ``fields`` are those that are missing in a short frame; ``harmless`` is whether each has a code for no data, so that
    leaving it out means the same.
    """

    time: int
    device: str
    topic: Topic
    length: int
    needed: int
    fields: tuple[str, ...]
    harmless: bool
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each sender and DGN."""
        return LengthWrong, self.topic.source, self.topic.dgn

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class MessageUndefined(NamedTuple):
    """A DGN that has no definition."""

    time: int
    device: str
    topic: Topic
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each sender and DGN."""
        return MessageUndefined, self.topic.source, self.topic.dgn

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class FaultReported(NamedTuple):
    """A node reports a fault of its own, one for each SPN and FMI; ``fault`` is None where only a lamp is on."""

    time: int
    device: str
    topic: Topic
    fault: ReportedFault | None
    lamps: Lamps
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each fault of a node, whichever of its messages carries it."""
        return FaultReported, self.topic.source, self.fault and self.fault[:2]

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class NodeDescribed(NamedTuple):
    """A node describes itself; what it has not sent is None."""

    time: int
    device: str
    source: int
    product: Product | None
    software: tuple[str, ...] | None
