"""A verdict in front of devices that are not simulated: on the virtual bus, and on a bench that another serves."""

import re
import socket
import subprocess
import threading
from pathlib import Path

import can
import pytest

from rvsim.edge.hub_protocol import QUESTION
from rvsim.edge.settings import resolve
from rvsim.errors import InputError
from rvsim.faces.cli.exits import say
from rvsim.logs.read import open_log
from rvsim.runs.hardware_run import run_on_bus
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.shakedown.jobs import Job
from rvsim.sim.clock import PacedClock
from rvsim.wire.frame import SECOND_US

pytestmark = pytest.mark.paced

TEXT = """
schema = 1
title = "T"
rig = "ottersby"
lasts = "20s"

[[expect]]
expect = "seen"
sight = { device = "roof fan", message = "ROOF_FAN_STATUS_1" }
until = "15s"
"""


@pytest.fixture
def trial(tmp_path):
    """A scenario that expects the roof fan."""
    path = tmp_path / "t.toml"
    path.write_text(TEXT, encoding="utf-8")
    return PreparedScenario(Job(str(path), {}))


def fan(bus, stop):
    """A roof fan, as somebody else builds one: claims, then says its status and its heartbeat."""
    bus.send(can.Message(arbitration_id=0x18EEFF90, data=bytes(8)))
    while not stop.wait(0.02):
        bus.send(can.Message(arbitration_id=0x19FEA790, data=bytes.fromhex("01FFFFFFFFFFFFFF")))


@pytest.mark.parametrize("there", [True, False])
def test_a_device_that_stands_in(trial, there):
    """With it the scenario is passed; without it it is not: nobody else says a roof fan's status."""
    bus = resolve("virtual", "in front", None, listening=False)
    stop = threading.Event()
    with can.Bus(interface="virtual", channel="in front", ignore_config=True) as real:
        thread = threading.Thread(target=fan, args=(real, stop))
        if there:
            thread.start()
        try:
            verdict = run_on_bus(trial, bus, say, absent=["roof fan"], speed=20.0)
        finally:
            stop.set()
            if there:
                thread.join()
        heard = {real.recv(0).arbitration_id & 0xFF for _ in range(50)}
    assert verdict.passed is there
    assert 0x5E in heard
    assert verdict.seconds == 20


@pytest.mark.parametrize(
    ("interface", "options"),
    [
        ("socketcand", ["host=192.0.2.1", "port=29536"]),
        ("socketcand", ["host=127.0.0.1.example", "port=29536"]),
        ("slcan", []),
    ],
)
def test_nothing_is_sent_elsewhere(trial, interface, options):
    """Only the virtual bus and hubs of this machine, until something can be armed, whatever a channel is called."""
    other = resolve(interface, "rvsim", None, options, listening=False)
    with pytest.raises(InputError, match="this version sends on virtual buses"):
        run_on_bus(trial, other, say, absent=[])


def test_nothing_is_sent_to_another_server_of_this_machine(trial, tmp_path):
    """A socketcand server that may have a real bus, although it listens on loopback and its bus has our name: it is
    asked what it is, its bus is not opened and no frame goes to it.
    """
    received = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            with server.accept()[0] as connection:
                connection.settimeout(10)
                connection.sendall(b"< hi >")
                while message := connection.recv(256):
                    received.append(message)
                    connection.sendall(b"< error unknown command >")

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        options = ["host=127.0.0.1", f"port={server.getsockname()[1]}"]
        with pytest.raises(InputError, match="is not a hub of rvsim, so its bus may be real; this version sends on"):
            run_on_bus(
                trial,
                resolve("socketcand", "rvsim", None, options, listening=False),
                say,
                absent=[],
                record=tmp_path / "r.log",
            )
        thread.join(10)
        server.setblocking(False)
        with pytest.raises(BlockingIOError):
            server.accept()  # nobody has come a second time
    assert received == [QUESTION]
    assert not (tmp_path / "r.log").exists()


def test_a_run_in_front_is_recorded(trial, tmp_path):
    """All its frames, its own and those of others, whether it is passed or not; at a speed it is as long as ever."""
    place = tmp_path / "r.log"
    with can.Bus(interface="virtual", channel="recorded", ignore_config=True) as real:
        bus = resolve("virtual", "recorded", None, listening=False)
        stop = threading.Event()
        thread = threading.Thread(target=fan, args=(real, stop))
        thread.start()
        try:
            verdict = run_on_bus(trial, bus, say, absent=["roof fan"], record=place, speed=20.0)
        finally:
            stop.set()
            thread.join()
    assert (verdict.passed, verdict.recording) == (True, str(place))
    with open_log(place) as log:
        sources = [frame.identifier & 0xFF for frame in log.frames()]
    assert {0x5E, 0x90} < set(sources)
    assert len(sources) == verdict.frames


def test_a_device_that_is_not_in_the_rig_cannot_be_left_out(trial, tmp_path):
    """A line for each, and no recording is begun."""
    bus, place = resolve("virtual", "left out", None, listening=False), tmp_path / "r.log"
    with pytest.raises(InputError) as refused:
        run_on_bus(trial, bus, say, absent=["roof fn", "heater", "x"], record=place)
    assert [problem.partition("; its devices are ")[0] for problem in refused.value.problems] == [
        '"roof fn" is not in the rig (did you mean "roof fan"?)',
        '"x" is not in the rig',
    ]
    assert not place.exists()


def test_in_front_of_another_program(tmp_path, trial, rvsim, forked):
    """A bench without anything but a roof fan is served at ten times the pace; its fan stands in for ours."""
    out = [f'[[change]]\ndevice = "{plan.name}"\nabsent = true\n' for plan in trial.loaded.rig.devices]
    only = TEXT.split("[[expect]]")[0] + "".join(one for one in out if "roof fan" not in one)
    Path(tmp_path / "fan.toml").write_text(only, encoding="utf-8")
    options = [str(tmp_path / "fan.toml"), "--serve", "0", "--plain", "--speed", "10", "--seconds", "300"]
    with subprocess.Popen(**forked("bench", *options), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        line = b""
        while b"port=" not in line:
            line = process.stderr.readline()
        port = re.search(rb"port=(\d+)", line)[1].decode()
        text = TEXT.replace("20s", "4s").replace("15s", "3.5s")
        Path(tmp_path / "short.toml").write_text(text, encoding="utf-8")
        options = ["--interface", "socketcand", "--channel", "anything", "--adapter-option", "host=127.0.0.1"]
        code, shown, _ = rvsim(
            "shakedown", "short.toml", *options, "--adapter-option", f"port={port}", "--except", "roof fan"
        )
        process.terminate()
        process.communicate()
    assert (code, "passed, 1 of 1" in shown) == (0, True)


def test_options_that_do_not_go_together(rvsim, trial):
    """A line each."""
    code, _, err = rvsim("shakedown", "winter_evening", "--except", "roof fan")
    assert (code, "--except goes with --interface" in err) == (2, True)
    code, _, err = rvsim("shakedown", "winter_evening", "--interface", "virtual", "--channel", "a", "--repeat", "2")
    assert (code, "--interface goes with one run" in err) == (2, True)


def test_a_run_that_is_interrupted_shows_what_it_has_come_to(rvsim, trial, monkeypatch):
    """What was seen up to then counts, it is not passed, and the exit code says that it was interrupted."""

    whole = PacedBenchRun.run
    monkeypatch.setattr(PacedClock, "wait_until", lambda *_: True)  # simulated time waits for nothing

    def interrupted(run, end):
        whole(run, 16 * SECOND_US)
        raise KeyboardInterrupt

    monkeypatch.setattr(PacedBenchRun, "run", interrupted)
    code, out, _ = rvsim("shakedown", str(trial.loaded.path), "--interface", "virtual", "--channel", "hasty")
    assert code == 130
    assert (
        "t, seed 1: not passed, 1 of 1 expectations met in 16 s of simulated time, "
        "judged early: the scenario lasts 20 s" in out
    )
    assert "  interrupted\n" in out


def test_what_a_verdict_on_a_bus_ends_with(rvsim):
    """1 if it is not passed, with the verdict in its file; a place that is none is refused before the bus is opened."""
    short = TEXT.replace("20s", "0.4s").replace("15s", "0.3s")
    Path("t.toml").write_text(short, encoding="utf-8")
    on_a_bus = ["shakedown", "t.toml", "--interface", "virtual", "--channel", "ends", "--except", "roof fan"]
    code, out, err = rvsim(*on_a_bus, "--junit", "v.xml")
    assert code == 1
    assert out.startswith("t, seed 1: not passed, 0 of 1 expectations met in 0.4 s of simulated time\n")
    assert "interface: virtual" in err
    assert "listen" not in err
    assert 'failures="1"' in Path("v.xml").read_text(encoding="utf-8")
    code, out, err = rvsim(*on_a_bus, "--junit", "no/v.xml")
    assert (code, out) == (2, "")
    assert err == "rvsim: --junit no/v.xml: there is no folder no; make it, or name another file\n"
    code, _, err = rvsim(*on_a_bus[:-1], "roof fn")
    assert (code, 'did you mean "roof fan"' in err) == (2, True)
    Path("t.toml").write_text(short.split("[[expect]]")[0], encoding="utf-8")
    code, _, err = rvsim(*on_a_bus)
    assert (code, "has no expectations" in err) == (2, True)
