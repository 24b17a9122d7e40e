"""Motions that go on although their interlock does not hold.

Knows: which motion, by which status, and which inputs are not as they must be. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey, Topic
from rvsim.wire.frame import Frame


class MovedWithoutInterlock(NamedTuple):
    """A motion goes on, or has started, while an input of its interlock has another position than it must have.

    ``by`` is what moves it, as text; ``inputs`` are the inputs with the position that each must have. ``is_start`` is
    whether the input was so before the motion started. ``status`` is the frame that shows the motion, ``input_status``
    that of the first of the inputs.
    """

    time: int
    since: int
    device: str
    motion: str
    way: str
    by: str
    inputs: tuple[tuple[str, str], ...]
    is_start: bool
    topic: Topic
    status: Frame
    input_status: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each motion."""
        return MovedWithoutInterlock, self.motion
