"""A copy of a frame that is changed: bits, values, the identifier, and the way back."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.screen.draft import Draft, FieldBit, IdentifierBit, field_at
from rvsim.faces.screen.draft_page import command_text, draft_lines
from rvsim.faces.screen.lines import text_of
from rvsim.faces.text.identifier_parts import IDENTIFIER_BITS, IdentifierPart, part_at, part_value, with_part
from rvsim.faces.text.spell_build import BetweenStepsError
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

THERMOSTAT = Frame(28_000_000, 0x19FFE244, bytes.fromhex("0102C8C0244025FF"))
FURNACE = Frame(16_000_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))
HEAT, FAN_MODE, MODE, UNUSED = 29 + 24, 29 + 10, 29 + 15, 29 + 63
"""The first written bit of the set point's bytes, of the fan mode and of byte 7, and the last one of the mode."""


@pytest.fixture
def copy(catalogue):
    """A draft of a frame with the bit at a place chosen."""

    def make(frame: Frame, place: int = 0) -> Draft:
        draft = Draft(frame, catalogue)
        draft.place = place
        return draft

    return make


def page(draft: Draft, width: int = 4000) -> list[str]:
    """The page as text."""
    return [text_of(line) for line in draft_lines(draft, "X, from heater, at 16 s", width=width)]


# Any sequence of changes.


def raw_by_bits(draft: Draft, field: FieldSpec) -> int:
    """The raw integer of a field, added up from the worth of each bit of the frame."""
    data, raw = draft.frame.data, 0
    for byte, held in enumerate(data):
        for bit in range(8):
            owner, power = field_at(draft.layout, byte, bit)
            if owner is field:
                raw += (held >> bit & 1) << power
    return raw - (1 << field.length) if field.signed and raw >> field.length - 1 else raw


def written(draft: Draft) -> list[int]:
    """The bits in the order in which they are written."""
    frame = draft.frame
    return [int(bit) for bit in f"{frame.identifier:029b}" + "".join(f"{byte:08b}" for byte in frame.data)]


CHANGES = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["bit", "piece"]), st.integers(-40, 40)),
        st.tuples(st.sampled_from(["set", "step"]), st.integers(0, 1)),
        st.tuples(st.just("value"), st.integers(0, 300)),
        st.tuples(st.sampled_from(["flip", "undo", "revert"]), st.just(0)),
    ),
    max_size=12,
)


@given(st.data())
def test_any_sequence_of_changes_keeps_bytes_and_values_together(catalogue, data):
    """Whatever is done: values are those of the codec, one bit is one bit, other bits stay, and undo leads back."""
    spec = data.draw(st.sampled_from(list(catalogue)))
    destination = data.draw(st.integers(0, 255)) if ident.is_addressed(spec.dgn) else None
    heard = Frame(0, spec.identifier(data.draw(st.integers(0, 253)), destination), data.draw(st.binary(max_size=8)))
    draft = Draft(heard, catalogue)
    states = [heard]
    for does, by in data.draw(CHANGES):
        before, bits, place, chosen = draft.frame, written(draft), draft.place, draft.chosen
        match does:
            case "bit":
                draft.step_bit(by)
                assert draft.place == max(0, min(draft.bits - 1, place + by))
            case "piece":
                draft.step_piece(by)
            case "flip" | "set":
                wanted = 1 - bits[place] if does == "flip" else by
                draft.flip() if does == "flip" else draft.set_bit(by)
                assert written(draft) == [*bits[:place], wanted, *bits[place + 1 :]]
            case "step" | "value":
                names = draft.suggestions()
                try:
                    if does == "step":
                        draft.step_value(2 * by - 1)
                    else:
                        draft.set_value(names[by % len(names)] if names and by % 2 else str(by))
                except ValueError:
                    assert draft.frame == before
                if isinstance(chosen, FieldBit) and chosen.field is not None:
                    assert draft.frame.identifier == before.identifier
                    for byte, (old, new) in enumerate(zip(before.data, draft.frame.data, strict=True)):
                        for bit in (bit for bit in range(8) if (old ^ new) >> bit & 1):
                            assert field_at(draft.layout, byte, bit)[0] == chosen.field
                if isinstance(chosen, IdentifierBit):
                    assert draft.frame.data == before.data
            case "undo":
                assert draft.undo() == (len(states) > 1)
                states = states[:-1] or states
                assert draft.frame == states[-1]
            case "revert":
                draft.revert()
                assert draft.frame == heard
        if does != "undo" and draft.frame != before:
            states.append(draft.frame)
        assert 0 <= draft.frame.identifier < 1 << 29
        assert len(draft.frame.data) == len(heard.data)
        assert draft.heard == heard
        assert 0 <= draft.place < draft.bits
        differ = zip(written(draft), written(Draft(heard, catalogue)), strict=True)
        assert draft.changed_bits == sum(now != then for now, then in differ)
        layout = draft.layout
        for reading in layout.decode(draft.frame.data) if layout is not None else ():
            if reading.raw is not None:
                assert reading.raw == raw_by_bits(draft, reading.field)
        line = "".join(page(draft)[1:2])
        assert f"({written(draft)[draft.place]})" in line
        assert f"{draft.frame.identifier:08X}" in line
        for piece in draft.pieces:
            assert piece.bytes_text in line
    while draft.undo():
        pass
    assert draft.frame == heard


# Bits and values.


def test_a_bit_changes_the_value(copy):
    """Bit 6 of byte 3 is 64 of the set point's raw integer: 2 degrees less without it (64 × 0.03125)."""
    draft = copy(THERMOSTAT, HEAT + 1)
    draft.flip()
    assert draft.frame.data.hex() == "0102c880244025ff"
    text = " ".join(page(draft))
    assert "[80 24 = 1(0)000000 00100100 set point temperature heat 19.00 °C *]" in text
    assert "Bit 6 of byte 3 is bit 6 of set point temperature heat: 64 × 0.03125 = 2 °C. As heard: 21.00 °C." in text
    assert "1 bit changed." in text
    assert "As text: rvsim spell 19FFE244 0102C880244025FF" in text


def test_a_value_changes_the_bits(copy):
    """A number in the unit, the name of a code, a state, and raw hex; only the field's own bits change."""
    draft = copy(THERMOSTAT, HEAT)
    assert draft.set_value("22.5") == "set point temperature heat: (22.5 + 273) / 0.03125 = 9456 = 24F0 hex"
    assert draft.frame.data.hex() == "0102c8f0244025ff"
    draft.set_value("no data")
    assert draft.frame.data.hex() == "0102c8ffff4025ff"
    draft.set_value("0x24C0")
    assert draft.frame == THERMOSTAT
    draft.place = FAN_MODE
    draft.set_value("on")
    assert draft.frame.data[1] == 0b00_01_0010
    assert "[12 = 00|(0)1|0010 operating mode heat, fan mode on, schedule mode disabled *]" in page(draft)[1]
    draft.set_value("no data")
    assert draft.frame.data[1] == 0b00_11_0010


def test_a_value_between_two_steps_has_the_two_nearest(copy):
    """Nothing changes, and both are offered as they can be written."""
    draft = copy(THERMOSTAT, HEAT)
    between = r"between two steps of 0.03125: write the nearest, 21 °C \(24C0 hex\) or 21.03125 °C \(24C1 hex\)"
    with pytest.raises(BetweenStepsError, match=between) as told:
        draft.set_value("21.01")
    assert told.value.nearest == ("21", "21.03125")
    assert draft.frame == THERMOSTAT
    for text in told.value.nearest:
        draft.set_value(text)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("5000", "outside its range: write -273 to 1774.8125 °C"),
        ("warm", "is not a number: write one in °C, or no data"),
        ("21 V", "is in °C, not in V; write the number alone"),
        ("0x10000", "does not fit in 16 bits: the highest is 0xFFFF"),
        ("", "has no value"),
    ],
)
def test_a_value_that_cannot_be_is_told(copy, text, told):
    """What is allowed is said, and nothing changes."""
    draft = copy(THERMOSTAT, HEAT)
    with pytest.raises(ValueError, match=re.escape(told)):
        draft.set_value(text)
    assert draft.frame == THERMOSTAT


def test_steps_go_through_the_special_codes(copy):
    """From the highest value one step up is reserved, then out of range, then no data; there it ends."""
    draft = copy(THERMOSTAT, 29 + 16)
    draft.set_value("125")
    said = []
    for _ in range(5):
        draft.step_value(1)
        said.append(page(draft)[1].partition("fan speed ")[2].partition(" *")[0].partition(" ·")[0])
    assert said[0].startswith("reserved")
    assert said[3].startswith("out of range")
    assert "[FF = (1)1111111 no data" in page(draft)[1]
    with pytest.raises(ValueError, match="255 is the highest number in 8 bits"):
        draft.step_value(1)
    draft.set_value("0")
    with pytest.raises(ValueError, match="0 is the lowest number in 8 bits"):
        draft.step_value(-1)


def test_a_code_without_a_name_is_said_to_be_one(copy):
    """Operating mode 9 has no name here."""
    draft = copy(THERMOSTAT, MODE)
    draft.set_value("0x9")
    assert any("1001 binary = 9: a code without a name here." in line for line in page(draft))


def test_bits_of_no_field(copy):
    """They can be changed one by one, and have no value."""
    draft = copy(THERMOSTAT, UNUSED - 7)
    assert draft.wanted() is None
    assert draft.suggestions() == []
    assert any("Bit 7 of byte 7 belongs to no field; unused bits are sent as 1." in line for line in page(draft))
    for refused in (lambda: draft.set_value("1"), lambda: draft.step_value(1)):
        with pytest.raises(ValueError, match="belongs to no field"):
            refused()
    draft.flip()
    assert any("7F: unused, but not filled with ones: 7F." in line for line in page(draft))


def test_a_field_that_is_cut_off_cannot_be_written(copy):
    """A frame of four bytes has half a set point: its bits can be changed, its value not."""
    draft = copy(THERMOSTAT._replace(data=THERMOSTAT.data[:4]), HEAT)
    with pytest.raises(ValueError, match="4 bytes do not contain THERMOSTAT_STATUS_1 set_point_temperature_heat"):
        draft.set_value("21")
    with pytest.raises(ValueError, match="the frame is too short for set point temperature heat"):
        draft.step_value(1)
    draft.flip()
    assert draft.frame.data.hex() == "0102c840"


def test_signed_fields_and_fields_from_the_top():
    """A sign is a bit of negative worth; a big-endian field begins with its most significant bit."""
    spec = MessageSpec(
        "ODD",
        0x1FF00,
        6,
        8,
        (
            FieldSpec("level", 0, 8, signed=True),
            FieldSpec("high", 8, 12, big_endian=True),
            FieldSpec("rest", 20, 4, big_endian=True),
        ),
    )

    class One(Catalogue):
        def by_dgn(self, dgn):
            return spec if dgn == spec.dgn else None

    draft = Draft(Frame(0, 0x19FF0001, bytes.fromhex("01ABCD")), One([]))
    draft.place = 29
    assert any("Bit 7 of byte 0 is bit 7 of level: -128, the sign." in line for line in page(draft))
    draft.flip()
    assert spec.decode(draft.frame.data)[0].raw == -127
    draft.set_value("0xFF")
    assert spec.decode(draft.frame.data)[0].raw == -1
    draft.step_value(1)
    assert draft.frame.data[0] == 0
    draft.place = 29 + 8
    assert draft.chosen == FieldBit(1, 7, spec.by_name["high"], 11)
    draft.step_value(1)
    assert draft.frame.data.hex() == "00abdd"
    draft.place = 29 + 20
    assert draft.chosen == FieldBit(2, 3, spec.by_name["rest"], 3)
    assert "[AB DD = 10101011 1101|(1)101 " in page(draft)[1]


# The identifier.


def test_each_bit_of_the_identifier_belongs_to_a_part():
    """Three bits, one, one, eight, eight, eight (SAE J1939-21); put together they are the identifier."""
    parts = [part_at(place) for place in range(IDENTIFIER_BITS)]
    counts = [sum(part is each for part, _ in parts) for each in IdentifierPart]
    assert counts == [3, 1, 1, 8, 8, 8]
    found = dict.fromkeys(IdentifierPart, 0)
    for place, (part, power) in enumerate(parts):
        found[part] += (0x19FFE244 >> 28 - place & 1) << power
    assert list(found.values()) == [6, 0, 1, 0xFF, 0xE2, 0x44]
    assert found == {part: part_value(0x19FFE244, part) for part in IdentifierPart}
    with pytest.raises(ValueError, match=r"bit 29 is not within 0\.\.28"):
        part_at(29)
    assert with_part(0x19FFE244, IdentifierPart.SOURCE, 0x5E) == 0x19FFE25E


def test_the_identifier_opens_like_a_byte(copy):
    """Its bits by their parts in the running line, the chosen one in parentheses; below them the parts in words."""
    lines = page(copy(THERMOSTAT, 21))
    assert (
        "[19FFE244 = 110|0|1|11111111|11100010|(0)1000100 priority 6, DGN 1FFE2 THERMOSTAT_STATUS_1, from 44 *]"
        in lines[1]
    )
    assert "Bit 7 of the identifier: source address, worth 128." in " ".join(lines)
    assert any("01000100  source address: 44 hex (68); it does not say what a device is" in line for line in lines)
    assert any("FF is F0 or above: a broadcast, and the byte behind it belongs to the DGN." in line for line in lines)


def test_the_parts_of_the_identifier_can_be_written(copy):
    """Priority, source, DGN by name and by number, and the destination where there is one."""
    draft = copy(THERMOSTAT)
    assert draft.set_value("3") == "priority 3 = 011 binary"
    assert draft.frame.identifier == 0x0DFFE244
    draft.place = 28
    assert draft.set_value("a1") == "source address A1 hex = 10100001 binary"
    assert draft.frame.identifier == 0x0DFFE2A1
    draft.place = 10
    draft.set_value("furnace_status")
    assert draft.frame.identifier == 0x0DFFE4A1
    assert draft.spec is not None
    assert draft.spec.name == "FURNACE_STATUS"
    draft.set_value("EA00")
    assert draft.frame.identifier == 0x0CEAFFA1
    assert re.search("priority 3, DGN 0EA00 [A-Z_]+, from A1 to all", page(draft)[1])
    draft.place = 13
    assert draft.set_value("44") == "destination 44 hex = 01000100 binary"
    assert draft.frame.identifier == 0x0CEA44A1
    assert any("EA is below F0: the byte behind it is a destination" in line for line in page(draft))
    draft.place = 5
    draft.set_value("0EB99")
    assert draft.frame.identifier == 0x0CEB44A1
    draft.set_value("1FFE2")
    assert draft.frame.identifier == 0x0DFFE2A1
    while draft.undo():
        pass
    assert draft.frame == THERMOSTAT


@pytest.mark.parametrize(
    ("place", "text", "told"),
    [
        (0, "8", "priority 8: write 0 (goes first) to 7"),
        (0, "high", "priority high: write 0 (goes first) to 7"),
        (10, "40000", "DGN 40000 does not fit in 18 bits: the highest is 3FFFF hex"),
        (10, "1FFE2A1", "does not fit in 18 bits"),
        (10, "furnace_statis", 'did you mean "FURNACE_STATUS"'),
        (10, "", "write a name"),
        (28, "1FF", "source address 1FF is not an address in hex: write 00 to FF"),
        (28, "all", "source address all is not an address in hex"),
    ],
)
def test_a_part_that_cannot_be_is_told(copy, place, text, told):
    """What can be written is said, and nothing changes."""
    draft = copy(THERMOSTAT, place)
    with pytest.raises(ValueError, match=re.escape(told)):
        draft.set_value(text)
    assert draft.frame == THERMOSTAT


def test_parts_go_up_and_down_in_their_bits(copy):
    """A priority ends at 7, an address at FF; a DGN has no next one."""
    draft = copy(THERMOSTAT)
    draft.step_value(1)
    assert draft.frame.identifier >> 26 == 7
    with pytest.raises(ValueError, match="7 hex is the highest number there"):
        draft.step_value(1)
    draft.place = 28
    draft.step_value(-1)
    assert draft.frame.identifier & 0xFF == 0x43
    draft.place = 10
    with pytest.raises(ValueError, match="a DGN has no next one"):
        draft.step_value(1)


def test_what_can_be_written_is_said(copy, catalogue):
    """The names of codes and states, the messages for a DGN; nothing has names in an address."""
    draft = copy(THERMOSTAT, FAN_MODE)
    assert draft.suggestions() == ["auto", "on", "no data", "error"]
    assert draft.wanted() == "fan mode: a number, the name of a code, no data, or 0x and hex"
    draft.place = HEAT
    assert draft.wanted() == "set point temperature heat: a number in °C, no data, or 0x and hex"
    assert draft.suggestions() == ["no data", "out of range"]
    draft.place = 10
    assert draft.suggestions() == sorted(catalogue.names)
    assert str(draft.wanted()).startswith("DGN: the name of a message")
    draft.place = 25
    assert draft.suggestions() == []


def test_a_message_that_is_not_known(copy):
    """Its bits can be changed; no layout is made up for them."""
    draft = copy(Frame(0, 0x19001244, b"\x01\x02"), 29)
    text = " ".join(page(draft))
    assert "DGN 10000, from 44 to 12 (not known)" in text
    assert "[01 02 = (0)0000001 00000010 without a definition here]" in text
    assert "Bit 7 of byte 0: no layout is known, so it has no meaning here." in text
    draft.flip()
    assert draft.frame.data == b"\x81\x02"


def test_a_letter_of_a_text(copy, catalogue):
    """A product is a text: a bit changes a letter, and there is no value to write."""
    identifier = catalogue.by_name("PRODUCT_IDENTIFICATION").identifier(0x5E)
    draft = copy(Frame(0, identifier, b"ACME*H2*123*4*"), 29 + 3)
    draft.flip()
    assert "Bit 4 of byte 0, in a text: 51 hex is 'Q'." in " ".join(page(draft))
    assert any("product QCME, H2" in line for line in page(draft))
    draft.set_bit(0)
    draft.place = 29
    draft.flip()
    assert "Bit 7 of byte 0, in a text: C1 hex is no letter." in " ".join(page(draft))


def test_a_frame_without_data(copy, catalogue):
    """It has its identifier, and nothing behind it."""
    draft = Draft(Frame(0, 0x19FFE45E, b""), catalogue, 0)
    draft.step_piece(1)
    draft.step_bit(99)
    assert draft.place == 28
    assert page(draft)[1].endswith("from 5E *]")
    assert command_text(draft.frame) == "As text: rvsim spell 19FFE45E"


def test_a_connection_frame_has_the_fields_of_its_control_byte(copy):
    """The length of a long message can be written, though no definition file has it."""
    draft = copy(Frame(0, 0x1CECFF58, bytes.fromhex("20140003FFB0FE00")), 29 + 8)
    draft.set_value("300")
    assert draft.frame.data.hex() == "202c0103ffb0fe00"


def test_back_to_the_frame_can_be_undone(copy):
    """All changes are gone at once, and come back with one undo."""
    draft = copy(FURNACE, 29)
    draft.set_bit(1)
    draft.set_bit(1)
    changed = draft.frame
    draft.revert()
    assert draft.frame == FURNACE
    assert draft.undo()
    assert draft.frame == changed
    draft.set_bit(0)
    draft.revert()
    draft.revert()
    assert draft.undo()
    assert draft.changed_bits


def test_pieces_are_stepped_through(copy):
    """The identifier, then each group of bytes; both ends stay."""
    draft = copy(THERMOSTAT)
    places = []
    for _ in range(9):
        draft.step_piece(1)
        places.append(draft.place - 29)
    assert places == [0, 8, 16, 24, 40, 56, 56, 56, 56]
    draft.step_bit(5)
    draft.step_piece(-1)
    assert draft.place == 29 + 40
    for _ in range(9):
        draft.step_piece(-1)
    assert draft.place == 0


def test_more_than_one_frame_has_no_command(copy):
    """A long message is no single frame, which is what `rvsim spell` takes."""
    assert "put together from several frames" in command_text(FURNACE._replace(data=bytes(20)))


@pytest.mark.parametrize("width", [24, 60, 80, 120])
def test_the_page_fits(copy, width):
    """At any width, with the chosen bit in its style exactly once."""
    for place in (0, 28, 29, HEAT, UNUSED):
        lines = draft_lines(copy(THERMOSTAT, place), "X", width=width)
        assert all(len(text_of(line)) <= width for line in lines)
        assert [style for line in lines for _, style in line].count("chosen") == 1
