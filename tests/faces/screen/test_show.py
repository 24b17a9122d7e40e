"""A run with a screen: who outlives whom, and the terminal afterwards."""

import gc
import signal
import threading
from functools import partial

import pytest

from rvsim.devices.registry import settings_models
from rvsim.errors import BusError
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.show import ScreenSink, show_bench
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US, Frame

pytestmark = pytest.mark.paced

QUICK = 1e6


class MemoryWriter:
    """A frame writer that keeps frames in memory."""

    def __init__(self):
        self.frames: list[Frame] = []

    def write(self, frame):
        """Keep it."""
        self.frames.append(frame)

    def write_event(self, event):
        """Only frames are checked."""

    def flush(self):
        """Nothing waits."""


@pytest.fixture
def loaded():
    """The healthy scenario."""
    return load_scenario("winter_evening", kinds=settings_models())


@pytest.fixture
def kept():
    """A recorder."""
    return MemoryWriter()


@pytest.fixture
def make(loaded, catalogue, kept):
    """Make the scenario's run with the recorder."""
    return partial(PacedBenchRun, loaded, catalogue, seed=1, recorder=kept)


def bench_over():
    """Wait until the bench's thread has ended."""
    for thread in threading.enumerate():
        if thread.name == "run":
            thread.join(20)


def test_an_error_in_the_screen_does_not_stop_the_recording(loaded, make, kept, monkeypatch, capsys):
    """The screen fails at once; the bench runs to its end all the same and every frame is recorded."""

    def fail(self):
        raise RuntimeError("no such colour")

    monkeypatch.setattr(LiveScreen, "run", fail)
    assert show_bench(loaded, make, 60 * SECOND_US, QUICK) == 0
    assert kept.frames[-1].time > 59 * SECOND_US
    err = capsys.readouterr().err
    assert "RuntimeError: no such colour" in err
    assert "the screen has failed; the run and its recording go on" in err


def test_a_screen_that_ends_with_a_failure_counts_as_failed(loaded, make, kept, monkeypatch, capsys):
    """A screen that Textual ended after an error returns no code: the bench goes on then too."""
    monkeypatch.setattr(LiveScreen, "run", lambda self: None)
    monkeypatch.setattr(LiveScreen, "return_code", 1)
    assert show_bench(loaded, make, 60 * SECOND_US, QUICK) == 0
    assert kept.frames[-1].time > 59 * SECOND_US
    assert "the screen has failed" in capsys.readouterr().err


def test_garbage_is_not_looked_for_in_what_was_made_before(loaded, make, monkeypatch):
    """The definitions and the bench live as long as the screen, so the collector leaves them out."""
    before, within = gc.get_freeze_count(), []

    def leave(self):
        within.append(gc.get_freeze_count())
        return 0

    monkeypatch.setattr(LiveScreen, "run", leave)
    assert show_bench(loaded, make, SECOND_US, QUICK) == 0
    assert within[0] > before


def test_leaving_the_screen_ends_the_bench(loaded, make, monkeypatch):
    """A run without an end is over when the screen is left, and its code is the screen's."""
    monkeypatch.setattr(LiveScreen, "run", lambda self: 130)
    assert show_bench(loaded, make, None, 1.0) == 130
    assert not any(thread.name == "run" for thread in threading.enumerate())


def test_signals_do_afterwards_what_they_did_before(loaded, make, monkeypatch):
    """A loop that ends leaves SIGTERM to the system: what is still to be closed would not be any more."""
    handler, before = lambda *_: None, signal.getsignal(signal.SIGTERM)

    def run(self):
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        return 0

    monkeypatch.setattr(LiveScreen, "run", run)
    signal.signal(signal.SIGTERM, handler)
    try:
        assert show_bench(loaded, make, SECOND_US, QUICK) == 0
        assert signal.getsignal(signal.SIGTERM) is handler
    finally:
        signal.signal(signal.SIGTERM, before)


def test_an_error_in_the_bench_is_told_and_raised_afterwards(loaded, make, monkeypatch):
    """The head says that the bench has failed; when the screen is left the error comes out with its exit code."""
    said = []

    def leave(self):
        bench_over()
        said.extend([self.scene.ended, self.scene.status_text])
        return 0

    def lost(self, *args, **more):
        raise BusError("the plug was pulled")

    monkeypatch.setattr(LiveScreen, "run", leave)
    monkeypatch.setattr(PacedBenchRun, "run", lost)
    with pytest.raises(BusError, match="the plug was pulled"):
        show_bench(loaded, make, None, 1.0)
    assert said == ["The run stopped with an error; q quits.", "the plug was pulled"]


def test_a_run_that_ends_by_itself_says_so(loaded, make, monkeypatch):
    """After its last second the run is over and the screen says so."""
    said = []

    def leave(self):
        bench_over()
        said.append(self.scene.ended)
        return 0

    monkeypatch.setattr(LiveScreen, "run", leave)
    assert show_bench(loaded, make, 5 * SECOND_US, QUICK) == 0
    assert said == ["The run has ended."]


def test_the_sink_keeps_what_moved_and_no_more(loaded, catalogue):
    """What a screen's sink holds does not grow with the run: only what moved in the last seconds."""
    sink = ScreenSink()
    run = VirtualBenchRun(loaded, catalogue, sink, seed=1)
    run.until(600 * SECOND_US)
    kept = sink.touches.recent(run.time)
    assert all(moved.time > run.time - 5 * SECOND_US for moved in kept)
    assert not sink.touches.moments
    assert run.watch.bus_load.percent()[1] > 0
