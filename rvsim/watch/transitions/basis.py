"""What every transition is made of: the key of a problem, the topic of a message, the end of a problem.

Knows: how a problem is joined to its end. Does not know any kind of problem.
"""

from enum import StrEnum
from typing import NamedTuple, Protocol, TypeGuard

from rvsim.rig.functions import by_dsa

ProblemKey = tuple[object, ...]
"""The key that joins the opening of a problem to its end."""


class Problem(Protocol):
    """What opens a problem: anything with these three. ``since`` is the moment at which a limit was passed, ``time``
    the moment at which that could be known, both in integer microseconds.
    """

    @property
    def time(self) -> int:
        """When it could be known."""

    @property
    def since(self) -> int:
        """When a limit was passed."""

    @property
    def problem_key(self) -> ProblemKey:
        """The same key for as long as the problem lasts."""


class Presence(StrEnum):
    """The states of the roll call."""

    PRESENT = "present"
    LATE = "late"
    SILENT = "silent"
    ASLEEP = "asleep"
    UNPLANNED = "unplanned"


class Topic(NamedTuple):
    """What one source says under one DGN about one instance: the unit in which ages are kept.

    ``dsa`` stands in the heartbeat (DM_RV) instead of an instance: each function of a node has its own. ``part`` is
    what else stands in the byte of the instance, in words, such as the line and the direction of an AC point.
    """

    source: int
    dgn: int
    message: str | None
    instance: int | None = None
    dsa: int | None = None
    part: str = ""

    def __str__(self) -> str:
        name = self.message or f"DGN {self.dgn:05X} hex"
        if self.instance is not None:
            return f"{name}, instance {self.instance}" + (f", {self.part}" if self.part else "")
        function = by_dsa(self.dsa) if self.dsa is not None else None
        return f"{name} of the {function.title}" if function else name


class Ended(NamedTuple):
    """The problem with this cause is over."""

    time: int
    problem_key: ProblemKey


class Lasting(Problem, Protocol):
    """A problem whose figures go on while it stands."""

    def at(self, now: int) -> Problem:
        """Return the same problem as it stands at a later moment, in microseconds."""


def is_lasting(problem: Problem) -> TypeGuard[Lasting]:
    """Tell whether the figures of a problem go on; an ``isinstance`` of a protocol takes 50 times as long."""
    return hasattr(problem, "at")
