"""What error passive controllers send again and again because nobody acknowledges it, as one state.

Knows: such a controller's counter stays where it is (``Controller.count_unacknowledged``), so its transmissions follow
one another at one pace and need no event each. Where they stand is worked out when something else happens. Does not
know what else can happen: whoever started the repeats stops them.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.sim.can.bit_time import BitTime
from rvsim.sim.can.controller import Controller
from rvsim.sim.can.transmission import PAUSE_BITS, Transmission
from rvsim.sim.can.wire_faults import BitErrors
from rvsim.sim.kernel import Kernel

RESTS_PER_REPEAT = 2
"""Times of 11 recessive bits between the acknowledgement slot of one transmission and the start of the next: there are
25 bits (``transmission.SLOT_TO_REPEAT_BITS``)."""


class Repeated(NamedTuple):
    """How far repeats had come when they were stopped, in microseconds and times of 11 recessive bits."""

    clear: int
    """When the error frame of the last one ends; with none begun, the start of the first."""
    free_from: int
    """When its controllers may start again."""
    rests: int


class UnacknowledgedRepeats:
    """A transmission that is repeated until ``stop``.

    ``unacknowledged`` is called with each of its controllers and its identifier at its first acknowledgement slot,
    ``disturbed`` at the start of the repeat that an error on the wires will end.
    """

    def __init__(
        self,
        kernel: Kernel,
        bit_time: BitTime,
        bit_errors: BitErrors,
        *,
        unacknowledged: Callable[[Controller, int], None],
        disturbed: Callable[[], None],
    ) -> None:
        self._kernel = kernel
        self._bit_time = bit_time
        self._bit_errors = bit_errors
        self._unacknowledged = unacknowledged
        self._disturbed = disturbed
        self.transmission: Transmission | None = None
        """What is repeated now, if anything."""

    def start(self, transmission: Transmission) -> None:
        """Let a transmission repeat itself from now on, as far as no error on the wires ends that."""
        self.transmission = transmission
        us = self._bit_time.us
        self._kernel.at(transmission.start + us(transmission.slot_bits), self._at_slot, transmission)
        if self._bit_errors.left is not None:
            good = (self._bit_errors.left - 1) // transmission.slot_bits
            self._kernel.at(transmission.start + us(good * transmission.repeat_bits), self._at_error, transmission)

    def stop(self) -> Repeated:
        """Stop what is repeated now, and return how far it has come; the bits that were sent are past."""
        transmission = self.transmission
        assert transmission is not None
        elapsed = self._bit_time.begun_bits(self._kernel.now - transmission.start)
        begun = -(-elapsed // transmission.repeat_bits)
        self._bit_errors.pass_by(begun * transmission.slot_bits)
        free_from = transmission.start + self._bit_time.us(begun * transmission.repeat_bits)
        repeated = Repeated(self.clear_from(begun), free_from, RESTS_PER_REPEAT * begun)
        self.transmission = None
        return repeated

    def clear_from(self, repeats: int) -> int:
        """Return when the error frame of the last of so many ends; of none, when the first starts."""
        transmission = self.transmission
        assert transmission is not None
        bits = repeats * transmission.repeat_bits - PAUSE_BITS if repeats else 0
        return transmission.start + self._bit_time.us(bits)

    def _at_slot(self, transmission: Transmission) -> None:
        if transmission is self.transmission:
            for controller in transmission.frames:
                self._unacknowledged(controller, transmission.identifier)

    def _at_error(self, transmission: Transmission) -> None:
        if transmission is self.transmission:
            self._disturbed()
