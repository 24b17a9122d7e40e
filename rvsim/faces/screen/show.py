"""A paced run with the live screen in front of it.

Knows: the run in a thread of its own, the screen in the main thread, and what happens when one of them ends first: an
error in the screen leaves the bench and its recording going, an error in the bench ends the screen. Does not know how
anything is drawn.
"""

import locale
import os
import sys
import threading
from collections.abc import Callable, Sequence

from rvsim.errors import Exit
from rvsim.faces.exits import say
from rvsim.faces.hands import Hands
from rvsim.faces.run import Control, Run
from rvsim.faces.screen.app import BenchScreen
from rvsim.faces.screen.scene import Scene
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.watch.load import PairLoad
from rvsim.watch.watch import Event, Watch
from rvsim.wire.frame import Frame


class LookIn:
    """The sink of a run that has a screen: counts the load; everything else the screen reads from the watch."""

    def __init__(self) -> None:
        self.load = PairLoad()

    def frame(self, frame: Frame) -> None:
        """Count a frame."""
        self.load.add(frame)

    def events(self, events: Sequence[Event]) -> None:
        """Keep nothing: a week's run has as much memory as a minute's."""

    def end(self, time: int, watch: Watch) -> None:
        """Say nothing: the screen stays until it is left."""

    def flush(self) -> None:
        """Hand nothing on."""


def ascii_terminal() -> bool:
    """Tell whether the terminal cannot be expected to draw lines: no UTF-8, or a bare console."""
    encoding = (getattr(sys.stdout, "encoding", None) or locale.getpreferredencoding(False)).lower()
    return "utf" not in encoding or os.environ.get("TERM", "") in ("dumb", "linux", "vt100")


def show(loaded: LoadedScenario, make: Callable[..., Run], end: int | None, speed: float) -> int:
    """Run with a screen until the screen is left; return the exit code.

    Args:
        loaded: the scenario.
        make: makes its run, given a sink and ``on_failure``.
        end: when it ends, in microseconds; None is until the screen is left.
        speed: simulated seconds for each real one.

    Raises:
        RvsimError: the bench ended with it.
    """
    sink, control, broken = LookIn(), Control(), []
    run = make(sink, on_failure=lambda failure: broken.append(failure.sentence))
    scene = Scene(loaded.name, run.watch, loaded.rig, broken)
    failed: list[BaseException] = []

    def bench() -> None:
        try:
            run.paced(end, speed, control=control)
            scene.ended = "The run is over."
        except BaseException as error:  # whatever ends the bench is raised again in the main thread
            failed.append(error)
            scene.ended = "The bench has failed; q shows why."

    thread = threading.Thread(target=bench, name="bench", daemon=True)
    app = BenchScreen(scene, control, Hands(run), sink.load, lambda: run.heard, ascii_only=ascii_terminal())
    thread.start()
    try:
        code = _screen(app)
        if code is None:
            say("the screen has failed; the bench and its recording go on, Ctrl-C ends them")
            _wait(thread)
            code = int(Exit.GOOD)
    finally:
        control.stop()
        thread.join()
    if failed:
        raise failed[0]
    return code


def _screen(app: BenchScreen) -> int | None:
    """Run the screen; return its exit code, None where it failed; Textual has given the terminal back and told what."""
    try:
        code = app.run()
    except Exception as error:  # the bench must outlive the screen
        say(f"{type(error).__name__}: {error}")
        return None
    return None if app.return_code not in (0, None) and code is None else int(code or 0)


def _wait(thread: threading.Thread) -> None:
    while thread.is_alive():
        thread.join(0.5)
