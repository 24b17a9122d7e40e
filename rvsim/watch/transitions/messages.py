"""What is wrong with a message as a whole, and what a node says of itself.

Knows: lengths, missing names, reported faults, products. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.diagnostics import Lamps, ReportedFault
from rvsim.wire.frame import Frame
from rvsim.wire.texts import Product


class LengthWrong(NamedTuple):
    """A frame has fewer bytes than its message needs, or more than it has.

    ``fields`` are those that a short frame does not hold; ``harmless`` says that they would be no data anyway.
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
    """A DGN that no definition names."""

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
    """A node reports a fault of its own; ``trouble`` is None where only a lamp is on. One for each SPN and FMI."""

    time: int
    device: str
    topic: Topic
    trouble: ReportedFault | None
    lamps: Lamps
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each fault of a node, whichever of its messages carries it."""
        return FaultReported, self.topic.source, self.trouble and self.trouble[:2]

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class NodeDescribed(NamedTuple):
    """A node says what it is; what it has not said is None."""

    time: int
    device: str
    source: int
    product: Product | None
    software: tuple[str, ...] | None
