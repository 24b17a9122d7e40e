"""The commanded address: one node tells the node with a given NAME to claim another address (SAE J1939-81).

Knows: the nine bytes, eight of the NAME that is meant and one of its new source address, and that nine bytes always
travel as a long message, announced to all or sent to one. Does not know who obeys: ``claim`` has the rules.

Layout and number (PGN 65240) are those of SAE J1939-81, from memory.
"""

from typing import NamedTuple

from rvsim.wire.name import Name

COMMANDED_ADDRESS = 0x0FED8
COMMANDED_ADDRESS_SIZE = 9
"""The bytes of the message: any other number is no commanded address."""
_NAME_SIZE = 8


class AddressCommand(NamedTuple):
    """The NAME that is meant, and the address that it is to claim: 0 to 255, whether a node can have it or not."""

    name: Name
    address: int

    def to_bytes(self) -> bytes:
        """Return the nine bytes.

        Raises:
            ValueError: the address is not within 0..255.
        """
        return self.name.to_bytes() + bytes((self.address,))


def read_address_command(data: bytes) -> AddressCommand | None:
    """Read the bytes of a long message; None where there are not nine of them."""
    if len(data) != COMMANDED_ADDRESS_SIZE:
        return None
    return AddressCommand(Name.from_bytes(data[:_NAME_SIZE]), data[_NAME_SIZE])
