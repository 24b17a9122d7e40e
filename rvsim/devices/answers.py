"""What every node answers: data to a request, else an acknowledgement, a refusal or nothing; and its long messages.

Knows: requests to one and to all, with an instance (RV-C's addition to SAE J1939-21), that only who was asked alone
refuses, the four codes of an acknowledgement, that what is longer than a frame goes out in packets, and that a
commanded address comes in packets. Does not know what a node has to say, nor whether it obeys: its host does.
"""

from collections.abc import Callable, Mapping
from typing import Protocol

from rvsim.wire.acknowledgment import Code
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.commanded_address import COMMANDED_ADDRESS, AddressCommand, read_address_command
from rvsim.wire.fields import State
from rvsim.wire.ident import GLOBAL, Identifier, is_addressed, join, split
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, ProblemKind, TransferOutcome, TransferProblem
from rvsim.wire.transfer.packets import CONNECTION, PACKET, SHORTEST

ACKNOWLEDGMENT, RESET = "ACKNOWLEDGMENT", "GENERAL_RESET"
PROPRIETARY = 0x0EF00
LONGEST_DELAY_US = 153_000
"""Who answers a request to all waits up to so long, each its own time: the delay of SAE J1939-81 for claims, taken over
for every answer to all (our decision), so that not everybody speaks at once."""
ACKNOWLEDGED_US = 5_000
"""A commanded address that came to the node alone is obeyed so much later: its acknowledgement, which gives way to a
claim on the wires, is then through, and does not come from an address that the node has left. Our decision."""
_REFUSED = frozenset({ProblemKind.CROWDED, ProblemKind.BUSY, ProblemKind.NO_ADDRESS})
_ONE_FRAME, _PRIORITY = 8, 6


class Host(Protocol):
    """What answers need of their node."""

    now: int
    outbox: list[tuple[int, bytes]]

    @property
    def address(self) -> int | None:
        """The address it speaks from."""

    def after(self, delay: int, call: Callable[[], None]) -> None:
        """Be called later."""

    def texts(self) -> Mapping[int, bytes]:
        """Return its texts and reports by DGN, however long."""

    def send_again(self, dgn: int, instance: int | None) -> bool:
        """Send what it broadcasts under a DGN now, of one instance or of all; tell whether there was anything."""

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Forget its faults, begin anew, or both."""

    def obey_address(self, command: AddressCommand) -> None:
        """Learn that a NAME, which may be another node's, is told to claim an address."""


def asks_for_claim(dgn: int, data: bytes) -> bool:
    """Tell whether a frame asks for address claims, which is the claim's affair."""
    return dgn == REQUEST_FOR_DGN and int.from_bytes(data[:3], "little") == ADDRESS_CLAIM


class Answers:
    """The answers of one node, and the sessions of its long messages.

    ``draw`` gives a random whole number from 0 up to below the one it is called with.
    """

    def __init__(self, host: Host, catalogue: Catalogue, draw: Callable[[int], int]) -> None:
        self._host = host
        self._draw = draw
        self._request, self._acknowledgement, self._reset = (
            catalogue.by_name(name) for name in ("REQUEST_FOR_DGN", ACKNOWLEDGMENT, RESET)
        )
        self._long = LongMessages(None)
        self._long_due: int | None = None

    @property
    def received_dgns(self) -> frozenset[int]:
        """The DGNs that are answered, beside the node's own."""
        return frozenset({self._request.dgn, self._reset.dgn, CONNECTION, PACKET})

    def receive(self, identifier: int, data: bytes) -> None:
        """Take a frame of one of these DGNs."""
        parts = split(identifier)
        own = self._host.address
        transport = parts.dgn in (CONNECTION, PACKET)
        if parts.destination not in (own, GLOBAL) or (own is None and not transport):
            return  # without an address it still hears what goes to all in packets: it may be commanded to one
        if transport:
            self._take(self._long.receive(self._host.now, identifier, data))
        elif parts.dgn == self._request.dgn:
            self._asked(parts, data)
        elif parts.dgn == self._reset.dgn:
            self._told_to_reset(parts, data)

    def moved(self) -> None:
        """Go on from the address that the node has now."""
        if self._long.address != self._host.address:
            self._take(self._long.move(self._host.now, self._host.address))

    # Requests.

    def _asked(self, parts: Identifier, data: bytes) -> None:
        if len(data) < 3:
            return
        dgn = int.from_bytes(data[:3], "little")
        instance = self._given(self._request, "requested_instance", data)
        if parts.destination == GLOBAL:
            self._host.after(self._draw(LONGEST_DELAY_US + 1), lambda: self._answer(dgn, instance, parts.source, False))
        else:
            self._answer(dgn, instance, parts.source, True)

    def _answer(self, dgn: int, instance: int | None, asker: int, alone: bool) -> None:
        """Answer: a text goes to who asked for it alone, what is broadcast goes to all as ever."""
        text = self._host.texts().get(dgn)
        if text is not None:
            sent = self.send(dgn, text, asker if alone else GLOBAL)
            code = None if sent else Code.BUSY
        elif self._host.send_again(dgn, instance):
            code = None
        else:
            code = Code.DENIED if dgn == PROPRIETARY else Code.UNKNOWN
        if code is not None and alone:
            self._acknowledge(code, dgn, asker, instance)

    @staticmethod
    def _given(spec: MessageSpec, field: str, data: bytes) -> int | None:
        """Return what a field says, None where it says nothing."""
        place = spec.by_name[field]
        raw = place.raw_in(data)
        return raw if raw is not None and raw != place.all_ones and place.state(raw) is State.VALUE else None

    def _acknowledge(self, code: Code, dgn: int, asker: int, instance: int | None = None) -> None:
        """Say to all how a request or command of one of them fared; the address in it says whose."""
        own, spec = self._host.address, self._acknowledgement
        if own is not None:
            more = {} if instance is None else {"instance": instance}
            data = spec.pack(
                acknowledgment_code=int(code), source_address_acknowledged=asker, dgn_acknowledged=dgn, **more
            )
            self._host.outbox.append((spec.identifier(own, GLOBAL), data))

    # Commands that every node takes.

    def _told_to_reset(self, parts: Identifier, data: bytes) -> None:
        asked = {name for name in self._reset.by_name if self._given(self._reset, name, data) == 1}
        if not asked:
            return
        if asked <= {"clear_faults", "reboot"}:
            code = Code.DONE
        else:  # its settings are the rig's, and it has no test mode
            code = Code.DENIED if "reset_to_default_settings" in asked else Code.UNKNOWN
        if parts.destination != GLOBAL:
            self._acknowledge(code, self._reset.dgn, parts.source)
        if code is Code.DONE:
            self._host.reset(faults="clear_faults" in asked, reboot="reboot" in asked)

    # Long messages.

    def send(self, dgn: int, data: bytes, destination: int = GLOBAL) -> bool:
        """Send data of any length, in one frame where it fits; tell whether that was begun."""
        own = self._host.address
        if own is None:
            return False
        if len(data) <= _ONE_FRAME:
            identifier = join(_PRIORITY, dgn, own, destination if is_addressed(dgn) else None)
            self._host.outbox.append((identifier, data.ljust(_ONE_FRAME, b"\xff")))
            return True
        assert len(data) >= SHORTEST
        outcome = self._long.send(self._host.now, dgn, data, destination)
        self._take(outcome)
        return not any(isinstance(event, TransferProblem) and event.kind in _REFUSED for event in outcome.events)

    def _take(self, outcome: TransferOutcome) -> None:
        """Put out what a step of the sessions brought, and see to the next one."""
        self._host.outbox += outcome.frames
        due = self._long.due()
        if due is not None and due != self._long_due:
            self._host.after(max(0, due - self._host.now), lambda: self._is_due(due))
        self._long_due = due
        for event in outcome.events:
            if isinstance(event, LongMessage) and event.dgn == COMMANDED_ADDRESS:
                self._commanded(event)

    def _commanded(self, message: LongMessage) -> None:
        """Hand a commanded address to the host."""
        command = read_address_command(message.data)
        if command is None:
            return
        if message.destination == GLOBAL:
            self._host.obey_address(command)
        else:
            self._host.after(ACKNOWLEDGED_US, lambda: self._host.obey_address(command))

    def _is_due(self, moment: int) -> None:
        if moment == self._long_due:  # else it has moved on, and another call comes for it
            self._long_due = None
            self._take(self._long.expire(self._host.now))
