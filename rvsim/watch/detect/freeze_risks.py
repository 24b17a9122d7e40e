"""What is too cold: water in tanks and water heaters, diesel, and a lithium battery that is charged.

Needs the frames with which a temperature or a level passes a limit, the current of a battery that is too cold with each
change, and the last change of a temperature that is reported, when it is asked for.

Knows: the temperatures at which that is so, and that a sensor stands for what is in its zone by the rig; without a rig
the water of a water heater and a battery that names its type can be judged. Does not know how fast anything cools.
"""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING

from rvsim.rig.fuel_grades import GELS_BELOW_C, PLUGGING_SPREAD_K
from rvsim.watch.detect.last_readings import reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.detect.places import OUTDOORS, ambient_places, tank_places
from rvsim.watch.detect.supply_limits import battery_instances
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, LastChange, Need
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import ColdPlace, TooCold, Transition
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

AMBIENT, HEATER, TANK = "THERMOSTAT_AMBIENT_STATUS", "WATERHEATER_STATUS", "TANK_STATUS"
CURRENT, BATTERY, TYPE = "DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "DC_SOURCE_STATUS_4"
MESSAGES = frozenset({AMBIENT, HEATER, TANK, CURRENT, BATTERY, TYPE})
COLD_MESSAGES = frozenset({AMBIENT, HEATER})
"""The messages of which one temperature alone is judged."""
_TEMPERATURES = {
    AMBIENT: "ambient_temperature",
    HEATER: "water_temperature",
    BATTERY: "source_temperature",
}
MIN_WATER_C, MIN_LIQUID_C, WATER_RELEASE_K = 2.0, -1.0, 1.0
"""Below the first, water is near freezing, below the second it freezes: a sensor differs by a kelvin or two from the
coldest place. Common practice, no source."""
MIN_CHARGE_C, CHARGE_RELEASE_K = 0.0, 0.5
"""Below this a lithium battery must not be charged: makers' data sheets."""
MIN_CHARGE_A, CHARGE_RELEASE_A = 1.0, 0.5
"""At a lower current a battery counts as not charged: offset of a shunt. Common practice, no source."""
MIN_COLD_US, MIN_CHARGED_US = 60 * SECOND_US, 10 * SECOND_US
"""How long it must be too cold, and how long a cold battery must be charged. Common practice, no source."""
LITHIUM_TYPE = 3
"""The code of lithium iron phosphate in DC_SOURCE_STATUS_4 (from memory)."""


class _Cold:
    """The temperature of a topic beside one limit."""

    def __init__(
        self, record: TopicRecord, place: ColdPlace, limit: float, release: float, beyond: float | None = None
    ) -> None:
        self.record = record
        self.field = _TEMPERATURES[record.topic.message or ""]
        self.place = place
        self.limit, self.release, self.beyond = limit, release, beyond
        self.is_cold = self.is_beyond = False
        self.contents = ""
        self.device = ""
        """What is at risk; empty for the device that sends the temperature."""
        self.condition: Lasting | None = None

    def compare(self) -> None:
        """Hold the last temperature against the limits."""
        celsius = value_of(self.record, self.field)
        if celsius is None:
            self.is_cold = self.is_beyond = False
            return
        self.is_cold = celsius < self.limit + (self.release if self.is_cold else 0.0)
        if self.beyond is not None:
            self.is_beyond = celsius < self.beyond + (self.release if self.is_beyond else 0.0)


class _Lithium:
    """The messages of one battery from one sender."""

    def __init__(self, *, is_planned: bool | None) -> None:
        self.is_planned = is_planned
        """Whether the rig has a lithium battery there; None where it does not say."""
        self.current: TopicRecord | None = None
        self.cold: _Cold | None = None
        self.type: TopicRecord | None = None
        self.is_charged = False

    @property
    def is_lithium(self) -> bool:
        """Whether it is a lithium battery, as far as is known."""
        if self.is_planned is not None:
            return self.is_planned
        return self.type is not None and value_of(self.type, "battery_type") == LITHIUM_TYPE

    @property
    def must_not_be_charged(self) -> bool:
        """Whether it is a lithium battery and too cold to be charged."""
        return self.cold is not None and self.cold.is_cold and self.is_lithium


class FreezeRisks:
    """Holds temperatures against what they do harm to."""

    def __init__(self, rig: "Rig | None", deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._place_of: Mapping[int, str] = ambient_places(rig)
        """The zone of each ambient sensor, by its instance."""
        self._tank_places = tank_places(rig)
        """Name and zone of each tank, by its instance."""
        self._fuel_grade: str | None = None
        self._burners: list[str] = []
        self._chemistry: dict[int, bool] = {}
        """Whether the battery of a DC source is of lithium, by its instance."""
        if rig is not None:
            if "fuel" in rig.model_fields_set:
                self._fuel_grade = rig.fuel.grade
            self._burners = [device.name for device in rig.devices if "furnace" in device.functions]
            instances = battery_instances(rig)
            self._chemistry = {
                instances[plan.name]: plan.chemistry == "lfp" for plan in rig.batteries if plan.name in instances
            }
        self._conditions = LastingConditions(26, deadlines, emit)
        self._colds: dict[TopicRecord, list[_Cold]] = {}
        self._tanks: dict[TopicRecord, None] = {}
        self._batteries: dict[tuple[int, int | None], _Lithium] = {}

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of one of the messages."""
        message, time, now = record.topic.message, record.frame.time, record.rhythm.times[-1]
        if message == TANK:
            self._tanks[record] = None
            self._compare_tanks(record, time, now)
        elif message in (CURRENT, BATTERY, TYPE):
            self._observe_battery(record, time, now)
        else:
            for cold in self._colds_of(record):
                cold.compare()
                self._update(cold, time, now)

    def renew(self, record: TopicRecord) -> None:
        """Report with the last temperature what is reported with another one, or of another device."""
        for cold in self._colds.get(record, ()):
            if cold.condition is not None:
                reported = cold.condition.reported
                is_renamed = reported is not None and reported.device != (cold.device or record.device.name)
                self._conditions.renew(cold.condition, record.frame.time, is_renamed=is_renamed)

    def enter(self, record: TopicRecord, last_change: LastChange) -> None:
        """Take in the last frames with new data that were passed over."""
        for cold in self._colds.get(record, ()):
            if cold.condition is not None and cold.condition.reported is not None:
                assert record.layout.spec is not None
                assert record.column is not None
                change = last_change(record.layout.spec.by_name[cold.field])
                if change is not None:
                    frame, since = record.column.frame(change.place), cold.condition.reported.since
                    self._conditions.enter(cold.condition, _problem(cold, None, change.time, since, frame))

    def refresh(self) -> None:
        """Have all that is reported be of the last frames."""
        self._conditions.refresh()

    def needs(self, spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        field = _TEMPERATURES.get(spec.name)
        levels: list[float] = []
        if spec.name == BATTERY:
            levels = [MIN_CHARGE_C, MIN_CHARGE_C + CHARGE_RELEASE_K]
        elif spec.name == HEATER or (spec.name == AMBIENT and self._place_of):
            levels = [MIN_WATER_C, MIN_WATER_C + WATER_RELEASE_K, MIN_LIQUID_C, MIN_LIQUID_C + WATER_RELEASE_K]
            if self._fuel_grade is not None:
                levels += [self._fuel_limit, self._fuel_limit + WATER_RELEASE_K]
        elif spec.name == TANK and self._tank_places:
            field, levels = "relative_level", [0.0]
        elif spec.name == TYPE:
            field, levels = "battery_type", [float(LITHIUM_TYPE)]
        if field is not None and field in spec.by_name and levels:
            yield Crossing(field, tuple(sorted(levels)))

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present."""
        fields = self._conditions.needed_fields(record)
        if record.topic.message == CURRENT and record.layout.spec is not None:
            battery = self._batteries.get((record.topic.source, record.topic.instance))
            if battery is not None and battery.must_not_be_charged and "dc_current" in record.layout.spec.by_name:
                fields = (record.layout.spec.by_name["dc_current"], *fields)
        return fields

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        for cold in self._colds.pop(record, ()):
            if cold.condition is not None:
                self._conditions.remove(cold.condition, time)
        if self._tanks.pop(record, record) is None:
            self._compare_tanks(record, time, record.rhythm.times[-1])
        battery = self._batteries.get((record.topic.source, record.topic.instance))
        if battery is not None and record.topic.message in (CURRENT, BATTERY, TYPE):
            self._forget_battery(battery, record, time)

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``."""
        self._conditions.resume_listening(now)

    @property
    def _fuel_limit(self) -> float:
        assert self._fuel_grade is not None
        return GELS_BELOW_C[self._fuel_grade] - PLUGGING_SPREAD_K

    # Places.

    def _colds_of(self, record: TopicRecord) -> list[_Cold]:
        colds = self._colds.get(record)
        if colds is None:
            colds = self._colds[record] = list(self._start(record))
            for cold in colds:
                self._find_contents(cold)
                self._add_condition(cold, [record], MIN_COLD_US)
        return colds

    def _find_contents(self, cold: _Cold) -> None:
        """Find which tanks with water are in the place of a temperature."""
        if cold.place is ColdPlace.TANK:
            place = self._place_of.get(_instance(cold.record))
            full = [self._tank_places[_instance(one)] for one in self._tanks if self._has_water(one)]
            cold.contents = ", ".join(sorted({f"the {name} tank" for name, zone in full if zone == place}))

    def _start(self, record: TopicRecord) -> Iterator[_Cold]:
        spec = record.layout.spec
        if spec is None or _TEMPERATURES[spec.name] not in spec.by_name:
            return
        if spec.name == HEATER:
            yield _Cold(record, ColdPlace.WATER_HEATER, MIN_WATER_C, WATER_RELEASE_K, MIN_LIQUID_C)
            return
        place = self._place_of.get(_instance(record))
        if place is None:
            return
        yield _Cold(record, ColdPlace.TANK, MIN_WATER_C, WATER_RELEASE_K, MIN_LIQUID_C)
        for burner in self._burners if place == OUTDOORS and self._fuel_grade is not None else ():
            cold = _Cold(record, ColdPlace.FUEL, self._fuel_limit, WATER_RELEASE_K)
            cold.device, cold.contents = burner, self._fuel_grade or ""
            yield cold

    def _add_condition(self, cold: _Cold, records: list[TopicRecord], lasts_us: int) -> None:
        fields = []
        for record in records:
            assert record.layout.spec is not None
            name = "dc_current" if record.topic.message == CURRENT else cold.field
            fields.append((record, record.layout.spec.by_name[name]))
        current = records[1] if len(records) > 1 else None
        cold.condition = self._conditions.add(lasts_us, fields, partial(_problem, cold, current))
        cold.condition.enters_changes = current is None

    def _update(self, cold: _Cold, time: int, now: int) -> None:
        holds = cold.is_cold and (cold.place is not ColdPlace.TANK or bool(cold.contents))
        assert cold.condition is not None
        self._conditions.update(cold.condition, time, now, holds=holds)

    def _has_water(self, record: TopicRecord) -> bool:
        return _instance(record) in self._tank_places and (value_of(record, "relative_level") or 0) > 0

    def _compare_tanks(self, record: TopicRecord, time: int, now: int) -> None:
        """Compare again what is cold where a tank is, whose level is known now or any more."""
        _, zone = self._tank_places.get(_instance(record), ("", ""))
        for colds in self._colds.values():
            for cold in colds:
                if cold.place is ColdPlace.TANK and self._place_of.get(_instance(cold.record)) == zone:
                    cold.record.refresh()
                    self._find_contents(cold)
                    self._update(cold, time, now)

    # Batteries.

    def _observe_battery(self, record: TopicRecord, time: int, now: int) -> None:
        key = record.topic.source, record.topic.instance
        battery = self._batteries.get(key)
        if battery is None:
            planned = self._chemistry.get(_instance(record))
            battery = self._batteries[key] = _Lithium(is_planned=planned)
        spec = record.layout.spec
        assert spec is not None
        match record.topic.message:
            case "DC_SOURCE_STATUS_1" if "dc_current" in spec.by_name:
                battery.current = record
            case "DC_SOURCE_STATUS_4" if "battery_type" in spec.by_name:
                battery.type = record
            case "DC_SOURCE_STATUS_2" if "source_temperature" in spec.by_name:
                if battery.cold is None:
                    battery.cold = _Cold(record, ColdPlace.LITHIUM, MIN_CHARGE_C, CHARGE_RELEASE_K)
                    battery.cold.is_beyond = True
                battery.cold.compare()
                battery.cold.is_beyond = True
        self._judge_charging(battery, time, now)

    def _judge_charging(self, battery: _Lithium, time: int, now: int) -> None:
        cold, current = battery.cold, battery.current
        if cold is None or current is None:
            return
        if cold.condition is None:
            self._add_condition(cold, [cold.record, current], MIN_CHARGED_US)
        if battery.must_not_be_charged:
            amps = value_of(current, "dc_current")
            least = CHARGE_RELEASE_A if battery.is_charged else MIN_CHARGE_A
            battery.is_charged = amps is not None and amps < -least
            current.choose_again()
        else:
            battery.is_charged = False
        assert cold.condition is not None
        self._conditions.update(cold.condition, time, now, holds=battery.is_charged)

    def _forget_battery(self, battery: _Lithium, record: TopicRecord, time: int) -> None:
        if battery.type is record:
            battery.type = None
        if battery.cold is not None and record in (battery.cold.record, battery.current):
            if battery.cold.condition is not None:
                self._conditions.remove(battery.cold.condition, time)
                battery.cold.condition = None
            battery.is_charged = False
        if battery.current is record:
            battery.current = None
        if battery.cold is not None and battery.cold.record is record:
            battery.cold = None


def _instance(record: TopicRecord) -> int:
    """Return the instance of a topic; -1, which no device has, for none."""
    return -1 if record.topic.instance is None else record.topic.instance


def _problem(cold: _Cold, current: TopicRecord | None, time: int, since: int, frame: Frame | None = None) -> TooCold:
    record = cold.record
    is_beyond = cold.is_beyond
    limit = cold.beyond if cold.beyond is not None and is_beyond else cold.limit
    other = None if current is None else reading_of(current, "dc_current")
    device = cold.device or record.device.name
    return TooCold(
        time,
        since,
        device,
        record.topic,
        reading_of(record, cold.field),
        cold.place,
        limit,
        cold.contents,
        other,
        is_beyond,
        frame or record.frame,
    )
