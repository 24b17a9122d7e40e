"""Sights: how they are written, what they match, and how near the others come."""

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.shakedown.expect.sight import Sight, SightMatcher, identifier_of, matchers_of
from rvsim.wire.frame import Frame

AMBIENT = {"message": "THERMOSTAT_AMBIENT_STATUS", "field": "ambient_temperature"}
WARM = Frame(5, 0x19FF9C91, bytes.fromhex("018025FFFFFFFFFF"))
"""Instance 1, 2580 hex = 9600 = 300 x 32: 300 - 273 = 27 degrees."""
NO_DATA = Frame(6, 0x19FF9C91, bytes.fromhex("01FFFFFFFFFFFFFF"))


def sight(**given):
    """A sight without a rig."""
    return Sight.model_validate(given)


@pytest.fixture
def matches(catalogue):
    """Tell whether a sight is seen in a frame of a device."""
    return lambda frame, sender="sensor", **given: SightMatcher(sight(**given), catalogue).matches(frame, sender)


def test_a_message_whoever_sends_it(matches):
    """Priority and source do not matter, the DGN does."""
    assert matches(WARM, message="THERMOSTAT_AMBIENT_STATUS")
    assert matches(WARM._replace(identifier=0x0DFF9C22), message="THERMOSTAT_AMBIENT_STATUS")
    assert not matches(WARM._replace(identifier=0x19FFE491), message="THERMOSTAT_AMBIENT_STATUS")


def test_a_device(matches):
    """By its name, whatever it sends."""
    assert matches(WARM, device="sensor")
    assert not matches(WARM, "heater", device="sensor")


def test_an_identifier_is_the_whole_of_it(matches):
    """All 29 bits."""
    assert matches(WARM, identifier="19FF9C91")
    for other in ("18FF9C91", "0DFF9C91", "19FF9C90", "19FF9D91"):
        assert not matches(WARM, identifier=other)


def test_an_instance(matches):
    """The one that stands in the frame."""
    assert matches(WARM, message="THERMOSTAT_AMBIENT_STATUS", instance=1)
    assert not matches(WARM, message="THERMOSTAT_AMBIENT_STATUS", instance=2)


@pytest.mark.parametrize(
    ("more", "seen"),
    [
        ({}, True),
        ({"is": 27}, True),
        ({"is": 27.0}, True),
        ({"is": 26.96875}, False),
        ({"above": 26.9}, True),
        ({"above": 27.0}, False),
        ({"below": 27.1}, True),
        ({"below": 27.0}, False),
        ({"above": 20.0, "below": 30.0}, True),
        ({"above": 28.0, "below": 30.0}, False),
        ({"is": "no data"}, False),
        ({"is": "value"}, True),
    ],
)
def test_what_a_field_says(matches, more, seen):
    """27 degrees, one step being 1/32: a limit itself is neither above nor below it."""
    assert matches(WARM, **AMBIENT, **more) is seen


@pytest.mark.parametrize(
    ("more", "seen"), [({"is": "no data"}, True), ({}, False), ({"above": -300.0}, False), ({"below": 9e9}, False)]
)
def test_no_data_is_no_value(matches, more, seen):
    """It is above and below nothing."""
    assert matches(NO_DATA, **AMBIENT, **more) is seen


def test_the_name_of_a_code(matches, catalogue):
    """ROOF_FAN_STATUS_1 system_status is on: 01 in the low bits of byte 1."""
    spec = catalogue.by_name("ROOF_FAN_STATUS_1")
    frame = Frame(0, spec.identifier(0x90), spec.pack(instance=1, system_status=1))
    assert matches(frame, message="ROOF_FAN_STATUS_1", field="system_status", **{"is": "on"})
    assert not matches(frame, message="ROOF_FAN_STATUS_1", field="system_status", **{"is": "off"})


@pytest.mark.parametrize(
    ("frame", "more", "distance"),
    [
        (WARM, {"above": 30.0}, 3.0),
        (WARM, {"below": 20.0}, 7.0),
        (WARM, {"is": 28.5}, 1.5),
        (WARM, {"above": 30.0, "below": 31.0}, 3.0),
        (WARM, {"is": "no data"}, 0.0),
        (NO_DATA, {"above": 30.0}, float("inf")),
    ],
)
def test_how_near_a_frame_comes(catalogue, frame, more, distance):
    """In the field's unit, with what it said."""
    near = SightMatcher(sight(**AMBIENT, **more), catalogue).near(frame)
    assert near.distance == pytest.approx(distance)
    assert near.text == ("ambient temperature 27.00 °C" if frame is WARM else "ambient temperature no data")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "every frame on the bus would match"),
        ({"instance": 1, "device": "x"}, '"instance" needs the message'),
        ({"field": "x", "device": "x"}, '"field" needs the message'),
        ({"message": "DM_RV", "above": 1.0}, '"above" needs the field'),
        ({"message": "DM_RV", "field": "spn", "is": True}, "true and false are not values"),
        ({"identifier": "123456789"}, "is not an identifier"),
        ({"identifier": "20000000"}, "is not an identifier"),
        ({"message": "no such"}, "is not a name of a message or field"),
        ({"message": "DM_RV", "instance": -1}, "greater than or equal to 0"),
        ({"message": "DM_RV", "instance": 256}, "less than or equal to 255"),
    ],
)
def test_sights_that_cannot_be(given, said):
    """In the words of the check."""
    with pytest.raises(ValidationError, match=said):
        sight(**given)


def test_a_sight_without_a_field_has_no_value(catalogue):
    """Nor anything that could come near: a frame of it is it."""
    matcher = SightMatcher(sight(message="THERMOSTAT_AMBIENT_STATUS"), catalogue)
    assert matcher.value(WARM) is None
    assert (matcher.near(WARM).text, matcher.near(WARM).distance) == (str(WARM), 0.0)
    field = SightMatcher(sight(**AMBIENT), catalogue)
    assert (field.value(WARM), field.value(NO_DATA)) == (27.0, None)


@pytest.mark.parametrize("instance", [0, 250])
def test_an_instance_is_a_value_of_its_byte(matches, instance):
    """From 0, which some messages have, to 250, the highest value of a byte (rv-c.com's table of data types)."""
    frame = WARM._replace(data=bytes([instance]) + WARM.data[1:])
    assert matches(frame, message="THERMOSTAT_AMBIENT_STATUS", instance=instance)


def test_an_identifier_has_29_bits():
    """The highest is 1FFFFFFF."""
    assert identifier_of("1FFFFFFF") == (1 << 29) - 1
    assert identifier_of("0") == 0


def test_what_is_not_defined_is_told_with_a_suggestion(catalogue):
    """All at once, each under its key."""
    sights = {
        "one": sight(message="THERMOSTAT_AMBIENT_STATU"),
        "two": sight(message="THERMOSTAT_AMBIENT_STATUS", field="ambient_temperatur"),
        "three": sight(message="ROOF_FAN_STATUS_1", field="system_status", **{"is": "onn"}),
        "four": sight(**AMBIENT, **{"is": 1e9}),
    }
    with pytest.raises(InputError) as refused:
        matchers_of(sights, catalogue)
    one, two, three, four = refused.value.problems
    assert one.startswith("one: no message is called THERMOSTAT_AMBIENT_STATU (did you mean")
    assert 'THERMOSTAT_AMBIENT_STATUS has no field ambient_temperatur (did you mean "ambient_temperature"?)' in two
    assert 'system_status cannot be "onn" (did you mean "on"?)' in three
    assert "is outside" in four


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"device": "heater"}, "any frame of heater"),
        ({"identifier": "19FF9C91"}, "identifier 19FF9C91"),
        ({"message": "DM_RV", "device": "heater"}, "DM_RV of heater"),
        (
            {**AMBIENT, "instance": 2, "above": 3.5, "below": 4},
            "THERMOSTAT_AMBIENT_STATUS, instance 2, with ambient temperature above 3.5 and below 4",
        ),
        ({**AMBIENT, "is": "no data"}, "THERMOSTAT_AMBIENT_STATUS with ambient temperature is no data"),
    ],
)
def test_a_sight_in_words(given, said):
    """As it stands in a verdict."""
    assert str(sight(**given)) == said
