"""The interface of everything that shows a run.

Knows: what a run passes to its sink. Does not know any form of output.
"""

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from rvsim.watch.watch import Event, Watch
from rvsim.wire.frame import Frame
from rvsim.world.balance import BalanceFigures


class Sink(Protocol):
    """Something that shows a run."""

    def frame(self, frame: Frame) -> None:
        """Show a frame, if this form shows frames."""

    def events(self, events: Sequence[Event]) -> None:
        """Show what a frame, or the passing of time, has changed."""

    def end(self, time: int, watch: Watch) -> None:
        """Show the end of the run."""

    def flush(self) -> None:
        """Pass on everything that is buffered."""


@runtime_checkable
class BalanceSink(Protocol):
    """A sink that shows the balance of a simulated vehicle, too."""

    def balance(self, time: int, balance: BalanceFigures) -> None:
        """Show the balance at the end of the run of a bench, before ``end``."""


class NullSink:
    """A sink that shows nothing."""

    def frame(self, frame: Frame) -> None:
        """Show nothing."""

    def events(self, events: Sequence[Event]) -> None:
        """Show nothing."""

    def end(self, time: int, watch: Watch) -> None:
        """Show nothing."""

    def flush(self) -> None:
        """Show nothing."""
