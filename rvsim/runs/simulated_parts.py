"""What a simulation in a second process tells of a run: part by part its frames, and everything else in its order.

Knows: plain data that can be passed between processes. Does not know processes (`second_process`), nor what is done
with it (`bench`).
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from rvsim.logs.packed_frames import Packed, PackedFrames, pack
from rvsim.shakedown.verdict import ToldChange
from rvsim.wire.frame import Frame
from rvsim.world.balance import KeptBalance
from rvsim.world.energy_sheet import EnergyLine


class Notice(NamedTuple):
    """Something beside a frame: how many frames of its part come before it, its kind, and what it says."""

    before: int
    kind: str
    said: tuple[Any, ...]


class SimulatedPart(NamedTuple):
    """The next part of a run: its frames, and its notices."""

    frames: Packed
    notices: Sequence[Notice]


class SimulatedEnd(NamedTuple):
    """What only the simulation knows, at the end of a run."""

    energy: tuple[EnergyLine, ...] = ()
    """Heat, fuel and charge of the run."""
    changes: tuple[ToldChange, ...] = ()
    """The changes of the vehicle, in words."""
    pending_steps: tuple[str, ...] = ()
    """The steps whose condition was never met."""
    balance: KeptBalance | None = None
    """Who gave and who took; None where nothing is shown."""


def part_of(frames: Sequence[Frame], notices: Sequence[Notice]) -> SimulatedPart:
    """Return a part."""
    return SimulatedPart(pack(frames), tuple(notices))


def replay_part(part: SimulatedPart, take: Callable[[Packed], None], takers: Mapping[str, Callable[..., None]]) -> None:
    """Hand over a part as it happened: frames to ``take``, and each notice to the taker of its kind."""
    if not part.notices:
        take(part.frames)
        return
    frames, done = PackedFrames(part.frames), 0
    for before, kind, said in part.notices:
        if before > done:
            take(frames.between(done, before))
            done = before
        takers[kind](*said)
    take(frames.between(done, len(frames)))
