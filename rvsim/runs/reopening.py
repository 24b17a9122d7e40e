"""An interface that is opened again after it was lost, or waited for until it is there.

Knows: an attempt to open it, which may take long and must not hold up the run, and when the next attempt is due. Does
not know drivers, nor what is said about it.
"""

import threading
from collections.abc import Callable
from typing import Protocol

from rvsim.edge.port import Port

RETRY_US = 1_000_000
"""The time between two attempts to open an interface. Our choice."""


class Attempt(Protocol):
    """One attempt to open an interface."""

    @property
    def is_done(self) -> bool:
        """Whether it has ended."""

    def result(self) -> Port:
        """Return the open port of an attempt that has ended.

        Raises:
            BusError: the interface could not be opened.
        """

    def abandon(self) -> None:
        """Close the port as soon as the attempt ends: nobody waits for it any more."""


class ThreadedAttempt:
    """An attempt in a thread of its own: some drivers wait for seconds before they fail.

    Args:
        open_port: opens the interface; it raises a BusError where that fails.
    """

    def __init__(self, open_port: Callable[[], Port]) -> None:
        self._open = open_port
        self._port: Port | None = None
        self._error: BaseException | None = None
        self._lock = threading.Lock()
        self._is_abandoned = False
        self._thread = threading.Thread(target=self._try, name="open port", daemon=True)
        self._thread.start()

    def _try(self) -> None:
        try:
            port = self._open()
        except BaseException as error:  # raised again by ``result``
            self._error = error
            return
        with self._lock:
            if not self._is_abandoned:
                self._port = port
                return
        port.close()

    @property
    def is_done(self) -> bool:
        """Whether it has ended."""
        return self._port is not None or self._error is not None

    def result(self) -> Port:
        """Return the open port, or raise what opening it raised."""
        if self._error is not None:
            raise self._error
        assert self._port is not None, "result is called when the attempt has ended"
        return self._port

    def abandon(self) -> None:
        """Close the port, now or when it has been opened."""
        with self._lock:
            self._is_abandoned = True
            if self._port is not None:
                self._port.close()


class Reopening:
    """The attempts to open one interface, one after the other.

    Args:
        start_attempt: starts an attempt.
        clock: returns the present in microseconds.
    """

    def __init__(self, start_attempt: Callable[[], Attempt], clock: Callable[[], int]) -> None:
        self._start, self._clock = start_attempt, clock
        self._attempt: Attempt | None = None
        self._next = clock()

    def poll(self) -> Port | None:
        """Go on with the attempts; return the port when one succeeded.

        Raises:
            BusError: an attempt has failed; the next one is due after ``RETRY_US``.
        """
        if self._attempt is None and self._clock() >= self._next:
            self._attempt = self._start()
        if self._attempt is None or not self._attempt.is_done:
            return None
        attempt, self._attempt = self._attempt, None
        self._next = self._clock() + RETRY_US
        return attempt.result()

    def close(self) -> None:
        """Abandon the present attempt."""
        if self._attempt is not None:
            self._attempt.abandon()
            self._attempt = None
