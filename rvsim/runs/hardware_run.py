"""A scenario to its verdict with its simulated devices on a bus beside real ones, paced by the wall clock.

Knows: how a run and a port are put together. Does not know option names. As long as nothing can be armed, only buses
that have proved to be harmless are sent to. Prints nothing: lines for the person go to ``say``.
"""

import threading
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path

from rvsim.edge.harmless import prove_simulated
from rvsim.edge.port import Port
from rvsim.edge.settings import BusSettings
from rvsim.errors import printable
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.runs.bench import CHANNEL
from rvsim.runs.control import Control
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.progress import PACED_EVERY_S, Progress, Say
from rvsim.runs.scenario_run import PacedScenarioRun, PreparedScenario
from rvsim.shakedown.verdict import Verdict
from rvsim.wire.frame import Frame

_MAX_WAIT_S = 0.1
"""The longest wait between two looks at the port."""
INTERRUPTED = "interrupted"
"""In the error of a verdict that was not waited for."""


def run_on_bus(
    prepared: PreparedScenario,
    settings: BusSettings,
    say: Say,
    *,
    absent: Collection[str] | None = None,
    record: Path | None = None,
    speed: float = 1.0,
) -> Verdict:
    """Run a scenario with its simulated devices on a bus, and return the verdict; an interrupted one says so.

    Args:
        prepared: what is run.
        settings: the bus.
        say: takes lines for the person.
        absent: devices that are not simulated; None is those of the prepared scenario.
        record: where the frames are written.
        speed: simulated seconds per real second.

    Raises:
        InputError: it is not a bus that is sent to, devices are not in the rig, or the recording cannot be written.
        BusError: the bus could not be opened, or was lost.
    """
    proved = prove_simulated(settings)
    with Port(proved.interface, proved.channel, options=proved.options) as port:

        def make(recorder: FrameWriter | None) -> Verdict:
            going = PacedScenarioRun(prepared, Control(speed), absent, port.send, recorder)
            return _run_beside_port(going, port, say)

        return recorded(prepared, record, make)


def recorded(prepared: PreparedScenario, record: Path | None, make: Callable[[FrameWriter | None], Verdict]) -> Verdict:
    """Make a run, with a recorder if ``record`` says where it writes.

    Raises:
        InputError: the recording cannot be written.
    """
    if record is None:
        return make(None)
    start = start_line(command="shakedown", scenario=printable(prepared.loaded.name), seed=prepared.seed, started=None)
    with Recorder(record, prepared.catalogue, start=start, channel=CHANNEL, sent=True) as recorder:
        return replace(make(recorder), recording=str(record))


def run_to_verdict(going: PacedScenarioRun) -> Verdict:
    """Run to the end of the scenario, or until interrupted, and judge; the verdict says if it was interrupted."""
    try:
        going.run.run(going.prepared.loaded.scenario.lasts)
    except KeyboardInterrupt:
        verdict = going.verdict()
        return replace(verdict, error="; ".join(filter(None, (verdict.error, INTERRUPTED))))
    return going.verdict()


def _run_beside_port(going: PacedScenarioRun, port: Port, say: Say) -> Verdict:
    progress, over = Progress(say, every_s=PACED_EVERY_S), threading.Event()

    def receive() -> None:
        while not over.is_set():
            port.arrived.wait(_MAX_WAIT_S)
            port.arrived.clear()
            for received in port.receive():
                if isinstance(received, Frame):  # the simulated bus carries nothing else
                    going.run.inject(received.identifier, received.data)
            progress.update(going.progress_text)

    receiver = threading.Thread(target=receive, name="beside hardware", daemon=True)
    receiver.start()
    try:
        return run_to_verdict(going)
    finally:
        over.set()
        receiver.join()
