"""Who speaks from which address, under which NAME, as which function and instance.

Knows: sources that nobody planned and addresses that are shared. Does not know how that was found.
"""

from typing import NamedTuple

from rvsim.watch.transitions.basis import Cause
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name


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
