"""What is chosen on the screen, and what is known of each device."""

import pytest

from rvsim.faces.screen.fault_targets import Target
from rvsim.faces.screen.scene import Order, Page
from rvsim.watch.transitions import Presence


def device(scene, name):
    """The roll-call record of a device."""
    return next(one for one in scene.devices() if one.device == name)


def test_devices_stand_as_the_rig_lists_them(seen):
    """The first order is the rig's own."""
    run = seen()
    assert [one.device for one in run.scene.devices()] == [plan.name for plan in run.loaded.rig.devices]


def test_by_zone_those_without_a_zone_come_last(seen):
    """Ordered by zone, the devices of one zone stand together."""
    run = seen()
    run.scene.order = Order.ZONE
    zones = [run.scene.plans[one.device].zone for one in run.scene.devices()]
    named = [zone for zone in zones if zone]
    assert zones == sorted(named) + [None] * (len(zones) - len(named))


def test_trouble_first(watched):
    """Ordered by trouble, a fault goes before a warning and a warning before the rest."""
    run = watched("heater_goes_quiet", 100)
    run.manual_faults.silence("charger")
    run.until(130)
    run.scene.order = Order.TROUBLE
    first = [one.device for one in run.scene.devices()][:2]
    assert first == ["charger", "outdoor sensor"]


def test_who_waits_on_whom_is_heard_on_the_wires(seen):
    """The panel commands heater, fan and pump, so it waits on them; nobody commands a sensor."""
    scene = seen().scene
    for name in ("heater", "roof fan", "circulation pump"):
        assert scene.commanders(device(scene, name)) == ["control panel"]
    assert scene.commanders(device(scene, "indoor sensor")) == []


def test_how_long_a_message_is_overdue(seen):
    """A heater that stopped at 20 s has its oldest 5-second message due since about 20.5 s at 30 s."""
    run = seen("heater_goes_quiet", 30)
    late = run.scene.overdue("heater")
    assert late is not None
    assert 5_000_000 < late < 10_000_000
    assert run.scene.overdue("control panel") is None


def test_the_rigs_limits_are_the_ends_of_a_rail(seen):
    """The indoor sensor's rail goes from the rig's -30 to its 60 degC, the furnace's from 0 to 100 %."""
    scene = seen().scene
    rails = {name: scene.sent.of(device(scene, name))[0][1].rails[0] for name in ("indoor sensor", "heater")}
    ends = {name: scene.sent.limits(name, rail) for name, rail in rails.items()}
    assert ends == {"indoor sensor": (-30.0, 60.0), "heater": (0.0, 100.0)}


def test_the_charger_leaves_the_battery_to_the_monitor(seen):
    """Once the monitor speaks for the battery the charger has nothing to say of it, without being late."""
    scene = seen("winter_evening", 60).scene
    assert [title for title, _ in scene.sent.of(device(scene, "charger"))] == ["charger 1"]
    assert [title for title, _ in scene.sent.of(device(scene, "battery monitor"))] == ["DC source 1"]
    assert device(scene, "charger").state is Presence.PRESENT


@pytest.mark.parametrize(
    ("name", "page", "piece", "expected"),
    [
        ("indoor sensor", Page.ABOARD, None, Target("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature")),
        ("heater", Page.ABOARD, None, Target("FURNACE_STATUS", "heat_output_level")),
        ("heater", Page.TAPE, 2, Target("FURNACE_STATUS", "circulation_fan_speed")),
        ("heater", Page.TAPE, 0, Target("FURNACE_STATUS", "operating_mode")),
    ],
)
def test_which_reading_a_manual_fault_acts_on(seen, name, page, piece, expected):
    """Aboard it is the device's first number, on the tape the open byte; never the instance."""
    scene = seen().scene
    scene.choose(name)
    scene.page, scene.piece_index = page, piece
    assert scene.target() == expected


def test_numbers_leave_their_past_on_the_rail(watched):
    """After a minute of looking the cabin's way is known."""
    run = watched("winter_evening", 5)
    for second in range(10, 130, 5):
        run.until(second)
        spoken = run.scene.sent.of(device(run.scene, "indoor sensor"))
    ((title, words),) = spoken
    change = run.scene.sent.change_per_minute("indoor sensor", title, words.rails[0])
    assert change is not None
    assert change == pytest.approx(0, abs=0.5)
    assert run.scene.sent.past_value("indoor sensor", title, words.rails[0]) == pytest.approx(15.0, abs=0.2)


def test_a_number_that_is_flagged_has_no_trend(watched):
    """From 90 s on the outdoor sensor reports 900 °C: it has no trend, nor has its value before."""
    run = watched("heater_goes_quiet", 5)
    changes = {}
    for second in range(10, 95, 5):
        run.until(second)
        ((title, words),) = run.scene.sent.of(device(run.scene, "outdoor sensor"))
        changes[second] = run.scene.sent.change_per_minute("outdoor sensor", title, words.rails[0])
    assert changes[80] == pytest.approx(0, abs=0.5)
    run.until(92)
    ((title, words),) = run.scene.sent.of(device(run.scene, "outdoor sensor"))
    assert words.rails[0].reading.value == 900
    assert run.scene.sent.change_per_minute("outdoor sensor", title, words.rails[0]) is None
    assert run.scene.sent.past_value("outdoor sensor", title, words.rails[0]) is None


def test_the_tape_begins_with_the_devices_own_status(seen):
    """The heater's tape begins with FURNACE_STATUS, whatever it happened to say first."""
    scene = seen().scene
    scene.choose("heater")
    assert [last.topic.message for last in scene.chosen_frames()][:2] == ["FURNACE_STATUS", "WATERHEATER_STATUS"]
    scene.topic_index = 1000
    assert scene.tape_frame() is not None


def test_one_moment_has_one_roll_call(watched):
    """Within one moment the roll call is taken once; after it, it is that of the watch again."""
    run = watched()
    with run.scene.one_moment():
        first = run.scene.roll_call
        assert run.scene.roll_call is first
    before = device(run.scene, "heater").last_heard
    run.until(run.scene.now // 1_000_000 + 60)
    assert device(run.scene, "heater").last_heard > before
