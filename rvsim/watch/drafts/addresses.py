"""Flags about addresses, NAMEs and functions.

Knows: what to do with units that nobody planned or that share what they must not. Does not know who is planned.
"""

from rvsim.rig.claimed import written
from rvsim.rig.quantity import moment
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import AddressShared, FramesCollided, Stranger
from rvsim.wire.name import Name


def unit(name: Name) -> str:
    """Name a unit by what its NAME says of it."""
    return f"maker {name.manufacturer_code}, serial number {name.serial_number}"


def _stranger(found: Stranger) -> FlagDraft:
    if found.instead_of is not None and found.name is not None:
        text = f"another unit than the planned {found.instead_of} speaks as {found.function}: {unit(found.name)}"
        advice = "set its instance as planned, or correct the rig"
        if not found.planned:
            advice = (
                f'a replaced unit? then write its NAME in the rig: claimed_name = "{written(found.name)}" for '
                f"{found.instead_of}; if it is not, give it an instance of its own, or take it off the bus"
            )
    elif found.function is None:
        text = f"not in the rig: it has not said what it is within {span(found.waited)}"
        advice = "find it by its NAME or by unplugging it; then add it to the rig, or take it off the bus"
    elif found.holder is not None:
        text = f"speaks as {found.function}, which the rig gives to {found.holder}"
        advice = f"one of the two is set wrong: give each its own instance, and see which one {found.function} is"
    else:
        text = f"speaks as {found.function}, which the rig does not have"
        advice = "set its instance as planned, or add it to the rig"
    evidence = frame_line(found.last)
    return FlagDraft(FlagKind.UNPLANNED_DEVICE, found.device, Severity.WARNING, text, advice, evidence)


ONE_ADDRESS = (
    "give one of them another address, or find the one that does not arbitrate: unplug one and see which one goes"
)


def _shared(found: AddressShared) -> FlagDraft:
    units = " and ".join(unit(name) for name in found.names)
    text = f"{len(found.names)} units claim address {found.source:02X} hex, and none gives way: {units}"
    names = tuple(f"NAME {written(name)}" for name in found.names)
    return FlagDraft(FlagKind.SHARED_ADDRESS, found.device, Severity.FAULT, text, ONE_ADDRESS, names)


def _collided(found: FramesCollided) -> FlagDraft:
    text = (
        f"{' and '.join(found.nodes)} sent one identifier with different data at once: both use address "
        f"{found.source:02X} hex, and each spoils the other's frame"
    )
    evidence = (f"identifier {found.identifier:08X} at {moment(found.time)}",)
    return FlagDraft(FlagKind.SHARED_ADDRESS, found.device, Severity.FAULT, text, ONE_ADDRESS, evidence)


DRAFTS: Drafts = {
    Stranger: _stranger,
    AddressShared: _shared,
    FramesCollided: _collided,
}
