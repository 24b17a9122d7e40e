"""What is wrong with the pair of wires: load, collisions, no acknowledgement, waiting.

Knows: figures of the pair. Does not know how they were found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import Cause


class BusBusy(NamedTuple):
    """The pair was busy for more than ``above`` percent of a second; ``most`` is who used most of it, and its share.

    ``since`` is the beginning of that second, ``time`` its end.
    """

    time: int
    since: int
    percent: float
    above: int
    most: str
    share: float
    frames: int

    @property
    def cause(self) -> Cause:
        """There is one bus."""
        return (BusBusy,)


class FramesCollided(NamedTuple):
    """Nodes sent one identifier with different data at once; ``nodes`` are all that did so far."""

    time: int
    since: int
    device: str
    source: int
    nodes: tuple[str, ...]
    identifier: int

    @property
    def cause(self) -> Cause:
        """One for each address."""
        return FramesCollided, self.source


class NobodyAcknowledges(NamedTuple):
    """A node sends and nobody acknowledges; nothing of it has come through for ``limit`` from its first try on."""

    time: int
    since: int
    device: str
    identifier: int
    limit: int

    @property
    def cause(self) -> Cause:
        """One for each address."""
        return NobodyAcknowledges, self.identifier & 0xFF


class WaitedTooLong(NamedTuple):
    """A message took ``response`` from being ready to being through, and the plan promises ``promised`` at worst."""

    time: int
    since: int
    device: str
    message: str
    response: int
    promised: int

    @property
    def cause(self) -> Cause:
        """There is one bus."""
        return (WaitedTooLong,)
