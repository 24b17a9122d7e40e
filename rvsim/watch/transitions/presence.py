"""Devices that appear and disappear, messages that are late, a bus that is quiet.

Knows: the figures of each. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.rig.quantity import time_text
from rvsim.watch.transitions.basis import Presence, ProblemKey, Topic
from rvsim.wire.frame import Frame


class PresenceChanged(NamedTuple):
    """A device entered a state of the roll call; ``source`` is None for one that was never heard."""

    time: int
    device: str
    source: int | None
    state: Presence


class ListeningGap(NamedTuple):
    """Nobody listened to the bus from ``since`` to ``time``; ``about`` says why, empty where that is not known."""

    time: int
    since: int
    about: str

    def __str__(self) -> str:
        why = f" ({self.about})" if self.about else ""
        return (
            f"nobody listened from {time_text(self.since)} to {time_text(self.time)}{why}: what happened meanwhile is "
            "not known, and nothing is judged by it"
        )


class MomentMarked(NamedTuple):
    """The person who listened marked a moment; ``note`` says what was done, empty where nothing was written."""

    time: int
    note: str

    def __str__(self) -> str:
        return f"marked: {self.note}" if self.note else "marked"


class GapExceeded(NamedTuple):
    """A periodic message was not received for longer than ``limit_us``; its gap is ``gap_us``.

    ``lasted_us`` is the time since its last frame, None at the moment when the limit is exceeded.
    """

    time: int
    since: int
    device: str
    topic: Topic
    gap_us: int
    limit_us: int
    last: Frame
    lasted_us: int | None = None

    def at(self, now: int) -> "GapExceeded":
        """Return the same problem with its figures at a later moment (microseconds)."""
        return self._replace(lasted_us=max(self.limit_us, now - self.last.time))

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic."""
        return GapExceeded, self.topic


class FellSilent(NamedTuple):
    """A device sent nothing for longer than ``limit_us``; ``gap_us`` is the gap of its slowest periodic message.

    ``last`` is None for a planned device that was never heard; ``functions`` are those that it is expected to have,
    ``late_messages`` those that were late before the whole device was silent; ``lasted_us`` as in ``GapExceeded``.
    ``fastest_gap_us`` is the gap of its fastest periodic message: it stopped at most that long after its last frame.
    """

    time: int
    since: int
    device: str
    functions: tuple[str, ...]
    gap_us: int | None
    limit_us: int
    last: Frame | None
    late_messages: tuple[GapExceeded, ...] = ()
    lasted_us: int | None = None
    fastest_gap_us: int | None = None

    def at(self, now: int) -> "FellSilent":
        """Return the same problem with its figures at a later moment (microseconds)."""
        lasted = now - self.last.time if self.last is not None else self.limit_us + now - self.since
        return self._replace(lasted_us=max(self.limit_us, lasted))

    @property
    def problem_key(self) -> ProblemKey:
        """One for each device."""
        return FellSilent, self.device


class BusFellQuiet(NamedTuple):
    """No frame from any device for ``silence_us``, longer than ``normal_us``; at least two sources missed a message."""

    time: int
    since: int
    silence_us: int
    normal_us: int
    median_us: int
    missed: int
    last: Frame

    def at(self, now: int) -> "BusFellQuiet":
        """Return the same problem with its figures at a later moment (microseconds)."""
        return self._replace(silence_us=max(self.silence_us, now - self.last.time))

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (BusFellQuiet,)
