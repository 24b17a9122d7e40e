"""A paced run with the live screen in front of it.

Knows: what runs (a bench, a log, a bus) in a thread of its own, the screen in the main thread, and what happens when
one of them ends first: an error in the screen leaves the run and its recording going, an error in the run is shown
and told when the screen is left. Does not know how anything is drawn.
"""

import locale
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from rvsim.errors import ENDING_SIGNALS, Exit, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.scene import Mode, Scene
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.rig.model import Rig
from rvsim.runs.control import RunControl
from rvsim.runs.listen import ListenRun
from rvsim.runs.manual_faults import ManualFaults
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.replay import ReplayRun
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.watch.flag import Flag
from rvsim.watch.watch import Event, Watch
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import compose


class LookIn:
    """The sink of a run that has a screen, which reads all that it shows from the watch."""

    def frame(self, frame: Frame) -> None:
        """Keep nothing of single frames."""

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


def show(
    scene: Scene,
    control: RunControl,
    run: Callable[[], None],
    clock: Callable[[], int],
    *,
    over: str = "The run is over.",
    hands: ManualFaults | None = None,
    next_flag: Callable[[], None] | None = None,
    light: bool = False,
) -> int:
    """Let something run in a thread of its own with a screen in front, until the screen is left.

    Args:
        scene: what is shown of its watch.
        control: the hand on it.
        run: runs it, to its end or until ``control`` stops it.
        clock: how far the watch has come, in microseconds.
        over: what the screen says at its end.
        hands: what can be done to a bench.
        next_flag: lets a log go on to its next flag.
        light: whether to paint for a light background.

    Returns:
        The exit code.

    Raises:
        RvsimError: what ran ended with it.
    """
    failed: list[BaseException] = []

    def running() -> None:
        try:
            run()
            scene.ended = over
        except BaseException as error:  # whatever ends the run is raised again in the main thread
            failed.append(error)
            scene.ended = "The run stopped with an error; q quits."
            scene.deed = printable(str(error))

    thread = threading.Thread(target=running, name="run", daemon=True)
    app = LiveScreen(scene, control, clock, hands=hands, next_flag=next_flag, ascii_only=ascii_terminal(), light=light)
    thread.start()
    try:
        code = _screen(app)
        if code is None:
            say("the screen has failed; what runs behind it and its recording go on, Ctrl-C ends them")
            _wait(thread)
            code = int(Exit.GOOD)
    finally:
        control.stop()
        thread.join()
    if failed:
        raise failed[0]
    return code


def show_bench(
    loaded: LoadedScenario,
    make: Callable[..., PacedBenchRun],
    end: int | None,
    speed: float,
    *,
    units: DisplayUnits = METRIC,
    light: bool = False,
) -> int:
    """Run a scenario with a screen in front; ``make`` makes its run, given a sink, ``control`` and ``on_failure``.

    Raises:
        RvsimError: the bench ended with it.
    """
    broken: list[str] = []
    control = RunControl(speed)
    run = make(LookIn(), control=control, on_failure=lambda failure: broken.append(failure.sentence))
    scene = Scene(printable(loaded.name), run.watch, loaded.rig, broken, units=units)
    code = show(
        scene,
        control,
        lambda: run.run(end),
        lambda: run.observed_until,
        hands=ManualFaults(run),
        light=light,
    )
    say(*broken)
    return int(Exit.NOT_GOOD) if broken and code == Exit.GOOD else code


def show_replay(
    name: str, replay: ReplayRun, rig: Rig | None, speed: float, *, units: DisplayUnits = METRIC, light: bool = False
) -> int:
    """Go through a log with a screen in front.

    Raises:
        RvsimError: the log could not be read to its end.
    """
    control = RunControl(speed)
    over = "The log is at its end." if replay.ends_with_log else "That is the end of the part."
    scene = Scene(name, replay.watch, rig, mode=Mode.LOG, units=units)

    def found(flag: Flag | None) -> None:
        what = () if flag is None else (f"{flag.tag} {flag.kind}, {flag.subject}: ", flag.text)
        scene.deed = compose(*what) if what else "No further flag."

    replay.on_found = found
    return show(
        scene,
        control,
        lambda: replay.run_paced(control),
        lambda: replay.observed_until,
        over=over,
        next_flag=replay.next_flag,
        light=light,
    )


def show_listen(
    name: str,
    listen: ListenRun,
    rig: Rig | None,
    end: int | None,
    said: Sequence[str],
    *,
    units: DisplayUnits = METRIC,
    light: bool = False,
) -> int:
    """Listen to a bus with a screen in front; ``said`` is what there is to say of the bus, and may grow.

    Raises:
        BusError: the bus was lost.
    """
    control = RunControl()
    scene = Scene(name, listen.watch, rig, said, Mode.BUS, units)
    return show(
        scene,
        control,
        lambda: listen.run(end, control),
        lambda: listen.observed_until,
        over="The time is over.",
        light=light,
    )


def _screen(app: LiveScreen) -> int | None:
    """Run the screen; return its exit code, None where it failed; Textual has given the terminal back and told what."""
    try:
        with _signals_kept():
            code = app.run()
    except Exception as error:  # the run must outlive the screen
        say(f"{type(error).__name__}: {error}")
        return None
    return None if app.return_code not in (0, None) and code is None else int(code or 0)


@contextmanager
def _signals_kept() -> Iterator[None]:
    """Have signals do afterwards what they did before: a loop of asyncio that ends takes its own away only."""
    before = {number: signal.getsignal(number) for number in ENDING_SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _wait(thread: threading.Thread) -> None:
    while thread.is_alive():
        thread.join(0.5)
