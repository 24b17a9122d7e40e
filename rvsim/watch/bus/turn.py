"""One access of the pair: which frame went, which others had to wait for it, and at which bit each of them gave way.

Knows: arbitration (the lowest identifier wins, bit by bit: a node that sends 1 and sees 0 gives way) and that a frame
which begins as soon as the one before it has ended was waiting for it. Does not know nodes: which frames were ready is
told by their times alone, so one that became ready only while the first went by cannot be told from one that lost.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.timing import BIT_RATE, bits_of, exact_bits, least_bits

_TOLERANCE_US = 8
"""Two bits at 250 kbit/s: times are whole microseconds, and adapters round."""


class Waiting(NamedTuple):
    """A frame that had to wait; ``gave_way`` is the place of the bit, stuff bits counted, at which it lost."""

    frame: Frame
    gave_way: int


class Turn(NamedTuple):
    """A frame on the pair, and those that waited for it, in the order in which they went afterwards."""

    frame: Frame
    waiting: tuple[Waiting, ...]


def gives_way_at(winner: Frame, loser: Frame) -> int | None:
    """Return the place of the first bit, counted from 0, at which a frame loses against another; None where it wins.

    Two frames with one identifier and different data differ behind the arbitration: that is a collision and no loss.
    """
    pairs = zip(bits_of(winner.identifier, winner.data), bits_of(loser.identifier, loser.data), strict=False)
    for place, (won, lost) in enumerate(pairs):
        if won.value != lost.value:
            return place if lost.value == 1 and winner.identifier != loser.identifier else None
    return None


def follows(before: Frame, frame: Frame) -> bool:
    """Tell whether a frame began as soon as the one before it had ended.

    Adapters give the times of the ends, so between two is the length of the later one; a simulated pair gives those of
    the ends without stuff bits, and the stuff bits between them are those of the earlier one.
    """
    shortest = least_bits(min(len(one.data) for one in (before, frame))) * SECOND_US // BIT_RATE
    longest = max(exact_bits(one.identifier, one.data) for one in (before, frame)) * SECOND_US // BIT_RATE
    return shortest - _TOLERANCE_US <= frame.time - before.time <= longest + _TOLERANCE_US


def latest_turn(frames: Sequence[Frame]) -> Turn | None:
    """Return the last access that others waited for, else the last one; None without frames.

    Only what gave way by its identifier is told as waiting: a frame with a lower one came too late to take part. So did
    what the node that went, or another that waits already, sent next: a node takes part with one frame at a time.
    """
    if not frames:
        return None
    chains: list[list[Frame]] = [[frames[0]]]
    for before, frame in pairwise(frames):
        if follows(before, frame):
            chains[-1].append(frame)
        else:
            chains.append([frame])
    for chain in reversed(chains):
        first, rest = chain[0], chain[1:]
        lost, seen = [], {first.identifier & 0xFF}
        for frame in rest:
            place = gives_way_at(first, frame)
            if place is not None and frame.identifier & 0xFF not in seen:
                seen.add(frame.identifier & 0xFF)
                lost.append(Waiting(frame, place))
        if lost:
            return Turn(first, tuple(lost))
    return Turn(frames[-1], ())
