"""What every node answers: requests, resets and commanded addresses; and its long messages.

Knows: requests to one node and to all, with an instance (RV-C's addition to SAE J1939-21); that a node refuses only a
request that is addressed to it alone; the four codes of an acknowledgement; that data longer than a frame goes out in
packets; that a commanded address comes in packets. Does not know which data a node has, nor whether it obeys: its host
decides.
"""

from collections.abc import Callable, Mapping
from typing import Protocol

from rvsim.wire.acknowledgment import AcknowledgmentCode
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.commanded_address import COMMANDED_ADDRESS, AddressCommand, read_address_command
from rvsim.wire.fields import State
from rvsim.wire.ident import GLOBAL_ADDRESS, Identifier, is_addressed, join_identifier, split_identifier
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferOutcome, TransferProblem
from rvsim.wire.transfer.packets import CONNECTION_MANAGEMENT, DATA_TRANSFER, MIN_MESSAGE_BYTES

ACKNOWLEDGMENT, RESET = "ACKNOWLEDGMENT", "GENERAL_RESET"
PROPRIETARY = 0x0EF00
MAX_ANSWER_DELAY_US = 153_000
"""Longest wait before the answer to a request to all; each node draws its own. The delay is that of SAE J1939-81 for
claims. It is used for every answer to all, so that not all nodes send at once (our decision)."""
ADDRESS_COMMAND_DELAY_US = 5_000
"""Wait before this node obeys a commanded address that was sent to it alone. Its acknowledgement has a lower priority
than a claim; after this wait it has been sent, from the address that the node still holds. Our decision."""
_REFUSED = frozenset({ProblemKind.NO_SESSION_FREE, ProblemKind.BUSY, ProblemKind.NO_ADDRESS})
_MAX_FRAME_BYTES = 8
_PRIORITY = 6


class AnswerHost(Protocol):
    """What ``Answers`` needs of its node."""

    now: int
    outbox: list[tuple[int, bytes]]

    @property
    def address(self) -> int | None:
        """The address that the node sends from, None while it has none."""

    def after(self, delay_us: int, call: Callable[[], None], /) -> None:
        """Call once, ``delay_us`` from now."""

    def requestable_data(self) -> Mapping[int, bytes]:
        """Return the data that is sent on request only, by DGN, of any length."""

    def send_broadcasts(self, dgn: int, instance: int | None) -> bool:
        """Send the broadcasts of a DGN now, of one instance or of all; return whether there are any."""

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear the reported faults, claim the address again, or both."""

    def obey_address_command(self, command: AddressCommand) -> None:
        """Receive a commanded address; its NAME may be another node's."""


def requests_address_claim(dgn: int, data: bytes) -> bool:
    """Return whether a frame requests address claims; the claim answers those itself."""
    return dgn == REQUEST_FOR_DGN and int.from_bytes(data[:3], "little") == ADDRESS_CLAIM


class Answers:
    """The answers of one node, and the sessions of its long messages.

    ``draw(limit)`` returns a random integer from 0 to ``limit - 1``.
    """

    def __init__(self, host: AnswerHost, catalogue: Catalogue, draw: Callable[[int], int]) -> None:
        self._host = host
        self._draw = draw
        self._request, self._acknowledgement, self._reset = (
            catalogue.by_name(name) for name in ("REQUEST_FOR_DGN", ACKNOWLEDGMENT, RESET)
        )
        self._long = LongMessages(None)
        self._long_due: int | None = None

    @property
    def received_dgns(self) -> frozenset[int]:
        """The DGNs that ``receive`` takes."""
        return frozenset({self._request.dgn, self._reset.dgn, CONNECTION_MANAGEMENT, DATA_TRANSFER})

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of one of these DGNs."""
        parts = split_identifier(identifier)
        own = self._host.address
        transport = parts.dgn in (CONNECTION_MANAGEMENT, DATA_TRANSFER)
        if parts.destination not in (own, GLOBAL_ADDRESS) or (own is None and not transport):
            return  # a node without an address still receives packets to all: they may command it to an address
        if transport:
            self._handle_outcome(self._long.receive(self._host.now, identifier, data))
        elif parts.dgn == self._request.dgn:
            self._on_request(parts, data)
        elif parts.dgn == self._reset.dgn:
            self._on_reset(parts, data)

    def follow_address(self) -> None:
        """Send and receive long messages at the address that the node has now."""
        if self._long.address != self._host.address:
            self._handle_outcome(self._long.move(self._host.now, self._host.address))

    # Requests.

    def _on_request(self, parts: Identifier, data: bytes) -> None:
        if len(data) < 3:
            return
        dgn = int.from_bytes(data[:3], "little")
        instance = self._value_of(self._request, "requested_instance", data)
        if parts.destination == GLOBAL_ADDRESS:
            delay_us = self._draw(MAX_ANSWER_DELAY_US + 1)
            self._host.after(delay_us, lambda: self._answer(dgn, instance, parts.source, addressed=False))
        else:
            self._answer(dgn, instance, parts.source, addressed=True)

    def _answer(self, dgn: int, instance: int | None, requester: int, *, addressed: bool) -> None:
        """Answer a request: data goes to its requester if the request was addressed, a broadcast goes to all."""
        data = self._host.requestable_data().get(dgn)
        if data is not None:
            sent = self.send(dgn, data, requester if addressed else GLOBAL_ADDRESS)
            code = None if sent else AcknowledgmentCode.BUSY
        elif self._host.send_broadcasts(dgn, instance):
            code = None
        else:
            code = AcknowledgmentCode.DENIED if dgn == PROPRIETARY else AcknowledgmentCode.UNKNOWN
        if code is not None and addressed:
            self._acknowledge(code, dgn, requester, instance)

    @staticmethod
    def _value_of(spec: MessageSpec, name: str, data: bytes) -> int | None:
        """Return the raw value of a field, None where it has none."""
        field = spec.by_name[name]
        raw = field.raw_in(data)
        return raw if raw is not None and raw != field.all_ones and field.state(raw) is State.VALUE else None

    def _acknowledge(self, code: AcknowledgmentCode, dgn: int, requester: int, instance: int | None = None) -> None:
        """Send the result of a request or command to all; the requester's address stands in the data."""
        own, spec = self._host.address, self._acknowledgement
        if own is not None:
            more = {} if instance is None else {"instance": instance}
            data = spec.pack(
                acknowledgment_code=int(code), source_address_acknowledged=requester, dgn_acknowledged=dgn, **more
            )
            self._host.outbox.append((spec.identifier(own, GLOBAL_ADDRESS), data))

    # Commands that every node takes.

    def _on_reset(self, parts: Identifier, data: bytes) -> None:
        requested = {name for name in self._reset.by_name if self._value_of(self._reset, name, data) == 1}
        if not requested:
            return
        if requested <= {"clear_faults", "reboot"}:
            code = AcknowledgmentCode.DONE
        else:  # the settings are those of the rig, and there is no test mode
            code = AcknowledgmentCode.DENIED if "reset_to_default_settings" in requested else AcknowledgmentCode.UNKNOWN
        if parts.destination != GLOBAL_ADDRESS:
            self._acknowledge(code, self._reset.dgn, parts.source)
        if code is AcknowledgmentCode.DONE:
            self._host.reset(faults="clear_faults" in requested, reboot="reboot" in requested)

    # Long messages.

    def send(self, dgn: int, data: bytes, destination: int = GLOBAL_ADDRESS) -> bool:
        """Send data of any length, in one frame where it fits; return whether sending has started."""
        own = self._host.address
        if own is None:
            return False
        if len(data) <= _MAX_FRAME_BYTES:
            identifier = join_identifier(_PRIORITY, dgn, own, destination if is_addressed(dgn) else None)
            self._host.outbox.append((identifier, data.ljust(_MAX_FRAME_BYTES, b"\xff")))
            return True
        assert len(data) >= MIN_MESSAGE_BYTES
        outcome = self._long.send(self._host.now, dgn, data, destination)
        self._handle_outcome(outcome)
        return not any(isinstance(event, TransferProblem) and event.kind in _REFUSED for event in outcome.events)

    def _handle_outcome(self, outcome: TransferOutcome) -> None:
        """Send the frames of a step of the sessions, set the timer of the next step, and read whole messages."""
        self._host.outbox += outcome.frames
        due = self._long.due()
        if due is not None and due != self._long_due:
            self._host.after(max(0, due - self._host.now), lambda: self._on_timer(due))
        self._long_due = due
        for event in outcome.events:
            if isinstance(event, LongMessage) and event.dgn == COMMANDED_ADDRESS:
                self._on_commanded_address(event)

    def _on_commanded_address(self, message: LongMessage) -> None:
        """Give a commanded address to the host."""
        command = read_address_command(message.data)
        if command is None:
            return
        if message.destination == GLOBAL_ADDRESS:
            self._host.obey_address_command(command)
        else:
            self._host.after(ADDRESS_COMMAND_DELAY_US, lambda: self._host.obey_address_command(command))

    def _on_timer(self, moment: int) -> None:
        if moment == self._long_due:  # otherwise the deadline has changed, and another timer is set for it
            self._long_due = None
            self._handle_outcome(self._long.expire(self._host.now))
