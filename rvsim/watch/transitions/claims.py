"""Problems with address claims, and restarts.

Knows: nodes without an address, NAMEs on two addresses, restarts. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name


class CannotClaim(NamedTuple):
    """A node reports from the null address that it could not claim one; ``before`` is the last address it had
    claimed.
    """

    time: int
    device: str
    name: Name
    before: int | None
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each NAME."""
        return CannotClaim, self.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class NameShared(NamedTuple):
    """Two addresses claim one NAME, and both continue to send; the address of the later claim is last."""

    time: int
    since: int
    device: str
    name: Name
    sources: tuple[int, int]
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each NAME."""
        return NameShared, self.name


class SentWithoutAddress(NamedTuple):
    """An application frame comes from the null or the global address, which no node can have."""

    time: int
    device: str
    topic: Topic
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each of these addresses and DGN."""
        return SentWithoutAddress, self.topic.source, self.topic.dgn

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class Restarted(NamedTuple):
    """A device has restarted, ``times`` times so far; ``shortest_us`` is the shortest time between two restarts.

    ``claimed`` is whether it claimed its address again; else it repeated its start-up sequence.
    """

    time: int
    since: int
    device: str
    source: int
    times: int
    shortest_us: int | None
    claimed: bool
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return Restarted, self.source
