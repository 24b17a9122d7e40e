"""A paced run that serves other programs on this machine: a bench, or a scenario to its verdict.

Knows: how a run and the hub are put together. Does not know option names, nor how a run or the hub works. Prints
nothing: lines for the person go to ``say``.
"""

import threading
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from rvsim.edge.hub import Hub, HubStatistics
from rvsim.edge.hub_protocol import parse_serve_address
from rvsim.errors import BusError
from rvsim.runs.control import RunControl
from rvsim.runs.hardware_run import recorded, run_to_verdict
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.pipeline import FrameWriter
from rvsim.runs.progress import PACED_REPORT_INTERVAL_S, Progress, Say
from rvsim.runs.scenario_run import PacedScenarioRun, PreparedScenario
from rvsim.shakedown.verdict import Verdict
from rvsim.sim.clock import machine_s
from rvsim.wire.frame import Frame

MAX_CLIENT_WAIT_S = 60.0
"""The longest wait of a served scenario for its first client. Our decision. The help of ``--serve``, the integrator's
guide and DEVELOPERS.md name it."""


@contextmanager
def serve_bench(where: str, make: Callable[..., PacedBenchRun], say: Say) -> Iterator[Callable[..., PacedBenchRun]]:
    """Serve the run that the yielded function makes, until the end of the block.

    Args:
        where: ``PORT`` or ``HOST:PORT``; "" for the default port of the protocol.
        make: makes the run.
        say: takes lines for the person.

    Raises:
        InputError: there is no such address.
        BusError: the port cannot be had.
    """
    lock = threading.Lock()
    runs: list[PacedBenchRun] = []
    early: list[tuple[int, bytes]] = []
    """Frames from clients before the run was made; they are sent at its start."""

    def receive(identifier: int, data: bytes) -> None:
        with lock:
            if runs:
                runs[0].inject(identifier, data)
            else:
                early.append((identifier, data))

    with Hub(parse_serve_address(where), receive, machine_s) as hub:

        def make_served(*arguments: object, **options: object) -> PacedBenchRun:
            run = make(*arguments, tap=publish, **options)
            with lock:
                runs.append(run)
                for identifier, data in early:
                    run.inject(identifier, data)
            return run

        def publish(frame: Frame) -> None:
            hub.publish(frame)

        say(opening_text(hub))
        try:
            yield make_served
        finally:
            say(summary_text(hub.statistics))


def serve_scenario(
    prepared: PreparedScenario,
    where: str,
    say: Say,
    *,
    absent: Collection[str] | None = None,
    record: Path | None = None,
    speed: float = 1.0,
    max_client_wait_s: float = MAX_CLIENT_WAIT_S,
) -> Verdict:
    """Serve a scenario on loopback, start it with its first client, and return the verdict.

    A client counts when its handshake is finished. When all clients have disconnected, the run goes on to its end, as a
    vehicle does without its controller, and ``say`` gets a line about that.

    Args:
        prepared: what is run.
        where: ``PORT`` or ``HOST:PORT``; "" for the default port of the protocol.
        say: takes lines for the person.
        absent: devices that are not simulated; None for those of the prepared scenario.
        record: the file to which the frames are written.
        speed: simulated seconds per real second.
        max_client_wait_s: the longest wait for the first client.

    Raises:
        InputError: there is no such address, devices are not in the rig, or the recording cannot be written.
        BusError: the port cannot be had, or no client connected in time.
    """

    def make(recorder: FrameWriter | None) -> Verdict:
        return _ServedScenario(prepared, absent, recorder, speed, say).run(
            parse_serve_address(where), max_client_wait_s
        )

    return recorded(prepared, record, make)


class _ServedScenario:
    """One served run, which starts with its first client."""

    def __init__(
        self,
        prepared: PreparedScenario,
        absent: Collection[str] | None,
        recorder: FrameWriter | None,
        speed: float,
        say: Say,
    ) -> None:
        self._run = PacedScenarioRun(prepared, RunControl(speed), absent, self._tap, recorder)
        self._say = say
        self._first_client = threading.Event()
        self._progress = Progress(say, interval_s=PACED_REPORT_INTERVAL_S)

    def run(self, where: tuple[str, int], max_client_wait_s: float) -> Verdict:
        say = self._say
        with Hub(where, self._run.run.inject, machine_s, self._clients_changed) as self._hub:
            say(
                opening_text(self._hub),
                f"the run starts with its first client; it waits for up to {max_client_wait_s:g} s",
            )
            if not self._first_client.wait(max_client_wait_s):
                raise BusError(
                    f"no client has connected to 127.0.0.1:{self._hub.port} within {max_client_wait_s:g} s; start the "
                    "controller while rvsim waits"
                )
            say("a client has connected: the run starts")
            try:
                return run_to_verdict(self._run)
            finally:
                say(summary_text(self._hub.statistics))

    def _tap(self, frame: Frame) -> None:
        self._hub.publish(frame)
        self._progress.update(self._run.progress_text)

    def _clients_changed(self, count: int) -> None:
        """Take the number of clients, in the hub's thread; 0 only when the last one has disconnected."""
        if count:
            self._first_client.set()
        else:
            self._say(f"{self._run.progress_text()} when the last client disconnected; the run goes on to its end")


def opening_text(hub: Hub) -> str:
    """Return where a bench is served, and how python-can opens it."""
    options = f'interface="socketcand", host="127.0.0.1", port={hub.port}, channel="rvsim"'
    return f"served on 127.0.0.1:{hub.port}, for can.Bus({options})"


def summary_text(counts: HubStatistics) -> str:
    """Return how many frames clients sent, and every loss."""
    losses = {
        "never on the bus": counts.lost,
        "not yet on the bus at the end": counts.under_way,
        "not of this network": counts.refused,
        "clients disconnected for invalid input": counts.invalid_clients,
        "clients disconnected before their handshake was finished": counts.late_handshakes,
        "clients refused because there were too many": counts.excess_clients,
    }
    lost = "".join(f", {count} {what}" for what, count in losses.items() if count)
    frames = "1 frame" if counts.received == 1 else f"{counts.received} frames"
    return f"{frames} received from clients, {counts.dropped} dropped for slow clients{lost}"
