"""A paced run with the live screen.

Knows: the run of a bench, a log or a bus in its own thread, the screen in the main thread, and what happens when one
of them ends first. After an error in the screen the run and its recording go on. An error in the run is shown on the
screen, and raised when the screen is closed. Does not know how anything is drawn.
"""

import gc
import locale
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from rvsim.errors import ENDING_SIGNALS, ExitCode, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.fault_targets import Target
from rvsim.faces.screen.scene import Mode, Scene
from rvsim.faces.screen.touches import Touches
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.rig.model import Rig
from rvsim.runs.control import RunControl
from rvsim.runs.listen import ListenRun
from rvsim.runs.log_search import Match
from rvsim.runs.manual_faults import ManualFaults
from rvsim.runs.manual_inputs import ManualInputs
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.replay import ReplayRun
from rvsim.runs.terminal_states import TerminalStates
from rvsim.shakedown.scenario import LoadedScenario
from rvsim.watch.flag import Flag
from rvsim.watch.watch import Event, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.quantity_text import compose


class ScreenSink:
    """The sink of a run with a screen, which reads from the watch all but what moved, and which moments were marked."""

    def __init__(self) -> None:
        self.touches = Touches()

    def frame(self, frame: Frame) -> None:
        """Ignore a frame."""

    def events(self, events: Sequence[Event]) -> None:
        """Look for what moves; memory stays bounded however long the run is."""
        self.touches.observe(events)

    def end(self, time: int, watch: Watch) -> None:
        """Do nothing: the screen stays open until the user quits."""

    def flush(self) -> None:
        """Do nothing: nothing is buffered."""


def is_ascii_terminal() -> bool:
    """Tell whether the terminal may be unable to draw lines: no UTF-8, or a plain console by the variable TERM."""
    encoding = (getattr(sys.stdout, "encoding", None) or locale.getpreferredencoding(False)).lower()
    return "utf" not in encoding or os.environ.get("TERM", "") in ("dumb", "linux", "vt100")


def run_with_screen(
    scene: Scene,
    control: RunControl,
    run: Callable[[], None],
    clock: Callable[[], int],
    *,
    end_text: str = "The run has ended.",
    manual_faults: ManualFaults | None = None,
    manual_inputs: ManualInputs | None = None,
    mark: Callable[[str], None] | None = None,
    replay: ReplayRun | None = None,
    light: bool = False,
) -> int:
    """Run something in its own thread with a screen, until the screen is closed.

    Args:
        scene: the state of the screen, over the watch of the run.
        control: pauses and stops the run.
        run: runs to its end or until ``control`` stops it.
        clock: returns the time up to which the watch has observed, in microseconds.
        end_text: the text on the screen when the run has ended.
        manual_faults: the manual faults of a bench.
        manual_inputs: the switches, keys and overrides of a bench.
        mark: marks the present moment of a bench or a bus with a note.
        replay: the run of a log.
        light: whether to use the palette for a light background.

    Returns:
        The exit code.

    Raises:
        RvsimError: the run ended with it.
    """
    failed: list[BaseException] = []

    def run_and_report() -> None:
        try:
            run()
            scene.ended = scene.ended or end_text
        except BaseException as error:  # raised again in the main thread
            failed.append(error)
            scene.ended = "The run stopped with an error; q quits."
            scene.status_text = printable(str(error))

    thread = threading.Thread(target=run_and_report, name="run", daemon=True)
    app = LiveScreen(
        scene,
        control,
        clock,
        manual_faults=manual_faults,
        manual_inputs=manual_inputs,
        mark=mark,
        replay=replay,
        ascii_only=is_ascii_terminal(),
        light=light,
    )
    gc.freeze()  # what was made so far lives as long as the screen; looking for garbage in it takes some 60 ms
    thread.start()
    try:
        code = _run_screen(app)
        if code is None:
            say("the screen has failed; the run and its recording go on, Ctrl-C ends them")
            _wait_for(thread)
            code = int(ExitCode.GOOD)
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
    """Run a scenario with a screen; ``make`` returns its run, given a sink, ``control`` and ``on_failure``.

    Raises:
        RvsimError: the bench ended with it.
    """
    problems: list[str] = []
    control = RunControl(speed)
    scenes: list[Scene] = []

    def show_change(time: int, text: str) -> None:
        for scene in scenes:
            scene.status_text = compose(f"At {time / SECOND_US:.0f} s: ", text)

    sink = ScreenSink()
    run = make(
        sink,
        control=control,
        on_failure=lambda failure: problems.append(failure.sentence),
        on_change=show_change,
    )
    scene = Scene(printable(loaded.name), run.watch, loaded.rig, problems, units=units)
    scenes.append(scene)
    scene.balance = run.balance
    scene.touches = sink.touches
    scene.module_state = TerminalStates(run).of
    code = run_with_screen(
        scene,
        control,
        lambda: run.run(end),
        lambda: run.observed_until,
        manual_faults=ManualFaults(run),
        manual_inputs=ManualInputs(run),
        mark=lambda note: control.request(lambda: run.mark(note)),
        light=light,
    )
    say(*problems)
    return int(ExitCode.NOT_GOOD) if problems and code == ExitCode.GOOD else code


def show_replay(
    name: str, replay: ReplayRun, rig: Rig | None, speed: float, *, units: DisplayUnits = METRIC, light: bool = False
) -> int:
    """Replay a log with a screen.

    Raises:
        RvsimError: the log could not be read to its end.
    """
    control = RunControl(speed)
    end_text = "The log has ended." if replay.ends_with_log else "The chosen part of the log has ended."
    scene = Scene(name, replay.watch, rig, mode=Mode.LOG, units=units)

    replay.navigation, replay.stays_at_end = ScreenNavigation(scene, end_text), True
    return run_with_screen(
        scene,
        control,
        lambda: replay.run_paced(control),
        lambda: replay.observed_until,
        end_text=end_text,
        replay=replay,
        light=light,
    )


class ScreenNavigation:
    """Shows the ways through a log on a screen."""

    def __init__(self, scene: Scene, end_text: str) -> None:
        self._scene, self._end_text = scene, end_text

    def flag_reached(self, flag: Flag | None) -> None:
        """Show the flag."""
        if flag is None:
            self._scene.status_text = "No further flag."
        else:
            self._scene.status_text = compose(f"{flag.tag} {flag.kind}, {flag.subject}: ", flag.text)

    def frame_reached(self, frame: Frame) -> None:
        """Show the frame on the tape."""
        scene = self._scene
        decoded = scene.watch.readings(frame)
        if decoded is not None:
            scene.show_message(decoded.device, decoded.spec.name, None)
        scene.status_text = f"Frame at {frame.time / SECOND_US:.6f} s: {scene.named(frame.identifier)}"

    def text_found(self, search: str, match: Match | None) -> None:
        """Show where a text was found, and choose it; a text that comes no more is looked for in what is known."""
        if match is not None:
            if match.device is not None:
                self._scene.show_message(match.device, match.message, match.field)
            self._scene.status_text = compose(match.text, "  (/ enter: search on)")
            return
        known = self._scene.find(search)
        here = f" Known so far: {_choice_text(known)}." if known is not None else ""
        self._scene.status_text = f"{search}: not told of in the rest of the log.{here}"

    def say(self, text: str) -> None:
        """Show a sentence."""
        self._scene.status_text = text

    def watch_changed(self, watch: Watch) -> None:
        """Show what another watch has observed."""
        self._scene.observe_by(watch)
        self._scene.status_text = ""

    def log_ended(self, *, ended: bool) -> None:
        """Show that the log has ended, or goes on."""
        self._scene.ended = self._end_text if ended else ""


def _choice_text(choice: Target | str) -> str:
    if isinstance(choice, str):
        return choice
    return f"{choice.message}, {choice.field.replace('_', ' ')}" if choice.field else choice.message


def show_listen(
    name: str,
    listen: ListenRun,
    rig: Rig | None,
    end: int | None,
    problems: Sequence[str],
    *,
    touches: Touches | None = None,
    units: DisplayUnits = METRIC,
    light: bool = False,
) -> int:
    """Listen to a bus with a screen; ``problems`` are the sentences about its adapter, and may grow.

    Raises:
        BusError: the bus was lost.
    """
    control = RunControl()
    scene = Scene(name, listen.watch, rig, problems, Mode.BUS, units)
    scene.touches = touches or scene.touches

    def mark(note: str) -> None:
        with control.lock:
            listen.mark(note)

    return run_with_screen(
        scene,
        control,
        lambda: listen.run(end, control),
        lambda: listen.observed_until,
        end_text="The time limit is reached.",
        mark=mark,
        light=light,
    )


def _run_screen(app: LiveScreen) -> int | None:
    """Run the screen and return its exit code; None where it failed, after Textual restored the terminal."""
    try:
        with _signal_handlers_restored():
            code = app.run()
    except Exception as error:  # the run goes on without the screen
        say(f"{type(error).__name__}: {error}")
        return None
    return None if app.return_code not in (0, None) and code is None else int(code or 0)


@contextmanager
def _signal_handlers_restored() -> Iterator[None]:
    """Restore the handlers of the ending signals at the end: the loop of asyncio removes its own, not more."""
    before = {number: signal.getsignal(number) for number in ENDING_SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _wait_for(thread: threading.Thread) -> None:
    while thread.is_alive():
        thread.join(0.5)
