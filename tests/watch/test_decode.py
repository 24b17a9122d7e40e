"""Tests for what a frame is about and how long it has to be."""

import pytest

from rvsim.watch.decode import Decoder, instance_field, missing_fields_are_no_data, wrong_length
from rvsim.watch.transitions import Topic
from rvsim.wire.fields import FieldSpec, Origin, Special
from rvsim.wire.spec import MessageSpec


@pytest.fixture
def decoder(catalogue):
    """A decoder with the shipped definitions."""
    return Decoder(catalogue)


def test_a_status_is_about_its_instance(decoder):
    """The first byte, where the field in it is so named: also charger_instance."""
    assert decoder.layout(0x1FFE4).topic(0x5E, bytes([2, 0])) == Topic(0x5E, 0x1FFE4, "FURNACE_STATUS", 2)
    assert decoder.layout(0x1FFC7).topic(0x4A, bytes([1])).instance == 1


def test_an_alternator_is_named(decoder):
    """A charger's instance 30h + n is an alternator's, by an alternator regulator maker's RV-C appendix."""
    assert str(decoder.layout(0x1FFC7).topic(0x4A, bytes([0x31]))) == "CHARGER_STATUS, instance 49, alternator 1"
    assert str(decoder.layout(0x1FFC7).topic(0x4A, bytes([1]))) == "CHARGER_STATUS, instance 1"
    assert str(decoder.layout(0x1FFE4).topic(0x5E, bytes([0x31]))) == "FURNACE_STATUS, instance 49"


@pytest.mark.parametrize("first", [251, 254, 255])
def test_an_instance_that_is_no_number_is_none(decoder, first):
    """The highest is 250 (rv-c.com/book/export/html/81), and FFh is none; neither does an empty frame name anybody."""
    assert decoder.layout(0x1FFE4).topic(0x5E, bytes([first])).instance is None
    assert decoder.layout(0x1FFE4).topic(0x5E, b"").instance is None
    assert decoder.layout(0x1FFE4).topic(0x5E, bytes([250])).instance == 250


def test_a_heartbeat_is_about_the_function_whose_address_it_carries(decoder):
    """One node sends one for each function (rv-c.com/node/522); the DSA is in byte 1."""
    layout = decoder.layout(0x1FECA)
    assert layout.topic(0x5E, bytes([5, 94])) == Topic(0x5E, 0x1FECA, "DM_RV", dsa=94)
    assert layout.topic(0x5E, bytes([5])).dsa is None


def test_messages_without_an_instance_are_about_nothing_special(decoder):
    """A claim has none; an acknowledgment has one elsewhere, and it is not its own."""
    assert decoder.layout(0x0EE00).topic(0x44, bytes(8)) == Topic(0x44, 0x0EE00, "ADDRESS_CLAIM")
    assert decoder.layout(0x0E800).topic(0x44, bytes(8)) == Topic(0x44, 0x0E800, "ACKNOWLEDGMENT")


def test_an_unknown_message_has_no_name(decoder):
    """And its bytes tell no topics apart."""
    layout = decoder.layout(0x1F801)
    assert (layout.name, layout.spec) == (None, None)
    assert layout.topic(2, bytes([1, 2])) == Topic(2, 0x1F801, None)
    assert bytes(8)[layout.key_slice] == b""


@pytest.mark.parametrize(
    ("dgn", "name"),
    [
        (0x0EF00, "PROPRIETARY_MESSAGE"),
        (0x0FEDA, "SOFTWARE_IDENTIFICATION"),
        (0x0FEEB, "PRODUCT_IDENTIFICATION"),
        (0x1FFE6, "SLIDE_SENSOR_STATUS"),
    ],
)
def test_a_message_known_by_name_only_has_no_layout(decoder, dgn, name):
    """Its bytes tell no topics apart and may be any number; names and numbers as in the table of DGNs."""
    layout = decoder.layout(dgn)
    assert layout.topic(2, bytes([1, 2])) == Topic(2, dgn, name)
    assert layout.spec is not None
    assert [wrong_length(layout.spec, bytes(count)) for count in range(9)] == [None] * 9


def test_any_length_is_right_where_no_field_is_known():
    """Also where a user's own definition says how long the message is."""
    assert wrong_length(spec(length=3), bytes(8)) is None


@pytest.mark.parametrize(("dgn", "name"), [(0x0EC00, "INITIAL_PACKET"), (0x0EB00, "DATA_PACKET")])
def test_packets_of_long_messages_promise_no_gap(decoder, dgn, name):
    """They come when there is something to say (SAE J1939-21), and are about no instance."""
    layout = decoder.layout(dgn)
    assert layout.spec is not None
    assert layout.spec.gap_us is None
    assert layout.topic(2, bytes([1, 2])) == Topic(2, dgn, name)


@pytest.mark.parametrize(
    ("first", "part"), [(65, "line 1, output"), (81, "line 2, output"), (1, "line 1, input"), (17, "line 2, input")]
)
def test_an_ac_page_is_told_apart_by_its_whole_first_byte(decoder, first, part):
    """A gateway maker prints 65 and 81 for output 1 and 1 and 17 for input 1, on lines 1 and 2: all are instance 1."""
    layout = decoder.layout(0x1FFD7)
    topic = layout.topic(0x42, bytes([first]))
    assert topic == Topic(0x42, 0x1FFD7, "INVERTER_AC_STATUS_1", 1, qualifier=part)
    assert str(topic) == f"INVERTER_AC_STATUS_1, instance 1, {part}"
    assert bytes([first])[layout.key_slice] == bytes([first])


def test_a_gap_that_is_not_sure_is_not_relied_on(decoder, catalogue):
    """Of a message known by name only; one with a layout, or a name that is sure, keeps the gap of its definition."""
    named = [spec for spec in catalogue if not spec.fields]
    unsure = [decoder.layout(spec.dgn) for spec in named if spec.origin is Origin.UNSURE]
    assert any(layout.spec.gap_us for layout in unsure)
    assert all(layout.gap is None and not layout.gap_is_known for layout in unsure)
    furnace = decoder.layout(0x1FFE4)
    assert (furnace.gap, furnace.gap_is_known) == (5_000_000, True)
    assert (decoder.layout(0x1AABB).gap, decoder.layout(0x1AABB).gap_is_known) == (None, False)


def test_topics_are_spoken_with_their_instance_or_function():
    """As they stand in a flag's text."""
    assert str(Topic(1, 0x1FFE4, "FURNACE_STATUS", 2)) == "FURNACE_STATUS, instance 2"
    assert str(Topic(1, 0x1FECA, "DM_RV", dsa=94)) == "DM_RV of the furnace"
    assert str(Topic(1, 0x1FECA, "DM_RV", dsa=255)) == "DM_RV"
    assert str(Topic(1, 0x0EE00, "ADDRESS_CLAIM")) == "ADDRESS_CLAIM"
    assert str(Topic(1, 0x1F801, None)) == "DGN 1F801 hex"


def spec(*fields: FieldSpec, name: str = "M", length: int = 8) -> MessageSpec:
    """A message of a user's own."""
    return MessageSpec(name, 0x1FFFF, 6, length, fields)


def test_only_a_first_field_in_byte_0_is_the_instance_of_a_message():
    """Not one that stands elsewhere, has another name, or is wider than the byte."""
    assert instance_field(spec(FieldSpec("tank_instance", 0, 8), FieldSpec("level", 8, 8))).name == "tank_instance"
    assert instance_field(spec(FieldSpec("instance", 0, 4))) is not None
    assert instance_field(spec(FieldSpec("level", 0, 8), FieldSpec("instance", 8, 8))) is None
    assert instance_field(spec(FieldSpec("instance", 8, 8))) is None
    assert instance_field(spec(FieldSpec("instance", 0, 16))) is None
    assert instance_field(spec()) is None


def test_a_dsa_in_another_message_tells_no_topics_apart():
    """Only heartbeats come once for each function."""

    class Own:
        def by_dgn(self, dgn):
            return spec(FieldSpec("status", 0, 8), FieldSpec("dsa", 8, 8), name="ANSWER")

    assert Decoder(Own()).layout(0x1FFFF).topic(1, bytes(8)) == Topic(1, 0x1FFFF, "ANSWER")  # type: ignore[arg-type]


def test_a_heartbeat_of_a_users_own_definition_may_lack_the_address(catalogue):
    """Then there is nothing to tell its topics apart by."""

    class Own:
        def by_dgn(self, dgn):
            return spec(FieldSpec("status", 0, 8), name="DM_RV")

    layout = Decoder(Own()).layout(0x1FECA)  # type: ignore[arg-type]
    assert layout.topic(1, bytes(8)) == Topic(1, 0x1FECA, "DM_RV")


def test_a_layout_is_looked_up_once():
    """Frames come by the thousand."""
    asked = []

    class Counting:
        def by_dgn(self, dgn):
            asked.append(dgn)

    decoder = Decoder(Counting())  # type: ignore[arg-type]
    assert decoder.layout(5) is decoder.layout(5)
    assert asked == [5]


def test_a_short_frame_misses_fields(catalogue):
    """DC_SOURCE_STATUS_2 with seven bytes, as one battery maker sends it, lacks its last field only."""
    found = wrong_length(catalogue.by_name("DC_SOURCE_STATUS_2"), bytes(7))
    assert found is not None
    assert (found.needed, found.missing) == (8, ("time_remaining_interpretation",))
    assert wrong_length(catalogue.by_name("DC_SOURCE_STATUS_2"), bytes(8)) is None


def test_bytes_that_no_field_needs_may_be_left_out(catalogue):
    """THERMOSTAT_AMBIENT_STATUS has its fields in three bytes; with two its temperature is cut."""
    ambient = catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
    assert wrong_length(ambient, bytes(3)) is None
    assert wrong_length(ambient, bytes(2)).missing == ("ambient_temperature",)


def test_a_request_has_three_bytes_in_j1939(catalogue):
    """SAE J1939-21; RV-C adds two. Four or two bytes are wrong."""
    request = catalogue.by_name("REQUEST_FOR_DGN")
    assert wrong_length(request, bytes(3)) is None
    assert wrong_length(request, bytes(8)) is None
    assert wrong_length(request, bytes(2)).missing[0] == "desired_dgn"
    assert wrong_length(request, bytes(4)).missing == ("requested_instance_bank",)


def test_a_longer_frame_is_wrong_unless_it_is_filled_with_ones():
    """Filling up to eight bytes with ones is the rule (rv-c.com/node/522)."""
    short = spec(FieldSpec("level", 0, 8), length=3)
    assert wrong_length(short, bytes.fromhex("010203FFFFFFFFFF")) is None
    found = wrong_length(short, bytes.fromhex("010203FFFF00FFFF"))
    assert found is not None
    assert (found.needed, found.missing) == (3, ())


def test_what_is_missing_says_no_data_only_where_there_is_such_a_code():
    """A count or an address cut off is a loss; a measured or commanded field reads as not given."""
    made = spec(
        FieldSpec("level", 0, 8, special=Special.MEASURED),
        FieldSpec("wanted", 8, 8, special=Special.COMMANDED),
        FieldSpec("address", 16, 8),
    )
    assert missing_fields_are_no_data(made, ("level", "wanted"))
    assert not missing_fields_are_no_data(made, ("level", "address"))
