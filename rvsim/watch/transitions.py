"""What happened and when: plain records between hearing and judging.

Knows: everything a rule needs to raise or clear a flag, without looking anything up. Does not know how it was
found: frame by frame on a live bus, or in the columns of a captured log. Does not know flags either.

A transition that opens a problem has a ``cause``, a key that is the same for as long as the problem lasts;
``Ended`` with that key closes it. Times are integer microseconds; ``since`` is the moment at which a limit was
passed, ``time`` the moment at which that could be known.
"""

from enum import StrEnum
from typing import NamedTuple

from rvsim.rig.functions import by_dsa
from rvsim.wire.diagnostics import Lamps, Trouble
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name
from rvsim.wire.spec import MessageSpec
from rvsim.wire.texts import Product

Cause = tuple[object, ...]
"""The key that joins the opening of a problem to its end."""


class Presence(StrEnum):
    """The states of the roll call."""

    PRESENT = "present"
    LATE = "late"
    SILENT = "silent"
    ASLEEP = "asleep"
    UNPLANNED = "unplanned"


class Topic(NamedTuple):
    """What one source says under one DGN about one instance: the unit in which ages are kept.

    ``dsa`` stands in the heartbeat (DM_RV) instead of an instance: each function of a node has its own. ``part`` is
    what else stands in the byte of the instance, in words, such as the line and the direction of an AC point.
    """

    source: int
    dgn: int
    message: str | None
    instance: int | None = None
    dsa: int | None = None
    part: str = ""

    def __str__(self) -> str:
        name = self.message or f"DGN {self.dgn:05X} hex"
        if self.instance is not None:
            return f"{name} {self.instance}" + (f", {self.part}" if self.part else "")
        function = by_dsa(self.dsa) if self.dsa is not None else None
        return f"{name} of the {function.title}" if function else name


class PresenceChanged(NamedTuple):
    """A device came, went or changed its state; ``source`` is None for one that was never heard."""

    time: int
    device: str
    source: int | None
    state: Presence


class ReadingChanged(NamedTuple):
    """A field says something else than in the frame before it; ``previous`` is None at first sight.

    ``dsa`` stands in a heartbeat instead of an instance: each function of a node has its own.
    """

    time: int
    device: str
    source: int
    spec: MessageSpec
    instance: int | None
    reading: Reading
    previous: Reading | None
    dsa: int | None = None


class GapExceeded(NamedTuple):
    """A periodic message has not come for longer than ``limit``; its gap is ``gap``."""

    time: int
    since: int
    device: str
    topic: Topic
    gap: int
    limit: int
    last: Frame

    @property
    def cause(self) -> Cause:
        """One for each topic."""
        return GapExceeded, self.topic


class FellSilent(NamedTuple):
    """A device has said nothing for longer than ``limit``; ``gap`` is that of its slowest periodic message.

    ``last`` is None for a planned device that was never heard; ``functions`` is what it is expected to speak for,
    ``late`` what was late before the whole device was.
    """

    time: int
    since: int
    device: str
    functions: tuple[str, ...]
    gap: int | None
    limit: int
    last: Frame | None
    late: tuple[GapExceeded, ...] = ()

    @property
    def cause(self) -> Cause:
        """One for each device."""
        return FellSilent, self.device


class BusFellQuiet(NamedTuple):
    """Nothing from anyone for ``silence``, longer than ``normal``; at least two sources have missed a message."""

    time: int
    since: int
    silence: int
    normal: int
    median: int
    missed: int
    last: Frame

    @property
    def cause(self) -> Cause:
        """There is one bus."""
        return (BusFellQuiet,)


class BusBusy(NamedTuple):
    """The pair was busy for more than ``above`` percent of a second; ``most`` is who used most of it, and its share.

    ``since`` is the beginning of that second, ``time`` its end.
    """

    time: int
    since: int
    percent: float
    above: int
    most: str
    share: float
    frames: int

    @property
    def cause(self) -> Cause:
        """There is one bus."""
        return (BusBusy,)


class Stranger(NamedTuple):
    """A source, or a function and instance, that the rig does not have.

    ``device`` is the planned device that speaks, where it is one. ``function`` (spoken, with its instance) is None
    for a source that has not said what it is within ``waited``; ``holder`` is who already speaks for it. ``instead_of``
    is the planned device whose function it is, where that is not heard and is known not to be the source; ``name`` is
    the source's NAME.
    """

    time: int
    since: int
    device: str
    source: int
    planned: bool
    function: str | None
    holder: str | None
    waited: int
    last: Frame | None
    instead_of: str | None = None
    name: Name | None = None

    @property
    def cause(self) -> Cause:
        """One for each unknown source, and one for each strange function of a planned device."""
        return (Stranger, self.source, self.function) if self.planned else (Stranger, self.source)


class AddressShared(NamedTuple):
    """More than one NAME claims an address, and none of them gives way; ``names`` has them as they came."""

    time: int
    since: int
    device: str
    source: int
    names: tuple[Name, ...]

    @property
    def cause(self) -> Cause:
        """One for each address."""
        return AddressShared, self.source


class FramesCollided(NamedTuple):
    """Nodes sent one identifier with different data at once; ``nodes`` are all that did so far."""

    time: int
    since: int
    device: str
    source: int
    nodes: tuple[str, ...]
    identifier: int

    @property
    def cause(self) -> Cause:
        """One for each address."""
        return FramesCollided, self.source


class NobodyAcknowledges(NamedTuple):
    """A node sends and nobody acknowledges; nothing of it has come through for ``limit`` from its first try on."""

    time: int
    since: int
    device: str
    identifier: int
    limit: int

    @property
    def cause(self) -> Cause:
        """One for each address."""
        return NobodyAcknowledges, self.identifier & 0xFF


class WaitedTooLong(NamedTuple):
    """A message took ``response`` from being ready to being through, and the plan promises ``promised`` at worst."""

    time: int
    since: int
    device: str
    message: str
    response: int
    promised: int

    @property
    def cause(self) -> Cause:
        """There is one bus."""
        return (WaitedTooLong,)


class Limits(NamedTuple):
    """Between which values a field is believed, in its unit, and who says so."""

    low: float
    high: float
    origin: str


class RangeLeft(NamedTuple):
    """A field says "out of range", or a value outside ``limits``."""

    time: int
    device: str
    topic: Topic
    reading: Reading
    limits: Limits | None
    last: Frame

    @property
    def cause(self) -> Cause:
        """One for each field of a topic."""
        return RangeLeft, self.topic, self.reading.field.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class DataLost(NamedTuple):
    """A field turned to no data; ``before`` is the last value, None for one that the rig requires and never came."""

    time: int
    device: str
    topic: Topic
    reading: Reading
    before: Reading | None
    last: Frame

    @property
    def cause(self) -> Cause:
        """One for each field of a topic."""
        return DataLost, self.topic, self.reading.field.name

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class LengthWrong(NamedTuple):
    """A frame has fewer bytes than its message needs, or more than it has.

    ``fields`` are those that a short frame does not hold; ``harmless`` says that they would be no data anyway.
    """

    time: int
    device: str
    topic: Topic
    length: int
    needed: int
    fields: tuple[str, ...]
    harmless: bool
    last: Frame

    @property
    def cause(self) -> Cause:
        """One for each sender and DGN."""
        return LengthWrong, self.topic.source, self.topic.dgn

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class NameMissing(NamedTuple):
    """A DGN that no definition names."""

    time: int
    device: str
    topic: Topic
    last: Frame

    @property
    def cause(self) -> Cause:
        """One for each sender and DGN."""
        return NameMissing, self.topic.source, self.topic.dgn

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class FaultReported(NamedTuple):
    """A node reports a fault of its own; ``trouble`` is None where only a lamp is on. One for each SPN and FMI."""

    time: int
    device: str
    topic: Topic
    trouble: Trouble | None
    lamps: Lamps
    last: Frame

    @property
    def cause(self) -> Cause:
        """One for each fault of a node, whichever of its messages carries it."""
        return FaultReported, self.topic.source, self.trouble and self.trouble[:2]

    @property
    def since(self) -> int:
        """The frame's time."""
        return self.time


class NodeDescribed(NamedTuple):
    """A node says what it is; what it has not said is None."""

    time: int
    device: str
    source: int
    product: Product | None
    software: tuple[str, ...] | None


class Ended(NamedTuple):
    """The problem with this cause is over."""

    time: int
    cause: Cause


AboutMessage = GapExceeded | RangeLeft | DataLost | LengthWrong | NameMissing | FaultReported
"""The problems that have a ``topic``."""
AboutWires = BusBusy | FramesCollided | NobodyAcknowledges | WaitedTooLong
Problem = FellSilent | BusFellQuiet | Stranger | AddressShared | AboutWires | AboutMessage
Transition = PresenceChanged | ReadingChanged | NodeDescribed | Problem | Ended
