"""What tests of several runs share."""

from collections.abc import Callable, Iterator, Sequence

import pytest

from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent


class MemoryLog:
    """A log in memory, of one channel."""

    def __init__(self, entries: Sequence[Frame | LineEvent]) -> None:
        self._entries = entries
        self.closed = False

    def contents(self, channel: str | None = None) -> Iterator[Frame | LineEvent]:
        """Its frames, and what else it tells."""
        yield from self._entries

    def close(self) -> None:
        """Closed."""
        self.closed = True


@pytest.fixture(scope="session")
def log_of() -> Callable[[Sequence[Frame | LineEvent]], MemoryLog]:
    """Make a log of entries; it knows whether it was closed."""
    return MemoryLog
