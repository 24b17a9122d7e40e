"""Address claiming for one node with a static address, without a bus or a clock.

Knows: claim at start, defend against a higher NAME, give way to a lower one and say "cannot claim" from the
null address, answer a request for the claim (SAE J1939-81; rv-c.com/book/export/html/17 for the static case
and its 250 ms). Does not know time: the caller waits ``OBJECTION_US`` after ``start`` before it lets the node
speak. Moving to another address is not done here.
"""

from rvsim.wire import ident
from rvsim.wire.name import Name

ADDRESS_CLAIM = 0x0EE00
REQUEST_FOR_DGN = 0x0EA00
PRIORITY = 6
OBJECTION_US = 250_000
"""How long others may object to a claim (rv-c.com/book/export/html/17)."""


class Claimer:
    """The claim of one NAME to one static address.

    ``address`` is None once the address was lost. Each call returns the frames to send, as (identifier, data).
    """

    def __init__(self, name: Name, address: int) -> None:
        self.name = name
        self.address: int | None = address
        self._bytes = name.to_bytes()

    def start(self) -> list[tuple[int, bytes]]:
        """Claim the address."""
        return [self._claim()]

    def hear(self, identifier: int, data: bytes) -> list[tuple[int, bytes]]:
        """Take a frame from the bus and return the answer, if it calls for one."""
        parts = ident.split(identifier)
        if parts.dgn == ADDRESS_CLAIM:
            return self._contest(parts.source, data)
        if parts.dgn == REQUEST_FOR_DGN and parts.destination in (ident.GLOBAL, self.address):
            wanted = int.from_bytes(data[:3], "little") if len(data) >= 3 else None
            return [self._claim()] if wanted == ADDRESS_CLAIM else []
        return []

    def _contest(self, source: int, data: bytes) -> list[tuple[int, bytes]]:
        if source != self.address or len(data) != 8 or data == self._bytes:
            return []
        if int(self.name) > int.from_bytes(data, "little"):
            self.address = None
        return [self._claim()]

    def _claim(self) -> tuple[int, bytes]:
        source = ident.NULL_ADDRESS if self.address is None else self.address
        return ident.join(PRIORITY, ADDRESS_CLAIM, source, ident.GLOBAL), self._bytes
