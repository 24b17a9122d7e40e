"""What can be done by hand to a run, on the shipped evening in virtual time."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.manual_faults import ManualFaults
from rvsim.shakedown.scenario import load_scenario
from rvsim.shakedown.script_runner import BENCH_ADDRESS
from rvsim.sim.bench import Passed
from rvsim.watch.transitions import Presence
from rvsim.watch.watch import FlagRaised
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

HEATER, PANEL, INDOOR, OUTDOOR = 0x5E, 0x44, 0x91, 0x92
FURNACE, THERMOSTAT, AIR = 0x1FFE4, 0x1FFE2, 0x1FF9C
COMMAND = 0x1FEF9
"""THERMOSTAT_COMMAND_1."""


class Evening:
    """A run, hands on it, and every frame and flag that came out."""

    def __init__(self, catalogue, scenario: str):
        self.frames, self.raised = [], []
        loaded = load_scenario(scenario, kinds=settings_models())
        self.run = VirtualBenchRun(loaded, catalogue, self, seed=1)
        self.hands = ManualFaults(self.run)

    def frame(self, frame):
        """Keep a frame."""
        self.frames.append(frame)

    def events(self, events):
        """Keep the flags."""
        self.raised += [(e.flag.kind, e.flag.subject.split(",")[0]) for e in events if isinstance(e, FlagRaised)]

    def end(self, time, watch):
        """Not asked."""

    def flush(self):
        """Nothing is held back."""

    def until(self, seconds: float) -> "Evening":
        """Let simulated time go on."""
        self.run.until(round(seconds * SECOND_US))
        return self

    def sent(self, source: int, dgn: int | None = None, since: float = 0) -> list[str]:
        """The bytes that a source has sent, of one DGN or all."""
        return [
            frame.data.hex(" ").upper()
            for frame in self.frames
            if frame.identifier & 0xFF == source
            and (dgn is None or dgn_of(frame.identifier) == dgn)
            and frame.time >= since * SECOND_US
        ]

    def state(self, device: str) -> Presence | None:
        """Where a device stands in the roll call."""
        return next(one.state for one in self.run.watch.roll_call if one.device == device)


@pytest.fixture
def evening(catalogue):
    """Start a run: ``evening(30)`` stands at 30 s of the winter evening."""
    return lambda seconds=30, scenario="winter_evening": Evening(catalogue, scenario).until(seconds)


def test_silence_takes_a_device_off_the_wires(evening):
    """Not one frame of it comes through, others do, and the watch finds it silent."""
    run = evening(30)
    assert run.hands.silence("heater") == "heater silenced"
    run.until(60)
    assert run.sent(HEATER, since=30) == []
    assert run.sent(PANEL, since=30)
    assert run.state("heater") is Presence.SILENT
    assert ("silent-device", "heater") in run.raised
    assert {subject for _, subject in run.raised} == {"heater"}


def test_restore_restores_it(evening):
    """It speaks again, and is present again without a flag standing."""
    run = evening(30)
    run.hands.silence("heater")
    run.until(60)
    assert run.hands.restore("heater") == "heater: manual faults removed"
    run.until(70)
    assert run.sent(HEATER, FURNACE, since=60)
    assert run.state("heater") is Presence.PRESENT
    assert run.run.watch.flags == ()


def test_a_fault_by_hand_is_known_until_it_is_taken_back(evening):
    """Each device by itself; a second return finds nothing to take back."""
    run = evening(1)
    assert not run.hands.has_fault("heater")
    run.hands.silence("heater")
    run.hands.silence("heater")
    assert run.hands.has_fault("heater")
    assert not run.hands.has_fault("charger")
    assert run.hands.restore("charger") == "charger: no manual fault to remove"
    assert run.hands.restore("heater") == "heater: manual faults removed"
    assert not run.hands.has_fault("heater")
    assert run.hands.restore("heater") == "heater: no manual fault to remove"
    assert run.until(8).sent(HEATER, FURNACE, since=1)


def test_restore_leaves_what_the_scenario_plans(evening):
    """The scenario silences the heater from 20 to 60 s, whatever was done and taken back by hand."""
    run = evening(10, "heater_goes_quiet")
    run.hands.silence("heater")
    run.hands.restore("heater")
    run.until(70)
    assert run.sent(HEATER, since=10) != run.sent(HEATER, since=20.1) == run.sent(HEATER, since=60)


def test_every_fault_by_hand_is_taken_back_at_once(evening):
    """Held, corrupted and silenced: one return, and all three are gone."""
    run = evening(30)
    run.hands.hold("heater", "FURNACE_STATUS", "heat_output_level")
    run.hands.corrupt("heater", "FURNACE_STATUS", "circulation_fan_speed")
    run.hands.silence("heater")
    run.hands.restore("heater")
    undisturbed = evening(45).sent(HEATER, FURNACE, since=30)
    assert run.until(45).sent(HEATER, FURNACE, since=30) == undisturbed


def test_a_held_reading_repeats_what_it_says_next(evening):
    """The indoor sensor goes on saying one temperature while the cabin warms; taken back, it says the true one."""
    run = evening(30)
    said = run.hands.hold("indoor sensor", "THERMOSTAT_AMBIENT_STATUS", "ambient_temperature")
    assert said == "indoor sensor holds its ambient temperature"
    run.until(120)
    free = evening(120).sent(INDOOR, AIR, since=30)
    assert run.sent(INDOOR, AIR, since=30) == [free[0]] * len(run.sent(INDOOR, AIR, since=30))
    assert len(set(free)) > 1
    run.hands.restore("indoor sensor")
    assert run.until(130).sent(INDOOR, AIR, since=120)[0] != free[0]


def test_a_corrupted_reading_says_the_highest_value(evening):
    """FAFF hex is the highest 16-bit value (65530: rv-c.com/node/500): 1774.81 °C, which is flagged as a bad value."""
    run = evening(30)
    said = run.hands.corrupt("outdoor sensor", "THERMOSTAT_AMBIENT_STATUS", "ambient_temperature")
    assert said == "outdoor sensor reports a corrupted ambient temperature: 1774.81 °C"
    run.until(40)
    assert {data[3:8] for data in run.sent(OUTDOOR, AIR, since=30)} == {"FA FF"}
    assert run.raised == [("bad-value", "outdoor sensor")]
    run.hands.restore("outdoor sensor")
    run.until(60)
    assert run.run.watch.flags == ()


@pytest.mark.parametrize(
    ("device", "message", "field", "shown", "held"),
    [
        ("battery monitor", "DC_SOURCE_STATUS_1", "dc_current", "2294967.290 A", "FA FF FF FF"),
        ("heater", "FURNACE_STATUS", "heat_output_level", "out of range", "FE"),
        ("roof fan", "ROOF_FAN_STATUS_1", "dome_position", "14", None),
    ],
)
def test_every_width_of_field_can_be_corrupted(evening, device, message, field, shown, held):
    """The sentence names the value as it will be read; where the highest is believable, the code for out of range."""
    run = evening(10)
    said = run.hands.corrupt(device, message, field)
    assert said == f"{device} reports a corrupted {field.replace('_', ' ')}: {shown}"
    dgn = run.run.catalogue.by_name(message).dgn
    source = next(one.source for one in run.run.watch.roll_call if one.device == device)
    sent = run.until(20).sent(source, dgn, since=10)
    assert sent
    assert held is None or all(held in data for data in sent)


def test_faults_by_hand_add_up(evening):
    """Three fields of one device, two of them with one name in two messages: each is corrupted with its own code.

    Out of range is FE hex in eight bits and 2 in two bits, which are the lowest of the furnace's byte 1.
    """
    run = evening(10)
    for message, field in (
        ("FURNACE_STATUS", "operating_mode"),
        ("FURNACE_STATUS", "heat_output_level"),
        ("WATERHEATER_STATUS", "operating_mode"),
    ):
        run.hands.corrupt("heater", message, field)
    run.until(20)
    furnace, water = (run.sent(HEATER, dgn, since=10) for dgn in (FURNACE, 0x1FFF7))
    assert {(int(data[3:5], 16) & 3, data[9:11]) for data in furnace} == {(2, "FE")}
    assert {data[3:5] for data in water} == {"FE"}


@pytest.mark.parametrize(
    ("deed", "about"),
    [
        ("silence", ()),
        ("hold", ("FURNACE_STATUS", "heat_output_level")),
        ("corrupt", ("FURNACE_STATUS", "heat_output_level")),
    ],
)
def test_a_device_that_is_not_simulated_cannot_be_disturbed(evening, deed, about):
    """One sentence says so, and nothing is kept of it."""
    run = evening(1)
    assert getattr(run.hands, deed)("address 9C hex", *about) == "address 9C hex is not simulated here"
    assert not run.hands.has_fault("address 9C hex")
    assert run.hands.restore("address 9C hex") == "address 9C hex: no manual fault to remove"


def test_warmer_commands_the_thermostat_on_the_wires(evening):
    """The command comes from a service tool's address, leaves all else unchanged, and the panel obeys at once.

    21.5 °C is (21.5 + 273) / 0.03125 = 9424 = 24D0 hex.
    """
    run = evening(30)
    assert BENCH_ADDRESS == 0xF9
    assert run.hands.change_set_point(0.5) == "thermostat 1 is commanded to 21.50 °C"
    run.until(31)
    assert run.sent(0xF9, COMMAND) == ["01 FF FF D0 24 FF FF FF"]
    assert run.sent(PANEL, THERMOSTAT, since=30)[0][9:14] == "D0 24"
    assert run.hands.change_set_point(0.5) == "thermostat 1 is commanded to 22.00 °C"
    run.until(120)
    assert run.raised == []
    assert all(one.planned for one in run.run.watch.roll_call)


def test_two_quick_presses_are_two_steps(evening):
    """A second press before the thermostat has answered builds on the first."""
    run = evening(30)
    run.hands.change_set_point(0.5)
    assert run.hands.change_set_point(0.5) == "thermostat 1 is commanded to 22.00 °C"
    assert run.hands.change_set_point(-1.5) == "thermostat 1 is commanded to 20.50 °C"
    run.until(40)
    assert run.hands.change_set_point(0.5) == "thermostat 1 is commanded to 21.00 °C"


def test_cooler_is_the_same_downwards(evening):
    """Half a degree down from 21.0: 9392 = 24B0 hex."""
    run = evening(30)
    assert run.hands.change_set_point(-0.5) == "thermostat 1 is commanded to 20.50 °C"
    assert run.until(31).sent(PANEL, THERMOSTAT, since=30)[0][9:14] == "B0 24"


@pytest.mark.parametrize(("kelvin", "asked"), [(100, "30.00"), (9.5, "30.00"), (-100, "5.00"), (-15.5, "5.50")])
def test_the_set_point_stays_within_what_a_room_can_be(evening, kelvin, asked):
    """From 5 to 30 °C, as a room thermostat has it."""
    assert evening(10).hands.change_set_point(kelvin) == f"thermostat 1 is commanded to {asked} °C"


def test_there_is_no_set_point_to_change_before_one_was_said(evening):
    """At the start nothing was heard; a thermostat that says no data has no set point either."""
    run = evening(0)
    assert run.hands.change_set_point(0.5) == "no thermostat has reported a set point yet"
    mute = lambda time, identifier, data: Passed(identifier, data[:3] + b"\xff" * 5)  # noqa: E731
    run.run.bench.outgoing_gates["control panel"].append(mute)
    run.until(10)
    assert run.sent(PANEL, THERMOSTAT)
    assert run.hands.change_set_point(0.5) == "no thermostat has reported a set point yet"
    run.until(11)
    assert run.sent(0xF9) == []
