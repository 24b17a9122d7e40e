"""What can be wrong with the wires, as models that are applied to a pair and removed from it in a run.

Knows: each fault's figures and where they come from, which are applied now, and which bits errors turn over. Does not
know how the pair carries frames.
"""

import math
from dataclasses import dataclass
from random import Random


@dataclass(frozen=True)
class Noise:
    """A model: every bit of every frame is turned over for all nodes at once with one and the same chance.

    Independent errors seen by all are our model: real disturbances come in bursts and may reach one node only. The
    rate is the user's; for orientation, 1e-9 in a bench's surroundings to 1e-6 near ignition and motors (order of
    magnitude from memory, no source).
    """

    rate: float

    def __post_init__(self) -> None:
        if not 0 <= self.rate <= 1:
            raise ValueError(f"an error rate of {self.rate} a bit is not between 0 and 1")


@dataclass(frozen=True)
class MissingTerminator(Noise):
    """A model: one of the two terminators is not there.

    On a short bench trunk nothing happens at 250 kbit/s, so the rate is 0 unless it is given (common practice: such a
    trunk works, and hides the fault until the vehicle's length). What rate a length brings is not modelled: no source.
    """

    rate: float = 0.0


@dataclass(frozen=True)
class ReversedPair:
    """A model: high and low are swapped at one node, named here.

    It takes the others' dominant bits for recessive ones, so it receives nothing, acknowledges nothing and starts
    without waiting; its own frames reach nobody and are never acknowledged. Where it sends while others do, the levels
    cancel and both see an error. Once it is error passive it is taken to disturb nobody (our model: its endless retries
    would go on cancelling others' bits, and that would soon take it off the bus). "One node dead, or bus errors when it
    joins" is what is seen in the field (common practice, no source).
    """

    node: str


@dataclass(frozen=True)
class Babble:
    """A model: a node, one of the devices or a new one, sends one frame over and over.

    As fast as the pair allows where ``gap_us`` is 0, else each ``gap_us`` microseconds unless its last one still
    waits. With a low identifier it keeps all others from the pair (priority by identifier: CAN Specification 2.0). A
    node that holds the pair dominant is not modelled. Our model, no source.
    """

    node: str
    identifier: int
    data: bytes = bytes(8)
    gap_us: int = 0


WireFault = Noise | MissingTerminator | ReversedPair | Babble


class WireFaults:
    """The faults that are applied to a pair now, each once, in the order in which they were applied."""

    def __init__(self) -> None:
        self._applied: dict[WireFault, None] = {}

    def __bool__(self) -> bool:
        return bool(self._applied)

    def add(self, fault: WireFault) -> bool:
        """Add a fault; return whether it is new."""
        is_new = fault not in self._applied
        self._applied[fault] = None
        return is_new

    def discard(self, fault: WireFault) -> bool:
        """Take a fault out; return whether it was there."""
        was_there = fault in self._applied
        self._applied.pop(fault, None)
        return was_there

    @property
    def error_rate(self) -> float:
        """The chance of each bit to be turned over, 0 to 1: the rates of all faults that bring errors, added up."""
        return min(sum(fault.rate for fault in self._applied if isinstance(fault, Noise)), 1.0)

    def is_reversed(self, name: str) -> bool:
        """Tell whether the wires of a node are swapped."""
        return ReversedPair(name) in self._applied


class BitErrors:
    """Which bits are turned over: one draw for each error, in the order in which they come.

    Bits are counted over everything that is sent, so unacknowledged repeats need no draw for each of them.
    """

    def __init__(self, seed: int) -> None:
        self._random = Random(f"{seed}:line")
        self._rate = 0.0
        self.left: int | None = None
        """Bits to the next error, that one included; None where there is none."""

    def set_rate(self, rate: float) -> None:
        """Go on with another chance for each bit."""
        if rate != self._rate:
            self._rate = rate
            self._draw()

    def within(self, bits: int) -> int | None:
        """Return which of the next bits is turned over first, if one is."""
        return self.left if self.left is not None and self.left <= bits else None

    def pass_by(self, bits: int) -> None:
        """Let bits be sent."""
        if self.left is None:
            return
        self.left -= bits
        if self.left <= 0:
            self._draw()

    def _draw(self) -> None:
        if self._rate <= 0:
            self.left = None
        elif self._rate >= 1:
            self.left = 1
        else:
            self.left = 1 + int(math.log(1 - self._random.random()) / math.log1p(-self._rate))
