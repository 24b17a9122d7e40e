"""A controller on a bench, and what a mistake may do to it.

Knows: how frames that the controller sends and receives are changed on their way, and what it has sent in a run. Does
not know which mistakes there are (`mistakes`), nor how a run is judged.
"""

from collections.abc import Callable, Collection
from functools import cached_property
from typing import NamedTuple

from rvsim.devices.device import Device
from rvsim.sim.bench import Bench, Gate, Passed
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

COMMAND_WORD = "_COMMAND"
"""What the name of a command has, as the standard forms them."""
MAX_KEPT_FRAMES = 200_000
"""So many frames of a controller are kept to find the first difference of two runs. Our decision."""


class SentFrames:
    """The frames that controllers sent in one run, in their order; the first ``MAX_KEPT_FRAMES`` are kept."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.count = 0

    def add(self, frame: Frame) -> None:
        """Add a frame."""
        self.count += 1
        if len(self.frames) < MAX_KEPT_FRAMES:
            self.frames.append(frame)


class Difference(NamedTuple):
    """The first difference between what two controllers sent: the time in microseconds, and a frame of each.

    None stands for no frame: one of them has sent nothing more.
    """

    time: int
    right: Frame | None
    wrong: Frame | None


def first_difference(right: Collection[Frame], wrong: Collection[Frame]) -> Difference | None:
    """Return the first difference of two lists of frames, None where they are the same."""
    for one, other in zip(right, wrong, strict=False):
        if one != other:
            return Difference(min(one.time, other.time), one, other)
    if len(right) == len(wrong):
        return None
    longer = list(right if len(right) > len(wrong) else wrong)
    rest = longer[min(len(right), len(wrong))]
    return Difference(rest.time, *((rest, None) if len(right) > len(wrong) else (None, rest)))


class ControllerSite:
    """One controller on a bench: mistakes put their gates here.

    Args:
        bench: the bench, before its run.
        name: the device that is the controller.
        catalogue: the message definitions.
        sent: takes the frames that it sends.
    """

    def __init__(self, bench: Bench, name: str, catalogue: Catalogue, sent: SentFrames) -> None:
        self._bench, self.name, self.catalogue, self._sent = bench, name, catalogue, sent

    def add(self, outgoing: Gate | None, incoming: Gate | None) -> None:
        """Put the gates of a mistake between the controller and the line; what leaves them is kept."""
        if outgoing is not None:
            self._bench.outgoing_gates[self.name].append(outgoing)
        if incoming is not None:
            self._bench.incoming_gates.setdefault(self.name, []).append(incoming)
        self._bench.outgoing_gates[self.name].append(self._keep)

    def _keep(self, time: int, identifier: int, data: bytes) -> Passed:
        self._sent.add(Frame(time, identifier, data))
        return Passed(identifier, data)

    def send(self, identifier: int, data: bytes) -> None:
        """Have the controller send a frame now, beside what it sends itself."""
        self._sent.add(Frame(self._bench.now, identifier, data))
        self._bench.send_as(self.name, identifier, data)

    def receive(self, identifier: int, data: bytes) -> None:
        """Have the controller receive a frame now that nobody sent."""

        def take(device: Device) -> None:
            device.receive(identifier, data)

        self._bench.call_device(self.name, take)

    def later(self, delay_us: int, call: Callable[[], None]) -> None:
        """Call once, ``delay_us`` microseconds from now."""
        self._bench.plan(self._bench.now + delay_us, call)

    @cached_property
    def command_dgns(self) -> frozenset[int]:
        """The DGNs of all commands."""
        named = zip(self.catalogue.dgns, self.catalogue.names, strict=True)
        return frozenset(dgn for dgn, name in named if COMMAND_WORD in name)

    def spec(self, identifier: int) -> MessageSpec | None:
        """Return the definition of a frame's message, None where there is none."""
        return self.catalogue.by_dgn(dgn_of(identifier))
