"""A scenario run to its verdict with its simulated devices on a bus beside real ones, paced by the wall clock.

Knows: how a run and a port are put together. Does not know option names. Frames are sent only to buses that are proved
to be simulated (`edge.harmless`). Prints nothing: lines for the person go to ``say``.
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
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.progress import PACED_REPORT_INTERVAL_S, Progress, Say
from rvsim.runs.scenario_run import PacedScenarioRun, PreparedScenario
from rvsim.shakedown.verdict import Verdict
from rvsim.wire.frame import Frame

_MAX_WAIT_S = 0.1
"""The longest wait between two polls of the port."""
INTERRUPTED = "interrupted"
"""Part of the error of a verdict whose run was interrupted."""


def run_on_bus(
    prepared: PreparedScenario,
    settings: BusSettings,
    say: Say,
    *,
    absent: Collection[str] | None = None,
    record: Path | None = None,
    speed: float = 1.0,
) -> Verdict:
    """Run a scenario with its simulated devices on a bus, and return the verdict; its error names an interruption.

    Args:
        prepared: what is run.
        settings: the bus.
        say: takes lines for the person.
        absent: devices that are not simulated; None for those of the prepared scenario.
        record: the file to which the frames are written.
        speed: simulated seconds per real second.

    Raises:
        InputError: the bus is not proved to be simulated, devices are not in the rig, or the recording cannot be
            written.
        BusError: the bus could not be opened, or was lost.
    """
    proved = prove_simulated(settings)
    with Port(proved.interface, proved.channel, options=proved.options) as port:

        def make(recorder: FrameWriter | None) -> Verdict:
            run = PacedScenarioRun(prepared, RunControl(speed), absent, port.send, recorder)
            return _run_beside_port(run, port, say)

        return recorded(prepared, record, make)


def recorded(prepared: PreparedScenario, record: Path | None, make: Callable[[FrameWriter | None], Verdict]) -> Verdict:
    """Make a run, with a recorder if ``record`` names a file.

    Raises:
        InputError: the recording cannot be written.
    """
    if record is None:
        return make(None)
    start = start_line(command="shakedown", scenario=printable(prepared.loaded.name), seed=prepared.seed, started=None)
    with Recorder(record, prepared.catalogue, start=start, channel=CHANNEL, sent=True) as recorder:
        return replace(make(recorder), recording=str(record))


def run_to_verdict(scenario_run: PacedScenarioRun) -> Verdict:
    """Run to the end of the scenario, or until interrupted, and judge; the verdict's error names an interruption."""
    try:
        scenario_run.run.run(scenario_run.prepared.loaded.scenario.lasts)
    except KeyboardInterrupt:
        verdict = scenario_run.verdict()
        return replace(verdict, error="; ".join(filter(None, (verdict.error, INTERRUPTED))))
    return scenario_run.verdict()


def _run_beside_port(scenario_run: PacedScenarioRun, port: Port, say: Say) -> Verdict:
    progress, stopped = Progress(say, interval_s=PACED_REPORT_INTERVAL_S), threading.Event()

    def receive() -> None:
        while not stopped.is_set():
            port.arrived.wait(_MAX_WAIT_S)
            port.arrived.clear()
            for received in port.receive():
                if isinstance(received, Frame):  # the simulated bus carries nothing else
                    scenario_run.run.inject(received.identifier, received.data)
            progress.update(scenario_run.progress_text)

    receiver = threading.Thread(target=receive, name="beside hardware", daemon=True)
    receiver.start()
    try:
        return run_to_verdict(scenario_run)
    finally:
        stopped.set()
        receiver.join()
