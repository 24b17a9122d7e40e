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
    from rvsim.rig.model import DevicePlan, Rig

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


def worst_case(rig: "Rig", catalogue: Catalogue) -> WorstCase:
    """Compute the worst case of all periodic messages of a rig."""
    periodic = [(spec.name, _stream(spec, plan.address)) for plan in rig.devices for spec in _periodic(plan, catalogue)]
    aside = [PeriodicMessage(0, max_bits(_FULL), OTHER_FRAMES_GAP_US) for _ in rig.devices]
    streams = [*(stream for _, stream in periodic), *aside]
    responses: dict[int, Response] = {}
    for (message, stream), worst in zip(periodic, worst_responses(streams), strict=False):
        dgn = dgn_of(stream.identifier)
        before = responses.get(dgn, Response(message, 0)).worst_us
        responses[dgn] = Response(message, None if worst is None or before is None else max(worst, before))
    return WorstCase(responses, utilisation_percent(streams))


def _periodic(plan: "DevicePlan", catalogue: Catalogue) -> Iterator[MessageSpec]:
    heartbeat = catalogue.by_name("DM_RV")
    for name, instances in plan.functions.items():
        yield heartbeat
        for status in FUNCTIONS[name].statuses:
            yield from repeat(catalogue.by_name(status), len(instances))


def _stream(spec: MessageSpec, source: int) -> PeriodicMessage:
    return PeriodicMessage(spec.identifier(source), max_bits(_FULL), spec.gap_us or DEFAULT_GAP_US)
