"""The 64-bit NAME with which a node claims its address.

Knows: the layout of SAE J1939-81, with the field names of RV-C (from memory where the two differ). Does not know which
node has which address.
"""

from dataclasses import dataclass, fields

_WIDTHS = {
    "serial_number": 21,
    "manufacturer_code": 11,
    "node_instance": 3,
    "function_instance": 5,
    "compatibility_field_1": 8,
    "reserved_bit": 1,
    "compatibility_field_2": 7,
    "compatibility_field_3": 4,
    "compatibility_field_4": 3,
    "arbitrary_address_capable": 1,
}


@dataclass(frozen=True, slots=True)
class Name:
    """A NAME by its parts, least significant first.

    The terms of J1939, in this order: identity number, manufacturer code, ECU instance, function instance, function,
    reserved, vehicle system, vehicle system instance, industry group, arbitrary address capable.
    In a contest for an address the lower number has priority.

    Raises:
        ValueError: a part does not fit in its bits.
    """

    serial_number: int = 0
    manufacturer_code: int = 0
    node_instance: int = 0
    function_instance: int = 0
    compatibility_field_1: int = 0
    reserved_bit: int = 0
    compatibility_field_2: int = 0
    compatibility_field_3: int = 0
    compatibility_field_4: int = 0
    arbitrary_address_capable: int = 0

    def __post_init__(self) -> None:
        for part in fields(self):
            if not 0 <= getattr(self, part.name) < 1 << _WIDTHS[part.name]:
                raise ValueError(
                    f"NAME: {part.name} {getattr(self, part.name)} does not fit in {_WIDTHS[part.name]} bits"
                )

    def __int__(self) -> int:
        number, place = 0, 0
        for name, width in _WIDTHS.items():
            number |= getattr(self, name) << place
            place += width
        return number

    def to_bytes(self) -> bytes:
        """Return the eight data bytes of an address claim."""
        return int(self).to_bytes(8, "little")

    @classmethod
    def from_bytes(cls, data: bytes) -> "Name":
        """Return the NAME in the data of an address claim.

        Raises:
            ValueError: there are not eight bytes.
        """
        if len(data) != 8:
            raise ValueError(f"a NAME has 8 bytes, not {len(data)}")
        number, parts = int.from_bytes(data, "little"), {}
        for name, width in _WIDTHS.items():
            parts[name] = number & (1 << width) - 1
            number >>= width
        return cls(**parts)
