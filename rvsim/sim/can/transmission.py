"""One frame under way: who sends it, whether their bits agree, how long the pair is busy where it fails.

Knows: the bits of an error frame (CAN Specification 2.0, 1991, part B, sections 3.1.3 and 3.1.5, and ISO 11898-1, from
memory): a flag of 6 bits, or up to 12 where others answer it, 8 bits of delimiter, 3 between frames, and 8 more before
an error passive controller may send again. Does not know the bit rate, nor what else is on the pair.
"""

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

from rvsim.sim.can.controller import Controller, ReadyFrame, SimultaneousSenders
from rvsim.sim.can.wire_faults import BitErrors
from rvsim.wire.line_events import Collided, Disturbed, ErrorState, LineEvent, NotAcknowledged, Waited
from rvsim.wire.timing import exact_bits, frame_bits

INTERMISSION_BITS = 3
FLAG_BITS, DELIMITER_BITS, PAUSE_BITS = 6, 8, 8
"""Bits of an error flag, of its delimiter, and of the pause of an error passive controller after its own frame."""
ERROR_FRAME_BITS = FLAG_BITS + DELIMITER_BITS + INTERMISSION_BITS
"""Bits from an error that nobody else answers to the next possible start."""
SLOT_TO_REPEAT_BITS = ERROR_FRAME_BITS + PAUSE_BITS
"""Bits from the acknowledgement slot of a lone error passive controller's transmission to the start of its next."""
AFTER_SLOT_BITS = 11
"""Bits of a whole frame behind the acknowledgement slot: its delimiter, 7 of the end, 3 between frames."""


class FailedBit(NamedTuple):
    """At which bit (the first is 1) a transmission fails, and why; ``by`` is the controller that destroyed it."""

    bit: int
    unacknowledged: bool = False
    collided: bool = False
    by: Controller | None = None


class BitConflict(NamedTuple):
    """Senders' bits differ: those with the recessive one see an error at this bit (the first is 1)."""

    bit: int
    losers: list[Controller]


class Transmission:
    """A frame under way, and the controllers that send it: several where they began at once with one identifier.

    ``frames`` has them in the order in which they became ready, so ``ready`` is the time of who has waited longest.
    """

    fails_at: FailedBit | None = None
    conflicts: Sequence[BitConflict] = ()
    alone: object = None
    """The frame by which the kernel was given its end, where it began on a pair at rest (``Line.send``)."""
    _bits = 0

    def __init__(self, start: int, frames: dict[Controller, ReadyFrame]) -> None:
        self.start = start
        self.frames = frames
        for self.identifier, _, self.ready, self.data in frames.values():
            break

    @property
    def bits(self) -> int:
        """Its bits, stuff bits and the 3 between frames included; worked out when first asked for."""
        if not self._bits:
            self._bits = exact_bits(self.identifier, self.data)
        return self._bits

    @property
    def slot_bits(self) -> int:
        """Its bits to the end of the acknowledgement slot."""
        return self.bits - AFTER_SLOT_BITS

    @property
    def repeat_bits(self) -> int:
        """Bits from its start to that of its repeat, where all senders are error passive and nobody acknowledges."""
        return self.slot_bits + SLOT_TO_REPEAT_BITS

    @property
    def everyone(self) -> list[Controller]:
        """All that began it, those included that dropped out."""
        losers = [loser for conflict in self.conflicts for loser in conflict.losers if loser not in self.frames]
        return [*self.frames, *losers]

    @property
    def sender(self) -> object:
        """Whose frame it is: one controller's sender, or all of them ``SimultaneousSenders``."""
        if len(self.frames) > 1 or self.conflicts:
            return SimultaneousSenders(controller.sender for controller in self.everyone)
        return next(iter(self.frames)).sender

    @property
    def is_passive(self) -> bool:
        """Whether no sender is error active, so that nobody sees their error flags."""
        return all(controller.state is not ErrorState.ACTIVE for controller in self.frames)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all that send it."""
        return tuple(controller.name for controller in self.frames)

    def foresee(
        self, bit_errors: BitErrors, reversed_sender: Controller | None, *, is_acknowledged: bool
    ) -> FailedBit | None:
        """Find out whether and where it fails.

        What comes first of a collision, a bit error, a controller with swapped wires that sends just now, and an empty
        acknowledgement slot.
        """
        self.find_conflicts()
        failures = [self.fails_at] if self.fails_at else []
        if (bit := bit_errors.within(self.bits - INTERMISSION_BITS)) is not None:
            failures.append(FailedBit(bit))
        if reversed_sender is not None:
            failures.append(FailedBit(1, by=reversed_sender))
        if not is_acknowledged:
            failures.append(FailedBit(self.slot_bits, unacknowledged=True))
        self.fails_at = min(failures, key=lambda one: one.bit, default=None)
        return self.fails_at

    def find_conflicts(self) -> None:
        """Find out what becomes of controllers that send one identifier at once; of one alone, nothing.

        Where bits differ, the controller whose recessive bit is not on the pair sees an error. An error active one
        destroys the frame with its flag; the flag of an error passive one is recessive, so the others' frame goes on.
        """
        left, self.conflicts = dict(self.frames), []
        while len(left) > 1:
            levels = {ready[3]: _levels(ready[0], ready[3]) for ready in left.values()}
            first, *others = levels.values()
            place = min((_first_difference(first, other) for other in others), default=None)
            if place is None:
                break
            losers = [controller for controller, ready in left.items() if levels[ready[3]][place]]
            self.conflicts.append(BitConflict(place + 1, losers))
            if any(controller.state is ErrorState.ACTIVE for controller in losers):
                self.fails_at = FailedBit(place + 1, collided=True)
                break
            left = {controller: ready for controller, ready in left.items() if controller not in losers}
        _, _, _, self.data = next(iter(left.values()))
        self._bits = 0

    def waits(self, now: int, more_than: int) -> list[Waited]:
        """Return who had waited for longer than that (microseconds) when it started; ``now`` it went through."""
        return [
            Waited(now, controller.name, identifier, since)
            for controller, (identifier, _, since, _) in self.frames.items()
            if self.start - since > more_than
        ]

    def failure_events(self, now: int) -> list[LineEvent]:
        """Return the events to report at ``now`` (microseconds), when it fails."""
        failed = self.fails_at
        assert failed is not None
        if failed.unacknowledged:
            return [NotAcknowledged(now, name, self.identifier) for name in self.names]
        if failed.collided:
            return [Collided(now, self.identifier, self.names)]
        return [Disturbed(now, self.identifier, self.names, failed.by.name if failed.by else "")]

    def error_bits(self, others: Iterable[Controller], *, is_answered: bool) -> int:
        """Return the bits from the failure to the next possible start: flag, delimiter, 3 between frames.

        The sender's flag (dominant, or recessive of an error passive one) is known as such after 6 equal bits, those
        before it included; then those who receive the frame answer with 6 more, if any is error active
        (``is_answered``: one is there in any case). Behind the acknowledgement slot no bit is stuffed and all see the
        error at once.
        """
        assert self.fails_at is not None
        flag = FLAG_BITS
        active = sum(controller.state is ErrorState.ACTIVE for controller in self.frames)
        is_answered = is_answered or active > 1 or any(other.state is ErrorState.ACTIVE for other in others)
        if is_answered and self.fails_at.bit < self.slot_bits:
            level = int(self.is_passive)
            flag = 2 * FLAG_BITS - self._run_before(level)
        return flag + DELIMITER_BITS + INTERMISSION_BITS

    def _run_before(self, level: int) -> int:
        """Return how many bits of a level end with the failed one, which is dominant or was turned over."""
        assert self.fails_at is not None
        *bits, failed = _levels(self.identifier, self.data)[: self.fails_at.bit]
        bits.append(0 if self.fails_at.collided else 1 - failed)
        run = 0
        while run < FLAG_BITS - 1 and bits and bits.pop() == level:
            run += 1
        return run


@lru_cache(maxsize=64)  # a frame that fails is sent again
def _levels(identifier: int, data: bytes) -> tuple[int, ...]:
    return tuple(bit.value for bit in frame_bits(identifier, data))


def _first_difference(one: Sequence[int], other: Sequence[int]) -> int:
    return next(place for place, (a, b) in enumerate(zip(one, other, strict=False)) if a != b)
