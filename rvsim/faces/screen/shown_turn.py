"""Which turn of the bus is shown: the last one, as the bus goes on, or one that stays.

Knows: the turns of up to two seconds. Does not know how a turn is drawn. It reads the watch, so the caller holds the
lock of the run.
"""

from typing import NamedTuple

from rvsim.watch.bus.turn import Turn, latest_turn, turn_at
from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame


class HeldTurn(NamedTuple):
    """A turn that stays on the screen: the frames of its time, and the place of its own among them."""

    frames: tuple[Frame, ...]
    place: int


class ShownTurn:
    """The turn that is shown of the bus of one watch."""

    def __init__(self, watch: Watch) -> None:
        self._load = watch.bus_load
        self.held: HeldTurn | None = None
        """The turn that stays; None where the bus goes on."""

    def turn(self) -> Turn | None:
        """Return the turn that stays, else the last one with a frame that waited, else the last of two seconds."""
        if self.held is not None:
            return turn_at(self.held.frames, self.held.place)
        latest, contested = latest_turn(self._load.recent), latest_turn(self._load.crowded)
        return contested if contested and contested.waiting and not (latest and latest.waiting) else latest

    def step(self, by: int) -> None:
        """Show the turn ``by`` places before or after the one that is shown; behind the last one, the bus goes on.

        The turns stay as they are while the bus goes on.
        """
        if self.held is None:
            if (shown := self.turn()) is None or by > 0:
                return
            recent = self._load.recent
            frames = recent if shown.frame in recent else self._load.crowded
            self.held = HeldTurn(frames, frames.index(shown.frame))
        frames, place = self.held
        self.held = HeldTurn(frames, max(0, place + by)) if place + by < len(frames) else None
