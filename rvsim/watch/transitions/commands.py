"""What became of commands: they contradict each other, they are not obeyed, nobody is there to obey.

Knows: who commanded what, and what was said afterwards. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame


class CommandsContradict(NamedTuple):
    """Two devices command one thing to different states, each soon after the other.

    ``states`` is what each of ``devices`` commanded last, in the same order, of the fields in which they differ;
    ``turns`` is how often one of them has commanded otherwise than the other within ``settling`` microseconds.
    """

    time: int
    since: int
    devices: tuple[str, str]
    sources: tuple[int, int]
    thing: str
    node: int | None
    states: tuple[tuple[Reading, ...], tuple[Reading, ...]]
    turns: int
    settling: int
    topic: Topic
    frames: tuple[Frame, Frame]

    @property
    def problem_key(self) -> ProblemKey:
        """One for each thing and pair of sources."""
        return CommandsContradict, self.thing, self.node, frozenset(self.sources)


class CommandIgnored(NamedTuple):
    """A command was followed by no change of status.

    ``said`` is what the device says instead of each of ``wanted``, None where its status has no such field.
    ``answer_time`` is how long it had, ``commands`` how many it has not obeyed by now, ``answers`` what it acknowledged
    or refused.
    """

    time: int
    since: int
    device: str
    commanders: tuple[str, ...]
    thing: str
    node: int | None
    wanted: tuple[Reading, ...]
    said: tuple[Reading | None, ...]
    answer_time: int
    commands: int
    answers: tuple[str, ...]
    topic: Topic
    command: Frame
    status: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each thing."""
        return CommandIgnored, self.thing, self.node


class CommandedFunctionMissing(NamedTuple):
    """A function is commanded that was never heard from anybody; ``waited`` is for how long, ``commands`` how often."""

    time: int
    since: int
    device: str
    thing: str
    waited: int
    commands: int
    topic: Topic
    command: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each thing."""
        return CommandedFunctionMissing, self.thing
