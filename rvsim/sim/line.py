"""The simulated pair of wires: one frame at a time, the lowest identifier first.

Knows: how long a frame occupies the pair without stuff bits (`wire.timing`) and that waiting frames go by
identifier. Does not know stuff bits, errors or acknowledgement, and hands a frame over at its end.
"""

from collections.abc import Callable
from heapq import heappop, heappush

from rvsim.sim.kernel import Kernel
from rvsim.wire.frame import Frame
from rvsim.wire.timing import BIT_RATE, least_bits

Deliver = Callable[[Frame, object], None]


class Line:
    """Carries frames between the simulated nodes in the kernel's time."""

    def __init__(self, kernel: Kernel, deliver: Deliver) -> None:
        self._kernel = kernel
        self._deliver = deliver
        self._waiting: list[tuple[int, int, bytes, object]] = []
        self._busy = False
        self._count = 0

    def send(self, identifier: int, data: bytes, sender: object) -> None:
        """Take a frame; it is delivered when the pair has been free for its whole length."""
        self._count += 1
        heappush(self._waiting, (identifier, self._count, data, sender))
        if not self._busy:
            self._busy = True
            self._start()

    def _start(self) -> None:
        identifier, _, data, sender = heappop(self._waiting)
        end = self._kernel.now + least_bits(len(data)) * 1_000_000 // BIT_RATE
        self._kernel.at(end, self._end, (Frame(end, identifier, data), sender))

    def _end(self, carried: tuple[Frame, object]) -> None:
        self._deliver(*carried)
        if self._waiting:
            self._start()
        else:
            self._busy = False
