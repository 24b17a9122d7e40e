"""A process ends although a thread of ours still runs in it: a port that was not closed does not keep it alive."""

import signal
import subprocess
import sys
import threading

import pytest

pytestmark = pytest.mark.paced

TIMEOUT_S = 60
HUB = """
import socket, sys, time
from rvsim.edge.hub import Hub

hub = Hub(("127.0.0.1", 0), lambda identifier, data: None, time.monotonic)
client = socket.create_connection(("127.0.0.1", hub.port), 5)
assert client.recv(256) == b"< hi >"
sys.exit(7)
"""
PORT = """
import sys, threading
from rvsim.edge.port import Port

port = Port("virtual", "forgotten")
assert any(thread.name == "port forgotten" for thread in threading.enumerate())
sys.exit(7)
"""
SCREEN = """
import signal, sys, threading
from rvsim.runs.control import RunControl
from rvsim.faces.screen import show
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.scene import Scene
from rvsim.watch.watch import Watch
from rvsim.wire.database import load_catalogue

def leave(self):
    print("left", flush=True)
    return 0

LiveScreen.run = leave
watch = Watch(load_catalogue())
try:
    show.run_with_screen(Scene("stuck", watch, None), RunControl(), threading.Event().wait, lambda: 0)
except KeyboardInterrupt:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    assert any(thread.name == "run" for thread in threading.enumerate())
    sys.exit(7)
"""
"""What runs behind this screen never comes to its end, and cannot be stopped."""


@pytest.mark.parametrize("program", [HUB, PORT], ids=["hub", "port"])
def test_a_process_ends_although_it_was_not_closed(program):
    """With the code that it requests."""
    done = subprocess.run([sys.executable, "-c", program], timeout=TIMEOUT_S, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (7, b"")


def test_a_screen_can_be_interrupted_although_its_run_is_stuck():
    """Whoever waits for it to stop ends it with Ctrl-C, again where it came too early."""
    pause = threading.Event()
    with subprocess.Popen([sys.executable, "-c", SCREEN], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            assert process.stdout.readline() == b"left\n"
            for _ in range(TIMEOUT_S * 2):
                if process.poll() is not None:
                    break
                process.send_signal(signal.SIGINT)
                pause.wait(0.5)
            assert process.poll() == 7, "it is still there"
        finally:
            process.kill()
