"""Listening to a hub on loopback that goes away and comes back, by the wall clock."""

import threading
import time

import pytest

from rvsim.edge.hub import Hub
from rvsim.edge.port import Port
from rvsim.runs.control import RunControl
from rvsim.runs.listen import ListenRun
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.reopening import ThreadedAttempt
from rvsim.runs.sink import NullSink
from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import ListeningResumed

pytestmark = pytest.mark.paced

LIMIT_S = 60
BODY = bytes.fromhex("00C864FFFFFFFF")


class Keeper:
    """Keeps frames and events, and tells when something came."""

    def __init__(self):
        self.entries, self.changed = [], threading.Condition()

    def write(self, entry):
        """Keep it."""
        with self.changed:
            self.entries.append(entry)
            self.changed.notify_all()

    write_event = write

    def flush(self):
        """Nothing waits."""

    def wait_for(self, is_there):
        """Wait until an entry is there."""
        with self.changed:
            assert self.changed.wait_for(lambda: any(map(is_there, self.entries)), LIMIT_S), self.entries


def talking(hub, stop):
    """Send three messages of a busy bus every 20 ms."""
    started = time.monotonic_ns()
    while not stop.wait(0.02):
        now = (time.monotonic_ns() - started) // 1000
        for source in (0x46, 0x47, 0x48):
            hub.publish(Frame(now, 0x19FFE400 | source, bytes([source - 0x45]) + BODY))


def serving(port=0):
    """Return a hub that talks, and what stops it."""
    hub, stop = Hub(("127.0.0.1", port), lambda *_: None, time.monotonic), threading.Event()
    thread = threading.Thread(target=talking, args=(hub, stop))
    thread.start()

    def end():
        stop.set()
        thread.join()
        hub.close()

    return hub, end


def test_a_hub_that_goes_away_and_comes_back(catalogue):
    """Frames before and after, one gap between them, and no flag for it, although the bus is usually never quiet for
    longer than 20 ms.
    """
    hub, end = serving()
    where = {"host": "127.0.0.1", "port": hub.port}
    kept, states, control = Keeper(), [], RunControl()
    run = ListenRun(
        None,
        Pipeline(Watch(catalogue), NullSink(), kept),
        "socketcand can0",
        None,
        lambda _: None,
        start_attempt=lambda: ThreadedAttempt(lambda: Port("socketcand", "can0", options=where)),
        say_state=states.append,
    )
    thread = threading.Thread(target=run.run, args=(None, control))
    thread.start()
    try:
        kept.wait_for(lambda entry: isinstance(entry, Frame) and entry.time > 1_200_000)
        end()
        while not states:
            time.sleep(0.01)
        _, end = serving(hub.port)
        kept.wait_for(lambda entry: isinstance(entry, ListeningResumed))
        after = next(entry for entry in kept.entries if isinstance(entry, ListeningResumed)).time
        kept.wait_for(lambda entry: isinstance(entry, Frame) and entry.time > after + 1_000_000)
    finally:
        control.stop()
        thread.join(LIMIT_S)
        end()
    assert not thread.is_alive()
    assert [type(entry) for entry in kept.entries].count(ListeningResumed) == 1
    assert run.watch.all_flags == ()
    assert "lost" in states[0]
    assert "listening since" in states[-1]
