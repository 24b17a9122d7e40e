"""A log sent by `rvsim replay`: to clients of a hub, to a hub, on a virtual bus; never on a bus that may be real."""

import json
import socket
import threading
import time
from pathlib import Path

import can
import pytest

from rvsim.edge.hub import Hub
from rvsim.edge.port import Port
from rvsim.edge.settings import resolve
from rvsim.errors import BusError, InputError
from rvsim.faces.cli import exits, logs
from rvsim.faces.cli.logs import ReplayOptions, replay_log
from rvsim.faces.screen import show
from rvsim.faces.screen.app import LiveScreen
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.runs.control import RunControl
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

LIMIT_S = 30
MOMENTS_MS = (0, 20, 25, 60, 61, 62, 120, 200)


@pytest.fixture
def log(tmp_path, catalogue):
    """A log of a fifth of a second."""
    path = tmp_path / "x.log"
    with Recorder(path, catalogue, start=start_line(command="x"), channel="can0", sent=False) as recorder:
        for number, moment in enumerate(MOMENTS_MS):
            recorder.write(Frame(moment * 1000, 0x19FFE45E, bytes([number, 1, 2, 3, 4, 5, 6, 7])))
    return str(path)


@pytest.fixture
def hub():
    """A hub of rvsim that keeps what its clients send."""
    taken = []
    with Hub(("127.0.0.1", 0), lambda identifier, data: taken.append(data), time.monotonic) as opened:
        opened.taken = taken  # type: ignore[attr-defined]
        yield opened


def bus_of(interface, channel="rvsim", **more):
    """Return the settings of a bus."""
    return resolve(interface, channel, None, [f"{key}={value}" for key, value in more.items()])


def test_a_log_on_a_virtual_bus(log, capsys):
    """Each frame once, in order, in the times of the log; how late they were is told."""
    with Port("virtual", "replayed") as port:
        assert replay_log(log, ReplayOptions(form="plain", bus=bus_of("virtual", "replayed"))) == 0
        for _ in range(LIMIT_S * 100):
            if port.statistics.received == len(MOMENTS_MS):
                break
            time.sleep(0.01)
        found = port.receive()
    assert [frame.data[0] for frame in found if isinstance(frame, Frame)] == list(range(len(MOMENTS_MS)))
    assert [round(frame.time / 1000) for frame in found] == list(MOMENTS_MS)
    out, err = capsys.readouterr()
    assert "It is sent on a simulated bus." in out.splitlines()[0]
    assert "rvsim: 8 frames of the log sent; behind their times by " in err


def test_a_log_to_a_hub_that_proves_to_be_ours(log, hub):
    """The hub of a bench gets every frame."""
    settings = bus_of("socketcand", host="127.0.0.1", port=hub.port)
    assert replay_log(log, ReplayOptions(form="plain", bus=settings)) == 0
    for _ in range(LIMIT_S * 100):
        if len(hub.taken) == len(MOMENTS_MS):
            break
        time.sleep(0.01)
    assert [data[0] for data in hub.taken] == list(range(len(MOMENTS_MS)))


@pytest.mark.parametrize("interface", ["socketcan", "slcan", "udp_multicast", "pcan"])
def test_a_real_bus_is_refused(log, interface):
    """One line, and nothing is opened."""
    with pytest.raises(InputError, match=rf"^{interface} rvsim: the bus may be real; this version sends on virtual"):
        replay_log(log, ReplayOptions(form="plain", bus=bus_of(interface)))


def test_a_server_that_is_no_hub_of_ours_is_refused(log):
    """It may have a real bus."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer():
            connection, _ = server.accept()
            with connection:
                connection.sendall(b"< hello >")

        thread = threading.Thread(target=answer)
        thread.start()
        settings = bus_of("socketcand", host="127.0.0.1", port=server.getsockname()[1])
        with pytest.raises(InputError, match="is not a hub of rvsim, so its bus may be real"):
            replay_log(log, ReplayOptions(form="plain", bus=settings))
        thread.join()


def test_a_log_served_to_clients(log, monkeypatch, capsys):
    """Two clients of python-can get the frames; what one of them sends comes to the other, and is counted."""
    ports, opened = [], threading.Event()
    text = exits.say

    def note(*lines):
        text(*lines)
        ports.extend(int(line.split("127.0.0.1:")[1].split(",")[0]) for line in lines if line.startswith("served on"))
        if ports:
            opened.set()

    monkeypatch.setattr(logs, "say", note)
    codes, control = [], RunControl()
    monkeypatch.setattr(logs, "RunControl", lambda speed: control)
    thread = threading.Thread(
        target=lambda: codes.append(replay_log(log, ReplayOptions(form="json", every=True, serve="0", loop=True)))
    )
    thread.start()
    assert opened.wait(LIMIT_S)
    where = {"interface": "socketcand", "host": "127.0.0.1", "port": ports[0], "channel": "rvsim"}
    try:
        with can.Bus(**where, ignore_config=True) as one, can.Bus(**where, ignore_config=True) as other:
            found = [one.recv(LIMIT_S) for _ in range(2 * len(MOMENTS_MS))]
            one.send(can.Message(arbitration_id=0x19FEA642, data=[9, 9]))
            for _ in range(1000):
                message = other.recv(LIMIT_S)
                if message is not None and message.arbitration_id == 0x19FEA642:
                    break
            else:
                pytest.fail("the frame of the other client did not come")
    finally:
        control.stop()
        thread.join(LIMIT_S)
    places = [message.data[0] for message in found if message is not None]
    first = places[0]
    assert places == [(first + n) % len(MOMENTS_MS) for n in range(len(places))]  # round and round, none twice
    assert codes == [0]
    out, err = capsys.readouterr()
    assert "1 frame received from clients" in err
    sent = [json.loads(line) for line in out.splitlines() if '"type": "frame"' in line]
    assert {line["sent"] for line in sent} == {True}


def test_keys_and_a_sender(log, monkeypatch):
    """A frame for each step on; none for a way back, none for those passed over; then the rest once when it plays."""
    control = RunControl()
    control.pause(paused=True)
    monkeypatch.setattr(show, "RunControl", lambda speed: control)
    with Port("virtual", "stepped") as port:
        found: list[int] = []

        def wait_until(holds):
            for _ in range(LIMIT_S * 100):
                found.extend(frame.data[0] for frame in port.receive() if isinstance(frame, Frame))
                if holds():
                    return
                time.sleep(0.01)
            pytest.fail(f"sent: {found}")

        def screen(self):
            try:
                return steps(self)
            finally:
                control.stop()

        def steps(self):
            replay = self._replay
            for _ in range(3):
                before = len(found)
                control.request(lambda: replay.step_frames(1))
                wait_until(lambda before=before: len(found) > before)
            control.request(lambda: replay.step_frames(-1))
            wait_until(lambda: self.scene.status_text.startswith("Frame at 0.020"))
            control.request(lambda: replay.search("nowhere"))
            wait_until(lambda: self.scene.status_text.startswith("nowhere: not told of"))
            assert found == [0, 1, 2]
            control.pause(paused=False)
            wait_until(lambda: bool(self.scene.ended))
            return 0

        monkeypatch.setattr(LiveScreen, "run", screen)
        monkeypatch.setattr(LiveScreen, "redraw", lambda self: None)
        assert replay_log(log, ReplayOptions(form="screen", bus=bus_of("virtual", "stepped"))) == 0
        found += [frame.data[0] for frame in port.receive() if isinstance(frame, Frame)]
    assert found == [0, 1, 2, 2, 3, 4, 5, 6, 7]


def test_a_bus_that_is_lost_ends_the_run(log, monkeypatch):
    """With its error."""

    def fail(self, frame):
        raise BusError("rvsim: a frame could not be sent")

    monkeypatch.setattr(Port, "send", fail)
    with pytest.raises(BusError, match="could not be sent"):
        replay_log(log, ReplayOptions(form="plain", bus=bus_of("virtual", "lost"), loop=True))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--serve", "0", "--speed", "max"), "a log is sent at its times: leave out --speed max"),
        (("--serve", "0", "--interface", "virtual"), "--serve and --interface cannot go together: choose one"),
        (("--bus-channel", "a"), "--bus-channel goes with --interface: name one, or leave --bus-channel out"),
        (("--adapter-option", "a=b"), "--adapter-option goes with --interface: name one"),
        (("--interface", "socketcan"), "the bus may be real"),
        (("--serve", "192.168.1.1:5"), "--serve 192.168.1.1:5"),
    ],
)
def test_options_that_do_not_fit(rvsim, log, arguments, said):
    """One clear line, exit code 2."""
    code, _, err = rvsim("replay", log, "--plain", *arguments)
    assert code == 2
    assert said in err.splitlines()[-1]


def test_from_the_command_line(rvsim, log):
    """On the virtual bus by its options."""
    assert Path(log).exists()
    code, out, err = rvsim("replay", log, "--plain", "--interface", "virtual", "--bus-channel", "cli", "--speed", "10")
    assert code == 0
    assert "8 frames of the log sent" in err
    assert "simulated bus" in out
