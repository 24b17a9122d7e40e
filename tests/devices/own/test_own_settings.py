"""A user-defined device in a rig file: each mistake is one line with file, line, place and what to do."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.own.own_settings import OwnAnswerPlan, OwnSettings
from rvsim.devices.registry import settings_models
from rvsim.errors import InputError
from rvsim.rig.load import load_rig

HEAD = """\
schema = 1
name = "own"
title = "One of one's own"

[[device]]
name = "fridge"
kind = "own"
address = 0x99
"""
MESSAGE = '[[device.settings.message]]\nmessage = "TANK_STATUS"\n'
FIELDS = MESSAGE + "[device.settings.message.fields]\n"
ANSWER = '[[device.settings.answer]]\ncommand = "DC_LOAD_COMMAND"\n'
NOTHING = (
    'is not a value of a field; write a number, the name of a code in quotes, { profile = [["0s", 4.0]] } '
    'or { copy = "MESSAGE", field = "its_field" }'
)


@pytest.fixture
def told(tmp_path):
    """Return what is wrong with a rig with these settings, without file and device."""

    def read(text):
        path = tmp_path / "own.toml"
        path.write_text(HEAD + text, encoding="utf-8")
        with pytest.raises(InputError) as refused:
            load_rig(path, settings_models())
        return [line.removeprefix(f"{path}, ") for line in refused.value.problems]

    return read


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (MESSAGE + 'gap = "9ms"', "line 11, {0}, gap: 0.009 s is too short a gap; write 0.01s or more"),
        (MESSAGE + "gap = 9", 'line 11, {0}, gap: 9 has no unit; write the unit: "9s"'),
        (
            MESSAGE + 'gep = "9s"',
            'line 11, {0}: unknown key "gep" (did you mean "gap"?); remove it or correct the name; '
            "the keys here are message, instance, gap, fields",
        ),
        ("[[device.settings.message]]\ninstance = 1", '{0}: the key "message" is missing; add it'),
        (MESSAGE + "instance = 256", "line 11, {0}, instance: 256 is above 255; write 255 or less"),
        (FIELDS + "x = true", f"line 12, {{0}}, fields.x: true {NOTHING}"),
        (FIELDS + "x = [1]", f"line 12, {{0}}, fields.x: a list {NOTHING}"),
        (FIELDS + "x = nan", f"line 12, {{0}}, fields.x: nan {NOTHING}"),
        (FIELDS + "x = 1e18", f"line 12, {{0}}, fields.x: 1e+18 {NOTHING}"),
        (FIELDS + "x = { copi = 1 }", f"line 12, {{0}}, fields.x: a table {NOTHING}"),
        (
            FIELDS + 'x = { profile = [["0s", 1.0]], stps = true }',
            'line 12, {0}, fields.x.stps: unknown key "stps" (did you mean "steps"?); remove it or correct the name',
        ),
        (
            FIELDS + "x = { profile = [] }",
            'line 12, {0}, fields.x.profile: a profile needs a point; write its time and its value: [["0s", 4.0]]',
        ),
        (
            FIELDS + 'x = { profile = [["1s", 1.0]] }',
            'line 12, {0}, fields.x.profile, item 1: the first point is at 1 s; a profile starts at "0s"',
        ),
        (
            FIELDS + 'x = { profile = [\n["0s", 1.0],\n["3s", 1.0],\n["3s", 2.0]] }',
            "line 15, {0}, fields.x.profile, item 3: 3 s is not after 3 s; write the points in order of time",
        ),
        (
            FIELDS + 'x = { profile = [["0s", 1.0, 2.0]] }',
            "line 12, {0}, fields.x.profile, item 1: a list is not a point of a profile; "
            'write its time and its value: ["10s", 4.0]',
        ),
        (
            FIELDS + 'x = { profile = [["0s", 1.0]], repeat = true }',
            "line 12, {0}, fields.x: a profile of one point cannot repeat; add the point at which it starts again",
        ),
        (FIELDS + 'x = { copy = "A" }', 'line 12, {0}, fields.x: the key "field" is missing; add it'),
        (
            ANSWER + "sets = {}",
            'line 11, {1}, sets: it sets no field; write { field_of_the_command = "MESSAGE.field" }',
        ),
        (
            ANSWER + 'sets = { a = "B" }',
            'line 11, {1}, sets.a: "B" is not a field; write it as MESSAGE.field',
        ),
        (
            ANSWER + 'sets = { a = "B.c" }\nat_least = 2.0\nat_most = 1.0',
            "line 9, {1}: at_most 1 is below at_least 2; no value fits both",
        ),
        (
            ANSWER + 'sets = { a = "B.c" }\nper_second = 0.0',
            "line 12, {1}, per_second: 0.0 is below 1e-06; write 1e-06 or more",
        ),
    ],
)
def test_one_mistake_is_one_line(told, text, said):
    """Where it stands, what is wrong and what to do; never one line for each thing that it could have been."""
    (line,) = told(text)
    places = [f'device 1 "fridge", settings, {table} 1' for table in ("message", "answer")]
    expected = said.replace("{0}", places[0]).replace("{1}", places[1])
    assert line.endswith(expected)


def test_all_mistakes_are_reported_at_once(told):
    """In the order of their lines, and each that stands within one field."""
    lines = told(FIELDS + 'x = true\ny = { copy = 1, feld = "b", factor = "c" }\n' + ANSWER + "sets = {}")
    places = [line.split(": ")[0].replace('device 1 "fridge", settings, ', "") for line in lines]
    assert places[0] == "line 12, message 1, fields.x"
    assert set(places[1:5]) == {f"line 13, message 1, fields.y{key}" for key in (".feld", ".copy", "", ".factor")}
    assert places[5:] == ["line 16, answer 1, sets"]


def test_what_is_just_possible():
    """The shortest gap, limits that leave one value, the slowest rate."""
    answer = {"command": "A", "sets": {"a": "B.c"}, "at_least": 1.0, "at_most": 1.0, "per_second": 1e-6}
    plan = OwnSettings.model_validate({"message": [{"message": "B", "gap": "10ms"}], "answer": [answer]})
    assert plan.message[0].gap == 10_000
    assert plan.answer[0].bounded(9.0) == 1.0


def test_whole_numbers_are_numbers():
    """Instances and constants are written without decimals too."""
    plan = OwnSettings.model_validate({"message": [{"message": "A", "fields": {"x": 3, "y": -1.5, "z": "on"}}]})
    assert dict(plan.message[0].fields) == {"x": 3.0, "y": -1.5, "z": "on"}


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_what_is_commanded_is_kept_within_limits(value, one, other):
    """The nearest value between the limits, each of which may be left out."""
    low, high = sorted((one, other))
    plan = OwnAnswerPlan(command="A", sets={"a": "B.c"})
    assert plan.bounded(value) == value
    both = plan.model_copy(update={"at_least": low, "at_most": high}).bounded(value)
    assert both == sorted((low, value, high))[1]
    assert plan.model_copy(update={"at_least": low}).bounded(value) == max(low, value)
    assert plan.model_copy(update={"at_most": high}).bounded(value) == min(high, value)


@pytest.mark.parametrize("edge", [0, 255])
def test_an_instance_is_a_byte(edge):
    """In a message, in what is copied and in what is obeyed; a step further is refused."""

    def settings(number):
        copy = {"copy": "TANK_STATUS", "field": "relative_level", "instance": number}
        message = {"message": "TANK_STATUS", "instance": number, "fields": {"relative_level": copy}}
        answer = {"command": "DC_LOAD_COMMAND", "instance": number, "sets": {"instance": "TANK_STATUS.instance"}}
        return {"message": [message]}, {"answer": [answer]}, {"message": [{**message, "instance": 1}]}

    for whole in settings(edge):
        OwnSettings.model_validate(whole)
    for whole in settings(-1 if edge == 0 else 256):
        with pytest.raises(ValueError, match="instance"):
            OwnSettings.model_validate(whole)


@pytest.mark.parametrize(("rate", "good"), [(1e-6, True), (9e-7, False), (1e9, True), (1.1e9, False)])
def test_how_fast_a_field_moves_has_limits(rate, good):
    """Slower than a millionth of its unit a second is no move, and faster than a thousand million no ramp."""
    answer = {"command": "DC_LOAD_COMMAND", "sets": {"instance": "TANK_STATUS.instance"}, "per_second": rate}
    if good:
        OwnSettings.model_validate({"answer": [answer]})
        return
    with pytest.raises(ValueError, match="per_second"):
        OwnSettings.model_validate({"answer": [answer]})
