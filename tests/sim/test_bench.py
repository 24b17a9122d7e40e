"""The whole bench: what the devices do to each other, and only through frames."""

import itertools
from typing import Any

import pytest

from rvsim.devices.kinds.ambient import AmbientSensor
from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench, Passed
from rvsim.sim.can import Babble, Noise, ReversedPair
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import Collided, ErrorState, NotAcknowledged, StateChanged

TANK = 0x19FFB793
PANEL, COMMANDS = 0x44, {0x1FFE3, 0x1FEA6, 0x1FFF6, 0x1FE96}
ACTED_ON = [
    ["control panel"],
    ["heater"],
    ["circulation pump"],
    ["roof fan"],
    ["charger"],
    ["fresh tank"],
    ["indoor sensor"],
    ["outdoor sensor"],
    ["charger", "battery monitor"],
]
"""Whose frames somebody acts on. The charger speaks for the battery where the monitor does not, so that nothing but
the figures' last digits changes without the monitor alone. Grey and black tank are there for people to read."""


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory):
    """The shipped definitions."""
    return load_catalogue(cache=tmp_path_factory.mktemp("cache"))


def cut(time, identifier, data):
    """Let nothing through."""
    return


def panel_says(frames):
    """What the panel commanded, as (DGN, bytes)."""
    return [
        (dgn_of(f.identifier), f.data)
        for f in frames
        if f.identifier & 0xFF == PANEL and dgn_of(f.identifier) in COMMANDS
    ]


def test_one_seed_gives_one_run(run):
    """The same seed gives the same frames at the same microseconds, byte for byte; another seed gives others."""
    assert run(120)[1] == run(120)[1]
    assert run(10, seed=1)[1] != run(10, seed=2)[1]


def test_pieces_do_not_change_a_run(run):
    """A run cut into pieces is the same run."""
    assert run(60)[1] == run(60, pieces=97)[1]


def test_frames_do_not_overlap(run):
    """On one pair of wires frames follow each other by at least the length of one (268 us for an empty one)."""
    times = [frame.time for frame in run(60)[1]]
    assert min(later - earlier for earlier, later in itertools.pairwise(times)) >= 268
    assert times == sorted(times)


def test_every_device_sends(run):
    """Eleven devices claim, and each of the planned messages is sent within ten seconds."""
    _, frames = run(10)
    assert len({f.identifier & 0xFF for f in frames if dgn_of(f.identifier) == 0x0EE00}) == 11
    heard = {dgn_of(f.identifier) for f in frames}
    assert heard >= {0x1FFE4, 0x1FFF7, 0x1FEA7, 0x1FFC7, 0x1FEA3, 0x1FFFD, 0x1FFFC, 0x1FF9C, 0x1FFE2, 0x1FECA}
    assert heard >= {0x1FFFB, 0x1FFB7, 0x1FE97, 0x1FE96}


def test_the_cabin_comes_to_its_set_point_and_stays(run):
    """The panel receives the sensor, the heater the panel, the cabin comes from 15 to its set point of 21 degC."""
    bench, _ = run(2 * 3600)
    assert bench.world.cabin_c == pytest.approx(21.0, abs=0.7)


@pytest.fixture(scope="module")
def half_an_hour(run):
    """Return half an hour of the whole van: its bench, which nobody may run on, and its frames."""
    return run(1800)


@pytest.mark.parametrize("devices", ACTED_ON, ids=" and ".join)
def test_without_a_device_on_the_wires_physics_and_panel_go_another_way(run, half_an_hour, devices):
    """No device reads another's state: with one device's frames cut the panel acts otherwise and so does the cabin."""
    whole, frames = half_an_hour
    without, fewer = run(1800, gates={device: [cut] for device in devices})
    assert panel_says(fewer) != panel_says(frames)
    assert (without.world.cabin_c, without.world.battery_percent) != (whole.world.cabin_c, whole.world.battery_percent)


def test_without_the_battery_monitor_the_charger_reports_the_battery(run):
    """With the monitor the charger does not report DC source 1; with its frames lost it sends all but status 3."""
    given = []
    note = lambda time, identifier, data: given.append(data) or Passed(identifier, data)  # noqa: E731
    for gates, speakers in (({}, {0x45}), ({"battery monitor": [cut]}, {0x4A})):
        _, frames = run(20, gates={"charger": [note], **gates})
        late = [f for f in frames if f.time > 2 * SECOND_US and dgn_of(f.identifier) in (0x1FFFD, 0x1FFFC)]
        assert {f.identifier & 0xFF for f in late} == speakers
        assert {f.identifier & 0xFF for f in frames if dgn_of(f.identifier) == 0x1FFFB} == speakers - {0x4A}
    assert {type(data) for data in given} == {bytes}  # being quiet is not even tried


def test_a_silent_heater_leaves_the_cabin_cold(run, half_an_hour):
    """The panel does not command heat from a heater that it does not receive."""
    whole, _ = half_an_hour
    without, _ = run(1800, gates={"heater": [cut]})
    assert without.world.cabin_c < whole.world.cabin_c - 5


def test_a_gate_changes_what_reaches_the_wires(run):
    """A fault's gate gets time, identifier and data, and all other nodes receive what it returns."""

    def gate(time, identifier, data):
        return Passed(identifier, b"\x01\x00\x00" + data[3:] if dgn_of(identifier) == 0x1FF9C else data)

    _, frames = run(30, gates={"indoor sensor": [gate]})
    spoilt = [f.data for f in frames if f.identifier == 0x19FF9C91]
    assert spoilt
    assert all(data.startswith(b"\x01\x00\x00") for data in spoilt)


class Broken(AmbientSensor):
    """A sensor that raises after twenty seconds."""

    def _measure(self):
        if self.now > 20 * SECOND_US:
            raise RuntimeError("the bead has come off")
        super()._measure()


def test_a_device_that_raises_is_removed_by_name(run):
    """It is reported once, sends nothing more, and all others go on."""
    told = []
    bench, frames = run(60, kinds={**kinds_by_name(), "ambient": Broken}, on_failure=told.append)
    assert sorted((f.device, str(f.error)) for f in told) == [
        (name, "the bead has come off") for name in ("indoor sensor", "outdoor sensor")
    ]
    assert [f.time // SECOND_US for f in bench.failures] == [20, 20]
    late = {f.identifier & 0xFF for f in frames if f.time > 22 * SECOND_US}
    assert late == {0x44, 0x5E, 0x95, 0x90, 0x4A, 0x45, 0x48, 0x93, 0x94}


def test_a_removed_device_stops_acting_on_the_physics(run):
    """A fan that breaks no longer takes current or moves air."""

    roof_fan: Any = kinds_by_name()["roof_fan"]

    class BrokenFan(roof_fan):
        def _act(self):
            super()._act()
            if self.now > 20 * SECOND_US:
                raise RuntimeError("seized")

    bench, _ = run(30, kinds={**kinds_by_name(), "roof_fan": BrokenFan})
    other, _ = run(30, gates={"roof fan": [cut]})
    assert bench.failures[0].device == "roof fan"
    assert bench.world.battery_amps < other.world.battery_amps + 1
    bench.kernel.run_until(31 * SECOND_US)


def test_a_frame_from_outside_is_received(run):
    """A frame that is put onto the wires reaches the devices that listen to it."""
    bench, frames = run(20)
    bench.send(0x19FEF9F9, bytes.fromhex("01 F0 FF FF FF FF FF FF"))
    bench.run_until(21 * SECOND_US)
    answer = [f.data for f in frames if f.identifier == 0x19FFE244][-1]
    assert answer[1] == 0


@pytest.fixture
def heard():
    """What a `Listener` has received, as (device, data)."""
    return []


@pytest.fixture
def listening(wired, heard):
    """A bench on which one sensor receives tank statuses."""

    class Listener(AmbientSensor):
        def receives(self):
            return {"TANK_STATUS": lambda data: heard.append((self, data))}

    bench, _, _ = wired(ONE, OTHER, kinds={**kinds_by_name(), "ambient": Listener}, absent=("other",))
    bench.run_until(SECOND_US)
    return bench


def test_a_repeated_frame_is_received_each_time(listening, heard):
    """Nothing of it has changed, but that it has come again may end a time-out."""
    for number in range(3):
        listening.send(TANK, bytes(8))
        listening.run_until((2 + number) * SECOND_US)
    assert [data for _, data in heard] == [bytes(8)] * 3


def test_frames_are_received_by_the_same_devices_after_any_others(listening, heard):
    """Frames without data, those of other first bytes, and those of more identifiers than are kept."""
    sent = [b"", b"\x01", bytes(8), b""]
    for number, data in enumerate(sent):
        listening.send(TANK, data)
        listening.run_until((2 + number) * SECOND_US)
    for number in range(1000):
        listening.send(0x18FF0000 + number, bytes(1))
        listening.run_until(6 * SECOND_US + 1000 * number)
    listening.send(TANK, b"\x02")
    listening.run_until(8 * SECOND_US)
    assert [data for _, data in heard] == [*sent, b"\x02"]


def test_who_receives_is_found_anew_when_power_is_back(listening, heard):
    """Without power it receives nothing; then a new device does, which knows nothing of before."""
    for number, change in enumerate((None, listening.switch_off, listening.switch_on)):
        if change is not None:
            change("one")
        listening.run_until((2 + 2 * number) * SECOND_US)
        listening.send(TANK, bytes([7, number]))
        listening.run_until((3 + 2 * number) * SECOND_US)
    (before, first), (after, last) = heard
    assert (first, last) == (b"\x07\x00", b"\x07\x02")
    assert before is not after


def test_a_broadcast_returns_with_power(wired):
    """None of those of before goes on beside it."""
    bench, frames, _ = wired(ONE)
    for second, change in ((10, bench.switch_off), (20, bench.switch_on), (40, None)):
        bench.run_until(second * SECOND_US)
        if change is not None:
            change("one")
    seconds = [frame.time // SECOND_US for frame in frames if dgn_of(frame.identifier) == 0x1FF9C]
    assert not [second for second in seconds if 11 <= second < 20]
    late = [second for second in seconds if second >= 21]
    assert 3 <= len(late) == len(set(late)) <= 5


def test_a_message_that_was_sent_early_is_due_a_whole_gap_later(wired):
    """At once because something has changed, and then by its gap from there, not also when it was due before."""

    class Changing(AmbientSensor):
        def on_start(self):
            super().on_start()
            self.after(11 * SECOND_US, lambda: self.send_now("THERMOSTAT_AMBIENT_STATUS"))

    bench, frames, _ = wired(ONE, kinds={**kinds_by_name(), "ambient": Changing})
    bench.run_until(30 * SECOND_US)
    times = [frame.time for frame in frames if dgn_of(frame.identifier) == 0x1FF9C]
    gap_us = times[1] - times[0]
    gaps = [later - time for time, later in itertools.pairwise(times)]
    assert [gap for gap in gaps if gap != gap_us] == [gap for gap in gaps if gap < gap_us][:1]
    (early,) = (place for place, gap in enumerate(gaps) if gap < gap_us)
    assert gaps[early + 1] == gap_us


def test_plain_frames_are_the_same_frames(catalogue):
    """Those alone on the pair, and those of a start at which all wait for each other."""
    frames, plain = [], []
    rig = {"schema": 1, "name": "a", "title": "A", "device": [ONE, OTHER]}
    bench = Bench(
        Rig.model_validate(rig), catalogue, kinds_by_name(), on_frame=frames.append, on_plain_frame=plain.append
    )
    bench.run_until(20 * SECOND_US)
    assert {type(frame) for frame in frames} == {Frame}
    assert {type(frame) for frame in plain} == {tuple}
    assert plain == frames


def test_a_device_without_a_kind_cannot_be_put_in(catalogue):
    """The line names it and the kinds there are."""
    plain = {"schema": 1, "name": "a", "title": "A", "device": [{"name": "thing", "address": 2}]}
    with pytest.raises(InputError) as refused:
        Bench(Rig.model_validate(plain), catalogue, kinds_by_name())
    assert str(refused.value) == (
        'device "thing" cannot be simulated without a kind; add one to it in the rig: panel, heater, air_furnace, '
        "water_heater, water_pump, circulation_pump, roof_fan, air_conditioner, charger, solar_controller, alternator, "
        "dc_dc_charger, inverter, generator, dc_disconnect, battery_monitor, tank, ambient, fridge, keypad, "
        "load_centre, awning, window_shade, lock, own"
    )


# What happens on the wires.


EXACT = {"clock": "exact", "jitter": "0s", "busy": "0s", "start": "0s"}
"""Both start at the same microsecond, which decides what collides."""
ONE = {"name": "one", "address": 0x91, "kind": "ambient", "functions": {"ambient_sensor": 1}, "timing": EXACT}
OTHER = {"name": "other", "address": 0x92, "kind": "ambient", "functions": {"ambient_sensor": 2}, "timing": EXACT}


@pytest.fixture
def wired(catalogue):
    """Put sensors on a bench; returns it, its frames and what happened on the wires."""

    def go(*devices, kinds=None, **settings):
        frames, events = [], []
        rig = Rig.model_validate({"schema": 1, "name": "a", "title": "A", "device": list(devices)})
        bench = Bench(
            rig, catalogue, kinds or kinds_by_name(), on_frame=frames.append, on_line=events.append, **settings
        )
        return bench, frames, events

    return go


def test_a_device_alone_works_because_the_bench_acknowledges(wired):
    """As an adapter does that takes part in the traffic."""
    bench, frames, events = wired(ONE)
    bench.run_until(10 * SECOND_US)
    assert len(frames) > 3
    assert events == []


def test_without_the_bench_acknowledging_a_device_alone_gets_nothing_through(wired):
    """It repeats its claim, error passive, until another node is there."""
    bench, frames, events = wired(ONE, acknowledges=False)
    bench.run_until(10 * SECOND_US)
    assert frames == []
    (changed,) = [event for event in events if isinstance(event, StateChanged)]
    assert changed[1:] == ("one", ErrorState.PASSIVE, 128, 0)
    assert {event.node for event in events if isinstance(event, NotAcknowledged)} == {"one"}
    bench.line.connect("real one")
    bench.run_until(11 * SECOND_US)
    assert dgn_of(frames[0].identifier) == 0x0EE00


def test_two_devices_acknowledge_each_other(wired):
    """On real wires two are enough; a device that is taken out acknowledges no more."""
    bench, frames, events = wired(ONE, OTHER, acknowledges=False, kinds={**kinds_by_name(), "ambient": Broken})
    bench.run_until(15 * SECOND_US)
    assert {frame.identifier & 0xFF for frame in frames} == {0x91, 0x92}
    assert events == []
    bench.run_until(40 * SECOND_US)
    assert [failure.device for failure in bench.failures] == ["one", "other"]
    assert frames[-1].time < 22 * SECOND_US


def test_two_claims_of_one_address_at_once_collide(wired):
    """They differ in the NAME only, so both win the arbitration; after 16 collisions, error passive, both pass."""
    bench, frames, events = wired(ONE)
    bench.send(0x18EEFF91, bytes(8))  # a lower NAME than any
    bench.run_until(SECOND_US)
    collided = [event for event in events if isinstance(event, Collided)]
    assert len(collided) == 17
    assert {event[1:] for event in collided} == {(0x18EEFF91, ("outside", "one"))}
    assert [frame.data == bytes(8) for frame in frames[:2]] == [True, False]
    assert [event.node for event in events if isinstance(event, StateChanged)] == ["outside", "one", "outside"]


def test_simultaneous_equal_frames_are_received_by_neither_sender(wired):
    """Both claim with one NAME: neither notices, and the address is not contested."""
    bench, frames, _ = wired(ONE)
    bench.run_until(SECOND_US)
    claim = frames[0].data
    again, others, events = wired(ONE)
    again.send(0x18EEFF91, claim)
    again.run_until(SECOND_US)
    assert others == frames
    assert events == []


def test_a_device_with_swapped_wires_neither_receives_nor_is_received(wired):
    """A trouble goes by the device's name."""
    bench, frames, _ = wired(ONE, OTHER)
    bench.line.apply(ReversedPair("one"))
    bench.run_until(10 * SECOND_US)
    assert {frame.identifier & 0xFF for frame in frames} == {0x92}
    bench.send(0x18EAFFF9, bytes.fromhex("00 EE 00"))  # who is there?
    bench.run_until(11 * SECOND_US)
    late = [frame.identifier for frame in frames if frame.time > 10 * SECOND_US and dgn_of(frame.identifier) == 0x0EE00]
    assert late == [0x18EEFF92]
    bench.line.remove(ReversedPair("one"))
    bench.run_until(20 * SECOND_US)
    assert {frame.identifier & 0xFF for frame in frames} == {0x91, 0x92, 0xF9}


def test_a_removed_device_does_not_babble(wired):
    """Neither what it babbled before, nor what it should babble afterwards; the other device goes on."""
    bench, frames, _ = wired(
        ONE, {**OTHER, "kind": "tank", "functions": {"tank": 0}}, kinds={**kinds_by_name(), "ambient": Broken}
    )
    bench.apply_wire_fault(Babble("one", 0x18FF0091, gap_us=SECOND_US), "first")
    bench.plan(30 * SECOND_US, lambda: bench.apply_wire_fault(Babble("one", 0x18FF0191, gap_us=SECOND_US), "second"))
    bench.run_until(40 * SECOND_US)
    late = {frame.identifier & 0xFF for frame in frames if frame.time > 22 * SECOND_US}
    assert (late, 0x18FF0091 in {frame.identifier for frame in frames}) == ({0x92}, True)


def test_the_seed_decides_what_the_wires_spoil(wired):
    """Same seed, same frames and events."""
    runs = []
    for seed in (1, 1, 2):
        bench, frames, events = wired(ONE, OTHER, seed=seed)
        bench.line.apply(Noise(0.001))
        bench.run_until(30 * SECOND_US)
        runs.append((frames, events))
    assert runs[0] == runs[1]
    assert runs[0][1] != runs[2][1]


def test_the_bit_rate_is_that_of_the_wires(wired):
    """At half the rate the first claim takes twice as long (131 bits of 8 us)."""
    times = []
    for rate in (250_000, 125_000):
        bench, frames, _ = wired(ONE, bit_rate=rate)
        bench.run_until(SECOND_US)
        times.append(frames[0].time)
    assert times == [524, 1048]


# What stands between devices and the wires.


def test_a_gate_can_send_from_elsewhere_and_later(run):
    """Identifier and time are a gate's too: the sensor's frames come 70 ms later from another address."""
    still = [f for f in run(30)[1] if f.identifier == 0x19FF9C91]
    _, frames = run(
        30, gates={"indoor sensor": [lambda _, identifier, data: Passed(identifier & ~0xFF | 0x77, data, 70_000)]}
    )
    moved = [f for f in frames if f.identifier == 0x19FF9C77]
    assert not [f for f in frames if f.identifier & 0xFF == 0x91]
    later = [b.time - a.time for a, b in zip(still[1:], moved[1:], strict=False)]
    assert len(later) > 3
    assert all(70_000 <= us < 71_500 for us in later)  # after it waited for two other frames at most


def test_gates_stand_one_behind_the_other(run):
    """Delays add up, and after a gate that loses the frame the next is not called."""
    asked = []
    later = lambda _, identifier, data: Passed(identifier, data, 50_000)  # noqa: E731
    last = lambda _, identifier, data: asked.append(data) or Passed(identifier, data)  # noqa: E731
    _, frames = run(10, gates={"indoor sensor": [later, later, last], "outdoor sensor": [cut, last]})
    at_once, claim = (next(f.time for f in sent if f.identifier == 0x18EEFF91) for sent in (run(1)[1], frames))
    assert 100_000 <= claim - at_once < 101_500
    assert len(asked) == len([f for f in frames if f.identifier & 0xFF == 0x91])


def test_an_incoming_gate_decides_what_a_device_receives(run):
    """A panel that receives no sensor does not heat; one that receives all devices three seconds later heats later."""
    deaf = lambda _, identifier, data: None if dgn_of(identifier) == 0x1FF9C else Passed(identifier, data)  # noqa: E731
    late = lambda _, identifier, data: Passed(identifier, data, 3_000_000)  # noqa: E731
    cabin = {}
    for name, ears in (("whole", []), ("deaf", [deaf]), ("late", [late])):
        bench, _ = run(0)
        if ears:
            bench.incoming_gates["control panel"] = ears
        bench.run_until(700 * SECOND_US)
        cabin[name] = bench.world.cabin_c
    assert cabin["whole"] > cabin["deaf"] + 3
    assert cabin["whole"] > cabin["late"] > cabin["deaf"] + 3


def test_what_is_planned_comes_before_what_happens_by_itself(run):
    """At one and the same microsecond the plan goes first: a gate put in at 0 s stops the very first claim."""
    bench, frames = run(0)
    bench.plan(0, lambda: bench.outgoing_gates["heater"].append(cut))
    bench.run_until(SECOND_US)
    assert not [f for f in frames if f.identifier & 0xFF == 0x5E]


def test_a_device_may_leave_out_frames_by_their_first_byte(run):
    """It is asked once for an identifier and a first byte, and called for those frames alone that it heeds."""
    panel: Any = kinds_by_name()["panel"]
    asked, taken = [], []

    class Choosy(panel):
        def heeds(self, identifier, first):
            asked.append((identifier, first))
            return identifier & 0x3FFFF00 != 0x1FFB700 or first == b"\x02"

        def receives(self):
            return super().receives() | {"TANK_STATUS": lambda data: taken.append(data[0])}

    bench, _ = run(30, kinds={**kinds_by_name(), "panel": Choosy})
    assert not bench.failures
    assert set(taken) == {2}
    assert len(asked) == len(set(asked))
    assert {first[0] for identifier, first in asked if identifier & 0x3FFFF00 == 0x1FFB700} == {0, 1, 2}


def test_the_gates_of_a_device_may_change_while_the_bench_runs(run):
    """Cutting a device off and joining it again shows at once."""
    bench, frames = run(20)
    for until, gates in ((40, [cut]), (60, [])):
        bench.outgoing_gates["heater"][:] = gates
        bench.run_until(until * SECOND_US)
    seconds = {frame.time // SECOND_US for frame in frames if frame.identifier & 0xFF == 0x5E}
    assert not seconds & set(range(21, 40))
    assert seconds & set(range(45, 60))


def test_a_device_that_has_its_power_back_receives_again(run):
    """What it is sent reaches the new object, although frames of the same identifier went to the one before."""
    bench, frames = run(20)
    for at in (21, 40):
        bench.send(0x19FEF9F9, bytes.fromhex("01 F0 FF FF FF FF FF FF"))  # off; it starts in heating
        bench.run_until(at * SECOND_US)
        assert [f.data for f in frames if f.identifier == 0x19FFE244][-1][1] & 0xF == 0
        bench.switch_off("control panel")
        bench.run_until((at + 5) * SECOND_US)
        bench.switch_on("control panel")
        bench.run_until((at + 15) * SECOND_US)
