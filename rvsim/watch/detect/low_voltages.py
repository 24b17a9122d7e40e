"""Supply voltages that are near the cut-off of a device, or below it.

Needs the frames with which a voltage passes a limit, and each change of one that is reported.

Knows: that a dip of some seconds is normal, that a voltage has to rise some way above a limit until it is good again,
and that without a rig only a 12 V system can be judged. Does not know the limits: ``supply_limits`` does.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from rvsim.watch.detect.last_readings import reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.detect.supply_limits import (
    MARGIN_VOLTS,
    USUAL_CUT_OFF_VOLTS,
    USUAL_MARGIN_VOLTS,
    SupplyLimit,
    cut_off_of,
    limits_by_source,
)
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, Need
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import SupplyLow, Transition
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

SOURCE, INVERTER = "DC_SOURCE_STATUS_1", "INVERTER_DC_STATUS"
MESSAGES = frozenset({SOURCE, INVERTER})
_VOLTS = "dc_voltage"
MIN_LOW_US = 10 * SECOND_US
"""How long a voltage must be low: an engine cranks for some seconds. Common practice, no source."""
RELEASE_VOLTS = 0.2
"""How far above a limit a voltage counts as good again. Common practice, no source."""
MIN_12_V_SYSTEM = 8.0
"""A lower voltage of a system that is not known may be that of no battery. Common practice, no source."""


class _Supply:
    """The voltage of a topic beside one limit, all in volts of that voltage."""

    def __init__(self, record: TopicRecord, limit: SupplyLimit, margin: float, lowest: float) -> None:
        self.record = record
        self.limit = limit
        self.lowest = lowest
        self.cut_off = limit.cut_off + limit.drop
        self.near = self.cut_off + margin
        self.is_near = self.is_below = False
        self.condition: Lasting | None = None

    def compare(self) -> None:
        """Hold the last voltage against the limits."""
        volts = value_of(self.record, _VOLTS)
        if volts is None or volts < self.lowest:
            self.is_near = self.is_below = False
            return
        self.is_near = volts < self.near + (RELEASE_VOLTS if self.is_near else 0.0)
        self.is_below = volts < self.cut_off + (RELEASE_VOLTS if self.is_below else 0.0)


class LowVoltages:
    """Holds supply voltages against the cut-offs of devices."""

    def __init__(self, rig: "Rig | None", deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._has_rig = rig is not None
        self._by_source: Mapping[int, Sequence[SupplyLimit]] = limits_by_source(rig) if rig is not None else {}
        self._inverters = {
            instance: SupplyLimit(device.name, cut_off)
            for device in (rig.devices if rig is not None else ())
            for instance in device.functions.get("inverter", ())
            if (cut_off := cut_off_of(device)) is not None
        }
        self._conditions = LastingConditions(25, deadlines, emit)
        self._supplies: dict[TopicRecord, list[_Supply]] = {}

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame with a supply voltage."""
        supplies = self._supplies.get(record)
        if supplies is None:
            supplies = self._supplies[record] = self._start(record)
        for supply in supplies:
            supply.compare()
            assert supply.condition is not None
            self._conditions.update(supply.condition, record.frame.time, record.rhythm.times[-1], holds=supply.is_near)

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        levels: set[float] = set()
        for limit, margin, lowest in self._every_limit(spec.name):
            near, cut_off = limit.cut_off + limit.drop + margin, limit.cut_off + limit.drop
            levels |= {near, near + RELEASE_VOLTS, cut_off, cut_off + RELEASE_VOLTS, lowest}
        if levels and _VOLTS in spec.by_name:
            yield Crossing(_VOLTS, tuple(sorted(levels)))

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return self._conditions.needed_fields(record)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        for supply in self._supplies.pop(record, ()):
            if supply.condition is not None:
                self._conditions.remove(supply.condition, time)

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``."""
        self._conditions.resume_listening(now)

    def _every_limit(self, message: str) -> Iterator[tuple[SupplyLimit, float, float]]:
        if not self._has_rig:
            yield SupplyLimit("", USUAL_CUT_OFF_VOLTS), USUAL_MARGIN_VOLTS, MIN_12_V_SYSTEM
            return
        by_source = self._by_source.values() if message == SOURCE else (tuple(self._inverters.values()),)
        for limits in by_source:
            for limit in limits:
                yield limit, MARGIN_VOLTS, 0.0

    def _limits_of(self, record: TopicRecord) -> Iterator[tuple[SupplyLimit, float, float]]:
        instance = record.topic.instance
        if not self._has_rig:
            yield from self._every_limit(record.topic.message or "")
        elif record.topic.message == SOURCE:
            for limit in self._by_source.get(instance or 0, ()):
                yield limit, MARGIN_VOLTS, 0.0
        elif instance in self._inverters:
            yield self._inverters[instance], MARGIN_VOLTS, 0.0

    def _start(self, record: TopicRecord) -> list[_Supply]:
        assert record.layout.spec is not None
        field = record.layout.spec.by_name.get(_VOLTS)
        supplies = []
        for limit, margin, lowest in self._limits_of(record) if field is not None else ():
            assert field is not None
            supply = _Supply(record, limit, margin, lowest)
            supply.condition = self._conditions.add(
                MIN_LOW_US,
                [(record, field)],
                partial(_problem, supply),
                (record.topic.message, record.topic.instance, limit.device),
            )
            supplies.append(supply)
        return supplies


def _problem(supply: _Supply, time: int, since: int) -> SupplyLow:
    record, limit = supply.record, supply.limit
    return SupplyLow(
        time,
        since,
        limit.device or record.device.name,
        record.topic,
        reading_of(record, _VOLTS),
        limit.cut_off,
        limit.drop,
        limit.amps,
        limit.branch,
        bool(limit.device),
        supply.is_below,
        record.frame,
    )
