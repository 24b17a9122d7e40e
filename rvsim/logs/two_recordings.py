"""Two vehicles in one log: from some moment on all devices are others, as where two files were put together.

Knows: which NAMEs and products each address had, and that devices which all end at a moment at which others begin are
those of another vehicle. Does not know how a log is read, nor any rule of the watch. A log in which devices keep their
NAMEs and products is never called two recordings: a vehicle that was switched off and on looks the same.

How many devices must be others, and within which time, is our decision.
"""

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from typing import NamedTuple

from rvsim.rig.quantity import time_text
from rvsim.watch.cause import Cause, CauseKind, cause_of, explained_evidence
from rvsim.watch.drafts.addresses import unit as unit_text
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.wire.frame import SECOND_US
from rvsim.wire.name import Name

MIN_OTHERS = 2
"""How many units must end, and how many must begin, at least."""
MAX_KEPT_PERCENT = 50
"""How many of the smaller of these two numbers may go on across the moment, in percent."""
WITHIN_US = 15 * SECOND_US
"""Within which time the units of the one vehicle end, and those of the other begin: three heartbeats."""
MIN_FIRST_US = 5 * SECOND_US
"""How long the first recording must be: the devices of one vehicle start within some seconds."""
MAX_AFTER_US = 60 * SECOND_US
"""How long after the moment flags may begin that come from it."""
MAX_UNITS = 512
"""With more units a log is no vehicle's, nor two: not judged, which bounds the work."""
MAX_IDENTITIES = 16
"""How many NAMEs or products of an address are kept; more are no vehicle's."""
_EXPLAINED_KINDS = frozenset(
    {
        FlagKind.SILENT_DEVICE,
        FlagKind.LATE_MESSAGE,
        FlagKind.BUS_QUIET,
        FlagKind.UNPLANNED_DEVICE,
        FlagKind.SHARED_ADDRESS,
        FlagKind.SHARED_INSTANCE,
        FlagKind.SHARED_NAME,
        FlagKind.REPLACED_DEVICE,
        FlagKind.RESTARTED,
        FlagKind.CANNOT_CLAIM,
        FlagKind.NO_DATA,
        FlagKind.BAD_VALUE,
        FlagKind.STUCK_VALUE,
        FlagKind.IGNORED_COMMAND,
        FlagKind.TWO_COMMANDERS,
        FlagKind.FAILED_TRANSFER,
    }
)
"""What the devices of two vehicles, taken for those of one, make the watch report."""


class Heard(NamedTuple):
    """The first and the last time at which something was heard, in microseconds."""

    first: int
    last: int

    def joined(self, other: "Heard") -> "Heard":
        """Return the time of both."""
        return Heard(min(self.first, other.first), max(self.last, other.last))


class Identities:
    """The NAMEs, or the products, by which each address was known, with their times."""

    def __init__(self) -> None:
        self._known: dict[int, dict[object, Heard]] = {}

    def observe(self, address: int, identity: object, heard: Heard) -> None:
        """Note that an address had an identity at these times: the bytes of its NAME, or its product."""
        known = self._known.setdefault(address, {})
        if identity in known:
            known[identity] = known[identity].joined(heard)
        elif len(known) < MAX_IDENTITIES:
            known[identity] = heard

    def of(self, address: int) -> Mapping[object, Heard]:
        """Return the identities of an address."""
        return self._known.get(address, {})


class _Unit(NamedTuple):
    """A unit at an address: its NAME or product, None where that is not known, and from when to when it was there.

    ``is_replaced`` is whether another one follows it at its address.
    """

    address: int
    identity: object
    first: int
    last: int
    is_replaced: bool


def joined_recordings(
    heard: Mapping[int, Heard], names: Identities, products: Identities, end: int, flags: Iterable[Flag]
) -> Cause | None:
    """Return the cause of a log that holds the recordings of two vehicles, one after the other; None where it does not.

    Args:
        heard: when each address sent its first and its last frame.
        names: the NAMEs of each address.
        products: its products.
        end: the end of the log, in microseconds.
        flags: those of the whole log.
    """
    units = [
        unit
        for address, span in heard.items()
        for unit in _units(address, span, names.of(address) or products.of(address))
    ]
    if len(units) > MAX_UNITS:
        return None
    begin = min((unit.first for unit in units), default=0)
    moments = sorted({unit.first for unit in units if unit.first - begin >= MIN_FIRST_US})
    for moment in moments:
        ended, begun, kept = _parted(units, moment, end)
        if min(len(ended), len(begun)) >= MIN_OTHERS and 100 * len(kept) <= MAX_KEPT_PERCENT * min(
            len(ended), len(begun)
        ):
            return _cause(moment, ended, begun, flags)
    return None


def explained_causes(causes: Iterable[Cause], joined: Cause) -> Iterator[Cause]:
    """Yield the causes that are left where a log holds two recordings: ``joined`` first, then the others."""
    numbers = {flag.number for flag in joined.flags}
    yield joined
    yield from (cause for cause in causes if not all(flag.number in numbers for flag in cause.flags))


def _units(address: int, span: Heard, identities: Mapping[object, Heard]) -> Iterator[_Unit]:
    """Yield the units at an address, in order; one where two of them were there at the same time."""
    ordered = sorted(identities.items(), key=lambda item: item[1].first)
    overlap = any(one.last >= other.first for (_, one), (_, other) in pairwise(ordered))
    if len(ordered) < 2 or overlap:
        yield _Unit(address, ordered[0][0] if len(ordered) == 1 else None, *span, is_replaced=False)
        return
    starts = [span.first, *(times.first for _, times in ordered[1:]), span.last + 1]
    for place, (identity, _) in enumerate(ordered):
        is_last = place == len(ordered) - 1
        yield _Unit(address, identity, starts[place], starts[place + 1] - 1, is_replaced=not is_last)


def _parted(units: Iterable[_Unit], moment: int, end: int) -> tuple[list[_Unit], list[_Unit], list[_Unit]]:
    """Return the units that end before a moment, those that begin from it on, and those that go on across it."""
    units = list(units)
    before = {unit.identity for unit in units if unit.first < moment and unit.identity is not None}
    begun = [unit for unit in units if moment <= unit.first <= moment + WITHIN_US]
    moved = [unit for unit in begun if unit.identity in before]
    changing = {unit.address for unit in begun}
    gone = [unit for unit in units if unit.first < moment and _has_ended(unit, moment, end, changing)]
    latest = max((min(unit.last, moment) for unit in gone), default=0)
    ended = [unit for unit in gone if unit.is_replaced or unit.last >= latest - WITHIN_US]
    kept = [unit for unit in units if unit.first < moment and unit.last > moment and unit not in ended]
    return ended, [unit for unit in begun if unit not in moved], [*kept, *moved]


def _has_ended(unit: _Unit, moment: int, end: int, changing: set[int]) -> bool:
    """Return whether a unit has ended by a moment, or gives way to another one soon after it."""
    if unit.is_replaced:
        return unit.last < moment + WITHIN_US and unit.address in changing
    return unit.last < moment and end - unit.last > WITHIN_US


def _cause(moment: int, ended: list[_Unit], begun: list[_Unit], flags: Iterable[Flag]) -> Cause:
    changed = {unit.address for unit in ended if unit.is_replaced} & {unit.address for unit in begun}
    parts = [
        (len(changed), "claims another NAME or names another product", "claim other NAMEs or name other products"),
        (len({unit.address for unit in ended} - changed), "sends nothing more", "send nothing more"),
        (len({unit.address for unit in begun} - changed), "is new", "are new"),
    ]
    said = [f"1 address {one}" if count == 1 else f"{count} addresses {many}" for count, one, many in parts if count]
    text = (
        f"from {time_text(moment)} on the frames are those of another vehicle's devices: {', '.join(said)}; the log "
        "holds two recordings, one after the other"
    )
    cut = f"{(moment - 1) // 1000 / 1000:.3f}"
    advice = (
        f"cut it there and survey each part by itself: rvsim export --frames LOG --to {cut} --output first.log, then "
        f"the same with --from {cut} and --output second.log"
    )
    explained = [flag for flag in flags if _is_explained(flag, moment)]
    evidence = (_first_evidence(ended, begun), *explained_evidence(explained))
    if explained:
        return cause_of(CauseKind.JOINED_RECORDINGS, "log", explained, text, advice, evidence)._replace(since=moment)
    return Cause(CauseKind.JOINED_RECORDINGS, "log", Severity.WARNING, moment, None, text, advice, evidence, ())


def _first_evidence(ended: list[_Unit], begun: list[_Unit]) -> str:
    """Return one address with both of its units, or what ended last and what began first."""
    after = {unit.address: unit for unit in begun}
    for unit in sorted(ended, key=lambda one: one.address):
        if unit.is_replaced and unit.address in after:
            other = after[unit.address]
            before, now = (_identity_text(one.identity) for one in (unit, other))
            return f"address {unit.address:02X} hex was {before}, and is {now} from {time_text(other.first)} on"
    last, first = max(ended, key=lambda unit: unit.last), min(begun, key=lambda unit: unit.first)
    return (
        f"the last frame of address {last.address:02X} hex came at {time_text(last.last)}, the first one of address "
        f"{first.address:02X} hex at {time_text(first.first)}"
    )


def _identity_text(identity: object) -> str:
    return unit_text(Name.from_bytes(identity)) if isinstance(identity, bytes) else str(identity)


def _is_explained(flag: Flag, moment: int) -> bool:
    """Return whether a flag is what two vehicles look like, taken for one."""
    if flag.kind not in _EXPLAINED_KINDS:
        return False
    if flag.kind is FlagKind.BUS_QUIET:
        return flag.since <= moment and flag.until is not None and abs(flag.until - moment) <= SECOND_US
    if flag.heard is not None and moment - WITHIN_US <= flag.heard < moment:
        return True
    return moment - SECOND_US <= flag.since <= moment + MAX_AFTER_US
