"""rvsim.wire.codec: the generated packing and unpacking, against cantools on layouts of any shape."""

import re

import cantools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.wire.codec import compile_decode, compile_pack, compile_unpack, parameter_name
from rvsim.wire.fields import FieldSpec, Reading, Special


def dbc(fields, length=8):
    """Write the layout as a DBC file; a big-endian field starts there at its most significant bit, counted from 0."""
    lines = [f"BO_ 2583690750 M: {length} any"]
    for field in fields:
        start = field.first - field.first % 8 + 7 - field.first % 8 if field.big_endian else field.first
        kind = f"{0 if field.big_endian else 1}{'-' if field.signed else '+'}"
        lines.append(f' SG_ {field.name} : {start}|{field.length}@{kind} (1,0) [0|0] "" any')
    return "\n".join(["BU_: any", *lines, ""])


def theirs(fields, length=8):
    """Let cantools read the layout."""
    return cantools.database.load_string(dbc(fields, length), database_format="dbc").messages[0]


@st.composite
def layouts(draw):
    """Draw a message: runs of whole bytes of one byte order, each filled with fields and gaps."""
    length = draw(st.integers(1, 8))
    fields, byte = [], 0
    while byte < length:
        end = draw(st.integers(byte + 1, length))
        big, place = draw(st.booleans()), 8 * byte
        while place < 8 * end:
            width = draw(st.integers(1, 8 * end - place))
            if draw(st.integers(0, 4)):
                name, signed = f"f{place}", draw(st.booleans())
                special = Special.NONE if signed else draw(st.sampled_from(Special))
                fields.append(FieldSpec(name, place, width, big_endian=big, signed=signed, special=special))
            place += width
        byte = end
    return fields, length


def raw_of(field):
    """Draw any raw integer that fits."""
    half = 1 << field.length - 1
    return st.integers(-half, half - 1) if field.signed else st.integers(0, 2 * half - 1)


@settings(deadline=None)
@given(data=st.data(), layout=layouts())
def test_packing_any_layout_agrees_with_cantools(data, layout):
    """Fields of every width, byte order and sign are packed as cantools packs them, unused bits as ones."""
    fields, length = layout
    raws = {field.name: data.draw(raw_of(field)) for field in fields}
    packed = compile_pack(fields, length)(**raws)
    assert packed == theirs(fields, length).encode(raws, scaling=False, strict=False, padding=True)
    assert dict(zip(raws, compile_unpack(fields)(packed), strict=True)) == raws


@settings(deadline=None)
@given(data=st.data(), layout=layouts())
def test_unpacking_any_layout_agrees_with_cantools(data, layout):
    """Any bytes give the raw integers that cantools finds, in the order of the fields."""
    fields, length = layout
    held = data.draw(st.binary(min_size=length, max_size=length))
    raws = compile_unpack(fields)(held)
    expected = theirs(fields, length).decode(held, decode_choices=False, scaling=False)
    assert dict(zip([field.name for field in fields], raws, strict=True)) == expected


@settings(deadline=None)
@given(data=st.data(), layout=layouts())
def test_readings_of_any_layout(data, layout):
    """Readings hold the field, the raw integer that unpacking gives, and what that integer says about itself."""
    fields, length = layout
    held = data.draw(st.binary(min_size=length, max_size=length) | st.just(b"\xff" * length))
    raws = compile_unpack(fields)(held)
    readings = compile_decode(fields)(held)
    assert readings == tuple(Reading(field, raw, field.state(raw)) for field, raw in zip(fields, raws, strict=True))
    assert all(
        type(reading) is Reading and reading.field is field for reading, field in zip(readings, fields, strict=True)
    )


@given(layout=layouts())
def test_what_is_not_named_is_all_ones(layout):
    """Without a word every bit is set: no data, unchanged, unused (rv-c.com/node/522)."""
    fields, length = layout
    assert compile_pack(fields, length)() == b"\xff" * length


def test_a_big_endian_field_across_bytes():
    """Written out by hand: 12 bits, most significant first, from the low half of byte 0 to the end of byte 1."""
    field = FieldSpec("spn", 4, 12, big_endian=True)
    assert compile_pack([field], 2)(spn=0xABC) == bytes.fromhex("FA BC")
    assert compile_unpack([field])(bytes.fromhex("1A BC")) == (0xABC,)


def test_a_signed_field_is_twos_complement():
    """Written out by hand: -2 in 12 bits is FFEh."""
    field = FieldSpec("current", 4, 12, signed=True)
    assert compile_pack([field], 2)(current=-2) == bytes.fromhex("EF FF")
    assert compile_unpack([field])(bytes.fromhex("E0 FF")) == (-2,)


def test_unpacking_takes_bytes_beyond_the_last_field():
    """Bytes after the last field do not matter."""
    assert compile_unpack([FieldSpec("a", 8, 8)])(bytes.fromhex("01 02 03 04")) == (2,)


def test_a_message_without_fields():
    """Its bytes are all ones, and nothing is read from them."""
    assert compile_pack([], 8)() == b"\xff" * 8
    assert compile_unpack([])(b"") == compile_decode([])(b"") == ()


UNSIGNED = [FieldSpec("a", 0, 8), FieldSpec("b", 8, 8), FieldSpec("c", 16, 3), FieldSpec("d", 24, 32)]
SIGNED = [FieldSpec("a", 0, 8, signed=True), FieldSpec("b", 8, 12, signed=True, big_endian=True)]


@pytest.mark.parametrize(
    ("fields", "raws", "text"),
    [
        (UNSIGNED, {"a": 256}, "a: raw value 256 does not fit in 8 bits"),
        (UNSIGNED, {"a": 255, "b": 256}, "b: raw value 256 does not fit in 8 bits"),
        (UNSIGNED, {"b": -1}, "b: raw value -1 does not fit in 8 bits"),
        (UNSIGNED, {"c": 8}, "c: raw value 8 does not fit in 3 bits"),
        (UNSIGNED, {"d": 1 << 32}, "d: raw value 4294967296 does not fit in 32 bits"),
        (UNSIGNED, {"d": -(1 << 40)}, "d: raw value -1099511627776 does not fit in 32 bits"),
        (UNSIGNED, {"a": 0, "b": 256}, "b: raw value 256 does not fit in 8 bits"),
        (SIGNED, {"a": 127, "b": 2048}, "b: raw value 2048 does not fit in 12 bits"),
        (SIGNED, {"a": -128, "b": 2048}, "b: raw value 2048 does not fit in 12 bits"),
        (SIGNED, {"a": 128}, "a: raw value 128 does not fit in 8 bits"),
        (SIGNED, {"a": -129}, "a: raw value -129 does not fit in 8 bits"),
        (SIGNED, {"b": 2048}, "b: raw value 2048 does not fit in 12 bits"),
        (SIGNED, {"b": -2049}, "b: raw value -2049 does not fit in 12 bits"),
    ],
)
def test_a_raw_integer_that_does_not_fit_is_refused(fields, raws, text):
    """The error names the field, the integer and the width."""
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        compile_pack(fields, 8)(**raws)


@pytest.mark.parametrize(
    ("fields", "raws", "packed"),
    [
        (UNSIGNED, {"a": 0, "b": 255, "c": 7, "d": 0xFFFFFFFF}, "00 FF FF FF FF FF FF FF"),
        (UNSIGNED, {"a": 255, "b": 0, "c": 0, "d": 0}, "FF 00 F8 00 00 00 00 FF"),
        (SIGNED, {"a": 127, "b": -2048}, "7F 80 0F FF FF FF FF FF"),
        (SIGNED, {"a": -128, "b": 2047}, "80 7F FF FF FF FF FF FF"),
    ],
)
def test_the_ends_of_every_width_fit(fields, raws, packed):
    """The lowest and the highest raw integer of each field are taken; the bytes are written out by hand."""
    assert compile_pack(fields, 8)(**raws) == bytes.fromhex(packed)


@pytest.mark.parametrize(
    ("name", "keyword"),
    [
        ("instance", "instance"),
        ("class", "class_"),
        ("int", "int_"),
        ("refuse", "refuse_"),
        ("__rest__", "__rest___"),
        ("match", "match"),
    ],
)
def test_a_word_that_python_needs_gets_an_underscore(name, keyword):
    """A field may be called as a Python word; its keyword argument is then spelled with an underscore."""
    assert parameter_name(name) == keyword


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("signed", [False, True])
def test_a_field_may_be_called_like_anything_in_the_generated_function(big, signed):
    """Names do not hide what the generated functions use."""
    names = ["class", "int", "refuse", "d", "function", "field", "__debug__", "None"]
    fields = [FieldSpec(name, 8 * i, 8, big_endian=big, signed=signed) for i, name in enumerate(names)]
    packed = compile_pack(fields, 8)(**{parameter_name(name): i for i, name in enumerate(names)})
    assert packed == bytes(range(8))
    assert compile_unpack(fields)(packed) == tuple(range(8))
    assert [reading.raw for reading in compile_decode(fields)(packed)] == list(range(8))
    with pytest.raises(ValueError, match=r"^function: raw value 256 does not fit in 8 bits$"):
        compile_pack(fields, 8)(function=256)


@pytest.mark.parametrize("name", ["", "1st", "a b", "a=0):\n raise SystemExit\ndef function(b", "température"])
def test_no_other_text_gets_into_the_generated_function(name):
    """A name that is not letters, digits and underscores is refused before anything is compiled."""
    with pytest.raises(ValueError, match=r" cannot be the name of a field: letters, digits and underscores"):
        compile_pack([FieldSpec(name, 0, 8)], 8)


def test_functions_of_one_layout_are_compiled_once():
    """A device that starts again makes its functions anew; those of one layout have one code, and each its own bits."""

    def fields(name="a"):
        return [FieldSpec(name, 0, 8, labels={1: "one"}), FieldSpec("b", 8, 4)]

    first, second = (compile_pack(fields(), 2, base) for base in (bytes(2), b"\x12\x70"))
    assert first.__code__ is second.__code__
    assert (first(a=5, b=2), second(a=5, b=2)) == (b"\x05\x02", b"\x05\x72")
    assert compile_unpack(fields()).__code__ is compile_unpack(fields()).__code__
    assert compile_pack(fields(), 3)() == b"\xff" * 3
    assert compile_pack(fields("c"), 2)(c=0) == b"\x00\xff"
    with pytest.raises(ValueError, match="c: raw value 256"):
        compile_pack(fields("c"), 2)(c=256)
