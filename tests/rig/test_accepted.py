"""Accepted flags in a rig: what can be accepted, and what an entry covers."""

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.rig.accepted import FLAG_KINDS, AcceptedPlan
from rvsim.rig.load import load_rig

KINDS = ", ".join(FLAG_KINDS)
MESSAGE = (0x1FFE4, "FURNACE_STATUS")


@pytest.mark.parametrize(
    ("given", "place", "problem"),
    [
        (
            {"flag": "silent-devise"},
            "flag",
            f'"silent-devise" is not a kind of flag (did you mean "silent-device"?); the kinds are {KINDS}',
        ),
        ({"flag": "xyz"}, "flag", f'"xyz" is not a kind of flag; the kinds are {KINDS}'),
        (
            {"flag": "bad-value", "message": "1FFE"},
            "message",
            '"1FFE" is not a message; write its name, like "FURNACE_STATUS", or its DGN as five hex digits up to '
            '3FFFF, like "1FFE4"',
        ),
        (
            {"flag": "bad-value", "message": "A STATUS"},
            "message",
            '"A STATUS" is not a message; write its name, like "FURNACE_STATUS", or its DGN as five hex digits up to '
            '3FFFF, like "1FFE4"',
        ),
        (
            {"flag": "bad-value", "message": "A_STATUS", "field": "A_STATUS.level"},
            "field",
            '"A_STATUS.level" does not name a field; write it without its message, like air_temperature',
        ),
        (
            {"flag": "bad-value", "field": "level"},
            "field",
            "a field needs its message; add the message, or remove the field",
        ),
        (
            {"flag": "late-message", "message": "A_STATUS", "field": "level"},
            "field",
            "a late-message flag is not about one field; remove it",
        ),
        (
            {"flag": "silent-device", "message": "A_STATUS"},
            "message",
            "a silent-device flag is not about one message; remove it",
        ),
        (
            {"flag": "silent-device", "answer": "output.fan.current"},
            "answer",
            "a silent-device flag is not one of the plan; remove it",
        ),
    ],
)
def test_a_mistake_is_named_at_its_key(given, place, problem):
    """One line for each, which says what to write."""
    with pytest.raises(ValidationError) as refused:
        AcceptedPlan.model_validate(given)
    (error,) = refused.value.errors()
    assert (error["loc"], error["msg"]) == ((place,), f"Value error, {problem}")


@pytest.mark.parametrize("message", ["40000", "é_STATUS", "1ffe4 ", "1FFE4\n", "0x1FFE4", "1FFG4"])
def test_what_is_no_message_is_refused(message):
    """A DGN has 18 bits; names are plain."""
    with pytest.raises(ValidationError, match="is not a message"):
        AcceptedPlan(flag="bad-value", message=message)


def test_a_field_is_a_plain_name():
    """As the definitions write them."""
    with pytest.raises(ValidationError, match="does not name a field"):
        AcceptedPlan(flag="bad-value", message="A_STATUS", field="é")


@pytest.mark.parametrize("key", ["device", "reason"])
def test_words_are_on_one_line(key):
    """As everywhere in a rig."""
    with pytest.raises(ValidationError, match="control character"):
        AcceptedPlan.model_validate({"flag": "silent-device", key: "a\nb"})
    assert getattr(AcceptedPlan.model_validate({"flag": "silent-device", key: "a b"}), key) == "a b"


def test_only_what_is_about_a_field_takes_one():
    """Three kinds; eleven are about a message, and the others about a device or the bus."""

    def taken(**given):
        found = set()
        for flag in FLAG_KINDS:
            try:
                AcceptedPlan(flag=flag, **given)
            except ValidationError:
                continue
            found.add(flag)
        return found

    assert taken(message="A", field="b") == {
        "bad-value", "no-data", "stuck-value", "reported-fault", "low-voltage", "freeze-risk",
    }  # fmt: skip
    assert taken(message="A") == {
        "bad-value", "no-data", "stuck-value", "late-message", "wrong-length", "unknown-message", "reported-fault",
        "two-commanders", "ignored-command", "no-address", "failed-transfer", "low-voltage", "freeze-risk",
    }  # fmt: skip
    assert taken() == set(FLAG_KINDS)


def test_a_message_may_be_given_by_its_dgn():
    """Five hex digits, small or capital; a name is no number."""
    assert AcceptedPlan(flag="bad-value", message="1ffe4").message == "1FFE4"
    assert AcceptedPlan(flag="bad-value", message="1ffe4").dgn == 0x1FFE4
    assert AcceptedPlan(flag="bad-value", message="3FFFF").dgn == 0x3FFFF
    assert AcceptedPlan(flag="bad-value", message="DM_RV").dgn is None
    assert AcceptedPlan(flag="bad-value", message="FACED").dgn is None
    assert AcceptedPlan(flag="bad-value").dgn is None


@pytest.mark.parametrize(
    ("plan", "covered"),
    [
        ({}, True),
        ({"device": "heater"}, True),
        ({"device": "roof fan"}, False),
        ({"message": "FURNACE_STATUS"}, True),
        ({"message": "1FFE4"}, True),
        ({"message": "1FFE3"}, False),
        ({"message": "FURNACE_COMMAND"}, False),
        ({"message": "1FFE4", "field": "level"}, True),
        ({"message": "1FFE4", "field": "mode"}, False),
        ({"device": "roof fan", "message": "1FFE4", "field": "level"}, False),
    ],
)
def test_an_entry_covers_what_it_names_and_anything_that_it_leaves_out(plan, covered):
    """Kind, device, message by name or DGN, field."""
    assert AcceptedPlan(flag="bad-value", **plan).covers("bad-value", "heater", MESSAGE, "level") is covered
    assert not AcceptedPlan(flag="no-data", **plan).covers("bad-value", "heater", MESSAGE, "level")


def test_a_flag_about_no_message_is_covered_by_its_kind_and_device():
    """And not by an entry for a message; a message without a name goes by its DGN."""
    assert AcceptedPlan(flag="bus-quiet").covers("bus-quiet", "bus", None, None)
    assert not AcceptedPlan(flag="late-message", message="1F801").covers("late-message", "bus", None, None)
    assert AcceptedPlan(flag="unknown-message", message="0F801").covers("unknown-message", "x", (0xF801, None), None)


def test_mistakes_in_what_a_log_teaches_have_their_lines(tmp_path):
    """A NAME, the longest pause and accepted flags, each at its place; a key that is unknown has its nearest."""
    path = tmp_path / "x.toml"
    path.write_text(
        'schema = 1\nname = "a"\ntitle = "b"\nlongest_pause = "soon"\n[[device]]\nname = "heater"\naddress = 2\n'
        'claimed_name = "5"\n[[accepted]]\nflag = "no-dat"\n[[accepted]]\nflag = "no-data"\nmesage = "A"\n'
    )
    with pytest.raises(InputError) as refused:
        load_rig(path)
    pause, name, flag, key = refused.value.problems
    assert pause.startswith(f'{path}, line 4, longest_pause: "soon" is not a duration; ')
    assert name.startswith(f'{path}, line 8, device 1 "heater", claimed_name: "5" is not a NAME; ')
    assert flag.startswith(
        f'{path}, line 10, accepted 1, flag: "no-dat" is not a kind of flag (did you mean "no-data"?)'
    )
    assert key.startswith(f'{path}, line 13, accepted 2: unknown key "mesage" (did you mean "message"?)')


def test_only_a_silent_device_can_be_absent():
    """Nothing else can."""
    assert AcceptedPlan(flag="silent-device", absent=True).absent
    with pytest.raises(ValidationError, match="only a silent-device can be absent"):
        AcceptedPlan(flag="bad-value", absent=True)
