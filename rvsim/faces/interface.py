"""A python-can bus with the simulated devices of a scenario at its other end.

``can.Bus(interface="rvsim", channel="winter_evening")``: for code that is tested without a vehicle. Knows: python-can's
interface of a bus. Does not know how a scenario is run (`runs.scenario_run`).

Without ``paced`` there is no waiting: ``recv(timeout)`` advances simulated time to the next frame, or by the timeout,
and returns at once. That is for code with one thread that waits only in ``recv``: what it does between two calls takes
no simulated time, and the same seed gives the same run. Such a bus belongs to the thread that opened it. What cannot
work there is refused: another thread, python-can's Notifier and periodic tasks, and repeated calls of ``recv(0)``,
which never advance time.

Code with threads, timers or sleeps of its own needs ``paced=True``: simulated time then runs by the wall clock,
``speed`` times as fast, whatever the code does. Time stamps are simulated seconds in both cases.
"""

import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

import can

from rvsim.edge.port import MAX_INBOX_FRAMES
from rvsim.errors import RvsimError
from rvsim.runs.bench import BenchRun
from rvsim.runs.control import RunControl
from rvsim.runs.scenario_run import PacedScenarioRun, PreparedScenario, ScenarioRun, VirtualScenarioRun
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Value, Verdict
from rvsim.sim.can import MAX_WAITING_FRAMES
from rvsim.wire.frame import Frame

MAX_SILENCE_S = 3600.0
"""Simulated seconds without a frame after which ``recv`` without a timeout gives up. Our choice."""
MAX_EMPTY_POLLS = 1000
"""Calls of ``recv(0)`` in a row that may find nothing at one simulated time: they never advance it. Our choice."""
MAX_STOP_WAIT_S = 5.0
"""The longest wait for the thread of a paced run to stop."""


class SimulatedBus(can.BusABC):
    """A scenario as a bus: what ``can.Bus(interface="rvsim")`` returns, and ``from rvsim import SimulatedBus`` too.

    In addition to what every python-can bus has, ``verdict()`` judges what the code under test has done, and ``run``
    gives a test access to the vehicle. A type checker knows both if the bus is opened by its class::

        with SimulatedBus("warm_cabin", except_devices=["control panel"]) as bus:
            my_thermostat(bus)  # sends and receives until frames carry the time stamp that it stops at
            assert bus.verdict().passed, str(bus.verdict())

    Args:
        channel: the name of a shipped scenario, or the path of a file; required.
        can_filters: python-can's filters for what is received.
        seed: a seed in place of the scenario's, a whole number from 0 on.
        values: values in place of the scenario's, by dotted keys.
        except_devices: the device or devices of the rig that are not simulated: the code under test takes their place.
        receive_own_messages: whether frames that are sent are received as well.
        paced: whether simulated time runs by the wall clock.
        speed: simulated seconds per real second of a paced bus.

    Raises:
        can.CanInitializationError: the scenario cannot be used, or an option is not known.
    """

    def __init__(
        self,
        channel: str | Path | None = None,
        can_filters: can.typechecking.CanFilters | None = None,
        *,
        seed: int | None = None,
        values: dict[str, Value] | None = None,
        except_devices: str | Collection[str] = (),
        receive_own_messages: bool = False,
        paced: bool = False,
        speed: float = 1.0,
        **unknown: Any,
    ) -> None:
        unknown.pop("bitrate", None)  # most python-can programs give one; the simulated bus runs at 250 kbit/s
        if unknown:
            raise can.CanInitializationError(f"unknown options for the interface rvsim: {', '.join(sorted(unknown))}")
        self._own: deque[tuple[int, bytes]] = deque()
        """Frames that were sent and are not yet on the bus."""
        self._own_lock = threading.Lock()
        self._receive_own = receive_own_messages
        absent = (except_devices,) if isinstance(except_devices, str) else except_devices
        try:
            scenario = _scenario_name(channel)
            self.channel_info = f"rvsim {scenario}"
            prepared = PreparedScenario(Job(scenario, values or {}, seed), absent=absent)
            self._timing: _PacedTime | _VirtualTime = (_PacedTime if paced else _VirtualTime)(
                prepared, self._tap, speed
            )
            self.session: ScenarioRun = self._timing.session
        except (RvsimError, ValueError) as error:
            problems = error.problems if isinstance(error, RvsimError) else (str(error),)
            raise can.CanInitializationError("; ".join(problems)) from None
        super().__init__(scenario, can_filters)
        self._timing.start()

    @property
    def run(self) -> BenchRun:
        """The run behind the bus: ``run.watch`` has devices and flags, ``run.bench.world`` is the vehicle."""
        return self.session.run

    @property
    def dropped(self) -> int:
        """Frames of a paced bus that were dropped because too many waited to be received; 0 in virtual time."""
        return self._timing.dropped

    def _tap(self, frame: Frame) -> None:
        """Take a frame from the bus, in the bench's thread."""
        with self._own_lock:
            own = (frame.identifier, frame.data) in self._own
            if own:
                self._own.remove((frame.identifier, frame.data))
        if not own or self._receive_own:
            self._timing.take(
                can.Message(
                    timestamp=frame.time / 1e6,
                    arbitration_id=frame.identifier,
                    is_extended_id=True,
                    data=frame.data,
                    channel=self.channel_info,
                    is_rx=not own,
                )
            )

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return the next frame, or None after ``timeout`` simulated seconds (real ones where it is paced).

        Raises:
            can.CanOperationError: no frame will come, the bench has stopped, or the bus is used in a way that needs
                ``paced``.
        """
        if timeout is not None and timeout > threading.TIMEOUT_MAX:
            timeout = None
        return self._timing.receive(timeout, self._matches_filters)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - nothing is waited for
        """Send a frame to the simulated bus; it is transmitted when it wins arbitration.

        Raises:
            can.CanOperationError: it is not a frame of this network, too many frames wait already, the bench has
                stopped, or another thread sends in virtual time.
        """
        if not msg.is_extended_id or msg.is_remote_frame or msg.is_error_frame or msg.is_fd:
            raise can.CanOperationError("only data frames with 29-bit identifiers are used on this network")
        identifier, data = msg.arbitration_id, bytes(msg.data)
        self._timing.check()
        with self._own_lock:
            if len(self._own) >= MAX_WAITING_FRAMES:
                raise can.CanOperationError(
                    f"{MAX_WAITING_FRAMES} frames wait for the bus already: call recv, which lets time go on"
                )
            self._own.append((identifier, data))
        self._timing.put(identifier, data)

    def _send_periodic_internal(self, *args: Any, **kwargs: Any) -> can.broadcastmanager.CyclicSendTaskABC:
        self._timing.check_threads("send_periodic")
        return super()._send_periodic_internal(*args, **kwargs)

    def verdict(self) -> Verdict:
        """Judge what has happened up to now by the scenario's expectations; the run ends with it."""
        self._timing.stop()
        return self.session.verdict()

    def shutdown(self) -> None:
        """Stop the bench; may be called twice."""
        super().shutdown()  # stops periodic tasks first, which would send to a stopped bench
        timing = getattr(self, "_timing", None)
        if timing is not None:
            timing.stop()


def _scenario_name(channel: str | Path | None) -> str:
    if channel is None or not str(channel):
        raise ValueError(
            'no channel is named: give a scenario, a shipped one by its name, like channel="winter_evening", or your '
            "own by its path, ending in .toml"
        )
    return str(channel)


Matches = Callable[[can.Message], bool]
_STOPPED = "the bench has stopped, because the bus was shut down or its verdict was requested: open another bus"


class _VirtualTime:
    """Simulated time that only ``recv`` advances, in one thread."""

    dropped = 0

    def __init__(self, prepared: PreparedScenario, tap: Callable[[Frame], None], speed: float) -> None:  # noqa: ARG002
        self._inbox: deque[can.Message] = deque()
        self._is_receiving = False
        self.session = VirtualScenarioRun(prepared, tap=tap)
        self._run = self.session.run
        self._owner = threading.get_ident()
        self._stopped = False
        self._empty_polls = 0

    def start(self) -> None:
        """Do nothing: virtual time needs no start."""

    def check(self) -> None:
        if threading.get_ident() != self._owner:
            self.check_threads("a thread other than the one that opened the bus")
        if self._stopped:
            raise can.CanOperationError(_STOPPED)

    def check_threads(self, who: str) -> None:
        raise can.CanOperationError(
            f"{who} does not go with virtual time, which only recv in one thread advances: open the bus with paced=True"
        )

    def put(self, identifier: int, data: bytes) -> None:
        self.session.put(identifier, data)

    def take(self, message: can.Message) -> None:
        self._inbox.append(message)
        if self._is_receiving:
            self._run.bench.stop()

    def receive(self, timeout: float | None, matches: Matches) -> can.Message | None:
        self.check()
        run = self._run
        started = run.time
        end = started + round((MAX_SILENCE_S if timeout is None else max(0.0, timeout)) * 1e6)
        while True:
            while self._inbox:
                message = self._inbox.popleft()
                if matches(message):
                    self._empty_polls = 0
                    return message
            if run.time >= end:
                if timeout is None:
                    raise can.CanOperationError(
                        f"no frame for {MAX_SILENCE_S:.0f} simulated seconds: no frame will come"
                    )
                self._count_empty_poll(went_on=end > started)
                return None
            self._is_receiving = True
            try:
                run.until(end)  # or to the next frame, which ``take`` takes
            finally:
                self._is_receiving = False

    def _count_empty_poll(self, *, went_on: bool) -> None:
        self._empty_polls = 0 if went_on else self._empty_polls + 1
        if self._empty_polls >= MAX_EMPTY_POLLS:
            raise can.CanOperationError(
                f"recv(0) found nothing {MAX_EMPTY_POLLS} times at {self._run.time / 1e6:.6f} s; it never advances "
                "simulated time: give it a timeout, or open the bus with paced=True"
            )

    def stop(self) -> None:
        self._stopped = True


class _PacedTime:
    """Simulated time by the wall clock, in a thread of its own."""

    def __init__(self, prepared: PreparedScenario, tap: Callable[[Frame], None], speed: float) -> None:
        if not (isinstance(speed, int | float) and speed > 0 and math.isfinite(speed)):
            raise ValueError(f"speed {speed!r} is not a number above 0")
        self._inbox: queue.SimpleQueue[can.Message | None] = queue.SimpleQueue()
        """Ends with a None when the bench has stopped."""
        self.dropped = 0
        self._control = RunControl(speed)
        self.session = PacedScenarioRun(prepared, self._control, tap=tap)
        self._run = self.session.run
        self._end = ""
        self._thread = threading.Thread(target=self._go, name="rvsim bench", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _go(self) -> None:
        end = _STOPPED
        try:
            self._run.run(None)
        except Exception as error:  # raised again by the next call of recv or send
            end = f"the bench stopped: {type(error).__name__}: {error}"
        self._end = end
        self._inbox.put(None)

    def take(self, message: can.Message) -> None:
        if self._inbox.qsize() >= MAX_INBOX_FRAMES:
            self.dropped += 1
        else:
            self._inbox.put(message)

    def check(self) -> None:
        if self._end:
            raise can.CanOperationError(self._end)

    def check_threads(self, who: str) -> None:
        """Do nothing: a paced bus may be used by several threads."""

    def put(self, identifier: int, data: bytes) -> None:
        self._run.inject(identifier, data)

    def receive(self, timeout: float | None, matches: Matches) -> can.Message | None:
        end = None if timeout is None else time.monotonic() + timeout
        while True:
            try:
                message = self._inbox.get(timeout=None if end is None else max(0.0, end - time.monotonic()))
            except queue.Empty:
                return None
            if message is None:
                self._inbox.put(None)  # for the next call
                raise can.CanOperationError(self._end)
            if matches(message):
                return message

    def stop(self) -> None:
        self._control.stop()
        if self._thread.ident is not None:
            self._thread.join(MAX_STOP_WAIT_S)
