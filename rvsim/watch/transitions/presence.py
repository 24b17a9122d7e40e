"""Who came, went, or stays away.

Knows: messages that are late, devices that are silent, a bus that is quiet. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import Presence, ProblemKey, Topic
from rvsim.wire.frame import Frame


class PresenceChanged(NamedTuple):
    """A device came, went or changed its state; ``source`` is None for one that was never heard."""

    time: int
    device: str
    source: int | None
    state: Presence


class GapExceeded(NamedTuple):
    """A periodic message has not come for longer than ``limit``; its gap is ``gap``.

    ``lasted`` is for how long it has stayed away by now, None at the moment when the limit is passed.
    """

    time: int
    since: int
    device: str
    topic: Topic
    gap: int
    limit: int
    last: Frame
    lasted: int | None = None

    def at(self, now: int) -> "GapExceeded":
        """Return the same problem as it stands at a later moment."""
        return self._replace(lasted=max(self.limit, now - self.last.time))

    @property
    def problem_key(self) -> ProblemKey:
        """One for each topic."""
        return GapExceeded, self.topic


class FellSilent(NamedTuple):
    """A device has said nothing for longer than ``limit``; ``gap`` is that of its slowest periodic message.

    ``last`` is None for a planned device that was never heard; ``functions`` is what it is expected to speak for,
    ``late`` what was late before the whole device was; ``lasted`` as in ``GapExceeded``. ``fastest`` is the gap of its
    fastest periodic message: so soon after its last frame it must have gone.
    """

    time: int
    since: int
    device: str
    functions: tuple[str, ...]
    gap: int | None
    limit: int
    last: Frame | None
    late: tuple[GapExceeded, ...] = ()
    lasted: int | None = None
    fastest: int | None = None

    def at(self, now: int) -> "FellSilent":
        """Return the same problem as it stands at a later moment."""
        lasted = now - self.last.time if self.last is not None else self.limit + now - self.since
        return self._replace(lasted=max(self.limit, lasted))

    @property
    def problem_key(self) -> ProblemKey:
        """One for each device."""
        return FellSilent, self.device


class BusFellQuiet(NamedTuple):
    """Nothing from anyone for ``silence``, longer than ``normal``; at least two sources have missed a message."""

    time: int
    since: int
    silence: int
    normal: int
    median: int
    missed: int
    last: Frame

    def at(self, now: int) -> "BusFellQuiet":
        """Return the same problem as it stands at a later moment."""
        return self._replace(silence=max(self.silence, now - self.last.time))

    @property
    def problem_key(self) -> ProblemKey:
        """There is one bus."""
        return (BusFellQuiet,)
