"""`rvsim shakedown --serve`: the verdict on a controller in another process, which is written with python-can alone."""

import json
import re
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import can
import pytest

from rvsim.errors import BusError, InputError
from rvsim.faces.cli.exits import say
from rvsim.runs.scenario_run import PreparedScenario
from rvsim.runs.served_run import serve_scenario
from rvsim.shakedown.jobs import Job

pytestmark = pytest.mark.paced

CONTROLLER = Path(__file__).parent / "controller.py"
TIMEOUT_S = 120
PATIENCE_S = 30
"""For a frame that is due at once. A run takes some seconds of the wall clock, so that a busy machine is in time."""
FAN = '[[expect]]\nexpect = "seen"\nsight = { device = "roof fan", message = "ROOF_FAN_STATUS_1" }\n'
CLAIM = can.Message(arbitration_id=0x18EEFF90, data=bytes(8))
STATUS = can.Message(arbitration_id=0x19FEA790, data=bytes.fromhex("01FFFFFFFFFFFFFF"))


@pytest.fixture
def serving(forked):
    """Serve a scenario in a process of its own: ``with serving(*options) as (process, port)``."""

    @contextmanager
    def go(*options):
        start = forked("shakedown", *options, "--serve", "0")
        with subprocess.Popen(**start, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
            try:
                line = ""
                while "port=" not in line:
                    line = process.stderr.readline()
                    assert line, process.communicate()
                yield process, int(re.search(r"port=(\d+)", line)[1])
            finally:
                process.kill()

    return go


def opened(port):
    """Open it as python-can's client does."""
    return can.Bus(interface="socketcand", host="127.0.0.1", port=port, channel="rvsim", ignore_config=True)


def controller(port, sensor, seconds):
    """Let a controller work to its end."""
    command = [sys.executable, str(CONTROLLER), str(port), str(sensor), str(seconds)]
    return subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=True)


OF_CONTROLLER = f"""
import runpy, sys
sys.path.insert(0, {str(CONTROLLER.parent)!r})
runpy.run_path({str(CONTROLLER)!r}, run_name="__main__")
"""
"""Runs the controller in a process that is forked."""
COLD_CABIN = """
says = "heat is asked for while the cabin is cold"
expect = "seen"
sight = { message = "FURNACE_COMMAND", field = "heat_output_level", above = 20 }

[weather]
outdoor_c = 30.0
"""


@pytest.mark.parametrize(("sensor", "code"), [(1, 0), (2, 1)], ids=["right", "wrong"])
def test_a_controller_in_another_process_is_judged(write, serving, sensor, code):
    """The right one reads the cold cabin and is passed; one that reads the outdoor sensor, where it is warm, is not."""
    name = write(f"[[expect]]{COLD_CABIN}", lasts="40s")
    with serving(name, "--except", "control panel", "--speed", "10", "--junit", "v.xml") as (process, port):
        controller(port, sensor, 39)
        out, err = process.communicate(timeout=TIMEOUT_S)
    assert process.returncode == code, out + err
    met = "passed, 1 of 1" if code == 0 else "not passed, 0 of 1"
    assert out.startswith(f"t, seed 1: {met} expectations met in 40 s of simulated time\n"), out
    assert ("not met  heat is asked for while the cabin is cold" in out) is (code == 1)
    assert f'failures="{code}"' in Path("v.xml").read_text(encoding="utf-8")
    assert "a client has connected: the run starts" in err
    assert "never on the wires" not in err


@pytest.mark.parametrize(("sensor", "passed"), [(1, True), (2, False)])
def test_the_same_controller_on_the_python_can_interface(forked, sensor, passed):
    """`can.Bus(interface="rvsim")` is found by python-can in another process, and has a verdict."""
    seconds = 2460  # a minute of the last expectation's part
    start = forked("rvsim", "2", str(seconds), code=OF_CONTROLLER)
    said = controller("rvsim", sensor, seconds).stdout if passed else subprocess.check_output(**start, text=True)
    count = "passed, 11 of 11" if passed else "not passed, 9 of 11"
    assert said.startswith(f"warm_cabin, seed 1: {count} expectations")


def test_nobody_comes(write, rvsim):
    """After the wait it ends as a bus that could not be had, without a verdict, and leaves no recording."""
    trial = PreparedScenario(Job(write(FAN), {}))
    with pytest.raises(BusError, match=r"no client has connected to 127.0.0.1:\d+ within 0.2 s; start the controller"):
        serve_scenario(trial, "0", say, absent=["roof fan"], record=Path("r.log"), max_client_wait_s=0.2)
    assert BusError.exit_code == 3
    assert not Path("r.log").exists()


def test_who_only_connects_is_no_client(write):
    """A connection whose handshake is not finished starts nothing."""
    trial, there = PreparedScenario(Job(write(FAN), {})), []

    def connect(*lines):
        if "port=" in lines[0]:
            there.append(socket.create_connection(("127.0.0.1", port_in(lines))))

    with pytest.raises(BusError, match="no client has connected"):
        serve_scenario(trial, "0", connect, max_client_wait_s=0.3)
    assert there[0].recv(256) == b"< hi >"
    there[0].close()


def port_in(lines):
    """Find the port in what is said."""
    return int(re.search(r"port=(\d+)", " ".join(lines))[1])


def test_nothing_goes_by_before_the_first_client(write, serving):
    """It hears the run from its first frame on, whenever it comes, and what it sends counts as a device's."""
    options = (write(FAN, lasts="12s"), "--except", "roof fan", "--json", "--speed", "4")
    with serving(*options) as (process, port), opened(port) as client:
        assert client.recv(PATIENCE_S).timestamp < 0.5
        client.send(CLAIM)
        client.send(STATUS)
        out, _ = process.communicate(timeout=TIMEOUT_S)
    verdict = json.loads(out)
    assert (process.returncode, verdict["passed"]) == (0, True)


def test_a_client_that_leaves_in_the_middle(write, serving):
    """The run goes on to its end, as a vehicle does; that is said, and what it did not do any more is not met."""
    late = FAN + 'from = "75s"\n'
    with serving(write(late, lasts="80s"), "--except", "roof fan", "--speed", "20") as (process, port):
        with opened(port) as client:
            client.send(CLAIM)
            client.send(STATUS)
            assert client.recv(PATIENCE_S) is not None
        out, err = process.communicate(timeout=TIMEOUT_S)
    assert process.returncode == 1
    assert out.startswith("t, seed 1: not passed, 0 of 1 expectations met in 80 s of simulated time\n")
    assert re.search(
        r"t: \d+ of 80 s of simulated time when the last client disconnected; the run goes on to its end", err
    )
    assert "2 frames received from clients" in err


def test_two_clients(write, serving):
    """Both hear the bench and each other; when one leaves nobody is missed."""
    options = (write(FAN, lasts="40s"), "--except", "roof fan", "--speed", "10")
    with serving(*options) as (process, port), opened(port) as fan, opened(port) as other:
        fan.send(CLAIM)
        fan.send(STATUS)
        heard = set()
        while STATUS.arbitration_id not in heard:
            message = other.recv(PATIENCE_S)
            assert message is not None
            heard.add(message.arbitration_id)
        fan.shutdown()
        assert other.recv(PATIENCE_S) is not None
        out, err = process.communicate(timeout=TIMEOUT_S)
    assert (process.returncode, out.startswith("t, seed 1: passed, 1 of 1")) == (0, True)
    assert "left" not in err


def test_an_interrupted_one_shows_what_it_has_come_to(write, serving):
    """The verdict up to then, and the exit code of an interruption; before the first client there is none."""
    with serving(write(FAN, lasts="600s"), "--except", "roof fan") as (process, port), opened(port) as client:
        for _ in range(14):  # more than the address claims: the run is under way
            assert client.recv(PATIENCE_S) is not None
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=TIMEOUT_S)
    assert process.returncode == 130
    assert out.startswith("t, seed 1: not passed, 0 of 1 expectations met in")
    assert "\n  interrupted\n" in out
    with serving(write(FAN), "--except", "roof fan") as (process, _):
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=TIMEOUT_S)
    assert (process.returncode, out) == (130, "")
    assert err.endswith("rvsim: interrupted\n")


def test_a_device_that_is_left_out_needs_no_kind(write, rvsim):
    """It is a real one, so nothing simulated could stand in for it; without --except the rig is refused as ever."""
    rig = (
        '[rig]\nschema = 1\nname = "two"\ntitle = "Two"\n'
        '[[rig.device]]\nname = "tank"\nkind = "tank"\naddress = 0x48\nfunctions = { tank = 0 }\n'
        '[[rig.device]]\nname = "x"\naddress = 0x90\n'
    )
    seen = '[[expect]]\nexpect = "seen"\nsight = { device = "tank" }\n'
    Path("k.toml").write_text(f'schema = 1\ntitle = "T"\nlasts = "2s"\n{seen}{rig}', encoding="utf-8")
    typed = ("bench", "k.toml", "--plain", "--speed", "max")
    code, _, err = rvsim(*typed)
    assert (code, "it cannot be simulated without a kind" in err) == (2, True)
    code, out, _ = rvsim(*typed, "--except", "x")
    assert (code, "2 devices planned, all simulated except x" in out) == (0, True)
    on_a_bus = ("--interface", "virtual", "--channel", "no kind", "--except", "x")
    assert rvsim("shakedown", "k.toml", *on_a_bus)[0] == 0
    code, _, err = rvsim("shakedown", "k.toml")
    assert (code, "it cannot be simulated without a kind" in err) == (2, True)


def test_options_of_a_served_run(write, rvsim):
    """A line each, exit code 2."""
    name = write(FAN)
    for typed, said in (
        (("--serve", "--interface", "virtual", "--channel", "x"), "--serve and --interface cannot go together"),
        (("--serve", "--repeat", "2"), "--serve goes with one run: name one scenario, without --repeat"),
        (("--serve", "0", "--speed", "max"), "--serve needs paced time, so that clients can keep up"),
        (("--serve", "0", "--speed", "0"), "--speed 0: give a number from 0.000001 to 1000000"),
        (("--serve", "0.0.0.0:1"), "--serve 0.0.0.0:1: the bench is served on this machine only"),
        (("--serve", "0", "--except", "roof fn"), 'did you mean "roof fan"'),
        (("--serve", "0", "--junit", "no/v.xml"), "there is no folder no"),
        (("--speed", "2"), "--speed goes with --serve"),
        (("--except", "roof fan"), "--except goes with --interface or --serve"),
    ):
        code, out, err = rvsim("shakedown", name, *typed)
        assert (code, out, said in err) == (2, "", True), err


def test_the_bare_option_is_the_port_of_the_protocol(write, rvsim, monkeypatch):
    """29536, as with the bench."""
    asked = []

    def refuse(_trial, where, *_, **__):
        asked.append(where)
        raise InputError("no")

    monkeypatch.setattr("rvsim.faces.cli.shakedown.serve_scenario", refuse)
    name = write(FAN)
    for typed in (("--serve",), ("--serve", "--except", "roof fan"), ("--serve", "7")):
        assert rvsim("shakedown", name, *typed)[0] == 2
    assert asked == ["", "", "7"]
