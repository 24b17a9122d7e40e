"""Short and long presses of one switch.

Knows: when a press is long. Does not know what either does.
"""

from collections.abc import Callable
from typing import Protocol

LONG_PRESS_US = 500_000
"""A switch that is held so long is pressed long. Common practice, no source."""


class Timers(Protocol):
    """What this needs of its device."""

    def after(self, delay_us: int, call: Callable[[], None], /) -> None:
        """Call once, ``delay_us`` from now."""


class Presses:
    """Tells short presses from long ones.

    Args:
        host: the device of the switch.
        on_short: is called when a short press ends.
        on_long: is called while the switch is still held, when the press is long.
        on_long_end: is called when a long press ends.
        long_us: from which time on a press is long.
    """

    def __init__(
        self,
        host: Timers,
        on_short: Callable[[], None],
        on_long: Callable[[], None],
        on_long_end: Callable[[], None],
        long_us: int = LONG_PRESS_US,
    ) -> None:
        self._host, self._long_us = host, long_us
        self._on_short, self._on_long, self._on_long_end = on_short, on_long, on_long_end
        self._is_held = self._is_long = False
        self._presses = 0

    def switched(self, *, on: bool) -> None:
        """Follow the switch, which has gone on or off."""
        if on == self._is_held:
            return
        self._is_held = on
        if on:
            self._is_long = False
            self._presses += 1
            presses = self._presses
            self._host.after(self._long_us, lambda: self._held(presses))
        elif self._is_long:
            self._on_long_end()
        else:
            self._on_short()

    def _held(self, presses: int) -> None:
        if self._is_held and presses == self._presses:
            self._is_long = True
            self._on_long()
