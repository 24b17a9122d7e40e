"""Problems with commands: they contradict each other, are not obeyed, or address a function that is not there.

Knows: who commanded what, and what the status was afterwards. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame


class CommandsContradict(NamedTuple):
    """Two devices command one thing to different states, each soon after the other.

    ``states`` is what each of ``devices`` commanded last, in the same order: the fields in which they differ. ``turns``
    is how often one of them has contradicted the other within ``settling_us`` microseconds.
    """

    time: int
    since: int
    devices: tuple[str, str]
    sources: tuple[int, int]
    thing: str
    node: int | None
    states: tuple[tuple[Reading, ...], tuple[Reading, ...]]
    turns: int
    settling_us: int
    topic: Topic
    frames: tuple[Frame, Frame]

    @property
    def problem_key(self) -> ProblemKey:
        """One for each thing and pair of sources."""
        return CommandsContradict, self.thing, self.node, frozenset(self.sources)


class CommandIgnored(NamedTuple):
    """A command was followed by no change of status.

    ``reported`` is what the status has instead of each of ``commanded``, None where it has no such field.
    ``answer_time_us`` is how long the device had to obey (microseconds), ``commands`` how many commands it has not
    obeyed so far, ``answers`` are texts of what it acknowledged or refused, ``explanations`` of what its status has
    that explains it.
    """

    time: int
    since: int
    device: str
    commanders: tuple[str, ...]
    thing: str
    node: int | None
    commanded: tuple[Reading, ...]
    reported: tuple[Reading | None, ...]
    answer_time_us: int
    commands: int
    answers: tuple[str, ...]
    topic: Topic
    command: Frame
    status: Frame
    explanations: tuple[str, ...] = ()

    @property
    def problem_key(self) -> ProblemKey:
        """One for each thing."""
        return CommandIgnored, self.thing, self.node


class CommandedFunctionMissing(NamedTuple):
    """A function is commanded that was never heard; ``waited_us`` is since when, ``commands`` how often."""

    time: int
    since: int
    device: str
    thing: str
    waited_us: int
    commands: int
    topic: Topic
    command: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each thing."""
        return CommandedFunctionMissing, self.thing
