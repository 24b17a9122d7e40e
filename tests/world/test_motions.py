"""What motors move: places, ends, obstructions, and the current that outputs and batteries see."""

from collections.abc import Callable

import pytest

from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.bench import Bench
from rvsim.world.world import World

S = 1_000_000
OUT = {"name": "awning out", "module": "front module", "terminal": 1, "instance": 1, "load": "motor", "amps": 8}
IN = {"name": "awning in", "module": "front module", "terminal": 2, "instance": 2, "load": "motor", "amps": 8}
AWNING = {"name": "awning", "what": "awning", "extend": "awning out", "retract": "awning in"}


def rig_of(*outputs, motion=None, **tables):
    """A rig with a module that moves an awning."""
    return Rig.model_validate(
        {
            "schema": 1,
            "name": "one",
            "title": "T",
            "device": [{"name": "front", "kind": "load_centre", "address": 0x90}],
            "module": [{"name": "front module", "device": "front"}],
            "output": list(outputs or (OUT, IN)),
            "motion": [{**AWNING, **(motion or {})}],
            **tables,
        }
    )


class Vehicle:
    """A world whose outputs a test feeds, with planned calls at their times."""

    def __init__(self, *outputs, **tables):
        self.world = World(rig_of(*outputs, **tables).vehicle, WeatherPlan())
        self.told: list[str] = []
        self.world.on_change = self.told.append
        self._calls: list[tuple[int, int, Callable[[], None]]] = []
        self.now = self._planned = 0
        self.world.motions.after = self._plan

    def _plan(self, delay, call):
        self._planned += 1
        self._calls.append((self.now + delay, self._planned, call))

    def until(self, time):
        """Advance, with everything that was planned."""
        while self._calls and (first := min(self._calls, key=lambda call: call[:2]))[0] <= time:
            self._calls.remove(first)
            self.now = first[0]
            first[2]()
        self.now = time
        self.world.advance(time)

    def feed(self, output, duty=1.0, volts=12.0):
        """Feed an output now; return its current after the start of the motor."""
        return self.world.outputs.set_duty(output, duty, volts, self.now).steady_amps

    @property
    def percent(self):
        """How far it is out."""
        return self.world.motions.percent("awning", self.now)


@pytest.fixture
def vehicle():
    """An awning on two outputs, in."""
    return Vehicle()


def test_it_moves_while_one_output_is_on_and_its_limit_switch_cuts_the_current(vehicle):
    """Half way after half of the travel; at the end the module is told, and sees no current."""
    assert vehicle.feed("awning out") == pytest.approx(8.0)
    vehicle.until(10 * S)
    assert vehicle.percent == pytest.approx(50)
    assert vehicle.told == []
    vehicle.until(20 * S)
    assert vehicle.percent == 100
    assert vehicle.told == ["front"]
    assert vehicle.feed("awning out") == 0
    vehicle.feed("awning out", 0.0)
    vehicle.until(30 * S)
    assert vehicle.world.outputs.set_duty("awning out", 1.0, 12.0, vehicle.now).peak_amps == 0
    vehicle.feed("awning out", 0.0)
    assert vehicle.percent == 100
    assert vehicle.feed("awning in") == pytest.approx(8.0)
    vehicle.until(35 * S)
    assert vehicle.percent == pytest.approx(75)


def test_both_outputs_on_hold_it(vehicle):
    """Both wires of the motor at plus: no current, no motion; it goes on when one of them is off."""
    vehicle.feed("awning out")
    vehicle.until(5 * S)
    assert vehicle.feed("awning in") == 0
    vehicle.until(6 * S)
    assert vehicle.told == ["front"]
    assert vehicle.feed("awning out") == 0
    vehicle.until(9 * S)
    assert vehicle.percent == pytest.approx(25)
    vehicle.feed("awning in", 0.0)
    vehicle.until(11 * S)
    assert vehicle.percent == pytest.approx(35)


def test_an_obstruction_blocks_the_motor_where_it_is(vehicle):
    """Six times the current, and on again from there when it is gone."""
    vehicle.feed("awning out")
    vehicle.until(4 * S)
    vehicle.world.motions.set_obstructed("awning", is_obstructed=True, now=vehicle.now)
    vehicle.until(8 * S)
    assert vehicle.percent == pytest.approx(20)
    assert vehicle.feed("awning out") == pytest.approx(48)
    assert vehicle.feed("awning out", volts=10.0) == pytest.approx(40)
    vehicle.world.motions.set_obstructed("awning", is_obstructed=False, now=vehicle.now)
    vehicle.until(9 * S)
    assert vehicle.feed("awning out") == pytest.approx(8)
    assert vehicle.percent == pytest.approx(25)
    vehicle.world.outputs.set_overload("awning out", 3.0, vehicle.now)
    assert vehicle.feed("awning out") == pytest.approx(11)


@pytest.mark.parametrize("by", ["rig", "fault"])
def test_without_a_limit_switch_the_motor_is_blocked_at_the_end(by):
    """By the rig, or while the fault lasts."""
    one = Vehicle(motion={"stop_at_end": by != "rig", "stall_amps": 20})
    one.world.motions.set_switch_closed("awning", is_closed=by == "fault", now=0)
    assert one.world.outputs.set_duty("awning out", 1.0, 12.0, 0).peak_amps == pytest.approx(20)
    one.until(25 * S)
    assert one.percent == 100
    assert one.feed("awning out") == pytest.approx(20)
    one.world.motions.set_switch_closed("awning", is_closed=False, now=one.now)
    assert (one.feed("awning out") == 0) == (by == "fault")


def test_places_and_times_are_those_of_the_rig():
    """Where it starts, and another time for the way back; half the duty is half the speed."""
    one = Vehicle(motion={"starts": 50.0, "travel": "10s", "travel_back": "40s", "amps": 3})
    assert one.percent == 50
    assert one.feed("awning in") == pytest.approx(3)
    one.until(10 * S)
    assert one.percent == pytest.approx(25)
    one.feed("awning in", 0.0)
    one.feed("awning out", 0.5)
    one.until(15 * S)
    assert one.percent == pytest.approx(50)
    assert one.feed("awning out", 0.5) == pytest.approx(1.5)
    one.until(26 * S)
    assert one.percent == 100


def test_too_little_voltage_an_open_circuit_or_a_lock_move_nothing(vehicle):
    """The motor stands; the lock holds the way out only."""
    vehicle.feed("awning out", volts=5.9)
    vehicle.until(2 * S)
    assert vehicle.percent == 0
    vehicle.world.outputs.set_lamp_out("awning out", is_out=True, now=vehicle.now)
    assert vehicle.feed("awning out") == 0
    vehicle.world.outputs.set_lamp_out("awning out", is_out=False, now=vehicle.now)
    vehicle.until(4 * S)
    assert vehicle.percent == 0
    motion = vehicle.world.motions["awning"]
    vehicle.feed("awning out")
    vehicle.until(8 * S)
    vehicle.world.motions.set_locked(motion, is_locked=True, now=vehicle.now)
    vehicle.until(9 * S)
    assert vehicle.percent == pytest.approx(20)
    vehicle.feed("awning out", 0.0)
    vehicle.feed("awning in")
    vehicle.until(11 * S)
    assert vehicle.percent == pytest.approx(10)


def test_one_output_with_a_changeover_relay_moves_it_both_ways():
    """Out while the coil has current; the rest contact takes it back, and both currents are the contact's."""
    one = Vehicle({**OUT, "relay": "reverser"}, motion={"retract": None}, relay=[
        {"name": "reverser", "contact": "changeover"}
    ])  # fmt: skip
    one.feed("awning out")
    assert one.world.outputs.load_amps("awning out", 5 * S) == pytest.approx(8)
    one.until(5 * S)
    assert one.percent == pytest.approx(25)
    one.feed("awning out", 0.0)
    assert one.world.outputs.load_amps("awning out", 9 * S) == pytest.approx(8)
    one.until(7 * S)
    assert one.percent == pytest.approx(15)
    one.until(12 * S)
    assert one.percent == 0
    assert one.world.battery_amps == pytest.approx(0)


def test_a_welded_relay_moves_it_to_its_end():
    """Whatever its output does; the limit switch ends it, and the battery gives nothing any more."""
    one = Vehicle({**OUT, "relay": "out relay"}, IN, relay=[{"name": "out relay"}])
    one.world.outputs.set_relay_fault("out relay", "welded", 0)
    one.until(10 * S)
    assert one.world.battery_amps == pytest.approx(8)
    one.until(21 * S)
    assert one.percent == 100
    assert one.world.battery_amps == 0
    with pytest.raises(KeyError):
        one.world.motion_percent("nothing")


def test_the_soft_trip_of_a_module_acts_on_a_blocked_motor(catalogue):
    """48 A against a limit of 15 A: after 2 s, reported as an over-current; a free way to the end does not trip."""
    rig = rig_of({**OUT, "limit_amps": 15}, IN)
    bench = Bench(rig, catalogue, kinds_by_name())
    bench.run_until(2 * S)
    bench.send(0x19FFBC44, bytes.fromhex("01FFC8FF00FFFFFF"))
    bench.run_until(12 * S)
    assert bench.world.battery_amps == pytest.approx(8.05, abs=0.1)
    bench.world.motions.set_obstructed("awning", is_obstructed=True, now=bench.now)
    bench.run_until(13 * S)
    assert bench.world.battery_amps > 40
    bench.run_until(15 * S)
    assert bench.world.battery_amps < 0.2
    bench.world.motions.set_obstructed("awning", is_obstructed=False, now=bench.now)
    bench.run_until(60 * S)
    assert bench.world.motion_percent("awning") == 100
    assert not bench.failures


def test_without_its_power_a_module_moves_nothing(catalogue):
    """It stands where it was; with a changeover relay, whose coil lets go, it goes back by itself."""
    for relay, percents in ((None, [25, 25]), ("reverser", [25, 0])):
        tables = {} if relay is None else {"relay": [{"name": relay, "contact": "changeover"}]}
        way = {} if relay is None else {"retract": None}
        bench = Bench(rig_of({**OUT, "relay": relay}, IN, motion=way, **tables), catalogue, kinds_by_name())
        bench.run_until(2 * S)
        bench.send(0x19FFBC44, bytes.fromhex("01FFC8FF00FFFFFF"))
        bench.run_until(7 * S)
        bench.switch_off("front")
        found = [bench.world.motion_percent("awning")]
        bench.run_until(20 * S)
        bench.switch_on("front")
        bench.run_until(30 * S)
        found.append(bench.world.motion_percent("awning"))
        assert [round(percent) for percent in found] == percents
        assert bench.world.battery_amps == pytest.approx(0.05, abs=0.02)
