"""Where a run goes that is shown: what every form of showing one has in common.

Knows: what a run hands to its sink. Does not know any form.
"""

from collections.abc import Sequence
from typing import Protocol

from rvsim.watch.watch import Event, Watch
from rvsim.wire.frame import Frame


class Sink(Protocol):
    """Something that shows a run."""

    def frame(self, frame: Frame) -> None:
        """Show a frame, where frames are shown at all."""

    def events(self, events: Sequence[Event]) -> None:
        """Show what one frame, or the passing of time, has changed."""

    def end(self, time: int, watch: Watch) -> None:
        """Show how the run ended."""

    def flush(self) -> None:
        """Hand everything on to whoever reads."""


class Nothing:
    """Shows nothing."""

    def frame(self, frame: Frame) -> None:
        """Show nothing."""

    def events(self, events: Sequence[Event]) -> None:
        """Show nothing."""

    def end(self, time: int, watch: Watch) -> None:
        """Show nothing."""

    def flush(self) -> None:
        """Show nothing."""
