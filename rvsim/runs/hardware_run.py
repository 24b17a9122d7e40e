"""A scenario to its verdict in front of what is not simulated, paced by the wall clock: on a bus, or as a served bench.

Knows: how a run is put together with a port, or with a hub whose clients are other programs of this machine. Does not
know options' names. As long as nothing can be armed, only buses that have proved to be harmless are sent to.
"""

import threading
import time
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path

from rvsim.edge.harmless import proved_harmless
from rvsim.edge.hub import Hub
from rvsim.edge.hub_protocol import address_of
from rvsim.edge.port import Port
from rvsim.edge.settings import BusSettings
from rvsim.errors import BusError, printable
from rvsim.faces.cli.exits import say
from rvsim.faces.cli.progress import PACED_S, Progress
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.runs.bench import CHANNEL
from rvsim.runs.control import Control
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.scenario_run import RunInProgress, ScenarioRun
from rvsim.runs.served_run import opening, summary
from rvsim.shakedown.verdict import Verdict
from rvsim.wire.frame import Frame

_LOOK_S = 0.1
PATIENCE_S = 60.0
"""So long a served run waits for its first client. Our decision."""
INTERRUPTED = "interrupted"
"""In the error of a verdict that was not waited for."""


def in_front(
    trial: ScenarioRun,
    settings: BusSettings,
    absent: Collection[str] | None = None,
    record: Path | None = None,
    speed: float = 1.0,
) -> Verdict:
    """Run a scenario with its simulated devices on a bus, and return the verdict; an interrupted one says so.

    Raises:
        InputError: it is not a bus that is sent to, devices are not in the rig, or the recording cannot be written.
        BusError: the bus could not be opened, or was lost.
    """
    proved = proved_harmless(settings)
    with Port(proved.interface, proved.channel, options=proved.options) as port:

        def go(recorder: FrameWriter | None) -> Verdict:
            return _in_front_of_port(RunInProgress(trial, absent, port.send, recorder), port, speed)

        return _recorded(trial, record, go)


def served(
    trial: ScenarioRun,
    where: str,
    absent: Collection[str] | None = None,
    record: Path | None = None,
    speed: float = 1.0,
    patience_s: float = PATIENCE_S,
) -> Verdict:
    """Serve a scenario on loopback, run it from its first client on, and return the verdict.

    A client counts when its handshake is finished. When all have left again the run goes on to its end all the same,
    as a vehicle does without its controller, and that is said.

    Args:
        trial: what is run.
        where: ``PORT`` or ``HOST:PORT``, an empty text for the port of the protocol.
        absent: devices that are not simulated; None is those of the trial.
        record: where the frames are written.
        speed: simulated seconds for each real one.
        patience_s: how long to wait for the first client.

    Raises:
        InputError: there is no such address, devices are not in the rig, or the recording cannot be written.
        BusError: the port cannot be had, or no client came in time.
    """
    return _recorded(
        trial, record, lambda recorder: _Served(trial, absent, recorder, speed).run(address_of(where), patience_s)
    )


def _recorded(trial: ScenarioRun, record: Path | None, go: Callable[[FrameWriter | None], Verdict]) -> Verdict:
    """Make a run, with a recorder if there is a place for it."""
    if record is None:
        return go(None)
    start = start_line(command="shakedown", scenario=printable(trial.loaded.name), seed=trial.seed, started=None)
    with Recorder(record, trial.catalogue, start=start, channel=CHANNEL, sent=True) as recorder:
        return replace(go(recorder), recording=str(record))


def _paced(session: RunInProgress, speed: float, control: Control) -> bool:
    """Run a session to the end of its scenario; tell whether it was interrupted."""
    lasts = session.trial.loaded.scenario.lasts
    try:
        session.run.paced(lasts, speed, channel=f"{CHANNEL}-{id(session)}", control=control)
    except KeyboardInterrupt:
        return True
    return False


def _verdict(session: RunInProgress, interrupted: bool) -> Verdict:
    verdict = session.verdict()
    return replace(verdict, error="; ".join(filter(None, (verdict.error, INTERRUPTED)))) if interrupted else verdict


def _in_front_of_port(session: RunInProgress, port: Port, speed: float) -> Verdict:
    progress, over, interrupted = Progress(every_s=PACED_S), threading.Event(), True

    def hear() -> None:
        while not over.is_set():
            port.arrived.wait(_LOOK_S)
            port.arrived.clear()
            for one in port.receive():
                if isinstance(one, Frame):  # what else is on a bus is nothing that the bench could send
                    session.run.inject(one.identifier, one.data)
            progress.tell(lambda: session.trial.progress_text(session.run.time))

    hearing = threading.Thread(target=hear, name="in front", daemon=True)
    hearing.start()
    try:
        interrupted = _paced(session, speed, Control(speed))
    finally:
        over.set()
        hearing.join()
    return _verdict(session, interrupted)


class _Served:
    """One run that is served, from its first client on."""

    def __init__(
        self, trial: ScenarioRun, absent: Collection[str] | None, recorder: FrameWriter | None, speed: float
    ) -> None:
        self._session = RunInProgress(trial, absent, self._tap, recorder)
        self._speed = speed
        self._first = threading.Event()
        self._progress = Progress(every_s=PACED_S)

    def run(self, where: tuple[str, int], patience_s: float) -> Verdict:
        inject = self._session.run.inject
        with Hub(where, inject, time.monotonic, self._clients) as self._hub:
            say(opening(self._hub), f"the run begins with its first client, for which it waits {patience_s:g} s")
            if not self._first.wait(patience_s):
                raise BusError(
                    f"no client has connected to 127.0.0.1:{self._hub.port} within {patience_s:g} s; start the "
                    "controller while this waits"
                )
            say("a client is there: the run begins")
            try:
                interrupted = _paced(self._session, self._speed, Control(self._speed))
            finally:
                say(summary(self._hub.statistics))
        return _verdict(self._session, interrupted)

    def _tap(self, frame: Frame) -> None:
        self._hub.publish(frame)
        self._progress.tell(self._come_to)

    def _come_to(self) -> str:
        return self._session.trial.progress_text(self._session.run.time)

    def _clients(self, count: int) -> None:
        """Hear how many clients there are now, in the hub's thread: none only when the last one has left."""
        if count:
            self._first.set()
        else:
            say(f"{self._come_to()} when the last client left; the run goes on to its end")
