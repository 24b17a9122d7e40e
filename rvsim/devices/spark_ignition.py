"""A gas burner that a spark lights: its tries, its flame and its lockout, by time.

Knows: the sequence of tries, and what is wrong with it. Does not know a message, a vehicle, or what the heat is for.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto

from rvsim.wire.frame import SECOND_US


class SparkState(Enum):
    """Where the burner is in its sequence."""

    OFF = auto()
    WAITING = auto()
    """Before a try: gas of the last one blows away."""
    SPARKING = auto()
    LIT = auto()
    LOCKED = auto()
    """After the last failed try: the valve stays shut until the heater is switched off."""


_OFF, _WAITING, _SPARKING, _LIT, _LOCKED = SparkState
"""The states as names of this module: looking one up in its enum takes five times as long."""


@dataclass(frozen=True)
class SparkFigures:
    """Times in microseconds."""

    tries: int
    trial_us: int
    """How long gas and spark last without a flame; then the try has failed."""
    wait_us: int
    """From there to the next try."""
    flame_us: tuple[int, int]
    """The shortest and the longest time from gas and spark to the flame of a healthy try."""


class SparkIgnition:
    """One burner. ``draw(limit)`` returns a random integer from 0 to ``limit - 1``."""

    def __init__(self, figures: SparkFigures, draw: Callable[[int], int]) -> None:
        self._figures, self._draw = figures, draw
        self.state = _OFF
        self.failed_tries = 0
        """Tries without a flame since it last burnt or was switched off."""
        self.failing_tries = 0
        """How many tries from now on give no flame though there is gas; -1: all."""
        self._due = self._flame_due = 0
        self._lights = False

    @property
    def is_lit(self) -> bool:
        """Whether there is a flame."""
        return self.state is _LIT

    @property
    def is_valve_open(self) -> bool:
        """Whether its valve lets gas through."""
        return self.state in (_SPARKING, _LIT)

    def switch_off(self) -> None:
        """Shut the valve and end a lockout."""
        self.state, self.failed_tries = _OFF, 0

    def step(self, now_us: int, *, is_wanted: bool, has_gas: bool) -> None:
        """Go on with the sequence until now; a lockout stays, whatever is wanted."""
        if self.state is _LOCKED:
            return
        if not is_wanted:
            self.state = _OFF
        elif self.state is _OFF:
            self._start_try(now_us)
        elif self.state is _WAITING:
            if now_us >= self._due:
                self._start_try(now_us)
        elif self.state is _SPARKING:
            self._watch_try(now_us, has_gas=has_gas)
        elif not has_gas:
            self._start_try(now_us)  # the flame is lost: it sparks again at once

    def _start_try(self, now_us: int) -> None:
        self.state = _SPARKING
        first, last = self._figures.flame_us
        self._flame_due = now_us + first + self._draw(last - first + 1)
        self._due = now_us + self._figures.trial_us
        self._lights = self.failing_tries == 0
        if self.failing_tries > 0:
            self.failing_tries -= 1

    def _watch_try(self, now_us: int, *, has_gas: bool) -> None:
        if self._lights and has_gas and now_us >= self._flame_due:
            self.state, self.failed_tries = _LIT, 0
        elif now_us >= self._due:
            self.failed_tries += 1
            locks = self.failed_tries >= self._figures.tries
            self.state = _LOCKED if locks else _WAITING
            self._due = now_us + self._figures.wait_us


def micros(seconds: float) -> int:
    """Return a time in microseconds."""
    return round(seconds * SECOND_US)
