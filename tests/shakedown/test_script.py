"""Steps of a script: when they are due, what they send, and what they wait for, on the whole vehicle."""

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.shakedown.script import SendPlan, StepPlan
from rvsim.shakedown.script_runner import BENCH_ADDRESS, frame_to_send

FRAME = {"identifier": "18FF00F9", "bytes": "01 02"}
TURN = {"message": "ROOF_FAN_COMMAND_1", "fields": {"instance": 1, "system_status": "on", "fan_speed_setting": 50}}


def sent(run):
    """When the frame of the steps was on the wires, in seconds."""
    return [round(frame.time / 1e6, 2) for frame in run.frames if frame.identifier == 0x18FF00F9]


def test_at_a_time(vehicle):
    """Once, then; not where the run is over before."""
    assert sent(vehicle(step=[{"at": "3s", "send": FRAME}, {"at": "90s", "send": FRAME}]).run(60)) == [3.0]


def test_again_and_again(vehicle):
    """From the beginning of its time to just before the end of it."""
    step = {"every": "10s", "from": "5s", "until": "35s", "send": FRAME}
    assert sent(vehicle(step=[step]).run(60)) == [5.0, 15.0, 25.0]
    assert len(sent(vehicle(step=[{"every": "10s", "send": FRAME}]).run(60))) == 6


def test_a_part_of_the_run_may_have_many(vehicle):
    """What counts is how often it is done in its part, not how often it would be in the whole run."""
    step = {"every": "0.05ms", "from": "1s", "until": "1.001s", "send": FRAME}
    assert len(StepPlan.model_validate(step).times(60_000_000)) == 20
    assert len(sent(vehicle(step=[step]).run(2))) == 20


def test_what_is_due_at_the_end_is_not_done():
    """The end does not belong to the run."""
    for step in ({"at": "60s", "send": FRAME}, {"every": "1s", "from": "60s", "send": FRAME}):
        assert list(StepPlan.model_validate(step).times(60_000_000)) == []
        assert list(StepPlan.model_validate(step).times(60_000_001)) == [60_000_000]


def test_a_fault_by_its_name(vehicle):
    """It begins and ends by steps; without one it never does."""
    fault = {"fault": "silent", "device": "heater", "name": "gone"}
    run = vehicle(fault=[fault], step=[{"at": "20s", "start": "gone"}, {"at": "40s", "stop": "gone"}]).run(60)
    assert run.of("heater", begin=20, end=40) == []
    assert run.of("heater", begin=40)
    assert vehicle(fault=[fault]).run(60).of("heater", begin=20, end=40)


class Heard:
    """What a run hands to its script: frames by device, and seconds."""

    def __init__(self, run):
        self.run, self.script = run, run.script
        run.bench.on_frame = self.frame

    def frame(self, frame):
        """Hand a frame on."""
        self.run.frames.append(frame)
        names = {plan.address: plan.name for plan in self.run.loaded.rig.devices}
        self.script.observe_frame(frame, names.get(frame.identifier & 0xFF, "?"))

    def seconds(self, end):
        """Run, and hand on each second."""
        for second in range(1, end + 1):
            self.run.run(second)
            self.script.observe_second(self.run.bench.world)
        return self.run


def test_when_something_is_seen(vehicle):
    """The first time, or each time; so long after it as it waits."""
    seen = {"seen": {"device": "heater", "message": "FURNACE_STATUS"}}
    once = Heard(vehicle(step=[{"when": seen, "wait": "2s", "send": FRAME}])).seconds(30)
    statuses = [frame.time / 1e6 for frame in once.of("heater", "FURNACE_STATUS")]
    assert sent(once) == [pytest.approx(statuses[0] + 2, abs=0.02)]
    each = Heard(vehicle(step=[{"when": seen, "each_time": True, "send": FRAME}])).seconds(30)
    assert len(sent(each)) == len(each.of("heater", "FURNACE_STATUS")) > 3


def test_when_a_value_of_the_vehicle_crosses_a_limit(vehicle):
    """Once as it comes to be above; what never happens is told."""
    steps = [
        {"when": {"value": "cabin", "above": 15.5}, "send": FRAME},
        {"when": {"value": "cabin", "below": -40.0}, "send": FRAME},
    ]
    run = Heard(vehicle(step=steps)).seconds(600)
    assert len(sent(run)) == 1
    assert run.script.pending_steps == ["step 2: when cabin is below -40: 18FF00F9 01 02 is sent"]


@pytest.mark.parametrize(("value", "holds"), [(5.0, False), (5.125, True), (4.875, False)])
def test_a_limit_is_crossed_beyond_it(value, holds):
    """The limit itself is neither above nor below it."""
    above = StepPlan.model_validate({"when": {"value": "cabin", "above": 5.0}, "send": FRAME}).when
    below = StepPlan.model_validate({"when": {"value": "cabin", "below": 5.0}, "send": FRAME}).when
    assert above.holds(value) is holds
    assert below.holds(10.0 - value) is holds


def test_what_a_step_sends(catalogue):
    """ROOF_FAN_COMMAND_1 (1FEA6) from the service tool: instance 1, on, 50 % = 100 in the speed; the rest all ones."""
    identifier, data = frame_to_send(SendPlan.model_validate(TURN), catalogue)
    spec = catalogue.by_name("ROOF_FAN_COMMAND_1")
    assert identifier == spec.identifier(BENCH_ADDRESS)
    assert identifier & 0xFF == 249
    said = {reading.field.name: reading.raw for reading in spec.decode(data)}
    assert (said["instance"], said["system_status"], said["fan_speed_setting"]) == (1, 1, 100)
    assert frame_to_send(SendPlan.model_validate(FRAME), catalogue) == (0x18FF00F9, b"\x01\x02")
    request = SendPlan.model_validate({"message": "REQUEST_FOR_DGN", "to": 0x5E})
    assert frame_to_send(request, catalogue)[0] >> 8 & 0xFF == 0x5E
    everybody = SendPlan.model_validate({"message": "REQUEST_FOR_DGN"})
    assert frame_to_send(everybody, catalogue)[0] >> 8 & 0xFF == 0xFF


def test_steps_that_name_what_is_not_there(vehicle):
    """With the faults' mistakes, all at once."""
    steps = [
        {"at": "1s", "send": {"message": "ROOF_FAN_COMMAND_1", "fields": {"fan_sped": 1}}},
        {"at": "1s", "send": {"message": "ROOF_FAN_COMMAND_1", "fields": {"system_status": "onn"}}},
        {"when": {"seen": {"message": "DM_R"}}, "send": FRAME},
        {"every": "0.01ms", "send": FRAME},
    ]
    fault = {"fault": "no_data", "device": "heater", "message": "DM_R", "field": "spn", "from": "1s"}
    with pytest.raises(InputError) as refused:
        vehicle(step=steps, fault=[fault])
    told = refused.value.problems
    assert told[0].startswith("t.toml, fault 1 (no_data): no message is called DM_R")
    assert "t.toml, step 1: ROOF_FAN_COMMAND_1 has no field fan_sped (did you mean" in told[1]
    assert 'step 2: system_status cannot be "onn" (did you mean "on"?)' in told[2]
    assert "step 3: no message is called DM_R" in told[3]
    assert "step 4: the step would be due more than 1000000 times" in told[4]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"send": FRAME}, "write one of at, every and when"),
        ({"at": "1s", "every": "2s", "send": FRAME}, "write one of at, every and when"),
        ({"at": "1s"}, "write one of send, start, stop, change, press, switch and override"),
        (
            {"at": "1s", "send": FRAME, "start": "x"},
            "write one of send, start, stop, change, press, switch and override",
        ),
        ({"at": "1s", "until": "3s", "send": FRAME}, "from and until need every"),
        ({"at": "1s", "wait": "3s", "send": FRAME}, "wait and each_time need when"),
        ({"at": "1s", "send": {}}, "and not both"),
        ({"at": "1s", "send": {"identifier": "1"}}, "needs bytes"),
        ({"at": "1s", "send": {"message": "DM_RV", "bytes": "01"}}, "has fields, not bytes"),
        ({"at": "1s", "send": {"identifier": "1", "bytes": "012"}}, '"012" is not the data of a frame; write up to 8'),
        (
            {"at": "1s", "send": {"identifier": "1", "bytes": "01 02 03 04 05 06 07 08 09"}},
            "is not the data of a frame",
        ),
        ({"at": "1s", "send": {"message": "DM_RV", "to": -1}}, "greater than or equal to 0"),
        ({"at": "1s", "send": {"message": "DM_RV", "to": 256}}, "less than or equal to 255"),
        ({"when": {}, "send": FRAME}, "and not both"),
        ({"when": {"value": "cabin"}, "send": FRAME}, "one limit that the value crosses"),
        ({"when": {"seen": {"device": "a"}, "above": 1.0}, "send": FRAME}, "write them inside seen"),
        ({"every": "0s", "send": FRAME}, "greater than 0"),
    ],
)
def test_steps_that_cannot_be(given, said):
    """In the words of the check."""
    with pytest.raises(ValidationError, match=said):
        StepPlan.model_validate(given)


def test_a_step_starts_no_fault_that_is_not_there():
    """With the names there are."""
    with pytest.raises(ValidationError, match='no fault has the name "gon"; the named faults are gone'):
        StepPlan.model_validate({"at": "1s", "start": "gon"}, context={"faults": ["gone"]})


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"at": "1s", "send": FRAME}, "at 1 s: 18FF00F9 01 02 is sent"),
        ({"every": "1s", "until": "9s", "start": "x"}, 'every 1 s from 0 s until 9 s: "x" starts'),
        ({"when": {"value": "cabin", "above": 3.0}, "stop": "x"}, 'when cabin is above 3: "x" stops'),
        (
            {"when": {"seen": {"device": "a"}}, "wait": "2s", "each_time": True, "send": TURN},
            "2 s after any frame of a is seen, each time: ROOF_FAN_COMMAND_1 with instance 1, system status on, "
            "fan speed setting 50 is sent",
        ),
    ],
)
def test_steps_in_words(given, said):
    """For --explain."""
    assert StepPlan.model_validate(given).sentence == said
