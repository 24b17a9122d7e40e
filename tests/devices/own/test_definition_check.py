"""A user-defined device checked against the definitions."""

import re

import pytest

from rvsim.devices.own.definition_check import definition_mistakes, place_text, value_codes
from rvsim.devices.own.own_settings import OwnSettings
from rvsim.wire.fields import FieldSpec, Special

AMBIENT = {"message": "THERMOSTAT_AMBIENT_STATUS", "instance": 3}
LOAD = {"message": "DC_LOAD_STATUS", "instance": 9}
PUMP = {"message": "WATER_PUMP_STATUS"}
SETS = {"desired_operating_level": "DC_LOAD_STATUS.operating_status"}
COPY = {"copy": "TANK_STATUS", "field": "relative_level"}
USERS = """\
VERSION ""
BU_: any
BO_ 2583629822 SHORT_STATUS: 8 any
 SG_ level : 0|8@1+ (1,0) [0|255] "" any
"""
"""A message and its number, both invented."""


@pytest.fixture(scope="module")
def catalogue(defined):
    """Our definitions and those of a user."""
    return defined(USERS)


@pytest.fixture
def told(catalogue):
    """Return what is wrong with messages and answers."""

    def check(*messages, answers=(), functions=None):
        settings = OwnSettings.model_validate({"message": list(messages), "answer": list(answers)})
        return [
            f"{place_text(one.place)}: {one.text}" for one in definition_mistakes(settings, functions or {}, catalogue)
        ]

    return check


def fields(message, **given):
    """A message with fields."""
    return {**message, "fields": given}


def test_sound_settings_are_let_through(told):
    """Every way in which a field gets its value, in our messages and in the user's."""
    given = {"profile": [["0s", 4.0], ["9s", 5.0]]}
    assert (
        told(
            fields(AMBIENT, ambient_temperature=given),
            fields({**AMBIENT, "instance": 4}, ambient_temperature={**COPY, "function": "tank", "instance": 0}),
            fields({"message": "THERMOSTAT_STATUS_1"}, operating_mode="cool", instance=3),
            fields(LOAD, operating_status=0.0),
            fields({"message": "SHORT_STATUS"}, level=250),
            answers=[{"command": "DC_LOAD_COMMAND", "sets": SETS, "at_least": 0.0, "at_most": 100.0}],
        )
        == []
    )


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (
            {"message": "TANK_STATS"},
            'message 1, message: no message is called TANK_STATS (did you mean "TANK_STATUS"?)',
        ),
        ({"message": "DM_RV"}, "message 1, message: every device sends or obeys DM_RV by itself; name another message"),
        ({"message": "WASTEDUMP_STATUS"}, "message 1, message: WASTEDUMP_STATUS is known by its name only; name an"),
        ({"message": "TANK_STATUS"}, "message 1: TANK_STATUS needs an instance; add instance = 1, or another number"),
        ({**PUMP, "instance": 1}, "message 1, instance: WATER_PUMP_STATUS has no instance; remove it"),
        ({**AMBIENT, "instance": 251}, "message 1, instance: instance 251.0 is outside 0 to 250; write a value in"),
        (
            fields(AMBIENT, instance=3),
            "message 1, instance: the instance is given in fields.instance too; give it once",
        ),
        (
            fields({"message": "TANK_STATUS"}, instance=COPY),
            "message 1, fields.instance: an instance is a constant number; write one, such as 1",
        ),
        (fields({"message": "TANK_STATUS"}, instance=251), "message 1, fields.instance: instance 251.0 is outside 0"),
        (
            fields(AMBIENT, ambient_temperatur=1),
            'message 1, fields.ambient_temperatur: THERMOSTAT_AMBIENT_STATUS has no field "ambient_temperatur" '
            '(did you mean "ambient_temperature"?); it has instance, ambient_temperature',
        ),
        (
            fields(AMBIENT, ambient_temperature=2000.0),
            "message 1, fields.ambient_temperature: ambient temperature 2000.0 is outside -273.00000 to 1774.81250 °C; "
            "write a value in that range",
        ),
        (
            fields(AMBIENT, ambient_temperature={"profile": [["0s", 4.0], ["1s", -300.0]]}),
            "message 1, fields.ambient_temperature.profile, item 2: ambient temperature -300.0 is outside",
        ),
        (
            fields({"message": "THERMOSTAT_STATUS_1", "instance": 1}, operating_mode="cold"),
            'message 1, fields.operating_mode: operating mode has no code named "cold" (did you mean "cool"?); '
            "the names are off, cool, heat",
        ),
        (
            fields(AMBIENT, ambient_temperature="4.0"),
            'message 1, fields.ambient_temperature: ambient temperature has no code named "4.0"; it has no names; '
            "write a number without quotes",
        ),
        (
            fields(LOAD, group=COPY),
            "message 1, fields.group: group has no code for no data, which a copy needs; write a number or a profile",
        ),
        (
            fields(AMBIENT, ambient_temperature={**COPY, "copy": "DM1"}),
            "message 1, fields.ambient_temperature.copy: every device sends or obeys DM1 by itself; name an",
        ),
        (
            fields(AMBIENT, ambient_temperature={**COPY, "field": "relativ_level"}),
            "message 1, fields.ambient_temperature.field: TANK_STATUS has no field "
            '"relativ_level" (did you mean "relative_level"?)',
        ),
        (
            fields(AMBIENT, ambient_temperature={"copy": PUMP["message"], "field": "operating_status", "instance": 1}),
            "message 1, fields.ambient_temperature.instance: WATER_PUMP_STATUS has no instance; remove it",
        ),
        (
            fields(AMBIENT, ambient_temperature={**COPY, "function": "tnk"}),
            'message 1, fields.ambient_temperature.function: "tnk" is not a function in a heartbeat (did you mean "ta',
        ),
        (
            fields(AMBIENT, ambient_temperature={**COPY, "function": "roof_fan"}),
            'message 1, fields.ambient_temperature.function: "roof_fan" is not a function in a heartbeat; write one of',
        ),
    ],
)
def test_messages_and_their_fields(told, message, said):
    """One line for each mistake, with its place and what to do."""
    (line,) = told(message)
    assert line.startswith(said)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ({"command": "DC_LOAD_COMAND"}, "answer 1, command: no message is called DC_LOAD_COMAND (did you mean"),
        ({"command": "ADDRESS_CLAIM"}, "answer 1, command: every device sends or obeys ADDRESS_CLAIM by itself"),
        (
            {"command": "WATER_PUMP_COMMAND", "instance": 9, "sets": {"command": SETS["desired_operating_level"]}},
            "answer 1, instance: WATER_PUMP_COMMAND has no instance; remove it",
        ),
        (
            {"sets": {"level": SETS["desired_operating_level"]}},
            'answer 1, sets.level: DC_LOAD_COMMAND has no field "level"',
        ),
        (
            {"sets": {"group": "DC_LOAD_STATUS.operating_stats"}},
            'answer 1, sets.group: DC_LOAD_STATUS has no field "operating_stats" (did you mean "operating_status"?)',
        ),
        (
            {"sets": {"group": "DC_LOAD_STATU.group"}},
            'answer 1, sets.group: it does not send "DC_LOAD_STATU" (did you mean "DC_LOAD_STATUS"?); '
            "it sends DC_LOAD_STATUS, THERMOSTAT_AMBIENT_STATUS",
        ),
        (
            {"instance": 8},
            "answer 1, sets.desired_operating_level: it does not send DC_LOAD_STATUS, instance 8; corr",
        ),
        (
            {"sets": {"group": "THERMOSTAT_AMBIENT_STATUS.ambient_temperature"}},
            "answer 1, sets.group: it sends THERMOSTAT_AMBIENT_STATUS, instance 3 and THERMOSTAT_AMBIENT_STATUS, "
            "instance 4; "
            "add instance to choose the one that the command sets",
        ),
        (
            {"at_most": 126.0},
            "answer 1, sets.desired_operating_level: operating status 126.0 is outside 0.0 to 125.0 %",
        ),
        ({"at_least": -1.0}, "answer 1, sets.desired_operating_level: operating status -1.0 is outside 0.0 to 125.0 %"),
    ],
)
def test_answers(told, answer, said):
    """One line for each mistake; what a command sets has to be sent."""
    whole = {"command": "DC_LOAD_COMMAND", "sets": SETS, **answer}
    (line,) = told(LOAD, AMBIENT, {**AMBIENT, "instance": 4}, answers=[whole])
    assert line.startswith(said)


def test_a_device_that_sends_nothing_can_set_nothing(told):
    """And is told so in other words."""
    (line,) = told(answers=[{"command": "DC_LOAD_COMMAND", "sets": SETS}])
    assert line.endswith('it does not send "DC_LOAD_STATUS"; it sends no messages')


def test_the_instance_is_that_of_the_function(told):
    """A message that is the status of a function needs none, if the device has one instance of it and not two."""
    assert told({"message": "TANK_STATUS"}, functions={"tank": (0,)}) == []
    assert len(told({"message": "TANK_STATUS"}, functions={"tank": (0, 1)})) == 1
    same = told({"message": "TANK_STATUS"}, {"message": "TANK_STATUS", "instance": 0}, functions={"tank": (0,)})
    assert same == ["message 2: TANK_STATUS, instance 0 is sent by an earlier message table; merge the two"]
    written = [fields({"message": "TANK_STATUS"}, instance=number) for number in (1, 2)]
    assert told(*written, {"message": "TANK_STATUS"}, functions={"tank": (0,)}) == []
    same = told(*written, {"message": "TANK_STATUS", "instance": 2})
    assert same == ["message 3: TANK_STATUS, instance 2 is sent by an earlier message table; merge the two"]
    same = told(PUMP, PUMP)
    assert same == ["message 2: WATER_PUMP_STATUS is sent by an earlier message table; merge the two"]


def test_all_mistakes_are_reported_at_once(told):
    """Of messages and answers, in the order in which they stand; a message that is not defined is no target either."""
    lines = told(
        {"message": "TANK_STATS", "instance": 0},
        fields(AMBIENT, x=1, y={"copy": "A", "field": "b"}),
        answers=[{"command": "B", "sets": {"a": "TANK_STATS.level", "b": "C.d"}}],
    )
    assert [re.split(": ", line)[0] for line in lines] == [
        "message 1, message",
        "message 2, fields.x",
        "message 2, fields.y",
        "message 2, fields.y.copy",
        "answer 1, command",
        "answer 1, sets.b",
    ]


def test_codes_that_are_values():
    """The name of a special code is no value; of two codes with one name it is the lower."""
    field = FieldSpec("mode", 0, 2, special=Special.MEASURED, labels={1: "on", 0: "on", 3: "no data", 2: "error"})
    assert value_codes(field) == {"on": 0}
