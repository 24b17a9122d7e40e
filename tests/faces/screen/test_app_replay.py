"""The ways through a log by keys: the run goes in its own thread, the screen shows where it stands."""

import asyncio
from pathlib import Path

import pytest

from rvsim.errors import ExitCode
from rvsim.faces.screen import show
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.scene import Page
from rvsim.faces.screen.show import ScreenSink, show_replay
from rvsim.logs.read import open_log
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.replay import LogRounds, ReplayRun
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"
START = 40 * SECOND_US
"""A pause of the bus begins at some 60 s."""
MAX_POLLS = 3_000
"""A key that changes nothing is given up after so many looks, or a test would hang."""


class PausedControl(RunControl):
    """The control of a run that is paused from its start."""

    def __init__(self, speed=1.0):
        super().__init__(speed)
        self.pause(paused=True)


@pytest.fixture
def keys(catalogue, monkeypatch):
    """Press keys in the vessel's log, paused at 40 s; a key is pressed when the one before was done.

    Returns, for each key, the lines of the screen then.
    """

    def press(*pressed):
        def new_pipeline(start):
            return Pipeline(Watch(catalogue, None, start), ScreenSink())

        replay = ReplayRun(LogRounds(lambda: open_log(MARINE), start=START), new_pipeline(0), new_pipeline)
        seen = []

        def screen(self):
            async def script():
                async with self.run_test(size=(100, 30)) as pilot:
                    await until(pilot, lambda: replay.observed_until >= START)
                    for key in pressed:
                        await pilot.press(*key.split())
                        await until(pilot, is_idle)
                        self.redraw()
                        await pilot.pause()
                        strips = self.screen_stack[0]._compositor.render_strips()
                        seen.append([strip.text.rstrip() for strip in strips])
                        seen[-1].append(self.scene.status_text)

            def is_idle():
                with self._control.lock:  # held while the run does what was requested
                    is_done = not self._control._requested
                return is_done and not self.scene.status_text.startswith(("Reading", "Searching"))

            async def until(pilot, holds):
                for _ in range(MAX_POLLS):
                    await pilot.pause(0.01)
                    if holds():
                        return
                raise AssertionError(self.scene.status_text)

            self.set_interval = lambda *args, **kwargs: None
            asyncio.run(script())
            return int(ExitCode.GOOD)

        monkeypatch.setattr(LiveScreen, "run", screen)
        monkeypatch.setattr(show, "RunControl", PausedControl)
        assert show_replay("vessel.log", replay, None, 1.0) == 0
        return seen, replay

    return press


def test_flags_on_and_back(keys):
    """g and G: each flag stands at the bottom, the first line has its time."""
    seen, _ = keys("g", "g", "G", "G")
    first, second, first_again, none = seen
    assert first[-1] == first_again[-1] != second[-1]
    assert "bus-quiet" in first[-1]
    assert first[0] == first_again[0]
    assert "paused, from a log" in first[0]
    assert none[-1] == "No earlier flag."
    assert none[0] == first[0]


def test_a_mark_is_shown_and_gone_back_to(keys):
    """Its time stands in the first line from then on."""
    seen, _ = keys("m", "g", "M", "M")
    marked, flag, back, again = seen
    assert ", mark at 40 s, paused" in marked[0]
    assert marked[-1] == "Marked; M goes back here."
    assert ", mark at 40 s" in flag[0]
    assert not flag[0].startswith("vessel.log, 40 s")
    assert back[0].split("Bus load")[0] == marked[0].split("Bus load")[0]
    assert back[-1] == "At the mark."
    assert again[-1] == "This is the mark."


def test_frame_by_frame(keys):
    """. and , name the frame with its time to the microsecond, and choose its sender."""
    seen, _ = keys("full_stop", "full_stop", "comma")
    one, two, back = (lines[-1] for lines in seen)
    assert one == back != two
    assert one.startswith("Frame at 40.0")
    assert "address " in one


def test_a_search_by_text(keys):
    """/ asks for a text; enter alone searches on for the same; what was found stands at the bottom."""
    seen, _ = keys("slash b u s minus q u i e t enter", "slash enter", "slash escape", "slash n o w h e r e enter")
    first, second, left, nowhere = (lines[-1] for lines in seen)
    assert "bus-quiet" in first
    assert "bus-quiet" in second
    assert first != second == left
    assert nowhere == "nowhere: not told of in the rest of the log."
    assert seen[3][0] == seen[2][0]


def test_a_text_that_is_known_already_is_chosen(keys):
    """Nothing new is told of it in the rest of the log: the device is chosen."""
    seen, _ = keys("slash a d d r e s s space 1 1 enter")
    assert "Known so far: address 11 hex." in seen[0][-1] or "address 11 hex" in seen[0][-1]


def test_the_prompt_says_what_can_be_searched(keys):
    """And what enter alone would search for."""
    seen, _ = keys("slash x y z z y enter", "slash")
    assert "xyzzy: not told of" in seen[0][-1]


def test_the_end_can_be_left(keys):
    """At the end the first line says so; G goes back from there."""
    seen, replay = keys(*["g"] * 6, "G")
    assert any(lines[-1] == "No further flag." for lines in seen)
    assert any("The log has ended." in lines[0] for lines in seen)
    assert "The log has ended." not in seen[-1][0]
    assert "bus-quiet" in seen[-1][-1]
    assert replay.watch is not None


def test_without_a_log_there_are_no_ways(watched, drive):
    """A bench says so for each of these keys."""
    for key in ("G", "M", "full_stop", "comma", "slash"):
        run = watched("winter_evening", 5)
        lines = drive(run.app(), (100, 24), key)
        assert "Only a log has ways on and back." in lines
        assert run.scene.page is Page.ABOARD
