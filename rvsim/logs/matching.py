"""Which device of one log is which device of another log.

Knows: the order in which it is decided: by the rig, by NAME, by functions with their instances, by functions alone
where only one device has them, by all functions with their instances. Never by the address alone: where nothing else
is known of a device, its messages have to agree too. Does not know what is compared.
"""

from collections.abc import Callable, Iterator
from enum import StrEnum
from typing import NamedTuple

from rvsim.logs.summary import DeviceKey, DeviceSummary, Identity, LogSummary

MIN_SHARED_MESSAGES = 0.5
"""The share of common messages of two devices that are taken for one by their address. Our decision."""


class MatchedBy(StrEnum):
    """By what two devices were taken for one."""

    PLAN = "the rig"
    NAME = "its NAME"
    INSTANCES = "its functions and instances"
    FUNCTIONS = "its functions"
    ADDRESS = "its address and its messages"


class Match(NamedTuple):
    """One device in both logs."""

    before: DeviceSummary
    after: DeviceSummary
    by: MatchedBy


class Matching(NamedTuple):
    """The devices that are in both logs, and those that are in one."""

    both: tuple[Match, ...]
    gone: tuple[DeviceSummary, ...]
    new: tuple[DeviceSummary, ...]


_Devices = dict[DeviceKey, DeviceSummary]


def match_devices(before: LogSummary, after: LogSummary) -> Matching:
    """Return which device of one log is which of the other, in the order of the first."""
    left, right = dict(before.devices), dict(after.devices)
    order = list(before.devices)
    found: dict[DeviceKey, Match] = {}
    for by, finds in _STEPS:
        for old, new in list(finds(left, right)):
            if old in left and new in right:
                found[old] = Match(left.pop(old), right.pop(new), by)
    return Matching(tuple(found[key] for key in order if key in found), tuple(left.values()), tuple(right.values()))


def _by_plan(left: _Devices, right: _Devices) -> Iterator[tuple[DeviceKey, DeviceKey]]:
    return ((key, key) for key in left if key.identity is Identity.PLAN and key in right)


def _by_name(left: _Devices, right: _Devices) -> Iterator[tuple[DeviceKey, DeviceKey]]:
    by_name = {name: key for key, device in right.items() for name in device.names}
    return ((key, by_name[name]) for key, device in left.items() for name in sorted(device.names) if name in by_name)


def _by_instances(left: _Devices, right: _Devices) -> Iterator[tuple[DeviceKey, DeviceKey]]:
    """Yield those with most functions and instances in common first; functions that devices share by design count for
    nothing.
    """
    pairs = [
        (len(_instances(one) & _instances(other)), old, new)
        for old, one in left.items()
        for new, other in right.items()
    ]
    return ((old, new) for common, old, new in sorted(pairs, key=lambda pair: -pair[0]) if common)


def _instances(device: DeviceSummary) -> set[tuple[str, int | None]]:
    return {(name, instance) for name, instance in device.exclusive_functions if instance is not None}


def _by_equal_functions(left: _Devices, right: _Devices) -> Iterator[tuple[DeviceKey, DeviceKey]]:
    """Yield those of which each log has one with these functions and instances, also such as devices share by design.

    It tells the monitors of two batteries apart, whose own function has no instance.
    """
    for old, one in left.items():
        alike = [new for new, other in right.items() if other.functions == one.functions]
        rivals = sum(other.functions == one.functions for other in left.values())
        if one.functions and len(alike) == rivals == 1:
            yield old, alike[0]


def _by_functions(left: _Devices, right: _Devices) -> Iterator[tuple[DeviceKey, DeviceKey]]:
    """Yield those of which each log has one with these functions, whatever their instances."""
    for old, one in left.items():
        functions = {name for name, _ in one.functions}
        alike = [new for new, other in right.items() if {name for name, _ in other.functions} == functions]
        rivals = [key for key, other in left.items() if {name for name, _ in other.functions} == functions]
        if functions and len(alike) == len(rivals) == 1:
            yield old, alike[0]


def _by_address(left: _Devices, right: _Devices) -> Iterator[tuple[DeviceKey, DeviceKey]]:
    """Yield those without functions that sent the same messages from one address."""
    for old, one in left.items():
        for new, other in right.items():
            unknown = not one.functions and not other.functions
            if unknown and one.addresses & other.addresses and _agreement(one, other) >= MIN_SHARED_MESSAGES:
                yield old, new


def _agreement(one: DeviceSummary, other: DeviceSummary) -> float:
    """Return the share of common messages, by DGN."""
    before, after = ({message.dgn for message in device.messages} for device in (one, other))
    return len(before & after) / len(before | after) if before | after else 0.0


_STEPS: tuple[tuple[MatchedBy, Callable[[_Devices, _Devices], Iterator[tuple[DeviceKey, DeviceKey]]]], ...] = (
    (MatchedBy.PLAN, _by_plan),
    (MatchedBy.NAME, _by_name),
    (MatchedBy.INSTANCES, _by_instances),
    (MatchedBy.FUNCTIONS, _by_functions),
    (MatchedBy.INSTANCES, _by_equal_functions),
    (MatchedBy.ADDRESS, _by_address),
)
