"""The commanded address message: one node commands the node with a given NAME to claim an address (SAE J1939-81).

Knows: its nine bytes, eight of the NAME and one of the new source address. It is always sent as a long message, to all
nodes or to one. Does not know which node follows it: ``claim`` has the rules.

Layout and number (PGN 65240) are those of SAE J1939-81, from memory.
"""

from typing import NamedTuple

from rvsim.wire.name import Name

COMMANDED_ADDRESS = 0x0FED8
COMMANDED_ADDRESS_SIZE = 9
"""The number of its bytes; a message of any other length is not a commanded address."""
_NAME_SIZE = 8


class AddressCommand(NamedTuple):
    """The NAME of the commanded node, and the address to claim: 0 to 255, including those that no node can have."""

    name: Name
    address: int

    def to_bytes(self) -> bytes:
        """Return the nine bytes.

        Raises:
            ValueError: the address is not within 0..255.
        """
        return self.name.to_bytes() + bytes((self.address,))


def read_address_command(data: bytes) -> AddressCommand | None:
    """Return the command in the bytes of a long message, None where there are not nine of them."""
    if len(data) != COMMANDED_ADDRESS_SIZE:
        return None
    return AddressCommand(Name.from_bytes(data[:_NAME_SIZE]), data[_NAME_SIZE])
