"""What a simulation in a second process tells of a run: part by part its frames, and everything else in its order.

Knows: plain data that can be passed between processes. Does not know processes (`second_process`), nor what is done
with it (`bench`).
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from rvsim.logs.packed_frames import Packed, PackedFrames, pack
from rvsim.shakedown.verdict import ToldChange
from rvsim.wire.frame import PlainFrame
from rvsim.wire.line_events import Waited
from rvsim.world.balance import KeptBalance
from rvsim.world.energy_sheet import EnergyLine

_new = tuple.__new__
"""Makes an event in half the time of its constructor."""


class Notice(NamedTuple):
    """Something beside a frame: how many frames of its part come before it, its kind, and what it says."""

    before: int
    kind: str
    said: tuple[Any, ...]


class SimulatedPart(NamedTuple):
    """The next part of a run: its frames, and its notices.

    Nearly all notices of a busy bus are waits. They are passed on as columns: their place among all notices, the frames
    before them, and the fields of each; ``notices`` has the others.
    """

    frames: Packed
    notices: Sequence[Notice]
    waits: tuple[tuple[Any, ...], ...] = ()


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


def part_of(frames: Sequence[PlainFrame], notices: Sequence[Notice]) -> SimulatedPart:
    """Return a part."""
    waits, others = [], []
    for place, notice in enumerate(notices):
        before, _, said = notice
        if said and said[0].__class__ is Waited:
            waits.append((place, before, *said[0]))
        else:
            others.append(notice)
    return SimulatedPart(pack(frames), tuple(others), tuple(zip(*waits, strict=True)))


def replay_part(part: SimulatedPart, take: Callable[[Packed], None], takers: Mapping[str, Callable[..., None]]) -> None:
    """Hand over a part as it happened: frames to ``take``, and each notice to the taker of its kind."""
    if not (part.notices or part.waits):
        take(part.frames)
        return
    frames, done = PackedFrames(part.frames), 0
    for before, kind, said in _notices(part):
        if before > done:
            take(frames.between(done, before))
            done = before
        takers[kind](*said)
    take(frames.between(done, len(frames)))


def _notices(part: SimulatedPart) -> Sequence[Notice]:
    """Return all notices in their order."""
    if not part.waits:
        return part.notices
    others = iter(part.notices)
    places = {
        place: Notice(before, "event", (_new(Waited, wait),)) for place, before, *wait in zip(*part.waits, strict=True)
    }
    return [places[place] if place in places else next(others) for place in range(len(places) + len(part.notices))]
