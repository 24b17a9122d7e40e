"""One turn on the bus: which frame was sent, which others waited for it, and at which bit each of them lost.

Knows: arbitration (the lowest identifier wins, bit by bit: a node that sends 1 and sees 0 gives way) and that a frame
which begins as soon as the one before it has ended was waiting for it. Does not know nodes: which frames were ready is
inferred from their times alone, so a frame that became ready during the first one looks like one that lost.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.timing import BIT_RATE, exact_bits, frame_bits, min_bits

_TOLERANCE_US = 8
"""Two bits at 250 kbit/s: times are whole microseconds, and adapters round."""


class Waiting(NamedTuple):
    """A frame that had to wait; ``gave_way`` is the index of the bit at which it lost, stuff bits counted."""

    frame: Frame
    gave_way: int


class Turn(NamedTuple):
    """A frame on the bus, and those that waited for it, in the order in which they were sent afterwards."""

    frame: Frame
    waiting: tuple[Waiting, ...]


def gives_way_at(winner: Frame, loser: Frame) -> int | None:
    """Return the index (from 0) of the bit at which a frame loses against another; None where it wins.

    Two frames with one identifier and different data differ after the arbitration: that is a collision, not a loss.
    """
    pairs = zip(frame_bits(winner.identifier, winner.data), frame_bits(loser.identifier, loser.data), strict=False)
    for place, (won, lost) in enumerate(pairs):
        if won.value != lost.value:
            return place if lost.value == 1 and winner.identifier != loser.identifier else None
    return None


def follows(before: Frame, frame: Frame) -> bool:
    """Return whether a frame began as soon as the one before it had ended.

    Adapters give the time of the end of a frame, so the time between two is the length of the later one; a simulated
    bus gives the time of the end without stuff bits, so the stuff bits between two are those of the earlier one.
    """
    shortest = min_bits(min(len(one.data) for one in (before, frame))) * SECOND_US // BIT_RATE
    longest = max(exact_bits(one.identifier, one.data) for one in (before, frame)) * SECOND_US // BIT_RATE
    return shortest - _TOLERANCE_US <= frame.time - before.time <= longest + _TOLERANCE_US


def latest_turn(frames: Sequence[Frame]) -> Turn | None:
    """Return the last turn for which other frames waited, else the last turn; None without frames.

    Only frames that lose by their identifier count as waiting: one with a lower identifier came too late to take part.
    So did the next frame of the node that sent, or of one that waits already: a node takes part with one frame at a
    time.
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
        turn = _turn(chain[0], chain[1:])
        if turn.waiting:
            return turn
    return Turn(frames[-1], ())


def turn_at(frames: Sequence[Frame], index: int) -> Turn:
    """Return the turn of one of some frames in order: with it, those that followed without a gap and lost."""
    end = index + 1
    while end < len(frames) and follows(frames[end - 1], frames[end]):
        end += 1
    return _turn(frames[index], frames[index + 1 : end])


def _turn(first: Frame, rest: Sequence[Frame]) -> Turn:
    """Return the turn of a frame; ``rest`` are the frames that followed it without a gap."""
    lost, seen = [], {first.identifier & 0xFF}
    for frame in rest:
        place = gives_way_at(first, frame)
        if place is not None and frame.identifier & 0xFF not in seen:
            seen.add(frame.identifier & 0xFF)
            lost.append(Waiting(frame, place))
    return Turn(first, tuple(lost))
