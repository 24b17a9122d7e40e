"""What all transitions share: the key of a problem, the topic of a message, the end of a problem.

Knows: how a problem is matched with its end. Does not know any kind of problem.
"""

from enum import StrEnum
from typing import NamedTuple, Protocol, TypeGuard

from rvsim.rig.functions import by_dsa

ProblemKey = tuple[object, ...]
"""The key that matches the end of a problem with its beginning."""


class Problem(Protocol):
    """What opens a problem: a record with these three. ``since`` is the moment at which a limit was exceeded, ``time``
    the moment at which that could be known, both in integer microseconds.
    """

    @property
    def time(self) -> int:
        """When it could be known."""

    @property
    def since(self) -> int:
        """When a limit was exceeded."""

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
    """One source, DGN and instance: ages and values are kept for each of these.

    The heartbeat (DM_RV) has ``dsa`` instead of an instance: each function of a node has its own. ``qualifier`` is the
    text of the other fields in the byte of the instance, such as the line and the direction of an AC point.
    """

    source: int
    dgn: int
    message: str | None
    instance: int | None = None
    dsa: int | None = None
    qualifier: str = ""

    def __str__(self) -> str:
        name = self.message or f"DGN {self.dgn:05X} hex"
        if self.instance is not None:
            return f"{name}, instance {self.instance}" + (f", {self.qualifier}" if self.qualifier else "")
        function = by_dsa(self.dsa) if self.dsa is not None else None
        return f"{name} of the {function.title}" if function else name


class Ended(NamedTuple):
    """The problem with this key has ended."""

    time: int
    problem_key: ProblemKey


class Lasting(Problem, Protocol):
    """A problem whose figures change while it lasts."""

    def at(self, now: int) -> Problem:
        """Return the same problem with its figures at a later moment (microseconds)."""


def is_lasting(problem: Problem) -> TypeGuard[Lasting]:
    """Return whether the figures of a problem change with time; ``isinstance`` with a protocol takes 50 times as
    long.
    """
    return hasattr(problem, "at")
