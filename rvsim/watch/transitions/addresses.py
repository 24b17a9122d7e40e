"""Who speaks from which address, under which NAME, as which function and instance.

Knows: sources that nobody planned, addresses and instances that are shared, units that were replaced. Does not know
how that was found.
"""

from enum import StrEnum
from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name


class UnplannedDevice(NamedTuple):
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
    def problem_key(self) -> ProblemKey:
        """One for each unknown source, and one for each strange function of a planned device."""
        return (UnplannedDevice, self.source, self.function) if self.planned else (UnplannedDevice, self.source)


class AddressShared(NamedTuple):
    """More than one NAME claims an address, and none of them gives way; ``names`` has them as they came."""

    time: int
    since: int
    device: str
    source: int
    names: tuple[Name, ...]

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return AddressShared, self.source


class InstanceShared(NamedTuple):
    """Two devices speak for the same functions and instances, and both go on.

    ``functions`` are as they are spoken, ``first`` and ``second`` say who and from where; ``sources`` are their
    addresses in the same order. ``device`` is the one that is not planned for it, or the one that began later.
    """

    time: int
    since: int
    device: str
    functions: tuple[str, ...]
    first: str
    second: str
    sources: tuple[int, int]
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each two addresses."""
        return InstanceShared, frozenset(self.sources)


class Difference(StrEnum):
    """In what a unit differs from the one that was planned, or heard before."""

    NAME = "NAME"
    INSTANCE = "instance"
    ADDRESS = "address"


class Replaced(NamedTuple):
    """What a device speaks for comes from another unit now, and nothing is heard of the device itself.

    ``device`` is the planned device, or the address that spoke before. ``source`` and ``name`` are those of the unit
    that speaks now, as ``function``; ``before`` is the address that was planned or spoke before, ``before_name`` its
    NAME. ``planned`` says whether a rig has the device; ``expected`` is what it should speak as, where that differs.
    """

    time: int
    since: int
    device: str
    difference: Difference
    function: str
    source: int
    name: Name | None
    before: int
    before_name: Name | None
    planned: bool
    expected: str
    last: Frame | None

    @property
    def problem_key(self) -> ProblemKey:
        """One for each device."""
        return Replaced, self.device


class TwoSendersSign(StrEnum):
    """What shows that two units speak from one address."""

    TWICE_AS_OFTEN = "twice as often"
    TWO_VALUE_TRAINS = "two value trains"
    OTHER_FUNCTION = "another function"


class TwoSenders(NamedTuple):
    """An address speaks with two voices; ``what`` is the message, or the function, that shows it, ``figures`` how."""

    time: int
    since: int
    device: str
    source: int
    sign: TwoSendersSign
    what: str
    figures: str
    last: Frame

    @property
    def problem_key(self) -> ProblemKey:
        """One for each address."""
        return TwoSenders, self.source
