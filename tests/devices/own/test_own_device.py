"""A user-defined device on a bench: what it sends and what it obeys, in bytes written by hand."""

from itertools import pairwise

import pytest

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.wire.frame import SECOND_US

AMBIENT, THERMOSTAT, LOAD, PUMP = 0x1FF9C, 0x1FFE2, 0x1FFBD, 0x1FFB3
AMBIENT_FRAME, SOURCE_FRAME, HEARTBEAT, THERMOSTAT_COMMAND, LOAD_COMMAND, PUMP_COMMAND = (
    0x19FF9C91,
    0x19FFFD45,
    0x19FECA45,
    0x19FEF944,
    0x19FFBC44,
    0x19FFB244,
)
INSIDE = {"message": "THERMOSTAT_AMBIENT_STATUS", "instance": 3, "gap": "1s"}
COMPRESSOR = {"message": "DC_LOAD_STATUS", "instance": 9, "fields": {"operating_status": 10.0}}
USERS = """\
VERSION ""
BU_: any
BO_ 2578120958 USERS_COMMAND: 8 any
 SG_ level : 0|8@1+ (1,0) [0|250] "%" any
"""
"""A message and its number, 1AB00 hex, both invented: below F0h the next byte is a destination."""
LEVEL = {"command": "DC_LOAD_COMMAND", "sets": {"desired_operating_level": "DC_LOAD_STATUS.operating_status"}}


@pytest.fixture(scope="module")
def catalogue(defined):
    """Our definitions and those of a user."""
    return defined(USERS)


@pytest.fixture
def fridge(alone):
    """Put a user-defined device alone on a bench: ``fridge(message, ..., answers=[...])``."""

    def put(*messages, answers=(), **more):
        settings = {"message": list(messages), "answer": list(answers)}
        functions = {"ambient_sensor": (3, 4), "thermostat": 3, "dc_load": 9}
        return alone("own", address=0x99, settings=settings, plan={"functions": functions}, **more)

    return put


def reading(value=None, **given):
    """The inside sensor with a value for its temperature, or a table."""
    return {**INSIDE, "fields": {"ambient_temperature": given if value is None else value}}


def said(device, seconds, dgn=AMBIENT):
    """The data that it sent under a DGN by then."""
    return [data for _, data in device.until(seconds).of(dgn)]


def test_constants_and_no_data(fridge):
    """4.5 degrees are (4.5 + 273) x 32 = 8880 = 22B0 hex; what is not named is no data."""
    device = fridge(reading(4.5))
    assert set(said(device, 10)) == {"03 B0 22 FF FF FF FF FF"}
    assert [round(later - time, 2) for (time, _), (later, _) in pairwise(device.of(AMBIENT))] == [1.0] * 8
    assert set(said(fridge(INSIDE), 10)) == {"03 FF FF FF FF FF FF FF"}


def test_without_a_gap_it_is_that_of_the_definition(fridge):
    """Ambient sensors send each 5 s (from memory); a water pump, which has no instance, too."""
    device = fridge({"message": "THERMOSTAT_AMBIENT_STATUS", "instance": 3}, {"message": "WATER_PUMP_STATUS"})
    device.until(20)
    for dgn in (AMBIENT, PUMP):
        assert {round(later - time, 1) for (time, _), (later, _) in pairwise(device.of(dgn))} == {5.0}


def test_a_code_by_its_name(fridge):
    """Operating mode "cool" is 1 in the low half of byte 1 (from memory); the instance is the function's."""
    device = fridge({"message": "THERMOSTAT_STATUS_1", "fields": {"operating_mode": "cool"}})
    assert set(said(device, 5, THERMOSTAT)) == {"03 F1 FF FF FF FF FF FF"}


def test_two_instances_of_one_message(fridge):
    """Each at its gap with its own value; an instance may stand among the fields. A request for one sends that one."""
    other = {"message": "THERMOSTAT_AMBIENT_STATUS", "fields": {"instance": 4, "ambient_temperature": 20.0}}
    device = fridge(reading(4.5), other)
    assert set(said(device, 10)) == {"03 B0 22 FF FF FF FF FF", "04 A0 24 FF FF FF FF FF"}
    before = len(device.until(11.5).of(AMBIENT))
    device.put(0x18EA9944, "9C FF 01 04 FF FF FF FF")  # a request for the DGN with an instance (RV-C)
    assert [data[:2] for data in said(device, 11.52)[before:]] == ["04"]


def test_a_profile_in_frames(fridge):
    """From 0 to 10 degrees in ten seconds: 32 steps of the field more with each frame, a second apart."""
    device = fridge(reading(profile=[["0s", 0.0], ["10s", 10.0]]))
    raws = [int.from_bytes(bytes.fromhex(data)[1:3], "little") for data in said(device, 9)]
    assert len(raws) >= 7
    assert {later - raw for raw, later in pairwise(raws)} <= {31, 32, 33}


def test_a_copy_of_another_devices_value(fridge):
    """20 degrees (24A0 hex), halved and one more, are 11 (2380 hex); instance 2 is not copied, and no data is none."""
    device = fridge(
        reading(
            copy="THERMOSTAT_AMBIENT_STATUS",
            instance=1,
            field="ambient_temperature",
            factor=0.5,
            offset=1.0,
        )
    )
    for data, expected in (
        ("02 A0 24", "FF FF"),
        ("01 A0 24", "80 23"),
        ("02 00 24", "80 23"),
        ("01 FF FF", "FF FF"),
    ):
        device.put(AMBIENT_FRAME, data + " FF" * 5, wait=3)
        assert device.last(AMBIENT)[3:8] == expected
    device.put(AMBIENT_FRAME, "01 A0 24" + " FF" * 5, wait=14.5)
    assert device.last(AMBIENT)[3:8] == "80 23"
    device.until(device.bench.now / SECOND_US + 1.6)  # three gaps of five seconds, and the next frame
    assert device.last(AMBIENT)[3:8] == "FF FF"


def test_a_copy_without_an_instance_is_of_whoever_spoke_last(fridge):
    """Two sensors: 20 degrees, then 4.5."""
    device = fridge(reading(copy="THERMOSTAT_AMBIENT_STATUS", field="ambient_temperature"))
    device.put(AMBIENT_FRAME, "02 A0 24" + " FF" * 5)
    device.put(AMBIENT_FRAME, "01 B0 22" + " FF" * 5, wait=3)
    assert device.last(AMBIENT)[3:8] == "B0 22"


def test_a_copy_by_function_follows_the_heartbeat(fridge):
    """Monitor (DSA 69, 45 hex) and charger (74, 4A hex) speak for battery 1; heartbeats tell whose voltage it is.

    14 V are 280 = 0118 hex steps of 0.05 V, and ten less are 4 degrees: (4 + 273) x 32 = 8864 = 22A0 hex.
    """
    copy = {"copy": "DC_SOURCE_STATUS_1", "field": "dc_voltage", "function": "charger", "offset": -10.0}
    device = fridge(reading(**copy)).until(3)
    for heartbeat, expected in (
        (None, "FF FF"),
        ("F5 45 FF FF FF FF FF FF", "FF FF"),
        ("F5 4A FF FF FF FF FF FF", "A0 22"),
        ("F5 FF FF FF FF FF FF FF", "A0 22"),  # another function of the same device, without a DSA
    ):
        if heartbeat is not None:
            device.put(HEARTBEAT, heartbeat)
        device.put(SOURCE_FRAME, "01 50 18 01 FF FF FF FF", wait=0.4)
        device.put(SOURCE_FRAME | 2, "01 78 F0 00 FF FF FF FF", wait=1.0)  # from another address
        assert device.last(AMBIENT)[3:8] == expected


def test_a_command_sets_a_field(fridge):
    """After half a second, between 2 and 8 degrees, sent at once; another instance's command changes nothing."""
    status = {"message": "THERMOSTAT_STATUS_1", "fields": {"set_point_temperature_cool": 5.0}}
    answer = {
        "command": "THERMOSTAT_COMMAND_1",
        "sets": {"set_point_temperature_cool": "THERMOSTAT_STATUS_1.set_point_temperature_cool"},
        "after": "500ms",
        "at_least": 2.0,
        "at_most": 8.0,
    }
    device = fridge(status, answers=[answer]).until(3)
    for command, after in (
        ("04 FF FF FF FF E0 22 FF", "C0 22"),  # 6 degrees: 279 x 32 = 8928; before, 5: 8896
        ("03 FF FF FF FF FF FF FF", "C0 22"),  # unchanged
        ("03 FF FF FF FF FE FF FF", "C0 22"),  # out of range
        ("03 FF FF FF FF", "C0 22"),  # too short
        ("03 FF FF FF FF E0 22 FF", "E0 22"),
        ("03 FF FF FF FF E0 25 FF", "20 23"),  # 30 degrees, taken as 8: 281 x 32 = 8992
        ("03 FF FF FF FF 60 1E FF", "60 22"),  # -30 degrees, taken as 2: 275 x 32 = 8800
    ):
        before = device.last(THERMOSTAT)
        frames = len(device.of(THERMOSTAT))
        device.put(THERMOSTAT_COMMAND, command, wait=0.49)
        assert device.last(THERMOSTAT) == before
        device.until(device.bench.now / SECOND_US + 0.02)
        assert device.last(THERMOSTAT) == f"03 FF FF FF FF {after} FF"
        assert len(device.of(THERMOSTAT)) > frames or before[15:20] == after


def test_only_a_change_is_sent_at_once(fridge):
    """The same level twice is sent once."""
    device = fridge(COMPRESSOR, answers=[LEVEL]).until(1.5)
    frames = len(device.of(LOAD))
    device.put(LOAD_COMMAND, "09 FF 14 FF FF FF FF FF")  # the 10 % that it has
    assert len(device.of(LOAD)) == frames
    for _ in range(2):
        device.put(LOAD_COMMAND, "09 FF 50 FF FF FF FF FF")  # 40 %: 80 half percents
        assert len(device.of(LOAD)) == frames + 1
    assert device.last(LOAD) == "09 FF 50 FF FF FF FF FF"


def test_a_rate(fridge):
    """From 10 to 40 % at 10 % a second: sent when the move starts, at each gap, and when it ends."""
    device = fridge({**COMPRESSOR, "gap": "1min"}, answers=[{**LEVEL, "per_second": 10.0}]).until(2)
    begin = device.bench.now / SECOND_US
    device.put(LOAD_COMMAND, "09 FF 50 FF FF FF FF FF").until(begin + 4)
    told = [(round(time - begin, 1), data[6:8]) for time, data in device.of(LOAD) if time > begin]
    assert told == [(0.0, "14"), (3.0, "50")]


def test_a_new_command_on_the_way(fridge):
    """A new command starts from the present value, the old end is not sent; the same command again changes nothing."""
    device = fridge({**COMPRESSOR, "gap": "1min"}, answers=[{**LEVEL, "per_second": 10.0}]).until(2)
    device.put(LOAD_COMMAND, "09 FF 50 FF FF FF FF FF").until(3)  # to 40 %: at 20 % after a second
    device.put(LOAD_COMMAND, "09 FF 50 FF FF FF FF FF").until(4)
    device.put(LOAD_COMMAND, "09 FF 28 FF FF FF FF FF").until(9)  # back to 20 % from 30 %
    told = [(round(time, 1), int(data[6:8], 16) / 2) for time, data in device.of(LOAD) if time > 1.9]
    assert told == [(2.0, 10.0), (4.0, pytest.approx(30.0, abs=0.5)), (5.0, 20.0)]


def test_a_field_without_a_value_moves_at_once(fridge):
    """There is no way from no data."""
    device = fridge({**COMPRESSOR, "fields": {}}, answers=[{**LEVEL, "per_second": 10.0}]).until(2)
    device.put(LOAD_COMMAND, "09 FF 50 FF FF FF FF FF")
    assert device.last(LOAD) == "09 FF 50 FF FF FF FF FF"


def test_one_command_for_each_instance(fridge):
    """Two loads, two answers: each takes what is for it."""
    other = {"message": "DC_LOAD_STATUS", "instance": 10, "fields": {"operating_status": 10.0}}
    device = fridge(COMPRESSOR, other, answers=[{**LEVEL, "instance": 9}, {**LEVEL, "instance": 10}]).until(2)
    device.put(LOAD_COMMAND, "0A FF 50 FF FF FF FF FF")
    assert device.last(LOAD) == "0A FF 50 FF FF FF FF FF"
    device.put(LOAD_COMMAND, "09 FF 28 FF FF FF FF FF")
    assert device.last(LOAD) == "09 FF 28 FF FF FF FF FF"


def test_a_command_without_an_instance(fridge):
    """A water pump's is for whoever has one: command 1 in the low bits of byte 0 enables it (from memory)."""
    answer = {"command": "WATER_PUMP_COMMAND", "sets": {"command": "WATER_PUMP_STATUS.operating_status"}}
    status = {"message": "WATER_PUMP_STATUS", "fields": {"operating_status": 0}}
    device = fridge(status, answers=[answer]).until(2)
    assert device.last(PUMP) == "FC FF FF FF FF FF FF FF"
    device.put(PUMP_COMMAND, "FD FF FF FF FF FF FF FF")
    assert device.last(PUMP) == "FD FF FF FF FF FF FF FF"


def test_a_frame_can_be_copied_and_obeyed(fridge):
    """What is copied from a message may be the same message that commands, and two copies take one frame."""
    copy = {"copy": "DC_LOAD_COMMAND", "field": "desired_operating_level", "instance": 9}
    outside = {**INSIDE, "instance": 4, "fields": {"ambient_temperature": {**copy, "offset": 1.0}}}
    device = fridge(reading(**copy), outside, COMPRESSOR, answers=[LEVEL]).until(2)
    device.put(LOAD_COMMAND, "09 FF 50 FF FF FF FF FF", wait=1.1)
    assert device.last(LOAD) == "09 FF 50 FF FF FF FF FF"
    assert set(said(device, 3.2)[-2:]) == {"03 20 27 FF FF FF FF FF", "04 40 27 FF FF FF FF FF"}  # 313 x 32 = 10016


@pytest.mark.parametrize(("destination", "level"), [(0x99, "50"), (0xFF, "50"), (0x55, "14")])
def test_what_is_for_somebody_else_is_not_obeyed(fridge, destination, level):
    """A command of the user's that has a destination: this device, all, or another."""
    answer = {**LEVEL, "command": "USERS_COMMAND", "sets": {"level": "DC_LOAD_STATUS.operating_status"}}
    device = fridge(COMPRESSOR, answers=[answer]).until(2)
    device.put(0x19AB0044 | destination << 8, "28 FF FF FF FF FF FF FF")
    assert device.last(LOAD)[6:8] == level


def test_settings_that_name_what_is_not_there(fridge):
    """It is not put into the bench: every line names the device and the place."""
    with pytest.raises(InputError) as refused:
        fridge(reading("warm"), {"message": "TANK_STATS"})
    assert [line.split(": ")[0] for line in refused.value.problems] == [
        'device "own", settings, message 1, fields.ambient_temperature',
        'device "own", settings, message 2, message',
    ]


@pytest.mark.parametrize(
    ("line", "spoilt", "unmet"),
    [
        ('["30s", 7.0]', '["30s", 8.0]', "its inside"),
        ("offset = 2.0", "offset = 0.0", "the air behind it"),
        ('after = "500ms"', 'after = "1500ms"', "a set point"),
        ("at_most = 8.0", "at_most = 9.0", "a set point"),
        ("per_second = 10.0", "per_second = 13.0", "the compressor has not reached"),
        ("per_second = 10.0", "per_second = 9.0", "the compressor has reached"),
    ],
)
def test_the_shipped_device_spoilt_is_not_passed(tmp_path, line, spoilt, unmet):
    """Its expectations catch a device that does something else."""
    text = (shipped.scenario_folder() / "own_device.toml").read_text(encoding="utf-8")
    assert text.count(line) == 1
    path = tmp_path / "spoilt.toml"
    path.write_text(text.replace(line, spoilt), encoding="utf-8")
    verdict = PreparedScenario(Job(str(path), {})).run()
    missed = [outcome.expected for outcome in verdict.outcomes if not outcome.passed]
    assert missed[0].startswith(unmet)


# Its current


def drawn(device, seconds) -> float:
    """The current out of the battery at a time."""
    return device.until(seconds).world.battery_amps


@pytest.fixture
def cooler(alone):
    """Put a user-defined compressor alone on a bench, with its current: ``cooler(amps)``."""

    def put(amps, **more):
        settings = {"message": [COMPRESSOR], "answer": [{**LEVEL, "per_second": 1.0}], "amps": amps, **more}
        plan = {"functions": {"dc_load": 9}, "amps": {"dc_load": [0.5, 5.0]}}
        return alone("own", address=0x99, settings=settings, plan=plan)

    return put


def test_its_current_is_a_number_or_what_its_functions_take_at_rest(cooler, alone):
    """2.5 A from its start on; without the key the 0.5 A at rest of the rig."""
    assert drawn(cooler(2.5), 5) == pytest.approx(2.5)
    plan = {"functions": {"dc_load": 9}, "amps": {"dc_load": [0.5, 5.0]}}
    assert drawn(alone("own", settings={"message": [COMPRESSOR]}, plan=plan), 5) == pytest.approx(0.5)


def test_its_current_follows_a_profile(cooler):
    """1 A, from the tenth second on 4 A, and from the twentieth on none."""
    device = cooler({"profile": [["0s", 1.0], ["10s", 4.0], ["20s", 0.0]], "steps": True})
    assert [drawn(device, second) for second in (5, 15, 25)] == pytest.approx([1.0, 4.0, 0.0])


def test_its_current_follows_a_field_that_it_sends(cooler):
    """0.2 A and 0.1 A for each percent: 1.2 A at 10 %; commanded to 20 % at 1 % a second it is 1.7 A half way."""
    device = cooler({"field": "DC_LOAD_STATUS.operating_status", "factor": 0.1, "offset": 0.2})
    assert drawn(device, 5) == pytest.approx(1.2)
    device.put(LOAD_COMMAND, "09 FF 28 FF FF FF FF FF")  # 20 % is 40 halves, 28 hex
    assert drawn(device, 10.1) == pytest.approx(1.7, abs=0.11)
    assert drawn(device, 20) == pytest.approx(2.2)


def test_a_field_without_a_value_takes_no_current(cooler):
    """A field that it never set is no data, and no current."""
    assert drawn(cooler({"field": "DC_LOAD_STATUS.demanded_current", "offset": 3.0}), 5) == 0.0


def test_below_zero_it_is_a_source(cooler):
    """-3 A charge the battery with 3 A; at its limit in volts, below the battery's, nothing."""
    device = cooler(-3.0)
    assert (drawn(device, 5), device.world.charge_amps(device.bench.devices[0].name)) == pytest.approx((-3.0, 3.0))
    assert drawn(cooler(-3.0, source_volts=11.0), 5) == 0.0


def test_without_power_it_takes_none(cooler):
    """Switched off, neither load nor source is left."""
    for amps in (2.5, -3.0):
        device = cooler(amps).until(5)
        device.bench.switch_off(device.bench.devices[0].name)
        assert drawn(device, 6) == 0.0


@pytest.mark.parametrize(
    ("amps", "text"),
    [
        ("much", "is not a current; write a number of amperes"),
        (2000.0, "2000 A is outside -1000 to 1000 A"),
        ({"profile": [["0s", -2000.0]]}, "-2000 A is outside -1000 to 1000 A"),
        (
            {"field": "DC_LOAD_STATUS.operating_statu"},
            'has no field "operating_statu" (did you mean "operating_status"?)',
        ),
        ({"field": "DC_LOAD_STATU.operating_status"}, 'it does not send "DC_LOAD_STATU"'),
        ({"field": "DC_LOAD_STATUS.operating_status", "instance": 8}, "correct the instance"),
        ({"field": "DC_LOAD_STATUS.operating_status", "facto": 1.0}, 'unknown key "facto"'),
    ],
)
def test_wrong_currents_are_refused(cooler, amps, text):
    """One line says what is wrong with the current."""
    with pytest.raises((InputError, ValueError)) as refused:
        cooler(amps)
    assert text in str(refused.value)
