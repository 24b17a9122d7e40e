"""The controllers that do not wait for their turn: those whose two wires are swapped, and those that babble.

Knows: what ``wire_faults.ReversedPair`` and ``wire_faults.Babble`` promise, in the kernel's time. Does not know how the
others send: what they do to the pair they ask for by the functions that they are given.
"""

from collections.abc import Callable, Iterable

from rvsim.sim.can.bit_time import BitTime
from rvsim.sim.can.controller import Controller
from rvsim.sim.can.transmission import ERROR_FRAME_BITS, Transmission
from rvsim.sim.can.wire_faults import Babble
from rvsim.sim.kernel import Kernel
from rvsim.wire.line_events import ErrorState, LineEvent, NotAcknowledged


class ReversedControllers:
    """The transmissions of controllers on a reversed pair, 16 at most until they are error passive.

    ``disturb`` destroys what others send when such a controller starts, ``count`` changes its error counters and
    ``report`` hands an event out.
    """

    def __init__(
        self,
        kernel: Kernel,
        bit_time: BitTime,
        *,
        disturb: Callable[[Controller], None],
        count: Callable[[Controller, Callable[[], None]], None],
        report: Callable[[LineEvent], None],
    ) -> None:
        self._kernel = kernel
        self._bit_time = bit_time
        self._disturb = disturb
        self._count = count
        self._report = report
        self._under_way: dict[Controller, Transmission] = {}

    @property
    def sending(self) -> Controller | None:
        """The controller, if any, that sends now and does not care whether others do."""
        return next(iter(self._under_way), None)

    def start(self, controller: Controller) -> None:
        """Let a controller send the frame it has ready, if its wires are swapped and it does nothing yet."""
        ready, kernel = controller.most_urgent, self._kernel
        if not controller.is_reversed or controller.state is not ErrorState.ACTIVE or ready is None:
            return
        if controller in self._under_way or controller.free_from > kernel.now:
            return
        transmission = self._under_way[controller] = Transmission(kernel.now, {controller: ready})
        kernel.at(kernel.now + self._bit_time.us(transmission.slot_bits), self._at_slot, transmission)
        self._disturb(controller)

    def stop(self, controller: Controller) -> None:
        """Let it be an ordinary controller again."""
        self._under_way.pop(controller, None)

    def collide(self, controller: Controller) -> None:
        """Let its transmission fail because its bits met another's."""
        if self._under_way.pop(controller, None) is not None:
            self._count(controller, controller.count_failed_transmission)
            self._plan_next(controller)

    def _at_slot(self, transmission: Transmission) -> None:
        (controller,) = transmission.frames
        if self._under_way.get(controller) is transmission:
            del self._under_way[controller]
            self._report(NotAcknowledged(self._kernel.now, controller.name, transmission.identifier))
            self._count(controller, controller.count_unacknowledged)
            self._plan_next(controller)

    def _plan_next(self, controller: Controller) -> None:
        controller.free_from = self._kernel.now + self._bit_time.us(ERROR_FRAME_BITS)
        self._kernel.at(controller.free_from, self.start, controller)


class Babblers:
    """What babbling nodes send, one frame waiting at a time: ``send`` is called when the next one is due."""

    def __init__(self, kernel: Kernel, send: Callable[[Babble], None]) -> None:
        self._kernel = kernel
        self._send = send
        self._due: dict[Babble, int] = {}

    def start(self, babble: Babble) -> None:
        """Send the first frame now."""
        self._due[babble] = self._kernel.now
        self._send_due(babble)

    def stop(self, babble: Babble) -> None:
        """Send no more; what waits still goes."""
        del self._due[babble]

    def sent(self, controllers: Iterable[Controller]) -> None:
        """Send the next frame of those without a gap whose last one went through."""
        if self._due:
            names = {controller.name for controller in controllers}
            for babble in list(self._due):
                if not babble.gap_us and babble.node in names:
                    self._send(babble)

    def _send_due(self, babble: Babble) -> None:
        kernel = self._kernel
        if self._due.get(babble) != kernel.now:
            return
        if babble.gap_us:
            self._due[babble] += babble.gap_us
            kernel.at(self._due[babble], self._send_due, babble)
        self._send(babble)
