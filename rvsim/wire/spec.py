"""One message: its DGN, its fields, and the conversion between bytes and readings.

Knows: the whole definition of one DGN, and how to decode a frame that is too short. Does not know other messages, files
or time.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from rvsim.errors import did_you_mean
from rvsim.wire import ident
from rvsim.wire.codec import Decode, Pack, Unpack, compile_decode, compile_pack, compile_unpack, parameter_name
from rvsim.wire.fields import FieldSpec, Origin, Reading

DEFAULT_GAP_US = 5_000_000
"""The broadcast gap of a status message whose definition has none; most messages have this gap (from memory)."""

_PROTOCOL_DGNS = frozenset(
    {
        0x0E800,  # acknowledgment
        0x0EA00,  # request for a DGN
        0x0EB00,  # packets of long messages
        0x0EC00,  # announcements and answers of long messages
        0x0EE00,  # address claim
        0x0EF00,  # proprietary
        0x0FECA,  # DM1
        0x0FED8,  # commanded address
        0x0FEDA,  # software identification
        0x0FEEB,  # product identification
        0x0FEEC,  # vehicle identification
        0x17E00,  # terminal
        0x17F00,  # general reset
        0x1FECA,  # DM_RV
    }
)
"""The messages that operate the network or report faults: their fields are not measured values."""


@dataclass(frozen=True)
class MessageSpec:
    """A message as the definitions describe it.

    ``length`` is in bytes. ``gap_us`` is the broadcast gap in microseconds, None where the message is not periodic;
    ``rule`` is the gap in the words of the definition. ``origin`` is the grade of its DGN and name. ``file`` is its
    definition file. A message that is known by name only has no ``fields``: it decodes to no readings, and no frame of
    it is too short.
    """

    name: str
    dgn: int
    priority: int
    length: int
    fields: tuple[FieldSpec, ...]
    gap_us: int | None = None
    rule: str = ""
    origin: Origin = Origin.USER
    source: str = ""
    comment: str = ""
    file: str = ""

    @property
    def is_protocol(self) -> bool:
        """Whether the message operates the network or reports faults, so that its fields are not judged as values."""
        return self.dgn in _PROTOCOL_DGNS

    @cached_property
    def unpack(self) -> Unpack:
        """The function from bytes to raw integers in field order; it requires at least ``min_length`` bytes."""
        return compile_unpack(self.fields)

    @cached_property
    def pack(self) -> Pack:
        """The function from raw integers to bytes: ``spec.pack(instance=1)``; a field that is not named is all ones."""
        return compile_pack(self.fields, self.length)

    def packer(self, *names: str, **constants: int) -> Pack:
        """Return a faster ``pack`` to which only these fields are given; the others are constants, or all ones.

        Raises:
            ValueError: a field does not exist, or a constant does not fit.
        """
        return compile_pack([self.field(name) for name in names], self.length, self.encode(constants))

    @cached_property
    def min_length(self) -> int:
        """The smallest number of bytes that contains every field."""
        return max((field.last_byte + 1 for field in self.fields), default=0)

    @cached_property
    def by_name(self) -> Mapping[str, FieldSpec]:
        """The fields by their names."""
        return {field.name: field for field in self.fields}

    @cached_property
    def instance(self) -> FieldSpec | None:
        """The instance field: the first field, where its name ends with ``instance``."""
        first = self.fields[0] if self.fields else None
        return first if first is not None and first.name.endswith("instance") else None

    @cached_property
    def _decode_whole(self) -> Decode:
        return compile_decode(self.fields)

    @cached_property
    def _changed_keywords(self) -> Mapping[str, str]:
        """The keyword of each field whose keyword is not its name."""
        return {name: parameter_name(name) for name in self.by_name if parameter_name(name) != name}

    def raws(self, data: bytes) -> tuple[int | None, ...]:
        """Return the raw integers in field order, None for each field that a short frame does not contain."""
        if len(data) >= self.min_length:
            return self.unpack(data)
        return tuple(field.raw_in(data) for field in self.fields)

    def decode(self, data: bytes) -> tuple[Reading, ...]:
        """Decode a frame's bytes into one reading for each field; never raises, whatever the length."""
        if len(data) >= self.min_length:
            return self._decode_whole(data)
        pairs = zip(self.fields, self.raws(data), strict=True)
        return tuple(Reading(field, raw, field.state(raw)) for field, raw in pairs)

    def encode(self, raws: Mapping[str, int]) -> bytes:
        """Encode raw integers by field name; a field that is not named is all ones.

        Raises:
            ValueError: a name is unknown, or a raw integer does not fit.
        """
        if self._changed_keywords:
            self._check_names(raws)
            raws = {self._changed_keywords.get(name, name): raw for name, raw in raws.items()}
        try:
            return self.pack(**raws)
        except TypeError:  # checked only now: checking every name takes as long as packing
            self._check_names(raws)
            raise

    def field(self, name: str) -> FieldSpec:
        """Return a field by its name.

        Raises:
            ValueError: the message has no such field.
        """
        if name not in self.by_name:
            close = did_you_mean(name, self.by_name)
            raise ValueError(f"{self.name} has no field {name}{close}; it has: {', '.join(self.by_name)}")
        return self.by_name[name]

    def _check_names(self, names: Iterable[str]) -> None:
        for name in names:
            if name not in self.by_name:
                if not self.fields:
                    raise ValueError(f"{self.name} is known by name only: it has no fields")
                close = did_you_mean(name, self.by_name)
                raise ValueError(f"{self.name} has no field {name!r}{close}; it has: {', '.join(self.by_name)}")

    def replace(self, data: bytes, name: str, raw: int) -> bytes:
        """Return the bytes with one field changed and all other bits unchanged.

        Raises:
            ValueError: the name is unknown, the raw integer does not fit, or the bytes do not contain the field.
        """
        ones = (1 << 8 * self.length) - 1
        mask = ones & ~int.from_bytes(self.encode({name: 0}), "little")
        new = mask & int.from_bytes(self.encode({name: raw}), "little")
        if self.by_name[name].raw_in(data) is None:
            held = "1 byte does" if len(data) == 1 else f"{len(data)} bytes do"
            raise ValueError(f"{held} not contain {self.name} {name}")
        kept = int.from_bytes(data, "little") & ~mask
        return (kept | new).to_bytes(len(data), "little")

    def identifier(self, source: int, destination: int | None = None) -> int:
        """Return the 29-bit identifier of this message from ``source`` at its default priority."""
        return ident.join_identifier(self.priority, self.dgn, source, destination)
