"""The python-can bus with a scenario at its other end, in virtual time and paced; and a controller under test on it."""

import importlib.util
import threading
from collections import deque
from pathlib import Path

import can
import pytest

from rvsim.errors import BusError
from rvsim.faces.interface import MAX_EMPTY_POLLS, SimulatedBus
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.shakedown.verdict import as_text
from rvsim.sim.can import MAX_WAITING_FRAMES

pytestmark = pytest.mark.paced

_SPEC = importlib.util.spec_from_file_location("thermostat", Path(__file__).parents[1] / "runs" / "thermostat.py")
thermostat = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(thermostat)

FURNACE_STATUS = 0x19FFE45E


@pytest.fixture
def bus():
    """Open a scenario as a bus, and shut it down afterwards."""
    opened = []

    def go(channel="winter_evening", **options):
        opened.append(SimulatedBus(channel, **options))
        return opened[-1]

    yield go
    for one in opened:
        one.shutdown()


# A controller under test.


def test_a_right_controller_is_passed(bus):
    """The cabin gets warm, and not too warm, by the physics; nothing is given in advance."""
    under_test = bus("warm_cabin", except_devices=["control panel"], values={"lasts": "41min"})
    thermostat.Thermostat(under_test, sensor=1).run(41 * 60)  # the whole hour: tests/runs/test_served_run_clients.py
    verdict = under_test.verdict()
    assert verdict.passed, "\n".join(as_text(verdict))
    assert all(outcome.judged for outcome in verdict.outcomes)
    assert verdict.seconds == pytest.approx(41 * 60, abs=1)


def test_a_spoilt_one_is_not_for_the_stated_reason(bus):
    """It reads the outdoor sensor, 2, so it never has enough: the cabin gets too warm, and that is what is told."""
    under_test = bus("warm_cabin", except_devices=["control panel"], values={"lasts": "41min"})
    thermostat.Thermostat(under_test, sensor=2).run(41 * 60)
    warm, command = under_test.verdict().failed
    assert warm.expected.startswith("the cabin does not get too warm")
    assert warm.found.startswith("22.5")
    assert command.expected.startswith("no heat is commanded once ambient sensor 1")
    assert any("19FF9C92 02" in line for line in command.before)  # the sensor that it reads, just before the command


def test_no_controller_at_all(bus):
    """Nobody asks for heat, and the cabin stays cold; a furnace that never starts is not well controlled either."""
    idle = bus("warm_cabin", except_devices=["control panel"])
    idle.session.until(3600)
    failed = [outcome.expected.split(":")[0] for outcome in idle.verdict().failed]
    assert failed == [
        "heat is commanded while it is cold",
        "the cabin gets warm within half an hour",
        "the cabin does not get cold again",
        "the furnace does not start and stop too often",
        "the commands do not start and stop it too often, even where it does not follow",
    ]


# Virtual time.


def test_receiving_lets_simulated_time_go_on(bus):
    """Frames come in order with simulated time stamps; the whole first minute takes no minute."""
    virtual = bus()
    times = []
    while (message := virtual.recv(10)) and message.timestamp < 60:
        times.append(message.timestamp)
    assert times == sorted(times)
    assert len(times) > 700
    assert message.is_extended_id
    assert message.is_rx


def test_a_timeout_is_simulated(bus):
    """No frame within a millisecond: None, a millisecond later."""
    virtual = bus()
    virtual.session.until(5)
    before = virtual.session.seconds
    while virtual.recv(0) is not None:
        pass
    while virtual.recv(0.001) is not None:
        before = virtual.session.seconds
    assert before < virtual.session.seconds <= before + 0.0011


def test_one_seed_one_run(bus):
    """The same frames; another seed gives others."""
    runs = []
    for seed in (0, 0, 1):
        virtual = bus(seed=seed)
        messages = [virtual.recv(5) for _ in range(300)]
        runs.append([(one.timestamp, one.arbitration_id, bytes(one.data)) for one in messages])
    assert runs[0] == runs[1] != runs[2]


def test_what_is_sent_is_on_the_wires(bus):
    """The watch hears it, it is not received back unless that is asked for, and a command is obeyed."""
    for own in (False, True):
        virtual = bus(receive_own_messages=own)
        virtual.session.until(3)
        virtual.send(can.Message(arbitration_id=0x19FEA642, data=bytes.fromhex("01FFFFFFFFFFFFFF")))
        seen = []
        while (message := virtual.recv(1)) and message.timestamp < 4:
            seen.append((message.arbitration_id, message.is_rx))
        assert ((0x19FEA642, False) in seen) is own
        assert (0x19FEA642, True) not in seen
        assert "address 42 hex" in [one.device for one in virtual.run.watch.roll_call]


def test_only_what_was_sent_is_its_own(bus):
    """A device's frame that is the same as one that was sent before is received all the same."""
    heard = bus(can_filters=[{"can_id": 0x19FECA5E, "can_mask": 0x1FFFFFFF}])
    heartbeat = heard.recv(30)
    virtual = bus(can_filters=[{"can_id": 0x19FECA5E, "can_mask": 0x1FFFFFFF}])
    virtual.send(can.Message(arbitration_id=0x19FECA5E, data=heartbeat.data))
    assert virtual.recv(30).timestamp == pytest.approx(heartbeat.timestamp, abs=0.001)


def test_a_burst_finds_room_for_so_many(bus):
    """All that were taken go out, in order; more are refused until some have gone, as a driver does it."""
    virtual = bus(receive_own_messages=True)
    burst = [can.Message(arbitration_id=0x19FEA642, data=bytes([number])) for number in range(MAX_WAITING_FRAMES + 1)]
    for message in burst[:-1]:
        virtual.send(message)
    with pytest.raises(can.CanOperationError, match="64 frames wait for the bus already"):
        virtual.send(burst[-1])
    own = []
    while len(own) < MAX_WAITING_FRAMES:
        message = virtual.recv(1)
        if not message.is_rx:
            own.append(message.data[0])
    assert own == list(range(MAX_WAITING_FRAMES))
    virtual.send(burst[-1])


def test_filters(bus):
    """python-can's own: only what they let through, however long that takes in simulated time."""
    virtual = bus(can_filters=[{"can_id": FURNACE_STATUS, "can_mask": 0x1FFFFFFF, "extended": True}])
    times = [virtual.recv(30).timestamp for _ in range(3)]
    assert times[2] - times[1] == pytest.approx(5, abs=0.1)


def test_one_device_left_out_is_named_by_a_plain_text(bus):
    """Its name alone, as it comes from a command line, is one device and not one for each letter."""
    virtual = bus(except_devices="roof fan")
    virtual.session.until(5)
    states = {one.device: one.state for one in virtual.run.watch.roll_call}
    assert states["roof fan"] != states["heater"] == "present"


def test_a_wait_without_end(bus):
    """An endless timeout is none at all: the next frame comes."""
    assert bus().recv(float("inf")).timestamp < 1


def test_asking_again_and_again_without_a_timeout(bus):
    """Simulated time would never go on by it, so after many looks in vain it is said; a wait in between is enough."""
    virtual = bus()
    for _ in range(3):
        assert [virtual.recv(0) for _ in range(MAX_EMPTY_POLLS - 1)] == [None] * (MAX_EMPTY_POLLS - 1)
        virtual.recv(0.0001)
    with pytest.raises(can.CanOperationError, match=r"recv\(0\) found nothing 1000 times at 0.000300 s"):
        [virtual.recv(0) for _ in range(MAX_EMPTY_POLLS)]


def elsewhere(action):
    """Do something in another thread, and return what it raised."""
    raised = []

    def go():
        try:
            action()
        except can.CanError as error:
            raised.append(str(error))

    thread = threading.Thread(target=go)
    thread.start()
    thread.join()
    return raised


def test_virtual_time_is_for_one_thread(bus):
    """Receiving and sending elsewhere, and periodic tasks, are refused with what to do; time has not gone on."""
    virtual = bus()
    message = can.Message(arbitration_id=0x19FEA642, data=bytes(8))
    for action in (lambda: virtual.recv(1), lambda: virtual.send(message)):
        assert ["paced=True" in said for said in elsewhere(action)] == [True]
    with pytest.raises(can.CanOperationError, match=r"send_periodic does not go with virtual time.*paced=True"):
        virtual.send_periodic(message, 0.1)
    assert virtual.session.seconds == 0


@pytest.mark.parametrize("options", [{}, {"paced": True, "speed": 50.0}])
@pytest.mark.parametrize("end", [SimulatedBus.verdict, SimulatedBus.shutdown])
def test_it_does_not_go_on_after_its_end(bus, options, end):
    """What has come can still be received; then, and when something is sent, it is said, again and again."""
    ended = bus(**options)
    ended.recv(5)
    end(ended)
    time = ended.session.seconds
    for _ in range(2):
        with pytest.raises(can.CanOperationError, match="the bench has stopped"):
            deque(iter(ended.recv, None), maxlen=0)
        with pytest.raises(can.CanOperationError, match="the bench has stopped"):
            ended.send(can.Message(arbitration_id=0x19FEA642, data=bytes(8)))
    assert ended.session.seconds == time


@pytest.fixture
def tank_only(tmp_path):
    """Write a scenario with a single device, "tank"."""
    rig = (
        '[rig]\nschema = 1\nname = "one"\ntitle = "One"\n[[rig.device]]\nname = "tank"\nkind = "tank"\naddress = 0x48\n'
    )
    text = f'schema = 1\ntitle = "T"\nlasts = "60s"\n{rig}functions = {{ tank = 0 }}\n'
    path = tmp_path / "one.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_nothing_will_come_any_more(bus, tank_only):
    """Without a timeout it does not hang: where all devices are left out it says so."""
    empty = bus(tank_only, except_devices=["tank"])
    with pytest.raises(can.CanOperationError, match="no frame will come"):
        empty.recv()


@pytest.mark.parametrize(
    ("channel", "options", "said"),
    [
        ("no_such", {}, "no_such"),
        (None, {}, 'no channel is named: give a scenario, .* like channel="winter_evening"'),
        ("", {}, "no channel is named"),
        ("winter_evening", {"except_devices": ["control panl"]}, 'did you mean "control panel"'),
        ("winter_evening", {"values": {"fault.1.from": "1s"}}, "no key fault.1.from"),
        ("winter_evening", {"recieve_own_messages": True}, "unknown options for the interface rvsim: recieve_own"),
        ("winter_evening", {"paced": True, "speed": 0.0}, "speed 0.0 is not a number above 0"),
        ("winter_evening", {"paced": True, "speed": float("inf")}, "speed inf is not a number above 0"),
        ("winter_evening", {"paced": True, "speed": "5"}, "speed '5' is not a number above 0"),
        ("winter_evening", {"seed": -1}, "seed: -1 is not a seed; write a whole number from 0 to 9223372036854775807"),
        (
            "winter_evening",
            {"seed": "x"},
            'seed: "x" is not a seed; write a whole number from 0 to 9223372036854775807',
        ),
    ],
)
def test_what_cannot_be_opened(channel, options, said):
    """python-can's own error, in one line."""
    with pytest.raises(can.CanInitializationError, match=said):
        SimulatedBus(channel, **options)


@pytest.mark.parametrize("more", [{"is_extended_id": False}, {"is_remote_frame": True}, {"is_fd": True}])
def test_frames_of_other_networks_are_refused(bus, more):
    """11 bits, remote, FD."""
    with pytest.raises(can.CanOperationError, match="29-bit"):
        bus().send(can.Message(arbitration_id=1, **more))


# Paced.


def test_paced_for_code_with_threads_of_its_own(bus):
    """A python-can Notifier hears the frames of a bench that runs 200 times as fast as the wall clock."""
    paced = bus(paced=True, speed=200.0)
    reader = can.BufferedReader()
    notifier = can.Notifier(paced, [reader], timeout=0.1)
    try:
        messages = [reader.get_message(5) for _ in range(300)]
    finally:
        notifier.stop()
    assert None not in messages
    assert messages[-1].timestamp > 10


def test_paced_sending_reaches_the_devices(bus):
    """A request for the furnace status is answered."""
    paced = bus(paced=True, speed=20.0, can_filters=[{"can_id": FURNACE_STATUS, "can_mask": 0x1FFFFFFF}])
    first = paced.recv(5)
    paced.send(can.Message(arbitration_id=0x18EA5E42, data=bytes.fromhex("E4FF01")))
    assert paced.recv(5).timestamp - first.timestamp < 4  # by itself it is sent every 5 s


def test_what_is_sent_paced_goes_out_at_the_present(bus, tank_only):
    """Not at the time of what happened before it: nobody else is there, so a wait is a wait on the wires as well."""
    paced = bus(tank_only, paced=True, except_devices=["tank"], receive_own_messages=True)
    assert paced.recv(0.3) is None
    paced.send(can.Message(arbitration_id=0x19FEA642, data=bytes(8)))
    own = paced.recv(5)
    assert not own.is_rx
    assert own.timestamp > 0.05


def test_what_is_sent_paced_at_once(bus, tank_only):
    """Right after opening: it goes out, although nothing else happens there."""
    paced = bus(tank_only, paced=True, except_devices=["tank"], receive_own_messages=True)
    paced.send(can.Message(arbitration_id=0x19FEA642, data=bytes(8)))
    assert paced.recv(5).arbitration_id == 0x19FEA642


def test_paced_periodic_tasks(bus):
    """They have a thread of their own, and their frames are on the wires."""
    paced = bus(paced=True, speed=20.0, receive_own_messages=True)
    task = paced.send_periodic(can.Message(arbitration_id=0x19FEA642, data=bytes(8)), 0.02)
    own, end = 0, 60 * 20  # simulated seconds
    while own < 3:
        message = paced.recv(5)
        own += not message.is_rx
        assert message.timestamp < end
    task.stop()


def test_nobody_receives(bus, monkeypatch):
    """What finds no room is counted and given up; what had room is still there."""
    monkeypatch.setattr("rvsim.faces.interface.MAX_INBOX_FRAMES", 50)
    paced = bus(paced=True, speed=500.0)
    pause = threading.Event()
    for _ in range(3000):  # half a minute at most
        if paced.dropped:
            break
        pause.wait(0.01)
    assert paced.dropped > 0
    paced.verdict()
    assert None not in [paced.recv(5) for _ in range(50)]
    with pytest.raises(can.CanOperationError, match="stopped"):
        paced.recv(5)


def test_a_bench_that_stops_by_itself(bus, monkeypatch):
    """Whoever receives or sends is told why."""

    def fail(*_, **__):
        raise BusError("the pair is gone")

    monkeypatch.setattr(PacedBenchRun, "run", fail)
    broken = bus(paced=True)
    with pytest.raises(can.CanOperationError, match="the bench stopped: BusError: the pair is gone"):
        broken.recv(5)
    with pytest.raises(can.CanOperationError, match="the bench stopped: BusError: the pair is gone"):
        broken.send(can.Message(arbitration_id=0x19FEA642, data=bytes(8)))


# python-can finds it.


def test_no_channel(monkeypatch):
    """Whoever forgets it is told what a channel is here, and the bus that was never opened can be shut down."""
    monkeypatch.setitem(can.interfaces.BACKENDS, "rvsim", ("rvsim.faces.interface", "SimulatedBus"))
    with pytest.raises(can.CanInitializationError, match="no channel is named: give a scenario"):
        can.Bus(interface="rvsim", ignore_config=True)


def test_a_path_is_a_channel(bus, tank_only):
    """Also as pathlib has it."""
    assert bus(Path(tank_only)).recv(5).arbitration_id >> 8 & 0xFFFF == 0xEEFF


def test_a_device_that_is_left_out_needs_no_kind(bus, tank_only):
    """It is the code under test that is the device."""
    path = Path(tank_only)
    path.write_text(path.read_text(encoding="utf-8").replace('kind = "tank"\n', ""), encoding="utf-8")
    with pytest.raises(can.CanInitializationError, match="cannot be simulated without a kind"):
        bus(path)
    assert bus(path, except_devices="tank").recv(0.1) is None


def test_it_is_an_interface_of_python_can(monkeypatch):
    """By the entry point, as it is written in pyproject.toml."""
    import tomllib

    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    module, _, name = project["entry-points"]["can.interface"]["rvsim"].partition(":")
    monkeypatch.setitem(can.interfaces.BACKENDS, "rvsim", (module, name))
    with can.Bus(interface="rvsim", channel="winter_evening", ignore_config=True) as found:
        assert isinstance(found, SimulatedBus)
        assert found.recv(1).arbitration_id >> 8 & 0xFFFF == 0xEEFF
