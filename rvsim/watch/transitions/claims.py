"""What is wrong with how nodes claim their addresses, and how often they begin anew.

Knows: nodes without an address, NAMEs on two addresses, restarts. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name


class CannotClaim(NamedTuple):
    """A node says from the null address that it could not claim one; ``before`` is the last that it had claimed."""

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
    """Two addresses claim one NAME, and both go on speaking; the later claim stands last."""

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
    """A frame of an application comes from the null or the global address, which nobody can have."""

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
    """A device that was there has begun anew, ``times`` times by now; ``shortest`` is the shortest time between two.

    ``claimed`` says that it claimed its address again; else it began with its start-up sequence.
    """

    time: int
    since: int
    device: str
    source: int
    times: int
    shortest: int | None
    claimed: bool
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return Restarted, self.source
