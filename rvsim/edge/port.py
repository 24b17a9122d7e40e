"""One handle on a python-can bus: a reader thread into a bounded inbox, and the one function that sends.

Knows: python-can, and how its messages and float seconds become frames in integer microseconds. Does not know what
a frame means, nor simulated devices.

python-can's own Notifier and periodic tasks are not used: a listener's exception ends its thread, stopping it
takes up to a second, and periodic tasks catch up in bursts. The reader here never raises out of its thread: an
error is kept and counted, and shows in ``statistics``.
"""

import threading
from collections import deque
from types import TracebackType
from typing import NamedTuple

import can

from rvsim.errors import BusError
from rvsim.wire.frame import Frame

INBOX = 20_000
"""Frames that may wait: ten seconds of a full bus at 250 kbit/s."""
_POLL_S = 0.1


class PortStatistics(NamedTuple):
    """What has passed through a port so far."""

    sent: int
    received: int
    dropped: int
    """Frames that found the inbox full."""
    skipped: int
    """Remote, error and 11-bit frames, which this network does not use."""
    error: str | None
    """What ended the reader, None while it reads."""


class Port:
    """An open bus; close it, or use it in a ``with`` block. Only a port opened with ``listen`` receives.

    Raises:
        BusError: python-can could not open the bus.
    """

    def __init__(self, interface: str, channel: str, *, listen: bool = True, inbox: int = INBOX) -> None:
        self.arrived = threading.Event()
        """Set when a frame has come in; whoever waits for it clears it."""
        self._inbox: deque[Frame] = deque()
        self._limit = inbox
        self._sent = self._received = self._dropped = self._skipped = 0
        self._error: str | None = None
        self._closing = False
        self._bus = self._open(interface, channel)
        self._reader: threading.Thread | None = None
        if listen:
            self._reader = threading.Thread(target=self._read, name=f"port {channel}", daemon=True)
            self._reader.start()

    @staticmethod
    def _open(interface: str, channel: str) -> can.BusABC:
        """Open the bus without the user's python-can configuration, which could change a bench's own bus."""
        try:
            if interface == "virtual":
                return can.Bus(interface="virtual", channel=channel, preserve_timestamps=True, ignore_config=True)
            return can.Bus(interface=interface, channel=channel, ignore_config=True)
        except Exception as error:  # drivers raise whatever they like
            raise BusError(f"{interface} {channel}: the bus could not be opened ({error})") from error

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

    def take(self) -> list[Frame]:
        """Return and forget the frames that have come in, oldest first."""
        frames = []
        inbox = self._inbox
        while inbox:
            frames.append(inbox.popleft())
        return frames

    @property
    def statistics(self) -> PortStatistics:
        """Return the counts so far."""
        return PortStatistics(self._sent, self._received, self._dropped, self._skipped, self._error)

    def _read(self) -> None:
        while not self._closing:
            try:
                message = self._bus.recv(_POLL_S)
            except Exception as error:  # a driver's error ends the reading, and is told instead of raised into nowhere
                self._error = str(error) or type(error).__name__
                self.arrived.set()
                return
            if message is not None:
                self._keep(message)

    def _keep(self, message: can.Message) -> None:
        if not message.is_extended_id or message.is_remote_frame or message.is_error_frame or message.is_fd:
            self._skipped += 1
        elif len(self._inbox) >= self._limit:
            self._dropped += 1
        else:
            frame = Frame(round(message.timestamp * 1e6), message.arbitration_id, bytes(message.data))
            self._inbox.append(frame)
            self._received += 1
        self.arrived.set()

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
