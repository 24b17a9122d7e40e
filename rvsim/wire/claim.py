"""Address claiming for one node (SAE J1939-81), without a bus or a clock.

Knows: claim at start, 250 ms for objections, the contest by NAME, what a node does that lost one or is told to claim
another address, and the answer to a request for claims. A NAME says by itself whether its node may choose an address
(arbitrary address capable). Does not know time: the caller tells it in microseconds, sends what is returned, and calls
``expire`` at ``due``.

The rules are those of SAE J1939-81 from memory, where no other source is named. Moving downwards is RV-C's rule
(rv-c.com/book/export/html/17); general J1939 nodes are seen to move upwards (can-j1939 2.0.12 test_ca.py).
"""

from collections.abc import Callable
from enum import Enum

from rvsim.wire import ident
from rvsim.wire.name import Name

ADDRESS_CLAIM = 0x0EE00
REQUEST_FOR_DGN = 0x0EA00
PRIORITY = 6
OBJECTION_US = 250_000
"""How long others may object to a claim (rv-c.com/book/export/html/17)."""
DELAY_STEPS, DELAY_STEP_US = 256, 600
"""A node without an address waits 0 to 255 steps of 0.6 ms, 153 ms at most, before it says so: all such nodes share
one identifier, and two at once would spoil each other's frame (SAE J1939-81, from memory)."""
CHOICES = range(128, 248)
"""The addresses that a node may give itself (SAE J1939-81, from memory)."""
LOWER, HIGHER = -1, 1
"""Which way a node looks for another address: RV-C's way and that of general J1939 nodes."""
HIGHEST_ADDRESS = 253

Sent = list[tuple[int, bytes]]


class Standing(Enum):
    """How a node stands with its address."""

    SILENT = "not started"
    CLAIMING = "claimed, others may object"
    HOLDING = "holds its address"
    CANNOT_CLAIM = "has no address"


class Claimer:
    """The claim of one NAME to an address.

    ``address`` is None unless the node may speak from it; ``claimed`` is also set while others may still object. A
    node without an ``address`` sends nothing but what this class returns. Each call returns the frames to send, as
    (identifier, data).

    ``draw`` gives a random whole number from 0 up to below the one it is called with. ``choices`` and ``step`` say
    where a NAME that may choose looks for another address. With ``early`` a node whose address lies outside
    ``CHOICES`` speaks right after its claim, as SAE J1939-81 allows (can-j1939 2.0.12 controller_application.py:
    0..127 and 248..253).

    Raises:
        ValueError: the address is none that a node can have.
    """

    def __init__(
        self,
        name: Name,
        address: int,
        draw: Callable[[int], int],
        *,
        choices: range = CHOICES,
        step: int = LOWER,
        early: bool = False,
    ) -> None:
        if not 0 <= address <= HIGHEST_ADDRESS:
            raise ValueError(f"address {address} is not within 0..{HIGHEST_ADDRESS}")
        self.name = name
        self.standing = Standing.SILENT
        self.claimed: int | None = None
        self._bytes = name.to_bytes()
        self._draw = draw
        self._early = early
        self._preferred = address
        self._choices = choices if name.arbitrary_address_capable else range(0)
        self._step = step
        self._held: dict[int, bytes] = {}  # what others were heard to claim: address to NAME
        self._due: int | None = None

    @property
    def address(self) -> int | None:
        """The address the node may speak from."""
        return self.claimed if self.standing is Standing.HOLDING else None

    def start(self, time: int) -> Sent:
        """Claim the preferred address, as after switching on."""
        return self._claim(time, self._preferred)

    def command(self, time: int, address: int) -> Sent:
        """Claim the address that a commanded address gives this NAME, and prefer it from now on.

        Whoever holds it may object, and the contest there is like any other: a stronger NAME drives this one on, or
        leaves it without an address. Told to claim what it has claimed already, it claims that again and speaks on, so
        that the commander sees it. An address that nobody can have (254, 255) is left alone, and so is any before the
        start. That it prefers the address at its next start is our decision, the rest SAE J1939-81 from memory.
        """
        if self.standing is Standing.SILENT or not 0 <= address <= HIGHEST_ADDRESS:
            return []
        self._preferred = address
        return [self._frame(address)] if address == self.claimed else self._claim(time, address)

    def receive(self, time: int, identifier: int, data: bytes) -> Sent:
        """Take a frame of another node and return the answer, if it calls for one at once."""
        sent = self.expire(time - 1)
        parts = ident.split(identifier)
        if parts.dgn == ADDRESS_CLAIM:
            return sent + self._other_claims(time, parts.source, data)
        if parts.dgn == REQUEST_FOR_DGN and int.from_bytes(data[:3], "little") == ADDRESS_CLAIM and len(data) >= 3:
            return sent + self._asked(time, parts.destination)
        return sent

    def due(self) -> int | None:
        """Return when ``expire`` has something to do, None while nothing is pending."""
        return self._due

    def expire(self, time: int) -> Sent:
        """Do what was due by now: take the address up, or say that there is none."""
        if self._due is None or time < self._due:
            return []
        self._due = None
        if self.standing is Standing.CLAIMING:
            self.standing = Standing.HOLDING
            return []
        return [self._frame(ident.NULL_ADDRESS)]

    def _other_claims(self, time: int, source: int, data: bytes) -> Sent:
        if len(data) != 8 or data == self._bytes or source == ident.GLOBAL:
            return []
        self._note(source, data)
        if source != self.claimed:
            return []
        if int(self.name) < int.from_bytes(data, "little"):
            return [self._frame(source)]
        return self._move(time, source)

    def _note(self, source: int, data: bytes) -> None:
        """Keep in mind who is where: a NAME has one address at most."""
        for address in [address for address, name in self._held.items() if name == data]:
            del self._held[address]
        if source != ident.NULL_ADDRESS:
            self._held[source] = data

    def _move(self, time: int, lost: int) -> Sent:
        """Claim the next address that nobody was heard to claim, or have none."""
        free = next((address for address in self._looked_through(lost) if address not in self._held), None)
        if free is not None:
            return self._claim(time, free)
        self.claimed, self.standing = None, Standing.CANNOT_CLAIM
        self._say_later(time)
        return []

    def _looked_through(self, lost: int) -> list[int]:
        """Return the choices in the order of looking: on from the address just lost, then from the other end."""
        return sorted(self._choices[:: self._step], key=lambda choice: (choice - lost) * self._step < 0)

    def _claim(self, time: int, address: int) -> Sent:
        self.claimed = address
        if self._early and address not in CHOICES:
            self.standing, self._due = Standing.HOLDING, None
        else:
            self.standing, self._due = Standing.CLAIMING, time + OBJECTION_US
        return [self._frame(address)]

    def _asked(self, time: int, destination: int | None) -> Sent:
        if self.claimed is not None and destination in (ident.GLOBAL, self.claimed):
            return [self._frame(self.claimed)]
        if self.standing is Standing.CANNOT_CLAIM and destination == ident.GLOBAL and self._due is None:
            self._say_later(time)
        return []

    def _say_later(self, time: int) -> None:
        self._due = time + self._draw(DELAY_STEPS) * DELAY_STEP_US

    def _frame(self, source: int) -> tuple[int, bytes]:
        return ident.join(PRIORITY, ADDRESS_CLAIM, source, ident.GLOBAL), self._bytes
