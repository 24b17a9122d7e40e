"""A python-can bus with the simulated devices of a scenario at its other end.

``can.Bus(interface="rvsim", channel="winter_evening")``: for code that is tested without a vehicle. Knows: python-can's
way of a bus. Does not know how a scenario is run (`trial`).

Without ``paced`` there is no waiting at all: ``recv(timeout)`` lets simulated time go on, to the next frame or by the
timeout, and returns at once. That is for code with one thread that waits by ``recv`` alone: what it does between two
calls takes no simulated time, and one seed gives one run. Code with threads, timers or sleeps of its own needs
``paced=True``: simulated time then runs by the wall clock, ``speed`` times as fast, whatever the code does.
"""

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Collection
from typing import Any

import can

from rvsim.errors import InputError, RvsimError
from rvsim.faces.control import Control
from rvsim.faces.trial import Session, Trial
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import Value, Verdict
from rvsim.wire.frame import Frame

PATIENCE_S = 3600.0
"""Simulated seconds without a frame for which ``recv`` without a timeout waits: then nothing will come any more."""
_STOP_S = 5.0


class SimulatedBus(can.BusABC):
    """A scenario as a bus.

    Args:
        channel: a shipped scenario's name, or the path of one.
        can_filters: python-can's filters for what is received.
        seed: another seed than the scenario's.
        values: what is otherwise in the scenario, by dotted keys.
        except_devices: devices of the rig that are not simulated: the code under test is these.
        receive_own_messages: whether what is sent is received as well.
        paced: whether simulated time runs by the wall clock.
        speed: simulated seconds for each real one, where it is paced.

    Raises:
        can.CanInitializationError: the scenario cannot be used, or an option is not known.
    """

    def __init__(
        self,
        channel: Any,
        can_filters: can.typechecking.CanFilters | None = None,
        *,
        seed: int | None = None,
        values: dict[str, Value] | None = None,
        except_devices: Collection[str] = (),
        receive_own_messages: bool = False,
        paced: bool = False,
        speed: float = 1.0,
        **unknown: Any,
    ) -> None:
        unknown.pop("bitrate", None)  # every python-can program gives one; the pair runs at 250 kbit/s
        if unknown:
            raise can.CanInitializationError(f"unknown options for the interface rvsim: {', '.join(sorted(unknown))}")
        self.channel_info = f"rvsim {channel}"
        self._own: deque[tuple[int, bytes]] = deque()
        self._receive_own = receive_own_messages
        try:
            trial = Trial(Job(str(channel), values or {}, seed))
            self.session = Session(trial, except_devices, self._tap)
            self._pace: _Paced | _Virtual = _Paced(self.session, speed) if paced else _Virtual(self.session)
        except (RvsimError, ValueError) as error:
            problems = error.problems if isinstance(error, InputError) else (str(error),)
            raise can.CanInitializationError("; ".join(problems)) from None
        super().__init__(channel, can_filters)

    def _tap(self, frame: Frame) -> None:
        """Take a frame from the wires."""
        own = bool(self._own) and (frame.identifier, frame.data) in self._own
        if own:
            self._own.remove((frame.identifier, frame.data))
        if not own or self._receive_own:
            self._pace.inbox.put(
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
            can.CanOperationError: nothing will come any more, or the bench has stopped.
        """
        return self._pace.receive(timeout, self._matches_filters)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - nothing is waited for
        """Put a frame onto the simulated wires; it goes when it wins the pair.

        Raises:
            can.CanOperationError: it is no frame of this network.
        """
        if not msg.is_extended_id or msg.is_remote_frame or msg.is_error_frame or msg.is_fd:
            raise can.CanOperationError("only data frames with 29-bit identifiers are used on this network")
        identifier, data = msg.arbitration_id, bytes(msg.data)
        self._pace.do(lambda: self._put(identifier, data))

    def _put(self, identifier: int, data: bytes) -> None:
        self._own.append((identifier, data))
        self.session.put(identifier, data)

    def verdict(self) -> Verdict:
        """Judge what has happened up to now against what the scenario expects; the run does not go on after it."""
        self._pace.stop()
        return self.session.verdict()

    def shutdown(self) -> None:
        """Stop the bench."""
        self._pace.stop()
        super().shutdown()


Matches = Callable[[can.Message], bool]


class _Virtual:
    """Simulated time that goes on by ``recv`` alone."""

    def __init__(self, session: Session) -> None:
        self.inbox: queue.SimpleQueue[can.Message] = queue.SimpleQueue()
        self._run = session.run

    def do(self, action: Callable[[], None]) -> None:
        action()

    def receive(self, timeout: float | None, matches: Matches) -> can.Message | None:
        run = self._run
        end = run.time + round((PATIENCE_S if timeout is None else max(0.0, timeout)) * 1e6)
        while True:
            while not self.inbox.empty():
                message = self.inbox.get()
                if matches(message):
                    return message
            if run.time >= end:
                if timeout is None:
                    raise can.CanOperationError(f"no frame for {PATIENCE_S:.0f} simulated seconds: nothing will come")
                return None
            upcoming = run.bench.peek()
            run.until(end if upcoming is None else min(end, upcoming + 1))

    def stop(self) -> None:
        """There is nothing to stop."""


class _Paced:
    """Simulated time by the wall clock, in a thread of its own."""

    def __init__(self, session: Session, speed: float) -> None:
        self.inbox: queue.SimpleQueue[can.Message] = queue.SimpleQueue()
        if not speed > 0:
            raise ValueError(f"speed {speed} is not above 0")
        self._control = Control(speed)
        self._error: str | None = None
        self._thread = threading.Thread(target=self._go, args=(session, speed), name="rvsim bench", daemon=True)
        self._thread.start()

    def _go(self, session: Session, speed: float) -> None:
        try:
            session.run.paced(None, speed, channel=f"rvsim-{id(self)}", control=self._control)
        except Exception as error:  # told to whoever receives: a thread has nobody else
            self._error = f"{type(error).__name__}: {error}"

    def do(self, action: Callable[[], None]) -> None:
        self._control.ask(action)

    def receive(self, timeout: float | None, matches: Matches) -> can.Message | None:
        end = None if timeout is None else time.monotonic() + timeout
        while True:
            if self._error is not None:
                raise can.CanOperationError(f"the bench stopped: {self._error}")
            left = 0.5 if end is None else min(0.5, max(0.0, end - time.monotonic()))
            try:
                message = self.inbox.get(timeout=left) if left else self.inbox.get_nowait()
            except queue.Empty:
                if end is not None and time.monotonic() >= end:
                    return None
                continue
            if matches(message):
                return message

    def stop(self) -> None:
        self._control.stop()
        self._thread.join(_STOP_S)
