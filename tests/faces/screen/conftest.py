"""A bench in virtual time with a screen over it; nobody waits."""

import asyncio
from collections.abc import Callable

import pytest

from rvsim.devices.registry import settings_models
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.palettes import DARK
from rvsim.faces.screen.scene import Scene
from rvsim.faces.screen.show import ScreenSink
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.control import RunControl
from rvsim.runs.manual_faults import ManualFaults
from rvsim.runs.manual_inputs import ManualInputs
from rvsim.runs.terminal_states import TerminalStates
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US


class AtOnce(RunControl):
    """Does what is requested at once: the run is between two steps anyway."""

    def request(self, action):
        """Do it."""
        action()


class Watched:
    """A run, its scene and a screen over it."""

    def __init__(self, catalogue, scenario: str, seconds: float):
        self.loaded = load_scenario(scenario, kinds=settings_models())
        self.sink = ScreenSink()
        self.control: RunControl = AtOnce()
        self.run = VirtualBenchRun(self.loaded, catalogue, self.sink, seed=1)
        self.scene = Scene(self.loaded.name, self.run.watch, self.loaded.rig)
        self.scene.balance = self.run.balance
        self.scene.touches, self.scene.module_state = self.sink.touches, TerminalStates(self.run).of
        self.manual_faults, self.manual_inputs = ManualFaults(self.run), ManualInputs(self.run)
        self.until(seconds)

    def until(self, seconds: float) -> "Watched":
        """Let simulated time go on."""
        self.run.until(round(seconds * SECOND_US))
        self.scene.now = self.run.time
        return self

    def app(self, **more) -> LiveScreen:
        """Return a screen over the run; its timer never fires, tests redraw when they need to."""
        more.setdefault("palette", DARK)
        more |= {"manual_faults": self.manual_faults, "manual_inputs": self.manual_inputs, "mark": self.run.mark}
        app = LiveScreen(self.scene, self.control, lambda: self.run.time, **more)
        app.set_interval = lambda *args, **kwargs: None
        return app


@pytest.fixture
def watched(catalogue) -> Callable[..., Watched]:
    """Start a run: ``watched("heater_goes_quiet", 43)`` stands at 43 s."""

    def start(scenario: str = "winter_evening", seconds: float = 30) -> Watched:
        return Watched(catalogue, scenario, seconds)

    return start


class Seen(Watched):
    """A screen over a run that other tests look at, too: it goes no further, and nothing is done to its devices."""

    def __init__(self, made: Watched):
        self.loaded, self.run, self.control = made.loaded, made.run, NeverDone()
        self.scene = Scene(self.loaded.name, self.run.watch, self.loaded.rig)
        self.scene.balance, self.scene.now = self.run.balance, self.run.time
        self.scene.touches, self.scene.module_state = made.sink.touches, TerminalStates(self.run).of
        self.manual_faults, self.manual_inputs = ManualFaults(self.run), ManualInputs(self.run)

    def until(self, seconds: float) -> "Seen":
        """Refuse."""
        raise AssertionError(f"a run that others look at does not go on to {seconds} s: use watched")


class NeverDone(RunControl):
    """Refuses what is requested: others look at the run."""

    def request(self, action):
        """Refuse."""
        raise AssertionError(f"{action} is not done to a run that others look at: use watched")


@pytest.fixture(scope="session")
def runs_looked_at() -> dict[tuple[str, float], Watched]:
    """The runs of ``seen``, by scenario and seconds."""
    return {}


@pytest.fixture
def seen(catalogue, runs_looked_at) -> Callable[..., Seen]:
    """Look at a run: ``seen("heater_goes_quiet", 43)``; made once, with a scene of its own for each test."""

    def look(scenario: str = "winter_evening", seconds: float = 30) -> Seen:
        if (scenario, seconds) not in runs_looked_at:
            runs_looked_at[scenario, seconds] = Watched(catalogue, scenario, seconds)
        return Seen(runs_looked_at[scenario, seconds])

    return look


@pytest.fixture(autouse=True)
def no_wait_for_idle(monkeypatch):
    """Have a key wait for the messages that it causes, and not twice more for a process that does nothing (40 ms).

    What is drawn at last is still waited for in that way, by ``pilot.pause``.
    """

    async def give_way(*_):
        await asyncio.sleep(0)

    monkeypatch.setattr("textual.app.wait_for_idle", give_way)


@pytest.fixture
def drive() -> Callable[..., list[str]]:
    """Run a screen at a size, press keys, and return the lines of the terminal without blanks at their ends.

    ``drive(app, (80, 24), "down", "enter")``; a key may also be a function, which is called with the pilot.
    """

    def run(app: LiveScreen, size: tuple[int, int], *keys) -> list[str]:
        async def script() -> list[str]:
            async with app.run_test(size=size) as pilot:
                await pilot.pause()
                for key in keys:
                    if callable(key):
                        await key(pilot)
                    else:
                        await pilot.press(key)
                    app.redraw()
                await pilot.pause()
                strips = app.screen._compositor.render_strips()
                return ["".join(segment.text for segment in strip).rstrip() for strip in strips]

        return asyncio.run(script())

    return run
