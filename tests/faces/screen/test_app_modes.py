"""The same screen over a log and over a bus: what it says of them, and what cannot be done there."""

import asyncio
from pathlib import Path

import pytest

from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.head import head_lines
from rvsim.faces.screen.scene import Mode, Page, Scene
from rvsim.faces.screen.show import ScreenSink, show_replay
from rvsim.logs.read import open_log
from rvsim.rig.load import load_rig
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.replay import LogRounds, ReplayRun
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ListeningResumed, TimeWentBack

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"


class Shown:
    """The vessel's log up to some second, with a screen over it."""

    def __init__(self, catalogue, seconds, mode=Mode.LOG, rig=None, problems=()):
        self.watch, self.control, self.asked = Watch(catalogue, rig), RunControl(), []
        self.scene = Scene("vessel.log", self.watch, rig, problems, mode)
        self.seconds = seconds
        with open_log(MARINE) as log:
            for frame in log.frames():
                if frame.time > seconds * SECOND_US:
                    break
                self.watch.observe(frame)
        self.watch.advance(round(seconds * SECOND_US))

    def app(self):
        """A screen that looks when the test wants it to."""
        go = (lambda: self.asked.append("next flag")) if self.scene.mode is Mode.LOG else None
        app = LiveScreen(self.scene, self.control, lambda: round(self.seconds * SECOND_US), next_flag=go)
        app.set_interval = lambda *args, **kwargs: None
        return app


@pytest.fixture
def vessel(catalogue):
    """Stand somewhere in the vessel's log."""

    def stand(seconds=17.0, mode=Mode.LOG, **more):
        return Shown(catalogue, seconds, mode, **more)

    return stand


def test_a_log_without_a_rig(vessel, drive):
    """Addresses as they were first heard; nothing is called simulated, planned, or known to be 120 ohm."""
    lines = drive(vessel().app(), (100, 24))
    assert lines[0].startswith("vessel.log, 17 s in, from a log.   Bus load ")
    assert lines[1] == "4 of 4 heard present; 10 notices.   Order: as first heard."
    assert lines[3] == " Ω  one end of the trunk"
    assert "address 02 hex  present    6 messages without a definition here" in lines[4]
    assert lines[4].startswith("►")
    assert "simulated" not in "".join(lines)


def test_a_device_that_nobody_has_words_for_is_opened(vessel, drive):
    """Its notices stand together with one advice, then its messages with their gaps, and its NAME if it claimed one."""
    text = "\n".join(drive(vessel().app(), (100, 40), "enter", "down", "down", "down", "enter"))
    assert "(1) to (6) notice since 0.0 s: DGN 1F801 hex is not defined here" in text
    assert text.count("Try next: nothing is wrong with the bus") == 2
    assert "DGN 1F801 hex, every 100 ms" in text
    assert "NAME: manufacturer code 1774, serial number 123456." in text
    assert "Reports:" not in text


def test_a_flag_of_the_whole_bus_stands_on_the_trunk(vessel, drive):
    """In a pause of the bus: under the end of the trunk, with what to try next."""
    lines = drive(vessel(61.7).app(), (100, 24))
    assert lines[4].startswith(" ║ [12] fault since 62 s: no frame from any device for 1.2 s")
    assert any(line.startswith(" ║ Try next: check the supply of the bus") for line in lines)


def test_a_log_held_against_a_rig(vessel, drive):
    """Then planned devices are listed, and strangers behind them; that it may be another vehicle's rig stands above."""
    lines = drive(vessel(30, rig=load_rig("ottersby")).app(), (100, 36))
    assert lines[1].startswith("0 of 11 planned present; ")
    assert "the rig may be of another vehicle" in "\n".join(lines)
    assert sum("silent     never heard" in line for line in lines) == 11
    assert sum("unplanned" in line for line in lines) == 4


@pytest.mark.parametrize("key", ["s", "b", "h", "x", "w", "c"])
@pytest.mark.parametrize(("mode", "what"), [(Mode.LOG, "A log"), (Mode.BUS, "A bus that is listened to")])
def test_what_is_not_simulated_cannot_be_disturbed(vessel, drive, mode, what, key):
    """The key says so, and nothing else happens."""
    lines = drive(vessel(mode=mode).app(), (100, 24), key)
    assert f"{what} cannot be disturbed; rvsim bench can." in lines


def test_pause_speed_and_the_next_flag_are_asked_of_a_log(vessel, drive):
    """p pauses, + and - change the speed, g makes the run go on to the next flag; the first line shows it."""
    run = vessel()
    lines = drive(run.app(), (100, 24), "p", "plus", "plus", "minus", "plus")
    assert run.control.paused
    assert run.control.speed == 4
    assert lines[0].startswith("vessel.log, 17 s in, 4 x, paused, from a log.")
    drive(run.app(), (100, 24), "g")
    run.control.apply_to(FakeClock())
    assert run.asked == ["next flag"]


class FakeClock:
    """A clock that takes everything."""

    speed = 4.0

    def pause(self):
        """Stand still."""

    def resume(self):
        """Go on."""


def test_speed_has_its_bounds(vessel, drive):
    """From a sixteenth of real time to a million times."""
    run = vessel()
    drive(run.app(), (100, 24), *["minus"] * 9)
    assert run.control.speed == 1 / 16
    drive(run.app(), (100, 24), *["plus"] * 40)
    assert run.control.speed == 1_000_000


def test_a_bus_has_its_own_time(vessel, drive):
    """It can neither be paused nor go faster, has no next flag, and the first line says that nothing is sent."""
    run = vessel(mode=Mode.BUS, problems=["slcan tty0: nothing heard for 5 s."])
    lines = drive(run.app(), (120, 30))
    assert "listening only, nothing is sent" in lines[0]
    assert "slcan tty0: nothing heard for 5 s." in lines
    assert "A bus cannot be paused." in drive(run.app(), (100, 24), "p")
    assert "The speed of a bus cannot be changed." in drive(run.app(), (100, 24), "plus")
    assert "Only a log can go on to its next flag." in drive(run.app(), (100, 24), "g")
    assert (run.control.paused, run.control.speed) == (False, 1.0)


def test_narrow_terminals_keep_what_matters(vessel, drive):
    """At 80 columns with pause and speed the load is still whole; narrower still it is the load now alone."""
    run = vessel()
    run.control.pause(paused=True)
    run.control.set_speed(4)
    assert (
        drive(run.app(), (80, 24))[0] == "vessel.log, 17 s in, 4 x, paused, from a log.   Bus load 2.7 %, peak 3.5 %."
    )
    assert drive(run.app(), (62, 24))[0] == "vessel.log, 17 s in, 4 x, paused.   Bus load 2.7 %."


def test_the_screen_says_which_flag_was_found(catalogue, monkeypatch):
    """What `g` has found stands at the bottom; at the end of the log there is no further one."""
    said = []
    replay = ReplayRun(
        LogRounds(lambda: open_log(MARINE), start=20 * SECOND_US), Pipeline(Watch(catalogue), ScreenSink())
    )

    def screen(self):
        async def script():
            async with self.run_test(size=(100, 24)) as pilot:
                while self.scene.status_text in ("", "Reading on to the next flag.") or len(said) < 5:
                    if self.scene.status_text != "Reading on to the next flag.":
                        said.append(self.scene.status_text)
                        await pilot.press("g")
                    await pilot.pause(0.01)
                    if "No further" in self.scene.status_text or self.scene.ended:
                        break
                said.append(self.scene.status_text)

        asyncio.run(script())
        return 0

    monkeypatch.setattr(LiveScreen, "run", screen)
    assert show_replay("vessel.log", replay, None, 1.0) == 0
    found = [text.split(":")[0] for text in said if "bus-quiet" in text]
    assert found == ["[11] bus-quiet, bus", "[12] bus-quiet, bus", "[13] bus-quiet, bus", "[14] bus-quiet, bus"]


def test_a_stranger_in_an_empty_list_is_chosen_when_it_comes(catalogue, drive):
    """Without a rig nobody is there at first; the first to be heard is chosen."""
    run = Shown(catalogue, 0.0)
    run.watch = Watch(catalogue)
    run.scene = Scene("empty", run.watch, None, (), Mode.BUS)
    assert run.scene.chosen is None
    assert drive(run.app(), (80, 24))[1].startswith("0 of 0 heard present")
    run.watch.observe(Frame(0, 0x19FFE45E, bytes(8)))
    drive(run.app(), (80, 24))
    assert run.scene.chosen == "address 5E hex"


def test_a_log_whose_times_run_back_has_no_load(catalogue):
    """The first line says so in its place."""
    watch = Watch(catalogue)
    watch.observe(Frame(0, 0x18EBFF5E, bytes(8)))
    watch.observe_event(TimeWentBack(0, 2_000_000, "line 2"))
    scene = Scene("set.log", watch, None, (), Mode.LOG)
    assert "Times run back: no load." in "".join(text for text, _ in head_lines(scene, (1.0, 2.0), 100)[0])


def test_times_in_which_nobody_listened_stand_among_the_flags(vessel, drive):
    """The last ones, with their reason; of a live bus as of its recording."""
    run = vessel(mode=Mode.BUS)
    assert "Nobody listened" not in "".join(drive(run.app(), (100, 40), "f"))
    for number in range(7):
        begin = (20 + 2 * number) * SECOND_US
        run.watch.observe_event(ListeningResumed(begin + SECOND_US, begin, "pulled out"))
    run.scene.page = Page.ABOARD
    text = " ".join(" ".join(drive(run.app(), (100, 70), "f")).split())
    assert "Nobody listened from 32.000 s to 33.000 s (pulled out): what happened meanwhile is not known" in text
    assert text.count("Nobody listened from") == 5
    assert "2 earlier such gaps" in text
