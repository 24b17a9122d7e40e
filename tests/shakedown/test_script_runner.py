"""What a script asks of whoever runs it, and faults that cannot be where others stand in for a device."""

import pytest

from rvsim.errors import InputError

SEND = {"identifier": "18FF00F9", "bytes": "01 02"}
BY_FRAME = {"when": {"seen": {"device": "heater"}}, "send": SEND}
BY_VALUE = {"when": {"value": "cabin", "above": 90.0}, "send": SEND}


@pytest.mark.parametrize(
    ("steps", "frames", "values"),
    [([], False, False), ([BY_FRAME], True, False), ([BY_VALUE], False, True), ([BY_FRAME, BY_VALUE], True, True)],
)
def test_what_a_script_waits_for(vehicle, steps, frames, values):
    """Frames, values of the vehicle, both or neither: a run hands on no more than that."""
    made = vehicle(step=[{"at": "1s", "send": SEND}, *steps])
    assert (made.loaded.scenario.waits_for_frames, made.script.waits_for_values) == (frames, values)


def test_no_fault_of_a_device_that_others_stand_in_for(vehicle):
    """A line for each, with what to do instead; faults of those that are simulated are left alone."""
    faults = [
        {"fault": "silent", "device": "heater", "from": "1s"},
        {"fault": "silent", "device": "charger", "from": "1s"},
        {"fault": "brown_out", "devices": ["heater", "charger", "roof fan"], "from": "1s"},
        {"fault": "bus_errors", "rate": 0.1, "from": "1s"},
    ]
    with pytest.raises(InputError) as refused:
        vehicle(fault=faults, absent=["charger", "roof fan"])
    do = "is not simulated here, so the bench cannot make it faulty; simulate it, or make the device itself faulty"
    assert refused.value.problems == (
        f"t.toml, fault 2 (silent): charger {do}",
        f"t.toml, fault 3 (brown_out): charger {do}",
        f"t.toml, fault 3 (brown_out): roof fan {do}",
    )
    assert vehicle(fault=faults[:1], absent=["charger"]).run(5).of("charger") == []


def test_a_step_that_waits_counts_once_for_each_crossing(vehicle):
    """Beyond the limit it has happened; only when it was back may it happen again, with each_time."""
    once = {"when": {"value": "cabin", "above": 20.0}, "send": SEND}
    run = vehicle(step=[once, {**once, "each_time": True}])

    class World:
        cabin_c = 0.0

    for second, celsius in enumerate((25, 26, 15, 25, 25), start=1):
        run.run(second)
        World.cabin_c = celsius
        run.script.observe_second(World)
    run.run(6)
    times = [round(frame.time / 1e6, 1) for frame in run.frames if frame.identifier == 0x18FF00F9]
    assert times == [1.0, 1.0, 4.0]


def test_a_step_hides_no_mistake_of_the_fault_that_it_starts(vehicle):
    """The fault's own line is told, and that alone."""
    fault = {"fault": "no_data", "device": "heater", "message": "DM_R", "field": "spn", "name": "gone"}
    with pytest.raises(InputError) as refused:
        vehicle(fault=[fault], step=[{"at": "1s", "start": "gone"}, {"at": "2s", "stop": "gone"}])
    (told,) = refused.value.problems
    assert told.startswith("t.toml, fault 1 (no_data): no message is called DM_R")
