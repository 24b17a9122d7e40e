"""An open python-can bus: a reader thread with a bounded inbox, and the one function that sends.

Knows: python-can, and how its messages and float seconds become frames in integer microseconds. Does not know what a
frame means, nor simulated devices.

python-can's own Notifier and periodic tasks are not used: a listener's exception ends the Notifier's thread, stopping
it takes up to a second, and periodic tasks catch up in bursts. The reader here never raises out of its thread: its
error is in ``statistics``.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Any, NamedTuple

import can

from rvsim.edge.drivers import error_text
from rvsim.edge.needs import missing_package
from rvsim.errors import BusError
from rvsim.sim.clock import machine_ns
from rvsim.wire.error_report import ErrorReport, linux_report
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, OtherFrame, OtherKind
from rvsim.wire.timing import remote_bits, standard_bits

# Without a handler the log lines of drivers would go to stderr, in the middle of the screen.
logging.getLogger("can").addHandler(logging.NullHandler())

MAX_INBOX_FRAMES = 20_000
"""Frames that may wait: ten seconds of a full bus at 250 kbit/s."""
_POLL_S = 0.1
_MAX_NO_WAIT_NS, _MIN_WAIT_NS = 1_000_000, 25_000_000
"""A driver that returns without a frame sooner than the first has not waited; later than the second it has waited.
Between the two nothing is known: an option may set its wait, or the machine was busy. Our choice."""
_MAX_EMPTY_ANSWERS = 1000
"""A driver that returns at once without a frame this many times in a row has lost its bus; that takes two seconds at
most. Our choice."""
_MIN_DOUBTFUL_ANSWERS = 20
"""A driver that returns at once without a frame this many times in a row may have lost its bus. Our choice."""
_LINUX_ERROR_INTERFACES = ("socketcan", "socketcand")
"""Interfaces whose error frames have the layout of Linux."""
_MIN_STEP_BACK_US = 1_000_000
"""A time stamp that goes back by more than this is not a late frame: a clock was set, or a counter restarted (our
choice)."""


class PortStatistics(NamedTuple):
    """The counts of a port so far."""

    sent: int
    received: int
    dropped: int
    """Frames that came while the inbox was full."""
    skipped: int
    """Remote, 11-bit and FD frames, which this network does not use. All but FD frames become line events."""
    errors: int
    """Error frames: the adapter saw a frame destroyed on the bus."""
    error: str | None
    """The error that ended the reader, None while it reads."""


class Port:
    """An open bus; close it, or use it in a ``with`` block. A port receives only with ``listen``.

    With ``polled`` it has no reader thread: ``receive`` reads what the driver holds, without waiting. That is for the
    virtual bus, which holds a frame as soon as it was sent: a thread would only wait for its turn on a core.

    ``options`` are passed to python-can's bus class; its configuration files and variables are not used, since they
    could change the bus of a bench. ``monotonic_ns`` is the clock of arrivals.

    Frames have the time stamps of the interface. If its first frame has the stamp 0, the interface has no clock, and
    every frame has its time of arrival. On the virtual bus 0 is a simulated time like any other.

    Raises:
        BusError: python-can could not open the bus.
    """

    def __init__(
        self,
        interface: str,
        channel: str | int | None,
        *,
        listen: bool = True,
        polled: bool = False,
        inbox: int = MAX_INBOX_FRAMES,
        options: Mapping[str, Any] | None = None,
        monotonic_ns: Callable[[], int] | None = None,
    ) -> None:
        self.arrived = threading.Event()
        """Set when a frame is received; the code that waits for it clears it."""
        self._inbox: deque[Frame | LineEvent] = deque()
        self._limit = inbox
        self._sent = self._received = self._dropped = self._skipped = self._errors = 0
        self._error: str | None = None
        self._closing = False
        self._monotonic_ns = monotonic_ns or _machine_clock()
        self._has_stamps: bool | None = True if interface == "virtual" else None
        self._is_virtual, self._is_linux = interface == "virtual", interface in _LINUX_ERROR_INTERFACES
        self._arrival_offset_us: int | None = None  # the smallest difference of arrival and time stamp
        self._last_time = 0
        self._empty_answers = 0  # how often in a row the driver returned at once without a frame
        self._bus = self._open(interface, channel, options or {})
        # python-can calls the driver until its timeout is over; only here a driver that no longer waits shows.
        self._receive_from_driver = self._bus._recv_internal
        self._bus._recv_internal = self._receive_or_detect_loss  # type: ignore[method-assign]
        self._reader: threading.Thread | None = None
        self._is_polled = listen and polled
        if listen and not polled:
            self._reader = threading.Thread(target=self._read, name=f"port {channel}", daemon=True)
            self._reader.start()

    @staticmethod
    def _open(interface: str, channel: str | int | None, options: Mapping[str, Any]) -> can.BusABC:
        kept = {"preserve_timestamps": True} if interface == "virtual" else {}
        try:
            return can.Bus(interface=interface, channel=channel, ignore_config=True, **{**kept, **options})
        except Exception as error:  # drivers raise any exception
            where = interface if channel is None else f"{interface} {channel}"
            raise BusError(
                f"{where}: the bus could not be opened ({error_text(error)}); {_next_step(interface)}"
            ) from error

    def send(self, frame: Frame) -> None:
        """Send one frame, with its simulated time where the interface keeps it. Nothing else in the program sends.

        Raises:
            BusError: the bus did not accept it.
        """
        message = can.Message(
            timestamp=frame.time / 1e6,
            arbitration_id=frame.identifier,
            is_extended_id=True,
            data=frame.data,
            check=True,
        )
        try:
            self._bus.send(message)
        except (can.CanError, OSError) as error:
            raise BusError(f"{self._bus.channel_info}: a frame could not be sent ({error})") from error
        self._sent += 1

    def receive(self) -> list[Frame | LineEvent]:
        """Remove and return what was received, oldest first: frames, error frames, 11-bit and remote frames."""
        received = []
        inbox = self._inbox
        if self._is_polled:
            self._poll()
        while inbox:
            received.append(inbox.popleft())
        return received

    @property
    def statistics(self) -> PortStatistics:
        """Return the counts so far."""
        return PortStatistics(self._sent, self._received, self._dropped, self._skipped, self._errors, self._error)

    @property
    def is_doubtful(self) -> bool:
        """Whether the bus is lost, or may be: the driver does not wait for frames any more."""
        return self._error is not None or self._empty_answers >= _MIN_DOUBTFUL_ANSWERS

    def now(self) -> int | None:
        """Return the present time in microseconds on the scale of the time stamps, None before the first frame.

        It is computed from the frame with the shortest delay from stamp to arrival, so that a late delivery does not
        shift it, and no frame so far is later. A stamp that goes back by more than a second restarts it.
        """
        offset_us = self._arrival_offset_us
        return None if offset_us is None else self._monotonic_ns() // 1000 - offset_us

    def _read(self) -> None:
        while not self._closing:
            try:
                message = self._bus.recv(_POLL_S)
                if message is not None:
                    self._store(message)
            except Exception as error:  # an error of the driver ends the reader and is kept
                self._error = error_text(error)
                self.arrived.set()
                return

    def _poll(self) -> None:
        """Read what the driver holds; its error is kept, as that of the reader."""
        try:
            while len(self._inbox) < self._limit and (message := self._bus.recv(0)) is not None:
                self._store(message)
        except Exception as error:
            self._error = error_text(error)

    def _receive_or_detect_loss(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        """Call the driver once, and detect a driver that no longer waits.

        After the other side has closed a connection, or an adapter was pulled out, some drivers return at once without
        a frame, forever.

        Raises:
            can.CanOperationError: the driver does not wait any more.
        """
        began = self._monotonic_ns()
        answer = self._receive_from_driver(timeout)
        if answer[0] is not None:
            self._empty_answers = 0
        elif timeout is not None and timeout >= _POLL_S / 2:  # a shorter wait shows little
            took = self._monotonic_ns() - began
            self._empty_answers = 0 if took >= _MIN_WAIT_NS else self._empty_answers + (took < _MAX_NO_WAIT_NS)
            if self._empty_answers >= _MAX_EMPTY_ANSWERS:
                raise can.CanOperationError(
                    "the driver returns no frames and does not wait: the other side has closed the connection, or the "
                    "adapter was pulled out"
                )
        return answer

    def _store(self, message: can.Message) -> None:
        if message.is_error_frame:
            self._errors += 1
            self._add_to_inbox(*self._error_report(message).events(self._event_time(message.timestamp), "this adapter"))
        elif message.is_fd:  # its duration is not known: part of its bits have another rate
            self._skipped += 1
        elif not message.is_extended_id or message.is_remote_frame:
            self._skipped += 1
            self._add_to_inbox(_other_frame(message, self._event_time(message.timestamp)))
        elif self._add_to_inbox(
            Frame(self._frame_time(message.timestamp), message.arbitration_id, bytes(message.data))
        ):
            self._received += 1
        if not self.arrived.is_set():  # who waits clears it before it receives, so nothing is missed
            self.arrived.set()

    def _add_to_inbox(self, *found: Frame | LineEvent) -> bool:
        """Add to the inbox until it is full; return whether all fitted."""
        for item in found:
            if len(self._inbox) >= self._limit:
                self._dropped += isinstance(item, Frame)
                return False
            self._inbox.append(item)
        return True

    def _error_report(self, message: can.Message) -> ErrorReport:
        """Return the meaning of an error frame; only SocketCAN publishes the meaning of its bits."""
        if self._is_linux:
            return linux_report(message.arbitration_id, bytes(message.data))
        return ErrorReport()

    def _frame_time(self, stamp_s: float) -> int:
        """Return a frame's time in microseconds, and update the offset between time stamps and arrivals."""
        arrival = self._monotonic_ns() // 1000
        if self._has_stamps is None:
            self._has_stamps = stamp_s != 0
        time = round(stamp_s * 1e6) if self._has_stamps else arrival
        offset_us = arrival - time
        if (
            self._arrival_offset_us is None
            or offset_us < self._arrival_offset_us
            or time < self._last_time - _MIN_STEP_BACK_US
        ):
            self._arrival_offset_us = offset_us
        self._last_time = time
        return time

    def _event_time(self, stamp_s: float) -> int:
        """Return the time of an event that is not a frame of this network; the offset is not updated.

        Before the first frame, and where an event has no stamp although frames have one, its arrival counts.
        """
        arrival = self._monotonic_ns() // 1000
        if self._is_virtual or (self._has_stamps and stamp_s):
            return round(stamp_s * 1e6)
        return arrival - (self._arrival_offset_us or 0)

    def close(self) -> None:
        """Stop reading, then close the bus; may be called twice."""
        self._closing = True
        if self._reader is not None:
            self._reader.join(timeout=5 * _POLL_S)
            self._reader = None
        self._bus.shutdown()

    def __enter__(self) -> "Port":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def _other_frame(message: can.Message, time: int) -> OtherFrame:
    """Return a frame with an 11-bit identifier, or a remote frame, with its length in bits."""
    requested = min(message.dlc, 8) if message.is_remote_frame else None
    if message.is_extended_id:
        return OtherFrame(time, OtherKind.REMOTE, remote_bits(message.arbitration_id, requested or 0))
    kind = OtherKind.STANDARD if requested is None else OtherKind.REMOTE
    return OtherFrame(time, kind, standard_bits(message.arbitration_id, bytes(message.data), requested))


def _next_step(interface: str) -> str:
    """Return what to check when a bus cannot be opened."""
    if package := missing_package(interface):
        return f"pip install {package.name}, which this interface needs"
    if interface in ("socketcand", "udp_multicast"):
        return "check that the server runs and that the network reaches it"
    ready = "its link is up" if interface == "socketcan" else "its driver is installed"
    return f'check that the adapter is plugged in and {ready}; "rvsim about" lists what can be opened here'


def _machine_clock() -> Callable[[], int]:
    """Return a clock that starts at 0 now; the machine's clock is read in one module only, `rvsim.sim.clock`."""
    started = machine_ns()
    return lambda: machine_ns() - started
