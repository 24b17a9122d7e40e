"""Flags about addresses, NAMEs and functions.

Knows: what to do about units that are not planned, or that share an address. Does not know which are planned.
"""

from rvsim.rig.claimed import name_text
from rvsim.rig.quantity import time_text
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import AddressShared, FramesCollided, UnplannedDevice
from rvsim.wire.name import Name


def unit(name: Name) -> str:
    """Describe a unit by fields of its NAME."""
    return f"manufacturer code {name.manufacturer_code}, serial number {name.serial_number}"


def _stranger(found: UnplannedDevice) -> FlagDraft:
    if found.instead_of is not None and found.name is not None:
        text = f"a unit other than the planned {found.instead_of} sends as {found.function}: {unit(found.name)}"
        advice = "set its instance as planned, or correct the rig"
        if not found.planned:
            advice = (
                f'if the unit was replaced, write its NAME in the rig: claimed_name = "{name_text(found.name)}" for '
                f"{found.instead_of}; if it was not, give it an instance of its own, or remove it from the bus"
            )
    elif found.function is None:
        text = f"not in the rig: it sent nothing that identifies it within {span(found.waited_us)}"
        advice = "identify it by its NAME or by unplugging it; then add it to the rig, or remove it from the bus"
    elif found.holder is not None:
        text = f"sends as {found.function}, which the rig gives to {found.holder}"
        advice = f"one of the two has a wrong setting: give each its own instance, and check which is {found.function}"
    else:
        text = f"sends as {found.function}, which is not in the rig"
        advice = "set its instance as planned, or add it to the rig"
    evidence = frame_line(found.last)
    return FlagDraft(FlagKind.UNPLANNED_DEVICE, found.device, Severity.WARNING, text, advice, evidence)


ONE_ADDRESS = (
    "give one of them another address, or find the one that does not follow the rules of address claiming: unplug one "
    "to see which of them stops"
)


def _shared(found: AddressShared) -> FlagDraft:
    units = " and ".join(unit(name) for name in found.names)
    text = f"{len(found.names)} units claim address {found.source:02X} hex, and none gives way: {units}"
    names = tuple(f"NAME {name_text(name)}" for name in found.names)
    return FlagDraft(FlagKind.SHARED_ADDRESS, found.device, Severity.FAULT, text, ONE_ADDRESS, names)


def _collided(found: FramesCollided) -> FlagDraft:
    text = (
        f"{' and '.join(found.nodes)} sent one identifier with different data at the same time: both use address "
        f"{found.source:02X} hex, and each corrupts the other's frame"
    )
    evidence = (f"identifier {found.identifier:08X} at {time_text(found.time)}",)
    return FlagDraft(FlagKind.SHARED_ADDRESS, found.device, Severity.FAULT, text, ONE_ADDRESS, evidence)


DRAFTS: Drafts = {
    UnplannedDevice: _stranger,
    AddressShared: _shared,
    FramesCollided: _collided,
}
