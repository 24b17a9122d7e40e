"""The shipped definitions as cantools reads them, and a node with long messages, driven by hand-written frames."""

import cantools
import pytest

from rvsim.shipped import dbc_files
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, TransferProblem


@pytest.fixture(scope="session")
def definition_files():
    """Return every shipped file as cantools reads it, by the file's name; read once for all tests of them."""
    return {path.stem: cantools.database.load_file(path, database_format="dbc", strict=True) for path in dbc_files()}


TWENTY = bytes([1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6, 7, 1, 2, 3, 4, 5, 6])


class Node:
    """A node with long messages; it is told frames as text, and what it sends is given back as text."""

    def __init__(self, address, **options):
        self.long = LongMessages(address, **options)
        self.time = 0
        self.events = []

    def _note(self, outcome):
        self.events += outcome.events
        return [f"{identifier:08X} {data.hex(' ').upper()}" for identifier, data in outcome.frames]

    def send(self, dgn=0xDF00, data=TWENTY, destination=0x9B, at=None):
        """Send a message now, or at a time."""
        self.time = self.time if at is None else at
        return self._note(self.long.send(self.time, dgn, data, destination))

    def receive(self, frame, at=None):
        """Tell it a frame now, or at a time."""
        self.time = self.time if at is None else at
        identifier, _, data = frame.partition(" ")
        return self._note(self.long.receive(self.time, int(identifier, 16), bytes.fromhex(data)))

    def due(self):
        """Let happen what is due next; returns when that was, and what was sent."""
        self.time = self.long.due()
        return self.time, self._note(self.long.expire(self.time))

    @property
    def kinds(self):
        """What went wrong so far."""
        return [event.kind for event in self.events if isinstance(event, TransferProblem)]

    @property
    def messages(self):
        """What came in so far."""
        return [event for event in self.events if isinstance(event, LongMessage)]


@pytest.fixture
def node_at():
    """Put a node at an address: ``node_at(2, max_sessions=2)``."""
    return Node
