"""A python-can bus with the simulated devices of a scenario at its other end.

``can.Bus(interface="rvsim", channel="winter_evening")``: for code that is tested without a vehicle. Knows: python-can's
way of a bus. Does not know how a scenario is run (`trial`).

Without ``paced`` there is no waiting at all: ``recv(timeout)`` lets simulated time go on, to the next frame or by the
timeout, and returns at once. That is for code with one thread that waits by ``recv`` alone: what it does between two
calls takes no simulated time, and one seed gives one run. Such a bus belongs to the thread that opened it, and what
cannot work there is refused: another thread, python-can's Notifier and periodic tasks, and asking with ``recv(0)``
again and again, by which time would never go on.

Code with threads, timers or sleeps of its own needs ``paced=True``: simulated time then runs by the wall clock,
``speed`` times as fast, whatever the code does. Time stamps are simulated seconds both ways.
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
from rvsim.runs.control import Control
from rvsim.runs.scenario_run import PacedScenarioRun, PreparedScenario, ScenarioRun, VirtualScenarioRun
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Value, Verdict
from rvsim.sim.can import MAX_WAITING_FRAMES
from rvsim.wire.frame import Frame

PATIENCE_S = 3600.0
"""Simulated seconds without a frame for which ``recv`` without a timeout waits: then nothing will come any more."""
LOOKS = 1000
"""So often in a row ``recv(0)`` may find nothing at one simulated time (our choice): until it goes on nothing comes."""
_STOP_S = 5.0


class SimulatedBus(can.BusABC):
    """A scenario as a bus: what ``can.Bus(interface="rvsim")`` returns, and ``from rvsim import SimulatedBus`` too.

    Beside what every bus of python-can has there is ``verdict()``, which judges what the code under test has done, and
    ``run``, by which a test looks at the vehicle. Opened by its class, a type checker knows both::

        with SimulatedBus("warm_cabin", except_devices=["control panel"]) as bus:
            my_thermostat(bus)  # sends and receives until frames carry the time stamp that it stops at
            assert bus.verdict().passed, str(bus.verdict())

    Args:
        channel: a shipped scenario's name, or the path of one; nothing else has a default in its place.
        can_filters: python-can's filters for what is received.
        seed: another seed than the scenario's, a whole number from 0 on.
        values: what is otherwise in the scenario, by dotted keys.
        except_devices: devices of the rig, or the one device, that are not simulated: the code under test is these.
        receive_own_messages: whether what is sent is received as well.
        paced: whether simulated time runs by the wall clock.
        speed: simulated seconds for each real one, where it is paced.

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
        unknown.pop("bitrate", None)  # every python-can program gives one; the pair runs at 250 kbit/s
        if unknown:
            raise can.CanInitializationError(f"unknown options for the interface rvsim: {', '.join(sorted(unknown))}")
        self._own: deque[tuple[int, bytes]] = deque()
        """What was sent and is not on the wires yet."""
        self._own_lock = threading.Lock()
        self._receive_own = receive_own_messages
        absent = (except_devices,) if isinstance(except_devices, str) else except_devices
        try:
            scenario = _named(channel)
            self.channel_info = f"rvsim {scenario}"
            prepared = PreparedScenario(Job(scenario, values or {}, seed), absent=absent)
            self._pace: _Paced | _Virtual = (_Paced if paced else _Virtual)(prepared, self._tap, speed)
            self.session: ScenarioRun = self._pace.session
        except (RvsimError, ValueError) as error:
            problems = error.problems if isinstance(error, RvsimError) else (str(error),)
            raise can.CanInitializationError("; ".join(problems)) from None
        super().__init__(scenario, can_filters)
        self._pace.begin()

    @property
    def run(self) -> BenchRun:
        """The run behind it: ``run.watch`` is who is there and what is wrong, ``run.bench.world`` the vehicle."""
        return self.session.run

    @property
    def dropped(self) -> int:
        """Frames of a paced bus that nobody received in time and that found no room; none are lost in virtual time."""
        return self._pace.dropped

    def _tap(self, frame: Frame) -> None:
        """Take a frame from the wires, in the bench's thread."""
        with self._own_lock:
            own = (frame.identifier, frame.data) in self._own
            if own:
                self._own.remove((frame.identifier, frame.data))
        if not own or self._receive_own:
            self._pace.take(
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
            can.CanOperationError: nothing will come any more, the bench has stopped, or the bus is used in a way for
                which it has to be paced.
        """
        if timeout is not None and timeout > threading.TIMEOUT_MAX:
            timeout = None
        return self._pace.receive(timeout, self._matches_filters)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - nothing is waited for
        """Put a frame onto the simulated wires; it goes when it wins the pair.

        Raises:
            can.CanOperationError: it is no frame of this network, too many wait for the wires already, the bench has
                stopped, or another thread sends where time is virtual.
        """
        if not msg.is_extended_id or msg.is_remote_frame or msg.is_error_frame or msg.is_fd:
            raise can.CanOperationError("only data frames with 29-bit identifiers are used on this network")
        identifier, data = msg.arbitration_id, bytes(msg.data)
        self._pace.check()
        with self._own_lock:
            if len(self._own) >= MAX_WAITING_FRAMES:
                raise can.CanOperationError(
                    f"{MAX_WAITING_FRAMES} frames wait for the wires already and no more find room: "
                    "let time go on by recv"
                )
            self._own.append((identifier, data))
        self._pace.put(identifier, data)

    def _send_periodic_internal(self, *args: Any, **kwargs: Any) -> can.broadcastmanager.CyclicSendTaskABC:
        self._pace.check_threads("send_periodic")
        return super()._send_periodic_internal(*args, **kwargs)

    def verdict(self) -> Verdict:
        """Judge what has happened up to now against what the scenario expects; the run does not go on after it."""
        self._pace.stop()
        return self.session.verdict()

    def shutdown(self) -> None:
        """Stop the bench; may be called twice."""
        super().shutdown()  # ends periodic tasks first, which would send into a bench that stands
        pace = getattr(self, "_pace", None)
        if pace is not None:
            pace.stop()


def _named(channel: str | Path | None) -> str:
    if channel is None or not str(channel):
        raise ValueError(
            "no channel is named: give the scenario that is at the other end, a shipped one by its name, like "
            'channel="winter_evening", or your own by its path, ending in .toml'
        )
    return str(channel)


Matches = Callable[[can.Message], bool]
_STOPPED = "the bench has stopped, as the bus was shut down or its verdict was asked for: open another bus"


class _Virtual:
    """Simulated time that goes on by ``recv`` alone, in one thread."""

    dropped = 0

    def __init__(self, prepared: PreparedScenario, tap: Callable[[Frame], None], speed: float) -> None:  # noqa: ARG002
        self._inbox: deque[can.Message] = deque()
        self.take = self._inbox.append
        self.session = VirtualScenarioRun(prepared, tap=tap)
        self._run = self.session.run
        self._owner = threading.get_ident()
        self._stopped = False
        self._looks = 0

    def begin(self) -> None:
        """There is nothing to begin."""

    def check(self) -> None:
        if threading.get_ident() != self._owner:
            self.check_threads("a thread other than the one that opened the bus")
        if self._stopped:
            raise can.CanOperationError(_STOPPED)

    def check_threads(self, who: str) -> None:
        raise can.CanOperationError(
            f"{who} does not go with virtual time, which goes on by recv in one thread: open the bus with paced=True"
        )

    def put(self, identifier: int, data: bytes) -> None:
        self.session.put(identifier, data)

    def receive(self, timeout: float | None, matches: Matches) -> can.Message | None:
        self.check()
        run = self._run
        began = run.time
        end = began + round((PATIENCE_S if timeout is None else max(0.0, timeout)) * 1e6)
        while True:
            while self._inbox:
                message = self._inbox.popleft()
                if matches(message):
                    self._looks = 0
                    return message
            if run.time >= end:
                if timeout is None:
                    raise can.CanOperationError(f"no frame for {PATIENCE_S:.0f} simulated seconds: nothing will come")
                self._looked_in_vain(end > began)
                return None
            upcoming = run.bench.peek()
            run.until(end if upcoming is None else min(end, upcoming + 1))

    def _looked_in_vain(self, went_on: bool) -> None:
        self._looks = 0 if went_on else self._looks + 1
        if self._looks >= LOOKS:
            raise can.CanOperationError(
                f"recv(0) found nothing {LOOKS} times at {self._run.time / 1e6:.6f} s, and by it simulated time never "
                "goes on: give it a timeout, or open the bus with paced=True"
            )

    def stop(self) -> None:
        self._stopped = True


class _Paced:
    """Simulated time by the wall clock, in a thread of its own."""

    def __init__(self, prepared: PreparedScenario, tap: Callable[[Frame], None], speed: float) -> None:
        if not (isinstance(speed, int | float) and speed > 0 and math.isfinite(speed)):
            raise ValueError(f"speed {speed!r} is no number above 0")
        self._inbox: queue.SimpleQueue[can.Message | None] = queue.SimpleQueue()
        """Ends with a None when the bench has stopped."""
        self.dropped = 0
        self._control = Control(speed)
        self.session = PacedScenarioRun(prepared, self._control, tap=tap)
        self._run = self.session.run
        self._end = ""
        self._thread = threading.Thread(target=self._go, name="rvsim bench", daemon=True)

    def begin(self) -> None:
        self._thread.start()

    def _go(self) -> None:
        end = _STOPPED
        try:
            self._run.run(None)
        except Exception as error:  # told to whoever receives or sends: a thread has nobody else
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
        """Threads are what it is for."""

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
                self._inbox.put(None)  # for the next who asks
                raise can.CanOperationError(self._end)
            if matches(message):
                return message

    def stop(self) -> None:
        self._control.stop()
        if self._thread.ident is not None:
            self._thread.join(_STOP_S)
