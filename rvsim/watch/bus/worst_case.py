"""The worst case computed from the plan: how long each periodic message can take at most until it is sent.

Knows: which messages the devices of a rig send for their functions, at which gaps, and how many other frames a node may
send. The figures are those of `wire.response`, with the same assumptions; they hold without errors on the bus, and as
long as every node keeps to its plan. Does not know what is really on the bus.
"""

from collections.abc import Iterator, Mapping
from itertools import repeat
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.functions import FUNCTIONS
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.ident import dgn_of
from rvsim.wire.response import PeriodicMessage, utilisation_percent, worst_responses
from rvsim.wire.spec import DEFAULT_GAP_US, MessageSpec
from rvsim.wire.timing import max_bits

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan
    from rvsim.rig.model import Rig

OTHER_FRAMES_GAP_US = 50_000
"""The gap between two frames that a node sends in addition to its periodic ones: claims, commands, answers, messages on
change, packets of long messages. SAE J1939-21 has 50 ms for packets to all; that the others keep it is our
assumption."""
_FULL = 8


class Response(NamedTuple):
    """A message, and its longest time from ready to sent, in microseconds; None where it is unlimited."""

    message: str
    worst_us: int | None


class WorstCase(NamedTuple):
    """The worst response by DGN, and the bus load in percent if every message comes as often as it may."""

    responses: Mapping[int, Response]
    percent: float


class PlannedStream(NamedTuple):
    """A periodic message that a device of the rig sends for one of its functions."""

    device: str
    spec: MessageSpec
    stream: PeriodicMessage


def worst_case(rig: "Rig", catalogue: Catalogue) -> WorstCase:
    """Compute the worst case of all periodic messages of a rig."""
    periodic = planned_streams(rig, catalogue)
    streams = [*(planned.stream for planned in periodic), *other_frames(rig)]
    responses: dict[int, Response] = {}
    for planned, worst in zip(periodic, worst_responses(streams), strict=False):
        dgn = dgn_of(planned.stream.identifier)
        before = responses.get(dgn, Response(planned.spec.name, 0)).worst_us
        worst_us = None if worst is None or before is None else max(worst, before)
        responses[dgn] = Response(planned.spec.name, worst_us)
    return WorstCase(responses, utilisation_percent(streams))


def planned_streams(rig: "Rig", catalogue: Catalogue) -> list[PlannedStream]:
    """Return every periodic message of a rig, once for each instance."""
    return [
        PlannedStream(plan.name, spec, stream_of(spec, plan.address))
        for plan in rig.devices
        for spec in _periodic(plan, catalogue)
    ]


def other_frames(rig: "Rig") -> list[PeriodicMessage]:
    """Return what each node may send in addition to its periodic messages, ahead of all of them."""
    return [PeriodicMessage(0, max_bits(_FULL), OTHER_FRAMES_GAP_US) for _ in rig.devices]


def _periodic(plan: "DevicePlan", catalogue: Catalogue) -> Iterator[MessageSpec]:
    heartbeat = catalogue.by_name("DM_RV")
    for name, instances in plan.functions.items():
        yield heartbeat
        for status in FUNCTIONS[name].statuses:
            yield from repeat(catalogue.by_name(status), len(instances))


def stream_of(spec: MessageSpec, source: int, gap_us: int | None = None) -> PeriodicMessage:
    """Return a message of a source as a stream with full frames; its gap is that of the table, unless given."""
    return PeriodicMessage(spec.identifier(source), max_bits(_FULL), gap_us or spec.gap_us or DEFAULT_GAP_US)
