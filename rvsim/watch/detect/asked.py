"""Who was asked lately: to claim its address, to send something, to start anew, to take another address.

Knows: requests (SAE J1939-21), RV-C's general reset, and the commanded address (SAE J1939-81: DGN 0FED8h, a long
message of a NAME and an address). Does not know what follows from it. Needs every frame of these.
"""

from collections import deque

from rvsim.watch.identity.records import TopicRecord
from rvsim.wire import ident
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name

GENERAL_RESET = 0x17F00
"""Its number: a keypad maker's integrator guide."""
_CLAIMS = ADDRESS_CLAIM.to_bytes(3, "little")
ANSWER_US = 2 * SECOND_US
"""So long after it was asked for an answer is taken to be one: slow nodes and full queues have room. Our decision."""
MOVE_US = 10 * SECOND_US
"""So long after it was commanded to another address a node may begin anew: it may have to start again. Our decision."""
_MAX_REMEMBERED = 16
_MAX_COMMANDED = 256


class Asked:
    """Every request, reset and commanded address of a bus, by whom it is for. Times are bus time."""

    def __init__(self) -> None:
        self._claims: dict[int, int] = {}
        self._any: dict[int, deque[int]] = {}
        self._commanded: dict[Name, tuple[int, int]] = {}

    def observe(self, frame: Frame, now: int) -> bool:
        """Take in a frame; return whether it asks anybody for anything."""
        _, dgn, _, destination = ident.split(frame.identifier)
        if dgn not in (REQUEST_FOR_DGN, GENERAL_RESET):
            return False
        to = ident.GLOBAL if destination is None else destination
        self._any.setdefault(to, deque(maxlen=_MAX_REMEMBERED)).append(now)
        if dgn == GENERAL_RESET or frame.data[:3] == _CLAIMS:
            self._claims[to] = now
        return True

    def command(self, name: Name, address: int, now: int) -> None:
        """Note that a NAME was commanded to an address."""
        self._commanded.pop(name, None)
        self._commanded[name] = address, now
        if len(self._commanded) > _MAX_COMMANDED:
            del self._commanded[next(iter(self._commanded))]

    def commanded_to(self, name: Name) -> int | None:
        """Return the address that a NAME was commanded to last."""
        return self._commanded[name][0] if name in self._commanded else None

    def may_claim(self, address: int, name: Name, now: int) -> bool:
        """Tell whether a claim from an address is an answer, or follows from a reset or a commanded address."""
        times = (self._claims.get(to) for to in (address, ident.GLOBAL))
        if any(time is not None and now - time <= ANSWER_US for time in times):
            return True
        return name in self._commanded and now - self._commanded[name][1] <= MOVE_US

    def asked_for_anything(self, address: int, now: int) -> bool:
        """Tell whether a node was asked for anything shortly before a moment."""
        times = (time for to in (address, ident.GLOBAL) for time in self._any.get(to, ()))
        return any(0 <= now - time <= ANSWER_US for time in times)


def asks_for_claims(part: TopicRecord) -> bool:
    """Tell whether a frame is a request for address claims."""
    return part.topic.dgn == REQUEST_FOR_DGN and part.frame.data[:3] == _CLAIMS
