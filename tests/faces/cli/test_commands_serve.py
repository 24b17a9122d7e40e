"""`rvsim bench --serve` and `--except` on a whole bench: how they are typed, what is said, who cannot hold it up."""

import re
import socket
import threading
import time
from functools import partial

import can
import pytest

from rvsim.devices.registry import settings_models
from rvsim.edge.hub import Hub
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario

pytestmark = pytest.mark.paced

FAN = 0x19FEA790
"""The roof fan's status from its planned address."""


class Served:
    """A run of the healthy evening that can be served, and what was on its wires."""

    def __init__(self, catalogue, speed=1.0):
        self.heard = []
        self.more = threading.Condition()
        loaded = load_scenario("winter_evening", settings_models())
        self.control = RunControl(speed)
        make = partial(PacedBenchRun, loaded, catalogue, NullSink(), seed=1, control=self.control)
        self.run = make(channel=f"serve {id(self)}", tap=self._tap)
        self.hub = Hub(("127.0.0.1", 0), self.run.inject, time.monotonic)
        self.thread = threading.Thread(target=self.run.run, args=(None,), daemon=True)

    def _tap(self, frame):
        self.hub.publish(frame)
        with self.more:
            self.heard.append(frame)
            self.more.notify_all()

    def wait(self, holds):
        """Wait until something holds for what was on the wires, for at most ten seconds."""
        with self.more:
            assert self.more.wait_for(lambda: holds(self.heard), 10)

    def close(self):
        """Stop the run and the hub."""
        self.control.stop()
        if self.thread.ident is not None:
            self.thread.join(10)
        self.hub.close()
        assert not self.thread.is_alive()


@pytest.fixture
def served(catalogue):
    """A run that is not started yet."""
    one = Served(catalogue)
    yield one
    one.close()


def client_of(served):
    """Open the bench as python-can's client does."""
    return can.Bus(interface="socketcand", host="127.0.0.1", port=served.hub.port, channel="rvsim", ignore_config=True)


def of(heard, identifier):
    """The bytes of the frames with an identifier."""
    return [frame.data for frame in heard if frame.identifier == identifier]


def test_a_burst_of_a_client_is_on_the_wires_whole_and_in_order(served):
    """500 frames sent at once, more than a simulated node holds ready: none is lost."""
    served.thread.start()
    burst = [number.to_bytes(8, "little") for number in range(500)]
    with client_of(served) as client:
        for data in burst:
            client.send(can.Message(arbitration_id=FAN, data=data))
        served.wait(lambda heard: len(of(heard, FAN)) >= 500)
    assert of(served.heard, FAN) == burst


def test_what_was_sent_before_the_run_began_is_on_the_wires_at_its_beginning(served):
    """Nobody has to send again to have it noticed."""
    with client_of(served) as client:
        client.send(can.Message(arbitration_id=FAN, data=[1]))
        while served.hub.statistics.received == 0:
            served.control.wake.wait(0.01)
        served.thread.start()
        served.wait(lambda heard: of(heard, FAN))
    assert next(frame.time for frame in served.heard if frame.identifier == FAN) < 1_000_000


def test_a_client_that_sends_on_and_on_does_not_hold_the_devices_up(served):
    """While it sends as fast as it can, the devices' frames go through: a lower identifier wins the pair."""
    served.thread.start()
    stop = threading.Event()
    frame = b"< send 1DFEA790 8 1 2 3 4 5 6 7 8 >"
    with socket.create_connection(("127.0.0.1", served.hub.port), timeout=0.5) as hasty:
        for text in (b"< open rvsim >", b"< rawmode >"):
            hasty.recv(64)
            hasty.sendall(text)
        hasty.recv(64)

        def flood():
            while not stop.is_set():
                try:
                    hasty.sendall(frame * 1000)
                except TimeoutError:  # cut in the middle of a message: it is not read any more now
                    return

        sending = threading.Thread(target=flood)
        sending.start()
        served.wait(lambda heard: len(of(heard, 0x1DFEA790)) > 300)
        begun = served.heard[-1].time
        served.wait(lambda heard: heard[-1].time > begun + 1_000_000)
        with served.more:
            during = [frame for frame in served.heard if begun < frame.time < begun + 1_000_000]
        stop.set()
        sending.join()
    others = {frame.identifier & 0xFF for frame in during} - {0x90}
    assert len(others) >= 5
    assert served.hub.statistics.invalid_clients == 0
    assert sum(frame.identifier == 0x1DFEA790 for frame in during) <= 1908  # a full pair (Davis and others 2007)


def test_frames_that_come_in_while_others_are_put_on_the_wires_wait(served):
    """So whoever sends as fast as they are taken does not keep simulated time from going on."""
    put, times = served.run.bench.send, []

    def put_and_send_again(identifier, data):
        assert times.count(served.run.time) < 10
        times.append(served.run.time)
        put(identifier, data)
        served.run.inject(identifier, data)

    served.run.bench.send = put_and_send_again
    served.run.inject(FAN, b"\x01")
    served.run.run(1_000_000)
    assert served.run.time == 1_000_000
    assert len(times) > 10


def test_bare_serve_is_the_registered_port(rvsim, monkeypatch):
    """Wherever it stands, with or without a scenario before it; a value behind it is an address."""
    asked = []
    monkeypatch.setattr(
        "rvsim.faces.cli.bench.run_bench", lambda name, options: asked.append((name, options.serve)) or 0
    )
    for typed in (
        (),
        ("--serve",),
        ("warm_cabin", "--serve"),
        ("--serve", "--plain", "warm_cabin"),
        ("--serve", "--", "warm_cabin"),
        ("--serve", "0", "warm_cabin"),
        ("--serve=localhost:7", "warm_cabin"),
        ("--", "--serve"),
    ):
        assert rvsim("bench", *typed)[0] == 0
    assert asked == [
        ("winter_evening", None),
        ("winter_evening", ""),
        ("warm_cabin", ""),
        ("warm_cabin", ""),
        ("warm_cabin", ""),
        ("warm_cabin", "0"),
        ("warm_cabin", "localhost:7"),
        ("--serve", None),
    ]


def test_the_opening_says_who_is_not_simulated(rvsim):
    """Nothing is said to be simulated that is not; a device that is named twice is left out once."""
    typed = ("bench", "--plain", "--seconds", "1", "--speed", "max")
    assert "11 devices planned, all simulated, seed 1" in rvsim(*typed)[1]
    left_out = ("--except", "roof fan", "--except", "heater", "--except", "heater")
    out = rvsim(*typed, *left_out)[1]
    assert "11 devices planned, all simulated except roof fan, heater, seed 1" in out
    assert not re.search(r"roof fan is present|heater is present", out)


def test_a_port_that_is_none_is_told_in_one_line(rvsim):
    """Exit code 2 and no traceback, also for digits that are none of ours."""
    code, _, err = rvsim("bench", "--serve", "\u00b2", "--plain")
    assert (code, err.count("\n")) == (2, 1)
    assert "write a port from 0" in err
