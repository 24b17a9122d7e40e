"""Recent requests, general resets and commanded addresses, by the address or the NAME that they are for.

Knows: requests (SAE J1939-21), RV-C's general reset, and the commanded address (SAE J1939-81: DGN 0FED8h, a long
message of a NAME and an address). Does not know what follows from them. Needs every frame of these.
"""

from collections import deque

from rvsim.watch.identity.records import TopicRecord
from rvsim.wire import ident
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name

GENERAL_RESET = 0x17F00
"""The DGN of a general reset, from a keypad maker's integrator guide."""
_CLAIM_DGN_BYTES = ADDRESS_CLAIM.to_bytes(3, "little")
MAX_ANSWER_US = 2 * SECOND_US
"""How long after a request a message counts as its answer; long enough for slow nodes and full queues. Our decision."""
MAX_MOVE_US = 10 * SECOND_US
"""How long after a commanded address a node may claim again: it may have to restart first. Our decision."""
_MAX_REQUESTS = 16
_MAX_COMMANDED_NAMES = 256
"""How many requests to one address, and how many commanded NAMEs, are kept, the newest ones. Our decision, to bound the
memory."""


class RequestHistory:
    """The latest requests, resets and commanded addresses of a bus. Times are bus time."""

    def __init__(self) -> None:
        self._claim_requests: dict[int, int] = {}
        self._requests: dict[int, deque[int]] = {}
        self._commanded_addresses: dict[Name, tuple[int, int]] = {}

    def observe(self, frame: Frame, now: int) -> bool:
        """Take in a frame; return whether it is a request or a general reset."""
        _, dgn, _, destination = ident.split_identifier(frame.identifier)
        if dgn not in (REQUEST_FOR_DGN, GENERAL_RESET):
            return False
        recipient = ident.GLOBAL_ADDRESS if destination is None else destination
        self._requests.setdefault(recipient, deque(maxlen=_MAX_REQUESTS)).append(now)
        if dgn == GENERAL_RESET or frame.data[:3] == _CLAIM_DGN_BYTES:
            self._claim_requests[recipient] = now
        return True

    def note_commanded_address(self, name: Name, address: int, now: int) -> None:
        """Note that a NAME was commanded to take an address."""
        self._commanded_addresses.pop(name, None)
        self._commanded_addresses[name] = address, now
        if len(self._commanded_addresses) > _MAX_COMMANDED_NAMES:
            del self._commanded_addresses[next(iter(self._commanded_addresses))]

    def commanded_address(self, name: Name) -> int | None:
        """Return the address that a NAME was last commanded to take; None where there is none."""
        return self._commanded_addresses[name][0] if name in self._commanded_addresses else None

    def explains_claim(self, address: int, name: Name, now: int) -> bool:
        """Return whether a claim answers a request, or follows a general reset or a commanded address."""
        times = (self._claim_requests.get(recipient) for recipient in (address, ident.GLOBAL_ADDRESS))
        if any(time is not None and now - time <= MAX_ANSWER_US for time in times):
            return True
        return name in self._commanded_addresses and now - self._commanded_addresses[name][1] <= MAX_MOVE_US

    def was_requested(self, address: int, now: int) -> bool:
        """Return whether a request or a general reset reached an address shortly before a moment."""
        times = (time for recipient in (address, ident.GLOBAL_ADDRESS) for time in self._requests.get(recipient, ()))
        return any(0 <= now - time <= MAX_ANSWER_US for time in times)


def is_claim_request(record: TopicRecord) -> bool:
    """Return whether the last frame of a topic is a request for address claims."""
    return record.topic.dgn == REQUEST_FOR_DGN and record.frame.data[:3] == _CLAIM_DGN_BYTES
