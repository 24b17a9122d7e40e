"""Every fault on the whole vehicle: it does what it says while it lasts, and nothing before and after."""

from itertools import pairwise

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.shakedown.faults.fault_effects import planned_faults
from rvsim.shakedown.faults.fault_plans import FaultPlan
from rvsim.wire.ident import dgn_of

AMBIENT = {"device": "outdoor sensor", "message": "THERMOSTAT_AMBIENT_STATUS", "field": "ambient_temperature"}
TIME = {"from": "20s", "until": "40s"}
REPORTED = {"fault": "reported", "device": "heater", "function": "furnace", "from": "1s"}
CLAIM, HEARTBEAT = 0xEE00, 0x1FECA


def dgns(frames):
    """Which DGNs they have."""
    return {dgn_of(frame.identifier) for frame in frames}


def turn(instance, percent):
    """A command to a roof fan."""
    fields = {"instance": instance, "system_status": "on", "fan_speed_setting": percent}
    return {"message": "ROOF_FAN_COMMAND_1", "fields": fields}


def fault(kind, **more):
    """A fault from 20 s to 40 s."""
    return {"fault": kind, **TIME, **more}


def test_silent(vehicle):
    """Nothing is sent from 20 s until just before 40 s."""
    run = vehicle(fault=[fault("silent", device="heater")]).run(60)
    assert run.of("heater", begin=20, end=40) == []
    assert len(run.of("heater", begin=0, end=20)) > 5 < len(run.of("heater", begin=40))


def test_without_an_end_it_lasts(vehicle):
    """Left out, ``until`` is the end of the run."""
    run = vehicle(fault=[{"fault": "silent", "device": "heater", "from": "20s"}]).run(60)
    assert run.of("heater", begin=20) == []


def test_asleep_takes_no_command(vehicle):
    """A sleeping roof fan does not do what it is asked for; awake it does; a silent one would have done it."""
    for kind, obeys in (("asleep", False), ("silent", True)):
        run = vehicle(
            fault=[fault(kind, device="roof fan"), {"fault": "silent", "device": "control panel", "from": "0s"}],
            step=[{"at": "30s", "send": turn(1, 50)}],
        ).run(60)
        assert run.of("roof fan", begin=20, end=40) == []
        assert (run.values("roof fan", "ROOF_FAN_STATUS_1", "fan_speed_setting", begin=45)[-1] == 50.0) is obeys


def test_late(vehicle):
    """Gaps of its messages grow to at least the one given; other devices keep theirs."""
    run = vehicle(fault=[{"fault": "late", "device": "fresh tank", "gap": "12s", "from": "20s"}]).run(120)
    times = [frame.time / 1e6 for frame in run.of("fresh tank", "TANK_STATUS", begin=20)]
    assert len(times) > 5
    assert min(later - time for time, later in pairwise(times)) >= 12
    assert len(run.of("grey tank", "TANK_STATUS", begin=20)) > 2 * len(times)


def test_late_for_one_message_leaves_the_others(vehicle):
    """Only the heartbeat comes late."""
    run = vehicle(
        fault=[{"fault": "late", "device": "fresh tank", "message": "DM_RV", "gap": "30s", "from": "0s"}]
    ).run(90)
    assert len(run.of("fresh tank", "DM_RV")) <= 3
    assert len(run.of("fresh tank", "TANK_STATUS")) > 12


def test_jitter(vehicle):
    """Frames come up to 300 ms later, never earlier, and not all by the same time; one seed gives one run."""
    still = vehicle().run(60).of("fresh tank", "TANK_STATUS")
    shaken = vehicle(fault=[{"fault": "jitter", "device": "fresh tank", "by": "300ms", "from": "0s"}]).run(61)
    late = [b.time - a.time for a, b in zip(still, shaken.of("fresh tank", "TANK_STATUS"), strict=False)]
    assert 0 <= min(late) < 150_000 < max(late) <= 301_000
    again = vehicle(fault=[{"fault": "jitter", "device": "fresh tank", "by": "300ms", "from": "0s"}]).run(61)
    assert again.frames == shaken.frames


def test_stuck(vehicle):
    """The indoor sensor repeats one value while the cabin warms up, and tells the truth afterwards."""
    plan = fault("stuck", **{**AMBIENT, "device": "indoor sensor"}, until="300s") | {"until": "300s"}
    run = vehicle(fault=[plan]).run(400)
    assert len(set(run.values("indoor sensor", AMBIENT["message"], AMBIENT["field"], 20, 300))) == 1
    assert len(set(run.values("indoor sensor", AMBIENT["message"], AMBIENT["field"], 300))) > 1


@pytest.mark.parametrize(
    ("kind", "more", "during"),
    [
        ("wrong_value", {"value": 900.0}, 900.0),
        ("no_data", {}, None),
        ("out_of_range", {}, None),
        ("wrong_scale", {"factor": 2.0, "offset": 1.0}, -11.0),
    ],
)
def test_what_a_field_says(vehicle, kind, more, during):
    """Outside it is -6 degrees: twice that and one more is -11. Before and after, the sensor says so."""
    run = vehicle(fault=[fault(kind, **AMBIENT, **more)], weather={"outdoor_c": -6.0}).run(60)
    said = run.values(AMBIENT["device"], AMBIENT["message"], AMBIENT["field"], 20, 40)
    assert len(said) >= 3
    assert all(value is None if during is None else value == pytest.approx(during, abs=0.1) for value in said)
    for begin, end in ((0, 20), (40, 60)):
        truth = run.values(AMBIENT["device"], AMBIENT["message"], AMBIENT["field"], begin, end)
        assert truth
        assert all(value == pytest.approx(-6.0, abs=0.04) for value in truth)


def test_out_of_range_and_no_data_are_different_codes(vehicle):
    """FFFE and FFFF in a field of 16 bits (rv-c.com's table of data types)."""
    codes = {}
    for kind in ("no_data", "out_of_range"):
        run = vehicle(fault=[fault(kind, **AMBIENT)]).run(40)
        (codes[kind],) = {frame.data[1:3].hex() for frame in run.of(AMBIENT["device"], AMBIENT["message"], 20, 40)}
    assert codes == {"no_data": "ffff", "out_of_range": "feff"}


def test_drift(vehicle):
    """36 degrees an hour is one in 100 s, from nothing at the beginning."""
    run = vehicle(fault=[{"fault": "drift", **AMBIENT, "per_hour": 36.0, "from": "20s"}], weather={"outdoor_c": 5.0})
    run.run(420)
    said = run.values(AMBIENT["device"], AMBIENT["message"], AMBIENT["field"], 20)
    assert said[0] == pytest.approx(5.0, abs=0.1)
    assert said[-1] == pytest.approx(5.0 + 4.0, abs=0.1)


def test_noise(vehicle):
    """Off by up to two degrees, up and down, not always the same."""
    run = vehicle(fault=[{"fault": "noise", **AMBIENT, "by": 2.0, "from": "0s"}], weather={"outdoor_c": 5.0}).run(600)
    said = run.values(AMBIENT["device"], AMBIENT["message"], AMBIENT["field"])
    assert 3.0 - 0.04 <= min(said) < 3.6
    assert 6.4 < max(said) <= 7.0 + 0.04
    assert len(set(said)) > 50


def test_wrong_instance(vehicle):
    """The fresh tank says it is tank 7."""
    run = vehicle(fault=[fault("wrong_instance", device="fresh tank", instance=7)]).run(60)
    said = [frame.data[0] for frame in run.of("fresh tank", "TANK_STATUS", 20, 40)]
    assert set(said) == {7}
    assert 7 not in {frame.data[0] for frame in run.of("fresh tank", "TANK_STATUS", 40)}


def test_shared_instance(vehicle, rig):
    """The grey tank speaks for the fresh tank's instance."""
    (fresh,) = next(plan.functions["tank"] for plan in rig.devices if plan.name == "fresh tank")
    run = vehicle(fault=[fault("shared_instance", device="grey tank", **{"as": "fresh tank"})]).run(60)
    assert {frame.data[0] for frame in run.of("grey tank", "TANK_STATUS", 20, 40)} == {fresh}
    assert fresh not in {frame.data[0] for frame in run.of("grey tank", "TANK_STATUS", 0, 20)}


def test_firmware_reset(vehicle):
    """The roof fan restarts as fan 5: it says so, obeys commands to 5 and no longer those to 1; at the end it is 1."""
    run = vehicle(
        fault=[
            {"fault": "firmware_reset", "device": "roof fan", "instance": 5, "from": "20s"},
            {"fault": "silent", "device": "control panel", "from": "0s"},
        ],
        step=[{"at": "30s", "send": turn(5, 50)}, {"at": "45s", "send": turn(1, 100)}],
    ).run(60)
    assert run.of("roof fan", "ADDRESS_CLAIM", 21.9, 23)
    assert {frame.data[0] for frame in run.of("roof fan", "ROOF_FAN_STATUS_1", 22)} == {5}
    assert run.values("roof fan", "ROOF_FAN_STATUS_1", "fan_speed_setting", 31, 45)[-1] == 50.0
    assert run.values("roof fan", "ROOF_FAN_STATUS_1", "fan_speed_setting", 46)[-1] == 50.0


def test_short_frame(vehicle):
    """Three bytes and no more, of the named message only."""
    run = vehicle(fault=[fault("short_frame", device="fresh tank", length=3, message="TANK_STATUS")]).run(60)
    assert {len(frame.data) for frame in run.of("fresh tank", "TANK_STATUS", 20, 40)} == {3}
    assert {len(frame.data) for frame in run.of("fresh tank", "DM_RV", 20, 40)} == {8}


def test_a_command_is_ignored_or_delayed(vehicle):
    """Without the fault the fan turns at once; ignored it never does; delayed by 4 s it does then."""
    more = {"step": [{"at": "25s", "send": turn(1, 50)}]}
    quiet = {"fault": "silent", "device": "control panel", "from": "0s"}

    def turns(*faults):
        run = vehicle(fault=[quiet, *faults], **more).run(60)
        field = run.catalogue.by_name("ROOF_FAN_STATUS_1").by_name["fan_speed_setting"]
        said = run.of("roof fan", "ROOF_FAN_STATUS_1", 25)
        return next((frame.time / 1e6 for frame in said if field.raw_in(frame.data) == 100), None)

    assert 25 <= turns() < 25.2
    assert turns(fault("command_ignored", device="roof fan")) is None
    assert turns(fault("command_ignored", device="roof fan", message="FURNACE_COMMAND")) == turns()
    assert 29 <= turns(fault("command_delayed", device="roof fan", by="4s")) < 29.2


def test_restart(vehicle):
    """For two seconds nothing, then a claim, then its messages."""
    run = vehicle(fault=[{"fault": "restart", "device": "heater", "from": "20s"}]).run(60)
    assert run.of("heater", begin=20, end=22) == []
    assert dgn_of(run.of("heater", begin=22)[0].identifier) == CLAIM
    assert HEARTBEAT in dgns(run.of("heater", begin=22))


def test_brown_out_of_a_branch(vehicle):
    """Both devices are off the wires, and both claim when the supply is back."""
    run = vehicle(fault=[fault("brown_out", devices=["heater", "roof fan"])]).run(60)
    for device in ("heater", "roof fan"):
        assert run.of(device, begin=20, end=40) == []
        assert dgn_of(run.of(device, begin=40)[0].identifier) == CLAIM
    assert run.of("charger", begin=20, end=40)


def test_reported(vehicle):
    """The heartbeat carries SPN and FMI with the lamp while it lasts."""
    plan = fault("reported", device="heater", function="furnace", spn=1234, fmi=5, lamp="red")
    run = vehicle(fault=[plan]).run(60)
    assert 1234 in run.values("heater", "DM_RV", "spn", 20, 40)
    assert 1234 not in run.values("heater", "DM_RV", "spn", 0, 20) + run.values("heater", "DM_RV", "spn", 41)


def test_faults_on_top_of_each_other(vehicle):
    """One silence ends while another still lasts: the device stays silent until the last has ended."""
    both = [fault("silent", device="heater"), {"fault": "silent", "device": "heater", "from": "30s", "until": "50s"}]
    run = vehicle(fault=both).run(60)
    assert run.of("heater", begin=20, end=50) == []
    assert run.of("heater", begin=50)


def test_every_impossible_fault_is_named_at_once(vehicle):
    """Unknown messages and fields, values that cannot be said, devices that cannot do it: a line for each."""
    ambient = {"device": "outdoor sensor", "message": AMBIENT["message"], "field": AMBIENT["field"]}
    faults = [
        {"fault": "no_data", **ambient, "message": "THERMOSTAT_AMBIENT_STATU", "from": "1s"},
        {"fault": "no_data", **ambient, "field": "temperature", "from": "1s"},
        {"fault": "wrong_value", **ambient, "value": 1e6, "from": "1s"},
        {"fault": "no_data", "device": "heater", "message": "DM_RV", "field": "spn", "from": "1s"},
        {"fault": "no_data", **ambient, "message": "FURNACE_STATUS", "field": "heat_output_level", "from": "1s"},
        {"fault": "reported", "device": "heater", "function": "furnac", "spn": 1, "fmi": 1, "from": "1s"},
        {"fault": "shared_instance", "device": "heater", "as": "fresh tank", "from": "1s"},
        {"fault": "command_ignored", "device": "fresh tank", "from": "1s"},
        {"fault": "reported", "device": "charger", "function": "dc_source", "spn": 1, "fmi": 1, "from": "1s"},
    ]
    with pytest.raises(InputError) as caught:
        vehicle(fault=faults)
    problems = caught.value.problems
    assert problems[0].startswith("t.toml, fault 1 (no_data): no message is called THERMOSTAT_AMBIENT_STATU (did you")
    assert "fault 2 (no_data): THERMOSTAT_AMBIENT_STATUS has no field temperature" in problems[1]
    assert "is outside -273.00000 to 1774.81250" in problems[2]
    assert "DM_RV spn has no code for no data: choose another field" in problems[3]
    assert (
        "outdoor sensor does not have the function furnace and never sends FURNACE_STATUS; it sends THERM"
        in problems[4]
    )
    assert 'heater reports no faults of furnac (did you mean "furnace"?)' in problems[5]
    assert "heater and fresh tank have no function in common" in problems[6]
    assert "the functions of fresh tank have no commands; name the message" in problems[7]
    assert "charger reports no faults of dc_source; its functions are charger" in problems[8]
    assert len(problems) == 9


def test_a_device_that_says_no_instance_has_no_wrong_one(loaded, catalogue):
    """A panel that is nothing but a panel has no status in which one stands."""
    text = '[[change]]\ndevice = "control panel"\nfunctions = { control_panel = 1 }\n'
    text += '[[fault]]\nfault = "wrong_instance"\ndevice = "control panel"\ninstance = 2\nfrom = "1s"\n'
    one = loaded(text)
    with pytest.raises(InputError) as refused:
        planned_faults(
            one.scenario.faults, lambda number: f"t, fault {number + 1} (wrong_instance)", one.rig, catalogue, 1
        )
    assert refused.value.problems == (
        "t, fault 1 (wrong_instance): control panel sends no message with an instance that could be changed",
    )


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({"fault": "silent", "device": "heater"}, "nothing starts it"),
        ({"fault": "silent", "device": "heater", "name": "n", "until": "3s"}, "until needs from"),
        ({"fault": "silent", "device": "heater", "from": "3s", "until": "2s"}, "is not after from"),
        ({"fault": "silent", "device": "heatr", "from": "3s"}, 'did you mean "heater"'),
        ({"fault": "short_frame", "device": "heater", "length": 8, "from": "1s"}, "less than or equal to 7"),
        (
            {"fault": "reported", "device": "heater", "function": "furnace", "spn": 0x7FFFF, "fmi": 1, "from": "1s"},
            "less",
        ),
        ({"fault": "reported", "device": "heater", "function": "furnace", "spn": 1, "fmi": 32, "from": "1s"}, "less"),
    ],
)
def test_what_no_fault_can_be_is_refused(vehicle, plan, said):
    """In the words of the check that refuses it."""
    with pytest.raises(ValidationError, match=said):
        vehicle(fault=[plan])


def test_every_fault_says_whom_it_befalls_and_when(vehicle):
    """For `--explain`, with times as they were written."""
    plans = vehicle(
        fault=[fault("silent", device="heater"), {"fault": "bus_errors", "rate": 0.1, "name": "noise"}]
    ).loaded.scenario.faults
    assert [(plan.location, plan.when) for plan in plans if isinstance(plan, FaultPlan)] == [
        ("heater", "from 20 s until 40 s"),
        ("the wires", 'when a step starts "noise"'),
    ]


def test_supplies_that_fail_one_over_the_other(vehicle):
    """The device is off the wires, and acknowledges nothing, until the last of them is over; then it claims once."""
    plans = [
        {"fault": "brown_out", "devices": ["heater"], "from": "20s", "until": "40s"},
        {"fault": "restart", "device": "heater", "from": "30s", "takes": "20s"},
    ]
    run = vehicle(fault=plans).run(45)
    assert "heater" not in [node.name for node in run.bench.line.controllers.values()]
    assert run.run(60).of("heater", begin=20, end=50) == []
    assert "heater" in [node.name for node in run.bench.line.controllers.values()]
    assert len(run.of("heater", "ADDRESS_CLAIM", begin=50)) == 1


def test_a_fault_that_begins_again_remembers_nothing(vehicle):
    """A drift that is started anew begins at the truth; started while it lasts it goes on, and one stop ends it."""
    steps = [
        {"at": "20s", "start": "away"},
        {"at": "200s", "stop": "away"},
        {"at": "300s", "start": "away"},
        {"at": "310s", "start": "away"},
        {"at": "400s", "stop": "away"},
    ]
    plan = {"fault": "drift", **AMBIENT, "per_hour": 360.0, "name": "away"}
    run = vehicle(fault=[plan], step=steps, weather={"outdoor_c": 5.0}, lasts="450s").run(450)

    def said(begin, end):
        return run.values(AMBIENT["device"], AMBIENT["message"], AMBIENT["field"], begin, end)

    assert said(190, 200)[-1] > 15
    for begin, end in ((205, 300), (300, 306), (402, 450)):
        assert all(value == pytest.approx(5.0, abs=0.9) for value in said(begin, end))
    assert 12 < said(390, 400)[-1] < 15


def test_a_restart_is_started_as_often_as_a_step_says(vehicle):
    """It ends by itself, so no step has to stop it before the next."""
    plan = {"fault": "restart", "device": "heater", "name": "again"}
    run = vehicle(fault=[plan], step=[{"every": "20s", "from": "10s", "start": "again"}]).run(60)
    for begin in (10, 30, 50):
        assert run.of("heater", begin=begin, end=begin + 2) == []
        assert run.of("heater", "ADDRESS_CLAIM", begin + 2, begin + 3)


def test_a_battery_whose_protection_opens(vehicle):
    """Without shore power the whole vehicle is dark, and starts anew afterwards; with it the charger holds the bus."""
    unplugged = {"at": "1s", "change": {"shore_power": False}}
    run = vehicle(fault=[fault("protection_opens")], step=[unplugged]).run(60)
    assert run.of("heater", begin=21, end=40) == run.of("charger", begin=21, end=40) == []
    assert CLAIM in dgns(run.of("heater", begin=40))
    held = vehicle(fault=[fault("protection_opens")]).run(60)
    assert len(held.of("heater", begin=21, end=40)) > 5
    assert held.values("battery monitor", "DC_SOURCE_STATUS_1", "dc_current", begin=25, end=39)[-1] == pytest.approx(
        0, abs=0.2
    )


def test_a_battery_has_to_be_in_the_rig(vehicle):
    """The line says which there are."""
    with pytest.raises(InputError, match=r'"starter" is not in the rig; its batteries are house'):
        vehicle(fault=[fault("protection_opens", battery="starter")])
