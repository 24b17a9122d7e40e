"""A scenario to its verdict in front of real devices: the rest is simulated, paced by the wall clock, on a bus.

Knows: how a run and a port are put together. Does not know options' names. As long as nothing can be armed, only the
bus inside this program and benches that are served on this machine are sent to.
"""

import threading
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

from rvsim.edge.port import Port
from rvsim.edge.settings import BusSettings
from rvsim.errors import InputError, printable
from rvsim.faces.control import Control
from rvsim.faces.progress import PACED_S, Progress
from rvsim.faces.run import CHANNEL
from rvsim.faces.trial import Session, Trial
from rvsim.logs.jsonl import start_line
from rvsim.logs.record import Recorder
from rvsim.shakedown.verdict import Verdict

_LOOPBACK = ("127.0.0.1", "localhost")
_LOOK_S = 0.1
INTERRUPTED = "interrupted"
"""In the error of a verdict that was not waited for."""


def in_front(
    trial: Trial, settings: BusSettings, absent: Collection[str], record: Path | None, speed: float = 1.0
) -> Verdict:
    """Run a scenario with its simulated devices on a bus, and return the verdict; an interrupted one says so.

    Raises:
        InputError: it is not a bus that is sent to, devices are not in the rig, or the recording cannot be written.
        BusError: the bus could not be opened, or was lost.
    """
    if not (settings.virtual or _is_here(settings)):
        raise InputError(
            f"{settings.interface}: this version sends on virtual buses and to benches served on this machine only; "
            f"use --interface virtual, or socketcand with --channel {CHANNEL} --adapter-option host=127.0.0.1"
        )
    with Port(settings.interface, settings.channel, options=settings.options) as port:
        if record is None:
            return _judged(Session(trial, absent, port.send), port, speed)
        start = start_line(command="shakedown", scenario=printable(trial.loaded.name), seed=trial.seed, started=None)
        with Recorder(record, trial.catalogue, start=start, channel=CHANNEL, sent=True) as recorder:
            verdict = _judged(Session(trial, absent, port.send, recorder), port, speed)
            return replace(verdict, recording=str(record))


def _is_here(settings: BusSettings) -> bool:
    """Tell whether it is a bench that is served here: other servers may have real buses, by names of their own."""
    here = settings.options.get("host") in _LOOPBACK
    return settings.interface == "socketcand" and here and settings.channel == CHANNEL


def _judged(session: Session, port: Port, speed: float) -> Verdict:
    control, progress = Control(speed), Progress(every_s=PACED_S)
    over, interrupted = threading.Event(), False

    def hear() -> None:
        while not over.is_set():
            port.arrived.wait(_LOOK_S)
            port.arrived.clear()
            for frame in port.take():
                session.run.inject(frame.identifier, frame.data)
            progress.tell(lambda: session.trial.come_to(session.run.time))

    hearing = threading.Thread(target=hear, name="in front", daemon=True)
    hearing.start()
    try:
        session.run.paced(
            session.trial.loaded.scenario.lasts, speed, channel=f"{CHANNEL}-{id(session)}", control=control
        )
    except KeyboardInterrupt:
        interrupted = True
    finally:
        over.set()
        hearing.join()
    verdict = session.verdict()
    return replace(verdict, error="; ".join(filter(None, (verdict.error, INTERRUPTED)))) if interrupted else verdict
