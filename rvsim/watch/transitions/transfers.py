"""Long messages that fail, and requests that are refused.

Knows: what failed, how often and why. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.acknowledgment import AcknowledgmentCode
from rvsim.wire.frame import Frame
from rvsim.wire.transfer.outcomes import ProblemKind


class TransferFailed(NamedTuple):
    """A long message of ``device`` to ``to`` (``all`` for one to all) has failed ``failures`` times.

    ``kind`` is how it failed last; ``reason`` and ``ended_by`` are those of an abort, None without one. ``last`` are
    the frames that showed the last failures; for a message that broke off, its last frame.
    """

    time: int
    since: int
    device: str
    topic: Topic
    destination: int
    to: str
    failures: int
    kind: ProblemKind
    reason: int | None
    ended_by: str | None
    last: tuple[Frame, ...]

    @property
    def problem_key(self) -> ProblemKey:
        """One for each sender, destination and DGN."""
        return TransferFailed, self.topic.source, self.destination, self.topic.dgn


class RequestsRefused(NamedTuple):
    """``device`` has refused ``refusals`` requests in a row that ``asker`` sent about one message.

    ``code`` is that of the last refusal, ``last`` are the frames of the last refusals.
    """

    time: int
    since: int
    device: str
    topic: Topic
    asker_address: int
    asker: str
    refusals: int
    code: AcknowledgmentCode
    last: tuple[Frame, ...]

    @property
    def problem_key(self) -> ProblemKey:
        """One for each two nodes, DGN and instance."""
        return RequestsRefused, self.topic.source, self.asker_address, self.topic.dgn, self.topic.instance
