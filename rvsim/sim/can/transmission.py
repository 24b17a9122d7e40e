"""One attempt to send a frame: who sends, whether their bits agree, how long the pair is busy where it fails.

Knows: the bits of an error frame (CAN Specification 2.0, 1991, part B, sections 3.1.3 and 3.1.5, and ISO 11898-1, from
memory): a flag of 6 bits, or up to 12 where others answer it, 8 bits of delimiter, 3 between frames, and 8 more before
an error passive node may send again. Does not know time in microseconds, nor what else is on the pair.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from rvsim.sim.can.controller import Node, Ready, Together
from rvsim.sim.can.wire_faults import Hits
from rvsim.wire.line_events import Collided, Disturbed, ErrorState, LineEvent, NotAcknowledged, Waited
from rvsim.wire.timing import exact_bits, frame_bits

BETWEEN = 3
FLAG, DELIMITER, PAUSE = 6, 8, 8
"""Bits of an error flag, of its delimiter, and of the pause of an error passive node after its own frame."""
CYCLE = FLAG + DELIMITER + BETWEEN + PAUSE
"""Bits from the acknowledgement slot of a lone error passive node's attempt to the start of its next."""
AFTER_SLOT = 11
"""Bits of a whole frame behind the acknowledgement slot: its delimiter, 7 of the end, 3 between frames."""


class Fault(NamedTuple):
    """Why and at which bit (the first is 1) an attempt fails."""

    bit: int
    unacknowledged: bool = False
    collided: bool = False
    by: Node | None = None


class Split(NamedTuple):
    """Bits differ: the nodes with the recessive one see an error at this bit (the first is 1)."""

    bit: int
    losers: list[Node]


class Attempt:
    """A frame under way, and the nodes that send it: several where they began at once with one identifier.

    ``frames`` has them in the order in which they became ready, so ``ready`` is the time of who has waited longest.
    """

    fault: Fault | None = None
    splits: Sequence[Split] = ()
    endless = False
    alone: object = None
    """What planned its end, where it began on a pair at rest."""
    _exact = 0

    def __init__(self, start: int, frames: dict[Node, Ready]) -> None:
        self.start = start
        self.frames = frames
        for self.identifier, _, self.ready, self.data in frames.values():
            break

    @property
    def exact(self) -> int:
        """Its bits, stuff bits and the 3 between frames included; worked out when first asked for."""
        if not self._exact:
            self._exact = exact_bits(self.identifier, self.data)
        return self._exact

    @property
    def slot(self) -> int:
        """Its bits to the end of the acknowledgement slot."""
        return self.exact - AFTER_SLOT

    @property
    def cycle(self) -> int:
        """The bits from its start to that of the next, where it is of error passive nodes and nobody acknowledges."""
        return self.slot + CYCLE

    @property
    def everyone(self) -> list[Node]:
        """All that began it, those included that dropped out."""
        return [*self.frames, *(node for split in self.splits for node in split.losers if node not in self.frames)]

    @property
    def sender(self) -> object:
        """Whose frame it is: one node's sender, or all of them ``Together``."""
        if len(self.frames) > 1 or self.splits:
            return Together(node.sender for node in self.everyone)
        return next(iter(self.frames)).sender

    @property
    def is_passive(self) -> bool:
        """Whether no sender is error active, so that nobody sees their error flags."""
        return all(node.state is not ErrorState.ACTIVE for node in self.frames)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all that send it."""
        return tuple(node.name for node in self.frames)

    def foresee(self, hits: Hits, crossed: Node | None, acknowledged: bool) -> Fault | None:
        """Find out whether and where it fails: what comes first of a collision, an error, a node with swapped wires
        that sends just now, and an empty acknowledgement slot."""
        self.contest()
        faults = [self.fault] if self.fault else []
        if (hit := hits.within(self.exact - BETWEEN)) is not None:
            faults.append(Fault(hit))
        if crossed is not None:
            faults.append(Fault(1, by=crossed))
        if not acknowledged:
            faults.append(Fault(self.slot, unacknowledged=True))
        self.fault = min(faults, key=lambda one: one.bit, default=None)
        return self.fault

    def contest(self) -> None:
        """Find out what becomes of nodes that send one identifier at once; of one alone, nothing.

        Where bits differ, the node whose recessive bit is not on the pair sees an error. An error active one destroys
        the frame with its flag; the flag of an error passive one is recessive, so the others' frame goes on.
        """
        left, self.splits = dict(self.frames), []
        while len(left) > 1:
            wires = {ready[3]: _levels(ready) for ready in left.values()}
            first, *others = wires.values()
            place = min((_first_difference(first, other) for other in others), default=None)
            if place is None:
                break
            losers = [node for node, ready in left.items() if wires[ready[3]][place]]
            self.splits.append(Split(place + 1, losers))
            if any(node.state is ErrorState.ACTIVE for node in losers):
                self.fault = Fault(place + 1, collided=True)
                break
            left = {node: ready for node, ready in left.items() if node not in losers}
        _, _, _, self.data = next(iter(left.values()))
        self._exact = 0

    def waits(self, now: int, more_than: int) -> list[Waited]:
        """Return who had waited for longer than that (microseconds) when it started; ``now`` it went through."""
        return [
            Waited(now, node.name, identifier, since)
            for node, (identifier, _, since, _) in self.frames.items()
            if self.start - since > more_than
        ]

    def failure(self, now: int) -> list[LineEvent]:
        """Return what there is to tell of it when it fails."""
        fault = self.fault
        assert fault is not None
        if fault.unacknowledged:
            return [NotAcknowledged(now, name, self.identifier) for name in self.names]
        if fault.collided:
            return [Collided(now, self.identifier, self.names)]
        return [Disturbed(now, self.identifier, self.names, fault.by.name if fault.by else "")]

    def error_bits(self, others: Iterable[Node], answered: bool) -> int:
        """Return the bits from the failure to the next possible start: flag, delimiter, 3 between frames.

        The sender's flag (dominant, or recessive of an error passive one) is known as such after 6 equal bits, those
        before it included; then those who heard the frame answer with 6 more, if any is error active (``answered``: one
        is there in any case). Behind the acknowledgement slot no bit is stuffed and all see the error at once.
        """
        assert self.fault is not None
        flag = FLAG
        active = sum(node.state is ErrorState.ACTIVE for node in self.frames)
        answered = answered or active > 1 or any(node.state is ErrorState.ACTIVE for node in others)
        if answered and self.fault.bit < self.slot:
            level = int(self.is_passive)
            flag = 2 * FLAG - self._run_before(level)
        return flag + DELIMITER + BETWEEN

    def _run_before(self, level: int) -> int:
        """Return how many bits of a level end with the failed one, which is dominant or was turned over."""
        assert self.fault is not None
        *bits, failed = _levels((self.identifier, 0, 0, self.data))[: self.fault.bit]
        bits.append(0 if self.fault.collided else 1 - failed)
        run = 0
        while run < FLAG - 1 and bits and bits.pop() == level:
            run += 1
        return run


def _levels(ready: Ready) -> list[int]:
    return [bit.value for bit in frame_bits(ready[0], ready[3])]


def _first_difference(one: list[int], other: list[int]) -> int:
    return next(place for place, (a, b) in enumerate(zip(one, other, strict=False)) if a != b)
