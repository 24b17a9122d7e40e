"""Devices of one's own: described in the rig, or brought by another package."""

from importlib.metadata import EntryPoint
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rvsim.devices.own import Moving, OwnSettings, Profile, ProfilePlan
from rvsim.devices.registry import BUILT_IN, GROUP, all_kinds
from rvsim.errors import InputError

SECOND = 1_000_000
AMBIENT = {"message": "THERMOSTAT_AMBIENT_STATUS", "gap": "1s"}


def profile(*points, **more):
    """A profile at work."""
    return Profile(ProfilePlan.model_validate({"profile": points, **more}))


def own(*messages, answers=()):
    """Settings of a device."""
    return {"message": list(messages), "answer": list(answers)}


def said(device, seconds, dgn):
    """The bytes that it said under a DGN by then."""
    return [bytes.fromhex(data) for _, data in device.until(seconds).of(dgn)]


@pytest.fixture
def fridge(alone):
    """Put a device of one's own alone on a bench: ``fridge(settings)``."""
    return lambda settings: alone("own", settings=settings, ambient_sensor=3, thermostat=3)


def test_constants_and_no_data(fridge):
    """4.5 degrees are (4.5 + 273) x 32 = 8880 = 22B0 hex; what is not named is no data."""
    device = fridge(own({**AMBIENT, "fields": {"instance": 3, "ambient_temperature": 4.5}}))
    assert set(said(device, 10, 0x1FF9C)) == {bytes.fromhex("03B022FFFFFFFFFF")}
    assert 8 <= len(said(device, 10, 0x1FF9C)) <= 11
    nothing = fridge(own({**AMBIENT, "fields": {"instance": 3}}))
    assert set(said(nothing, 10, 0x1FF9C)) == {bytes.fromhex("03FFFFFFFFFFFFFF")}


def test_a_code_by_its_name(fridge):
    """THERMOSTAT_STATUS_1 operating mode "heat" is 2 in the low bits of byte 1 (numbers from memory)."""
    fields = {"instance": 3, "operating_mode": "heat"}
    device = fridge(own({"message": "THERMOSTAT_STATUS_1", "gap": "1s", "fields": fields}))
    assert {data[1] & 0xF for data in said(device, 5, 0x1FFE2)} == {2}


def test_a_profile_in_frames(fridge):
    """From 0 to 10 degrees in ten seconds: a degree more with each frame, a second apart."""
    plan = {"profile": [["0s", 0.0], ["10s", 10.0]]}
    device = fridge(own({**AMBIENT, "fields": {"instance": 3, "ambient_temperature": plan}}))
    values = [int.from_bytes(data[1:3], "little") / 32 - 273 for data in said(device, 9, 0x1FF9C)]
    assert len(values) >= 7
    assert all(later - value == pytest.approx(1, abs=0.07) for value, later in pairwise(values))


@pytest.mark.parametrize(
    ("more", "seconds", "value"),
    [
        ({}, 0, 4.0),
        ({}, 5, 5.0),
        ({}, 15, 7.0),
        ({}, 99, 8.0),
        ({"steps": True}, 9.9, 4.0),
        ({"steps": True}, 10, 6.0),
        ({"repeat": True}, 25, 5.0),
        ({"repeat": True}, 20, 4.0),
    ],
)
def test_profiles(more, seconds, value):
    """Lines or steps, holding the last value or beginning anew."""
    one = profile(["0s", 4.0], ["10s", 6.0], ["20s", 8.0], **more)
    assert one.value(round(seconds * SECOND)) == pytest.approx(value)


@given(st.lists(st.tuples(st.integers(1, 10**6), st.floats(-1e3, 1e3)), min_size=1, max_size=6), st.integers(0, 10**8))
def test_a_profile_stays_between_its_values(gaps, now):
    """Whatever the times: never above the highest nor below the lowest."""
    time, points = 0, [["0s", 0.0]]
    for gap, value in gaps:
        time += gap
        points.append([f"{time / 1000}ms", value])
    values = [value for _, value in points]
    for more in ({}, {"repeat": True}, {"steps": True}):
        assert min(values) - 1e-6 <= profile(*points, **more).value(now) <= max(values) + 1e-6


def test_moving_takes_its_time():
    """Two degrees at half a degree a second: four seconds, in a straight line; without a rate at once."""
    one = Moving(5.0, 7.0, 10 * SECOND, 0.5)
    assert one.takes == 4 * SECOND
    assert [one.value(second * SECOND) for second in (10, 12, 14, 20)] == [5.0, 6.0, 7.0, 7.0]
    assert Moving(5.0, 7.0, 0, None).value(0) == 7.0


def test_a_copy_of_what_somebody_else_says(fridge):
    """The cabin's 20 degrees, halved and one more, are 11; of another instance nothing is copied; no data is none."""
    copy = {
        "copy": "THERMOSTAT_AMBIENT_STATUS",
        "instance": 1,
        "field": "ambient_temperature",
        "factor": 0.5,
        "offset": 1.0,
    }
    device = fridge(own({**AMBIENT, "fields": {"instance": 3, "ambient_temperature": copy}}))
    steps = [(b"\x02\xa0\x24", None), (b"\x01\xa0\x24", 11.0), (b"\x01\xff\xff", None)]
    for number, (data, value) in enumerate(steps):
        device.bench.put(0x19FF9C91, data + b"\xff" * 5)
        last = said(device, 5 * (number + 1), 0x1FF9C)
        last = [one for one in last if one[0] == 3][-1]
        raw = int.from_bytes(last[1:3], "little")
        assert (None if raw == 0xFFFF else raw / 32 - 273) == value


def test_a_command_sets_a_field(fridge):
    """After half a second, no more than 8 degrees, told at once; another instance's command changes nothing."""
    status = {"message": "THERMOSTAT_STATUS_1", "fields": {"instance": 3, "set_point_temperature_heat": 5.0}}
    answer = {
        "command": "THERMOSTAT_COMMAND_1",
        "instance": 3,
        "sets": {"set_point_temperature_heat": "THERMOSTAT_STATUS_1.set_point_temperature_heat"},
        "after": "500ms",
        "at_most": 8.0,
        "at_least": 2.0,
    }
    device = fridge(own(status, answers=[answer]))
    spec = device.bench.devices[0].catalogue.by_name("THERMOSTAT_COMMAND_1")
    field = device.bench.devices[0].catalogue.by_name("THERMOSTAT_STATUS_1").by_name["set_point_temperature_heat"]

    def points(until):
        return [float(field.value(field.raw_in(data))) for data in said(device, until, 0x1FFE2)]

    assert points(3)[-1] == 5.0
    for instance, asked, expected in ((4, 6.0, 5.0), (3, 6.0, 6.0), (3, 30.0, 8.0), (3, -30.0, 2.0)):
        begin = device.bench.now / SECOND
        raw = spec.by_name["set_point_temperature_heat"].raw(asked)
        device.bench.put(spec.identifier(0x44), spec.pack(instance=instance, set_point_temperature_heat=raw))
        assert points(begin + 0.4)[-1] != expected or expected == 5.0
        assert points(begin + 0.7)[-1] == pytest.approx(expected)


def test_what_is_not_defined_is_told_all_at_once(fridge):
    """Messages, fields, codes and targets, each with a suggestion."""
    wrong = {"instanc": "THERMOSTAT_STATUS_2.x", "instance": "DM_RV.spn"}
    settings = own(
        {"message": "THERMOSTAT_AMBIENT_STATU"},
        {**AMBIENT, "fields": {"instnce": 3, "ambient_temperature": 1e6}},
        {"message": "THERMOSTAT_STATUS_1", "fields": {"operating_mode": "het"}},
        answers=[{"command": "THERMOSTAT_COMMAND_1", "sets": wrong}],
    )
    with pytest.raises(InputError) as refused:
        fridge(settings)
    told = refused.value.problems
    assert len(told) == 7
    assert all(line.startswith('device "') for line in told)
    for words in ("AMBIENT_STATU", 'did you mean "instance"', "is outside", "cannot say 'het'", "does not send"):
        assert any(words in line for line in told), words


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (own({**AMBIENT, "gap": "0s"}), "greater than 0"),
        (own({**AMBIENT, "fields": {"x": {"profile": [["1s", 1.0]]}}}), "begin at"),
        (own({**AMBIENT, "fields": {"x": {"profile": [["0s", 1.0], ["0s", 2.0]]}}}), "begin at"),
        (own(AMBIENT, answers=[{"command": "A", "sets": {}}]), "at least 1"),
        (own({**AMBIENT, "gaps": "1s"}), "Extra inputs"),
    ],
)
def test_settings_that_cannot_be(settings, said):
    """In the words of the check."""
    with pytest.raises(ValidationError, match=said):
        OwnSettings.model_validate(settings)


# Brought by other packages.

MODULE = '''
from rvsim.devices.device import Device, Settings


class Lamp(Device):
    """A lamp."""

    kind = "{kind}"
    Settings = Settings


thing = 3
'''


@pytest.fixture
def point(tmp_path, monkeypatch):
    """Make an entry point into a module of its own."""
    monkeypatch.syspath_prepend(tmp_path)

    def go(name, kind="lamp", what="Lamp", text=MODULE):
        (tmp_path / f"{name}.py").write_text(text.format(kind=kind), encoding="utf-8")
        return EntryPoint(name, f"{name}:{what}", GROUP)

    return go


def test_a_kind_of_another_package(point):
    """It is there beside the built-in ones."""
    kinds, problems = all_kinds([point("own_lamp")])
    assert problems == ()
    assert set(kinds) == {kind.kind for kind in BUILT_IN} | {"lamp"}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"kind": "heater"}, 'a kind "heater" is there already'),
        ({"what": "thing"}, "it is no class made from"),
        ({"what": "nothing"}, "it cannot be loaded (AttributeError"),
        ({"text": "import no_such_module"}, "it cannot be loaded (ModuleNotFoundError"),
    ],
)
def test_a_kind_that_cannot_be_used(point, given, said):
    """One line, and the others are there all the same."""
    kinds, (told,) = all_kinds([point(f"broken_lamp_{len(said)}", **given)])
    assert said in told
    assert "rvsim.devices, broken_lamp_" in told
    assert set(kinds) == {kind.kind for kind in BUILT_IN}
