"""Problems with the address, the NAME, the function or the instance of a sender.

Knows: sources that are not planned, addresses and instances that two units share, units that were replaced. Does not
know how that was found.
"""

from enum import StrEnum
from typing import NamedTuple

from rvsim.watch.transitions.basis import ProblemKey
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name


class UnplannedDevice(NamedTuple):
    """A source, or a function and instance, that the rig does not have.

    ``device`` is the planned device that sends, where it is one. ``function`` (as text, with its instance) is None for
    a source that sent nothing that identifies it within ``waited_us`` microseconds; ``holder`` is the device that has
    the function by the rig. ``instead_of`` is that device where it is not heard and is known not to be the source;
    ``name`` is the source's NAME.
    """

    time: int
    since: int
    device: str
    source: int
    planned: bool
    function: str | None
    holder: str | None
    waited_us: int
    last: Frame | None
    instead_of: str | None = None
    name: Name | None = None

    @property
    def problem_key(self) -> ProblemKey:
        """One for each unknown source, and one for each unplanned function of a planned device."""
        return (UnplannedDevice, self.source, self.function) if self.planned else (UnplannedDevice, self.source)


class AddressShared(NamedTuple):
    """Several NAMEs claim one address, and none of them gives way; ``names`` are in the order of their claims."""

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
    """Two devices send as the same functions and instances, and both continue.

    ``functions`` are texts with the instance; ``first`` and ``second`` are texts with device and address; ``sources``
    are their addresses in the same order. ``device`` is the one that is not planned for it, or that began later.
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
    """How a unit differs from the one that was planned, or heard before."""

    NAME = "NAME"
    INSTANCE = "instance"
    ADDRESS = "address"


class Replaced(NamedTuple):
    """Another unit now sends as the function of a device, and the device itself is not heard.

    ``device`` is the planned device, or the address that sent before. ``source`` and ``name`` are those of the unit
    that sends now as ``function``; ``before`` is the address that was planned or sent before, ``before_name`` its NAME.
    ``planned`` is whether a rig has the device; ``expected`` is the function that it should send as, where that
    differs.
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
    """What shows that two units send from one address."""

    TWICE_AS_OFTEN = "twice as often"
    TWO_VALUE_TRAINS = "two value trains"
    OTHER_FUNCTION = "another function"


class TwoSenders(NamedTuple):
    """Two units send from one address; ``what`` is the message or the function that shows it, ``figures`` how."""

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
