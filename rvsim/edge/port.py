"""One handle on a python-can bus: a reader thread into a bounded inbox, and the one function that sends.

Knows: python-can, and how its messages and float seconds become frames in integer microseconds. Does not know what
a frame means, nor simulated devices.

python-can's own Notifier and periodic tasks are not used: a listener's exception ends its thread, stopping it
takes up to a second, and periodic tasks catch up in bursts. The reader here never raises out of its thread: an
error is kept and counted, and shows in ``statistics``.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Any, NamedTuple

import can

from rvsim.edge.drivers import one_line
from rvsim.edge.needs import missing
from rvsim.errors import BusError
from rvsim.sim.clock import PacedClock
from rvsim.wire.error_report import ErrorReport, linux_report
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent, OtherFrame, OtherKind
from rvsim.wire.timing import remote_bits, standard_bits

# What drivers log would stand on stderr, in the middle of the screen, unless somebody takes it.
logging.getLogger("can").addHandler(logging.NullHandler())

INBOX = 20_000
"""Frames that may wait: ten seconds of a full bus at 250 kbit/s."""
_POLL_S = 0.1
_AT_ONCE_NS, _WAITED_NS = 1_000_000, 25_000_000
"""A driver that comes back without a frame in less time has not waited; one that took more has. In between it may have
waited as long as it was set to by an option, or the machine was busy: that tells nothing. Our choice."""
_EMPTY_ANSWERS = 1000
"""So many times in a row a driver may come back at once without a frame, which takes two seconds at most."""
_LINUX = ("socketcan", "socketcand")
"""Interfaces that hand over the error messages of Linux."""
_STEP_US = 1_000_000
"""Time stamps that go back by more are no late frame: a clock was set, or a counter began anew (our choice)."""


class PortStatistics(NamedTuple):
    """What has passed through a port so far."""

    sent: int
    received: int
    dropped: int
    """Frames that found the inbox full."""
    skipped: int
    """Remote, 11-bit and FD frames, which this network does not use. All but FD frames are handed on as line events."""
    errors: int
    """Error frames: the adapter saw a frame spoilt on the wires."""
    error: str | None
    """What ended the reader, None while it reads."""


class Port:
    """An open bus; close it, or use it in a ``with`` block. Only a port opened with ``listen`` receives.

    ``options`` are handed to python-can's bus class as they are; its configuration files and variables are left out,
    for they could change a bench's own bus. ``monotonic_ns`` is what arrivals are timed by.

    Frames carry the time stamps of the interface. Where its first frame is stamped 0 it has no clock: then every
    frame carries its time of arrival. On the virtual bus 0 is a simulated time like any other.

    Raises:
        BusError: python-can could not open the bus.
    """

    def __init__(
        self,
        interface: str,
        channel: str | int | None,
        *,
        listen: bool = True,
        inbox: int = INBOX,
        options: Mapping[str, Any] | None = None,
        monotonic_ns: Callable[[], int] | None = None,
    ) -> None:
        self.arrived = threading.Event()
        """Set when a frame has come in; whoever waits for it clears it."""
        self._inbox: deque[Frame | LineEvent] = deque()
        self._limit = inbox
        self._sent = self._received = self._dropped = self._skipped = self._errors = 0
        self._error: str | None = None
        self._closing = False
        self._monotonic_ns = monotonic_ns or _machine_clock()
        self._stamped: bool | None = True if interface == "virtual" else None
        self._is_virtual, self._is_linux = interface == "virtual", interface in _LINUX
        self._ahead: int | None = None  # microseconds from a time stamp to the arrival that had the shortest way
        self._last = 0
        self._empty = 0  # how often in a row the driver came back at once with nothing
        self._bus = self._open(interface, channel, options or {})
        # python-can asks again and again until the time is up, so only here it shows that nobody is there any more.
        self._ask = self._bus._recv_internal
        self._bus._recv_internal = self._ask_and_weigh  # type: ignore[method-assign]
        self._reader: threading.Thread | None = None
        if listen:
            self._reader = threading.Thread(target=self._read, name=f"port {channel}", daemon=True)
            self._reader.start()

    @staticmethod
    def _open(interface: str, channel: str | int | None, options: Mapping[str, Any]) -> can.BusABC:
        kept = {"preserve_timestamps": True} if interface == "virtual" else {}
        try:
            return can.Bus(interface=interface, channel=channel, ignore_config=True, **{**kept, **options})
        except Exception as error:  # drivers raise whatever they like
            where = interface if channel is None else f"{interface} {channel}"
            raise BusError(
                f"{where}: the bus could not be opened ({one_line(error)}); {_next_step(interface)}"
            ) from error

    def send(self, frame: Frame) -> None:
        """Send one frame, its simulated time kept where the interface keeps it. Nothing else in the program sends.

        Raises:
            BusError: the bus did not take it.
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
        """Return and forget what has come in, oldest first: frames, error frames, 11-bit and remote frames."""
        taken = []
        inbox = self._inbox
        while inbox:
            taken.append(inbox.popleft())
        return taken

    @property
    def statistics(self) -> PortStatistics:
        """Return the counts so far."""
        return PortStatistics(self._sent, self._received, self._dropped, self._skipped, self._errors, self._error)

    def now(self) -> int | None:
        """Return the present moment in microseconds as the time stamps of frames count it, None before the first one.

        It comes from the frame that took the shortest way from its stamp to its arrival, so a late delivery does not
        shift it, and no frame taken so far is later. Stamps that go back by more than a second start it anew.
        """
        ahead = self._ahead
        return None if ahead is None else self._monotonic_ns() // 1000 - ahead

    def _read(self) -> None:
        while not self._closing:
            try:
                message = self._bus.recv(_POLL_S)
                if message is not None:
                    self._keep(message)
            except Exception as error:  # a driver's error ends the reading, and is told instead of raised into nowhere
                self._error = one_line(error)
                self.arrived.set()
                return

    def _ask_and_weigh(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        """Ask the driver once, and find out whether it still waits for anything.

        A connection that the other side has closed, or an adapter that was pulled out, can always be read and holds
        nothing: some drivers then say at once that there was no frame, for ever.

        Raises:
            can.CanOperationError: it does not wait any more.
        """
        began = self._monotonic_ns()
        answer = self._ask(timeout)
        if answer[0] is not None:
            self._empty = 0
        elif timeout is not None and timeout >= _POLL_S / 2:  # a shorter wait tells little
            took = self._monotonic_ns() - began
            self._empty = 0 if took >= _WAITED_NS else self._empty + (took < _AT_ONCE_NS)
            if self._empty >= _EMPTY_ANSWERS:
                raise can.CanOperationError(
                    "the driver brings nothing and waits for nothing: the other side has closed the connection, or the "
                    "adapter was pulled out"
                )
        return answer

    def _keep(self, message: can.Message) -> None:
        if message.is_error_frame:
            self._errors += 1
            self._put(*self._report(message).events(self._timed_beside(message.timestamp), "this adapter"))
        elif message.is_fd:  # how long it took is not known: part of its bits go at another rate
            self._skipped += 1
        elif not message.is_extended_id or message.is_remote_frame:
            self._skipped += 1
            self._put(_other(message, self._timed_beside(message.timestamp)))
        elif self._put(Frame(self._timed(message.timestamp), message.arbitration_id, bytes(message.data))):
            self._received += 1
        self.arrived.set()

    def _put(self, *found: Frame | LineEvent) -> bool:
        """Keep what came in, as far as there is room; tell whether there was."""
        for one in found:
            if len(self._inbox) >= self._limit:
                self._dropped += isinstance(one, Frame)
                return False
            self._inbox.append(one)
        return True

    def _report(self, message: can.Message) -> ErrorReport:
        """Return what an error frame tells; only SocketCAN says by a published rule what its bits mean."""
        if self._is_linux:
            return linux_report(message.arbitration_id, bytes(message.data))
        return ErrorReport()

    def _timed(self, stamp_s: float) -> int:
        """Return a frame's time in microseconds, and learn from it how stamps and arrivals go together."""
        arrival = self._monotonic_ns() // 1000
        if self._stamped is None:
            self._stamped = stamp_s != 0
        time = round(stamp_s * 1e6) if self._stamped else arrival
        ahead = arrival - time
        if self._ahead is None or ahead < self._ahead or time < self._last - _STEP_US:
            self._ahead = ahead
        self._last = time
        return time

    def _timed_beside(self, stamp_s: float) -> int:
        """Return when something came that is no frame of this network; it tells nothing of how stamps are counted.

        Before the first frame, and where such a thing has no stamp although frames have, it is the arrival that counts.
        """
        arrival = self._monotonic_ns() // 1000
        if self._is_virtual or (self._stamped and stamp_s):
            return round(stamp_s * 1e6)
        return arrival - (self._ahead or 0)

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


def _other(message: can.Message, time: int) -> OtherFrame:
    """Return a frame with an 11-bit identifier, or a remote frame, by how many bits it takes."""
    asked = min(message.dlc, 8) if message.is_remote_frame else None
    if message.is_extended_id:
        return OtherFrame(time, OtherKind.REMOTE, remote_bits(message.arbitration_id, asked or 0))
    kind = OtherKind.STANDARD if asked is None else OtherKind.REMOTE
    return OtherFrame(time, kind, standard_bits(message.arbitration_id, bytes(message.data), asked))


def _next_step(interface: str) -> str:
    """Say what to look at when a bus cannot be opened."""
    if package := missing(interface):
        return f"pip install {package.name}, which this interface needs"
    if interface in ("socketcand", "udp_multicast"):
        return "see that the other side runs and that the network reaches it"
    ready = "its link is up" if interface == "socketcan" else "its driver is installed"
    return f'see that the adapter is plugged in and {ready}; "rvsim about" lists what can be opened here'


def _machine_clock() -> Callable[[], int]:
    """Return a clock that begins at 0 now; the machine's own is asked in one place of the program only."""
    clock = PacedClock()
    clock.reached()
    return lambda: clock.reached() * 1000
