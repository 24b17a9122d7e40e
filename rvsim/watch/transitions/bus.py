"""Problems of the bus as a whole, or of the times of a log: load, errors, collisions, acknowledgement, delay.

Knows: the figures of each problem. Does not know how they were found.
"""

from enum import IntEnum
from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey
from rvsim.wire.line_events import StateChanged


class BusBusy(NamedTuple):
    """The bus load was above ``above`` percent over one second.

    ``since`` is the end of the first such second, wherever it began; ``time`` is the end of the whole second that
    contains it. The other figures are those of the busiest second, which ended at ``worst``: its load, its number of
    frames, the sender with the largest share of its bits (``most``) and that share in percent.
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
    """The frames of the second up to ``since`` have more bits than fit into a second: ``percent`` of it."""

    time: int
    since: int
    percent: float
    frames: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (LoadImpossible,)


class ErrorExtent(IntEnum):
    """How serious the errors on the bus are."""

    FEW = 1
    MANY = 2
    """Ten or more in 10 s, or a controller that is error passive."""
    BUS_OFF = 3
    """A controller is off the bus."""


class ErrorsOnBus(NamedTuple):
    """Error frames were seen, or a controller is not error active.

    ``errors`` is the number of error frames so far, from ``since`` to ``last``; ``most`` is the largest number within
    10 s, which ended at ``worst``. ``seconds`` are the first whole seconds that have any, with their number; ``about``
    are the descriptions that came with them, with their number. ``controllers`` are those that are not error active.
    ``valid`` is whether any valid frame has come.
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
    """The times of a log run backwards ``steps`` times in ``entries`` entries, by at most ``longest_us`` microseconds.

    ``since`` is the time of the watch at the first step; ``where`` are the first places, each with its step back;
    ``restarts`` are the steps that are too long for late frames, so that another piece of time begins there.
    """

    time: int
    since: int
    steps: int
    entries: int
    longest_us: int
    where: tuple[tuple[str, int], ...]
    restarts: int = 0

    @property
    def problem_key(self) -> ProblemKey:
        """There is one log."""
        return (LogOutOfOrder,)


class TimesInWrongUnit(NamedTuple):
    """The times of a log are ``factor`` times too long; ``messages`` messages with a defined gap show it."""

    time: int
    since: int
    factor: int
    messages: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one log."""
        return (TimesInWrongUnit,)


class FramesCollided(NamedTuple):
    """Nodes sent one identifier with different data at the same time; ``nodes`` are all that did so far."""

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
    """The frames of a node are not acknowledged: none got through within ``limit_us`` microseconds of the first
    attempt.
    """

    time: int
    since: int
    device: str
    identifier: int
    limit_us: int

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return SenderNotAcknowledged, self.identifier & 0xFF


class WorstCaseExceeded(NamedTuple):
    """A message took longer from ready to sent (``response_us``) than the worst case computed from the plan
    (``worst_case_us``), both in microseconds.
    """

    time: int
    since: int
    device: str
    message: str
    response_us: int
    worst_case_us: int

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (WorstCaseExceeded,)
