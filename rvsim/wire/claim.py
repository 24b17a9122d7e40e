"""Address claiming for one node (SAE J1939-81), without a bus or a clock.

Knows: the claim at the start, the 250 ms for objections, the contest by NAME, the behaviour of a node that loses a
contest or is commanded to another address, and the answer to a request for address claims. The NAME itself states
whether its node may choose an address (arbitrary address capable). Does not know the time: the caller passes it in
microseconds, sends the returned frames, and calls ``expire`` at ``due``.

Where no other source is named, the rules are those of SAE J1939-81 from memory. The search for another address goes
downwards by RV-C's rule (rv-c.com/book/export/html/17); general J1939 nodes go upwards (can-j1939 2.0.12 test_ca.py).
"""

from collections.abc import Callable
from enum import Enum

from rvsim.wire import ident
from rvsim.wire.ident import MAX_ADDRESS
from rvsim.wire.name import Name

ADDRESS_CLAIM = 0x0EE00
REQUEST_FOR_DGN = 0x0EA00
CLAIM_PRIORITY = 6
OBJECTION_US = 250_000
"""The time in which others may object to a claim (rv-c.com/book/export/html/17)."""
DELAY_STEPS, DELAY_STEP_US = 256, 600
"""A node without an address waits 0 to 255 steps of 0.6 ms, 153 ms at most, before it reports that it cannot claim one:
all such nodes send one identifier, and two frames at once would collide (SAE J1939-81, from memory)."""
SELECTABLE_ADDRESSES = range(128, 248)
"""The addresses that a node may choose for itself (SAE J1939-81, from memory)."""
SEARCH_DOWN, SEARCH_UP = -1, 1
"""The direction in which a node searches for another address: RV-C's, and that of general J1939 nodes."""

FramesToSend = list[tuple[int, bytes]]
"""Frames as (identifier, data)."""


class ClaimState(Enum):
    """The state of a node's address claim."""

    SILENT = "not started"
    CLAIMING = "claimed, others may object"
    HOLDING = "holds its address"
    CANNOT_CLAIM = "has no address"


class Claimer:
    """The claim of one NAME to an address.

    ``address`` is the address from which the node may send, None while it has none; ``claimed`` is also set while
    others may still object. A node without an ``address`` sends only the frames that this class returns. Each call
    returns the frames to send, as (identifier, data).

    ``draw(n)`` returns a random integer from 0 to n - 1. ``choices`` and ``step`` are the addresses among which a NAME
    that may choose searches for another one, and the direction. With ``early`` a node whose address is outside
    ``SELECTABLE_ADDRESSES`` may send right after its claim, as SAE J1939-81 allows (can-j1939 2.0.12
    controller_application.py: 0..127 and 248..253).

    Raises:
        ValueError: no node can have the address.
    """

    def __init__(
        self,
        name: Name,
        address: int,
        draw: Callable[[int], int],
        *,
        choices: range = SELECTABLE_ADDRESSES,
        step: int = SEARCH_DOWN,
        early: bool = False,
    ) -> None:
        if not 0 <= address <= MAX_ADDRESS:
            raise ValueError(f"address {address} is not within 0..{MAX_ADDRESS}")
        self.name = name
        self.state = ClaimState.SILENT
        self.claimed: int | None = None
        self._bytes = name.to_bytes()
        self._draw = draw
        self._early = early
        self._preferred = address
        self._choices = choices if name.arbitrary_address_capable else range(0)
        self._step = step
        self._claimed_by_others: dict[int, bytes] = {}  # address to NAME
        self._due: int | None = None

    @property
    def address(self) -> int | None:
        """The address from which the node may send."""
        return self.claimed if self.state is ClaimState.HOLDING else None

    def start(self, time: int) -> FramesToSend:
        """Claim the preferred address, as after power-on."""
        return self._claim(time, self._preferred)

    def command(self, time: int, address: int) -> FramesToSend:
        """Claim the address that a commanded address message gives to this NAME, and prefer it from now on.

        Its holder may object, and the contest is like any other: where the other NAME has priority, this node moves on
        or has no address. Where the node has claimed the address already, it repeats the claim and goes on sending, so
        that the commander receives an answer. An address that no node can have (254, 255) is ignored, and so is any
        command before the start. That the node prefers the address at its next start is our decision, the rest is SAE
        J1939-81 from memory.
        """
        if self.state is ClaimState.SILENT or not 0 <= address <= MAX_ADDRESS:
            return []
        self._preferred = address
        return [self._frame(address)] if address == self.claimed else self._claim(time, address)

    def receive(self, time: int, identifier: int, data: bytes) -> FramesToSend:
        """Receive a frame of another node; return the immediate answer, if there is one."""
        sent = self.expire(time - 1)
        parts = ident.split_identifier(identifier)
        if parts.dgn == ADDRESS_CLAIM:
            return sent + self._other_claims(time, parts.source, data)
        if parts.dgn == REQUEST_FOR_DGN and int.from_bytes(data[:3], "little") == ADDRESS_CLAIM and len(data) >= 3:
            return sent + self._answer_request(time, parts.destination)
        return sent

    def due(self) -> int | None:
        """Return the time at which ``expire`` must be called, None while nothing is pending."""
        return self._due

    def expire(self, time: int) -> FramesToSend:
        """Do what is due by ``time``: take the address, or report that the node cannot claim one."""
        if self._due is None or time < self._due:
            return []
        self._due = None
        if self.state is ClaimState.CLAIMING:
            self.state = ClaimState.HOLDING
            return []
        return [self._frame(ident.NULL_ADDRESS)]

    def _other_claims(self, time: int, source: int, data: bytes) -> FramesToSend:
        if len(data) != 8 or data == self._bytes or source == ident.GLOBAL_ADDRESS:
            return []
        self._note(source, data)
        if source != self.claimed:
            return []
        if int(self.name) < int.from_bytes(data, "little"):
            return [self._frame(source)]
        return self._move(time, source)

    def _note(self, source: int, data: bytes) -> None:
        """Record another node's claim: a NAME has one address at most."""
        for address in [address for address, name in self._claimed_by_others.items() if name == data]:
            del self._claimed_by_others[address]
        if source != ident.NULL_ADDRESS:
            self._claimed_by_others[source] = data

    def _move(self, time: int, lost: int) -> FramesToSend:
        """Claim the next address that no other node has claimed, or give up having one."""
        free = next((address for address in self._search_order(lost) if address not in self._claimed_by_others), None)
        if free is not None:
            return self._claim(time, free)
        self.claimed, self.state = None, ClaimState.CANNOT_CLAIM
        self._report_later(time)
        return []

    def _search_order(self, lost: int) -> list[int]:
        """Return the choices in the order of the search: on from the lost address, then from the other end."""
        return sorted(self._choices[:: self._step], key=lambda choice: (choice - lost) * self._step < 0)

    def _claim(self, time: int, address: int) -> FramesToSend:
        self.claimed = address
        if self._early and address not in SELECTABLE_ADDRESSES:
            self.state, self._due = ClaimState.HOLDING, None
        else:
            self.state, self._due = ClaimState.CLAIMING, time + OBJECTION_US
        return [self._frame(address)]

    def _answer_request(self, time: int, destination: int | None) -> FramesToSend:
        if self.claimed is not None and destination in (ident.GLOBAL_ADDRESS, self.claimed):
            return [self._frame(self.claimed)]
        if self.state is ClaimState.CANNOT_CLAIM and destination == ident.GLOBAL_ADDRESS and self._due is None:
            self._report_later(time)
        return []

    def _report_later(self, time: int) -> None:
        self._due = time + self._draw(DELAY_STEPS) * DELAY_STEP_US

    def _frame(self, source: int) -> tuple[int, bytes]:
        return ident.join_identifier(CLAIM_PRIORITY, ADDRESS_CLAIM, source, ident.GLOBAL_ADDRESS), self._bytes
