"""A keypad with keys pressed by hand: its status, its commands to outputs, its lamps. Bytes follow the tables."""

from functools import partial

import pytest

from rvsim.devices.registry import check_rig
from rvsim.errors import InputError
from rvsim.rig.model import Rig

STATUS, HEARTBEAT, DIMMER, LOAD, INDICATOR = 0x1FFB8, 0x1FECA, 0x1FEDB, 0x1FFBC, 0x19FED9F9
KEYS = {"galley": {"instance": 21}, "night": {"scene": "night"}, "fan": {"switch": "maintained", "bank": 2}}


@pytest.fixture
def keypad(alone):
    """A keypad with the keys galley (21), night (22) and fan (23), two seconds after its start."""

    def put(**settings):
        return alone("keypad", settings={"keys": KEYS, **settings}, dc_input=[21, 22, 23]).until(2)

    return put


def press(pad, key, hold_ms=200):
    """Press a key now, hold it, and let it be released; return what was sent since, with its DGN."""
    before = len(pad.sent)
    pad.bench.world.contacts.press(f"keypad.{key}", hold_ms * 1000)
    pad.until(pad.bench.now / 1e6 + hold_ms / 1000 + 0.2)
    return [(dgn, data) for _, dgn, data in pad.sent[before:] if dgn != HEARTBEAT]


def test_keys_are_digital_inputs(keypad):
    """Each with its instance: its own, or the next of the device; a key of a bank says so, others say none."""
    pad = keypad()
    assert [data for _, data in pad.of(STATUS)] == [
        "15 00 FD 02 FF FF FF FF",
        "16 00 FD 02 FF FF FF FF",
        "17 00 FF 02 F2 FF FF FF",
    ]
    assert press(pad, "galley") == [(STATUS, "15 01 FD 02 FF FF FF FF"), (STATUS, "15 00 FD 02 FF FF FF FF")]


def test_its_heartbeat_has_the_dsa_of_a_digital_input(keypad):
    """132: a keypad maker's integrator guide."""
    assert keypad().last(HEARTBEAT).startswith("05 84")


def test_a_key_that_calls_a_scene_only_reports_its_position(keypad):
    """The panel that owns the scene acts."""
    assert [dgn for dgn, _ in press(keypad(), "night")] == [STATUS, STATUS]


@pytest.mark.parametrize(
    ("command", "data", "after"),
    [
        ({"instance": 3}, "03 FF FF 05 00 FF FF FF", None),
        ({"instance": 3, "action": "on"}, "03 FF C8 00 00 FF FF FF", None),
        ({"instance": 3, "action": "off"}, "03 FF 00 00 00 FF FF FF", None),
        ({"group": 1}, "FF 7E FF 05 00 FF FF FF", None),
        ({"group": 2, "action": "follow"}, "FF 7D C8 00 00 FF FF FF", "FF 7D 00 00 00 FF FF FF"),
    ],
    ids=["toggle", "on", "off", "group", "follow"],
)
def test_a_key_commands_a_dimmer(keypad, command, data, after):
    """One command a press, after the position; "follow" one more with the release."""
    sent = press(keypad(commands={"galley": command}), "galley")
    assert [dgn for dgn, _ in sent] == [STATUS, DIMMER, STATUS, *([DIMMER] if after else [])]
    assert sent[1] == (DIMMER, data)
    assert after is None or sent[3] == (DIMMER, after)


def test_a_key_commands_a_load(keypad):
    """DC_LOAD_COMMAND: level in byte 2, command in byte 4, delay in byte 5."""
    sent = press(keypad(commands={"galley": {"message": "load", "instance": 9}}), "galley")
    assert sent[1] == (LOAD, "09 FF FF FF 05 00 FF FF")


def test_a_long_press_dims(keypad):
    """A short press toggles when it ends; a long one ramps from its half second on and stops with the release."""
    pad = keypad(commands={"galley": {"instance": 3, "dim_while_held": True}})
    assert press(pad, "galley", 300)[1:] == [(STATUS, "15 00 FD 02 FF FF FF FF"), (DIMMER, "03 FF FF 05 00 FF FF FF")]
    start = pad.bench.now / 1e6
    assert [(dgn, data[:14]) for dgn, data in press(pad, "galley", 1500)] == [
        (STATUS, "15 01 FD 02 FF"),
        (DIMMER, "03 FF C8 12 FF"),
        (STATUS, "15 00 FD 02 FF"),
        (DIMMER, "03 FF FF 04 FF"),
    ]
    ramp, stop = [time - start for time, data in pad.of(DIMMER)[1:]]
    assert ramp == pytest.approx(0.53, abs=0.01)
    assert stop == pytest.approx(1.53, abs=0.01)


def test_a_maintained_key_follows(keypad):
    """It commands on when it is switched on, off when it is switched off, and nothing in between."""
    pad = keypad(commands={"fan": {"message": "load", "instance": 9, "action": "follow"}})
    pad.bench.world.contacts.set("keypad.fan", on=True)
    pad.until(60).bench.world.contacts.set("keypad.fan", on=False)
    assert [data for _, data in pad.until(120).of(LOAD)] == ["09 FF C8 FF 00 00 FF FF", "09 FF 00 FF 00 00 FF FF"]


def test_its_current_and_its_lamps(keypad):
    """20 mA, and 5 mA for each lamp at full; commands to other instances and "unchanged" light none."""
    pad = keypad()
    world, (device,) = pad.world, pad.bench.devices
    assert world.battery_amps == pytest.approx(0.02)
    pad.put(INDICATOR, "15 FF C8 FF FF FF FF FF")
    pad.put(INDICATOR, "16 FF 64 FF FF FF FF FF")
    assert (device.lamp_percent("galley"), device.lamp_percent("night")) == (100.0, 50.0)
    assert world.battery_amps == pytest.approx(0.0275)
    pad.put(INDICATOR, "15 FF FF FF FF FF FF FF")
    pad.put(INDICATOR, "63 FF C8 FF FF FF FF FF")
    assert world.battery_amps == pytest.approx(0.0275)
    pad.put(INDICATOR, "15 FF 00 FF FF FF FF FF").put(INDICATOR, "16 FF 00 FF FF FF FF FF")
    assert world.battery_amps == pytest.approx(0.02)


def test_without_power_it_draws_nothing(keypad):
    """And its lamps are out when it comes back."""
    pad = keypad()
    pad.put(INDICATOR, "15 FF C8 FF FF FF FF FF")
    pad.bench.switch_off("keypad")
    assert pad.world.battery_amps == 0
    pad.bench.switch_on("keypad")
    assert pad.until(10).world.battery_amps == pytest.approx(0.02)


def test_a_request_for_one_key(keypad):
    """The status of its instance."""
    pad = keypad()
    before = len(pad.of(STATUS))
    pad.put(0x18EA80F9, "B8 FF 01 16 FF FF FF FF")
    assert [data[:5] for _, data in pad.of(STATUS)[before:]] == ["16 00"]


def test_two_keypads_on_one_bus(catalogue, alone):
    """Each sends its own keys only."""
    other = {"name": "bed keypad", "kind": "keypad", "address": 0x81, "functions": {"keypad": 31}}
    pad = alone("keypad", settings={"keys": KEYS}, dc_input=[21, 22, 23])
    rig = Rig.model_validate(
        {
            "schema": 1,
            "name": "two",
            "title": "Two keypads",
            "device": [
                {**other, "settings": {"keys": {"lamp": {}}}},
                {
                    **other,
                    "name": "door keypad",
                    "address": 0x82,
                    "functions": {"keypad": 32},
                    "settings": {"keys": {"lamp": {}}},
                },
            ],
        }
    )
    check_rig(rig, catalogue)
    sent = []
    bench = type(pad.bench)(rig, catalogue, {"keypad": type(pad.bench.devices[0])}, on_frame=sent.append)
    bench.plan(3_000_000, partial(bench.world.contacts.press, "bed keypad.lamp", 200_000))
    bench.run_until(5_000_000)
    statuses = [(f.identifier & 0xFF, f.data[0], f.data[1]) for f in sent if f.identifier >> 8 & 0x1FFFF == STATUS]
    assert sorted(statuses[:2]) == [(0x81, 31, 0), (0x82, 32, 0)]
    assert statuses[2:] == [(0x81, 31, 1), (0x81, 31, 0)]


@pytest.mark.parametrize(
    ("settings", "instances", "text"),
    [
        (
            {"keys": {"a": {"instance": 24}}},
            [21],
            'keys: "a" has the instance 24, which is none of the device\'s digital inputs; add it to its functions: '
            "dc_input = [21, 24]",
        ),
        ({"keys": {"a": {"instance": 21}, "b": {"instance": 21}}}, [21], 'keys: "b" has the instance 21 of "a"'),
        ({"keys": {"a": {}, "b": {}}}, [21], 'keys: "b" has no instance left; add one to its functions as dc_input'),
        (
            {"keys": {"a": {}}},
            [21, 22],
            "keys: digital input 22 has no key; add a key, or remove it from its functions",
        ),
        ({"commands": {"b": {"instance": 3}}}, [21], 'commands: "b" is no key; the keys are a'),
        (
            {"commands": {"a": {}}},
            [21],
            'commands: "a" needs one target; write instance = 3, or group = 1, and not both',
        ),
        ({"commands": {"a": {"instance": 3, "group": 1}}}, [21], 'commands: "a" needs one target'),
        (
            {"keys": {"a": {"scene": "night"}}, "commands": {"a": {"instance": 3}}},
            [21],
            'commands: "a" calls the scene "night", so it commands nothing; remove one of both',
        ),
        (
            {"commands": {"a": {"instance": 3, "message": "load", "dim_while_held": True}}},
            [21],
            'commands: "a" cannot dim a load; remove dim_while_held',
        ),
        (
            {"commands": {"a": {"instance": 3, "action": "follow", "dim_while_held": True}}},
            [21],
            'commands: "a" is not held by a long press; remove dim_while_held',
        ),
    ],
)
def test_settings_that_do_not_fit(catalogue, settings, instances, text):
    """One line each, with what to do."""
    pad = {"name": "pad", "kind": "keypad", "address": 0x90, "functions": {"dc_input": instances}}
    data = {
        "schema": 1,
        "name": "one",
        "title": "One",
        "device": [{**pad, "settings": {"keys": {"a": {}}, **settings}}],
    }
    with pytest.raises(InputError) as refused:
        check_rig(Rig.model_validate(data), catalogue)
    (told,) = refused.value.problems
    assert f"settings, {text}" in told


def test_a_keypad_without_named_keys(alone):
    """Each of its instances is a key with a name of its own."""
    pad = alone("keypad", dc_input=[5, 9]).until(2)
    pad.bench.world.contacts.press("keypad.key 9", 200_000)
    assert [data[:5] for _, data in pad.until(3).of(STATUS)] == ["05 00", "09 00", "09 01", "09 00"]
