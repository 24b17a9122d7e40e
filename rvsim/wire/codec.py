"""Generates the Python functions of a message: bytes to raw integers, bytes to readings, raw integers to bytes.

Knows: bit positions, byte orders, widths. Does not know scales, nor what a field means. The functions are generated and
compiled once for each layout, because a general loop over fields is several times slower; the tests compare them with
cantools field by field.
"""

from collections.abc import Callable, Sequence
from functools import lru_cache
from keyword import iskeyword
from types import CodeType
from typing import Any

from rvsim.wire.fields import FieldSpec, Reading, State

_RESERVED_NAMES = frozenset({"int", "refuse", "__rest__", "__debug__"})
"""Names that the generated functions use themselves, or that cannot be a parameter."""

Unpack = Callable[[bytes], tuple[int, ...]]
Pack = Callable[..., bytes]
Decode = Callable[[bytes], tuple[Reading, ...]]

_MAX_TABLE_BITS = 8
"""Fields of at most so many bits have a table of all their readings, 256 at most."""
MAX_CODES = 1 << 10
"""So many compiled functions that pack, and as many that unpack, are kept for the next device with the same layout: a
device makes its own when it starts. A vehicle has some 100. Our choice."""

Layout = tuple[tuple[str, int, int, bool, bool], ...]
"""What the code of a function depends on: name, first bit, length, byte order and sign of each field."""


def parameter_name(name: str) -> str:
    """Return the keyword of a field in ``pack``: its name, with an underscore after it where Python reserves the name.

    Raises:
        ValueError: the name cannot be used in the generated function.
    """
    if not (name.isidentifier() and name.isascii()):
        raise ValueError(f"{name!r} cannot be the name of a field: letters, digits and underscores, no digit first")
    return name + "_" if iskeyword(name) or name in _RESERVED_NAMES else name


def _read_expression(field: FieldSpec) -> str:
    """Return the expression that reads one field from ``d``."""
    first, last, low = field.first_byte, field.last_byte, field.low_bit
    if first == last:
        text, width = f"d[{first}]", 8
    elif last == first + 1:
        high, near = (first, last) if field.big_endian else (last, first)
        text, width = f"(d[{near}]|d[{high}]<<8)", 16
    else:
        order = "big" if field.big_endian else "little"
        text, width = f"int.from_bytes(d[{first}:{last + 1}],'{order}')", 8 * (last + 1 - first)
    if low:
        text = f"{text}>>{low}"
    if low + field.length < width:
        text = f"{text}&{field.all_ones}"
    if field.signed:
        sign = 1 << (field.length - 1)
        text = f"(({text})^{sign})-{sign}"
    return text


def compile_unpack(fields: Sequence[FieldSpec]) -> Unpack:
    """Generate ``unpack(data) -> (raw, ...)`` in the order of ``fields``; ``data`` must contain all of them."""
    unpack: Unpack = _make(_unpack_code(_layout(fields)), {})
    return unpack


@lru_cache(MAX_CODES)
def _unpack_code(layout: Layout) -> CodeType:
    body = "".join(_read_expression(field) + "," for field in _bare_fields(layout))
    return _compile(f"def function(d):\n return ({body})")


def compile_decode(fields: Sequence[FieldSpec]) -> Decode:
    """Generate ``decode(data) -> (reading, ...)`` in the order of ``fields``; ``data`` must contain all of them."""
    names: dict[str, Any] = {"new": tuple.__new__, "Reading": Reading, "VALUE": State.VALUE}
    body = ""
    for place, field in enumerate(fields):
        if field.length <= _MAX_TABLE_BITS and not field.signed:
            names[f"t{place}"] = [Reading(field, raw, field.state(raw)) for raw in range(1 << field.length)]
            body += f"t{place}[{_read_expression(field)}],"
        else:
            names |= {f"f{place}": field, f"s{place}": field.states}
            body += f"new(Reading,(f{place},(r:={_read_expression(field)}),s{place}.get(r,VALUE))),"
    decode: Decode = _make(_compile(f"def function(d):\n return ({body})"), names)
    return decode


def _write_expression(field: FieldSpec) -> str:
    """Return the expression that moves one field's parameter to its bits in a little-endian integer."""
    name = parameter_name(field.name)
    if field.signed:
        name = f"({name}&{field.all_ones})"
    if not field.big_endian:
        return f"{name}<<{field.first}" if field.first else name
    size = field.last_byte + 1 - field.first_byte
    return f"int.from_bytes(({name}<<{field.low_bit}).to_bytes({size},'big'),'little')<<{8 * field.first_byte}"


@lru_cache(MAX_CODES)
def _occupied_bits(layout: Layout) -> int:
    """Return the little-endian bitmap of all bits that belong to a field."""
    bits = 0
    for field in _bare_fields(layout):
        size = field.last_byte + 1 - field.first_byte
        part = (field.all_ones << field.low_bit).to_bytes(size, "big" if field.big_endian else "little")
        bits |= int.from_bytes(part, "little") << 8 * field.first_byte
    return bits


def compile_pack(fields: Sequence[FieldSpec], length: int, base: bytes | None = None) -> Pack:
    """Generate ``pack(field=raw, ...) -> bytes`` of ``length`` bytes.

    A field that is not named has all bits set (no data, or "unchanged" in a command). The bits that belong to no field
    are those of ``base``; without it they are set too (rv-c.com/node/522). A raw integer that does not fit raises
    ValueError.
    """
    layout = _layout(fields)
    rest = int.from_bytes(b"\xff" * length if base is None else base, "little") & ~_occupied_bits(layout)

    def refuse(raws: tuple[int, ...]) -> None:
        for field, raw in zip(_bare_fields(layout), raws, strict=True):
            low, high = (-(1 << field.length - 1), (1 << field.length - 1) - 1) if field.signed else (0, field.all_ones)
            if not low <= raw <= high:
                raise ValueError(f"{field.name}: raw value {raw} does not fit in {field.length} bits")

    pack: Pack = _make(_pack_code(layout, length), {"refuse": refuse, "__rest__": rest})
    return pack


@lru_cache(MAX_CODES)
def _pack_code(layout: Layout, length: int) -> CodeType:
    fields = _bare_fields(layout)
    parameters = ",".join(f"{parameter_name(f.name)}={-1 if f.signed else f.all_ones}" for f in fields)
    checks = [
        f"({'|'.join(parameter_name(f.name) for f in group)})>>{width}" for width, group in _by_width(fields).items()
    ]
    checks += [f"not {-(1 << f.length - 1)}<={parameter_name(f.name)}<{1 << f.length - 1}" for f in fields if f.signed]
    value = "|".join([*(_write_expression(field) for field in fields), "__rest__"])
    refused = ",".join(parameter_name(f.name) for f in fields)
    return _compile(
        f"def function({'*,' if fields else ''}{parameters}):\n"
        f" if {' or '.join(checks) or 'False'}: refuse(({refused}{',' if fields else ''}))\n"
        f" return ({value}).to_bytes({length},'little')"
    )


def _layout(fields: Sequence[FieldSpec]) -> Layout:
    """Return what the code of a function of these fields depends on."""
    return tuple([(field.name, field.first, field.length, field.big_endian, field.signed) for field in fields])


def _bare_fields(layout: Layout) -> list[FieldSpec]:
    """Return fields with a layout, and without a meaning."""
    return [FieldSpec(*field) for field in layout]


def _by_width(fields: Sequence[FieldSpec]) -> dict[int, list[FieldSpec]]:
    groups: dict[int, list[FieldSpec]] = {}
    for field in fields:
        if not field.signed:
            groups.setdefault(field.length, []).append(field)
    return groups


def _compile(source: str) -> CodeType:
    return compile(source, "<string>", "exec")


def _make(code: CodeType, names: dict[str, Any]) -> Any:
    exec(code, names)  # the source is built from numbers and checked identifiers only, never from free text
    return names["function"]
