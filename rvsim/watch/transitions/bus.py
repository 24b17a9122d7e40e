"""What is wrong with the pair of wires, or with the times of its log: load, errors, collisions, waiting.

Knows: figures of the pair. Does not know how they were found.
"""

from enum import IntEnum
from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey
from rvsim.wire.line_events import StateChanged


class BusBusy(NamedTuple):
    """The pair was busy for more than ``above`` percent of a second.

    ``since`` is the end of the first such second, wherever it began; ``time`` is the end of the whole second in which
    that is. The other figures are of the busiest one, which ended at ``worst``: its frames, who used most of it and
    what share.
    """

    time: int
    since: int
    worst: int
    percent: float
    above: int
    most: str
    share: float
    frames: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (BusBusy,)


class LoadImpossible(NamedTuple):
    """More bits stand in the second up to ``since`` than fit into one: ``percent``, of ``frames``."""

    time: int
    since: int
    percent: float
    frames: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (LoadImpossible,)


class ErrorExtent(IntEnum):
    """How far errors have gone."""

    FEW = 1
    MANY = 2
    """Ten or more in 10 s, or a controller that is error passive."""
    BUS_OFF = 3
    """A controller is off the bus."""


class ErrorsOnBus(NamedTuple):
    """Error frames were seen, or a controller is not error active.

    ``errors`` of them so far, from ``since`` to ``last``; ``most`` within any 10 s, up to ``worst``; ``seconds`` are
    the first whole seconds in which there were some, with how many. ``about`` is what was said of them, with how often;
    ``controllers`` are those that are not error active. ``valid`` tells whether any valid frame has come.
    """

    time: int
    since: int
    extent: ErrorExtent
    errors: int
    last: int
    most: int
    worst: int
    seconds: tuple[tuple[int, int], ...]
    about: tuple[tuple[str, int], ...]
    controllers: tuple[StateChanged, ...]
    valid: bool

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (ErrorsOnBus,)


class LogOutOfOrder(NamedTuple):
    """The times of a log run back: ``steps`` times among ``entries``, ``longest`` at most.

    ``since`` is the time of the watch at the first step, ``where`` the first places, with how far each went back.
    """

    time: int
    since: int
    steps: int
    entries: int
    longest: int
    where: tuple[tuple[str, int], ...]

    @property
    def problem_key(self) -> ProblemKey:
        """There is one log."""
        return (LogOutOfOrder,)


class TimesInWrongUnit(NamedTuple):
    """The times of a log are ``factor`` times too long, by ``messages`` messages whose gap is promised."""

    time: int
    since: int
    factor: int
    messages: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one log."""
        return (TimesInWrongUnit,)


class FramesCollided(NamedTuple):
    """Nodes sent one identifier with different data at once; ``nodes`` are all that did so far."""

    time: int
    since: int
    device: str
    source: int
    nodes: tuple[str, ...]
    identifier: int

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return FramesCollided, self.source


class SenderNotAcknowledged(NamedTuple):
    """A node sends and nobody acknowledges; nothing of it has come through for ``limit`` from its first try on."""

    time: int
    since: int
    device: str
    identifier: int
    limit: int

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return SenderNotAcknowledged, self.identifier & 0xFF


class WorstCaseExceeded(NamedTuple):
    """A message took ``response`` from being ready to being through, and the plan promises ``promised`` at worst."""

    time: int
    since: int
    device: str
    message: str
    response: int
    promised: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (WorstCaseExceeded,)
