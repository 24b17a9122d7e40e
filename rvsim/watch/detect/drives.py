"""What moves a measured value for certain, and how much of it is enough: a table.

Knows: charge that flows out of a battery or into it, a water pump that runs, heaters that heat, and air that becomes
warmer or colder; the limits for each, with a margin for coarse sensors and large tanks. Does not know any reading.
"""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from rvsim.watch.detect.last_readings import value_of
from rvsim.watch.detect.places import OUTDOORS, ambient_places
from rvsim.watch.detect.supply_limits import battery_instances
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing
from rvsim.watch.transitions import Drive
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

SOURCE, CHARGE, TANK, PUMP = "DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "TANK_STATUS", "WATER_PUMP_STATUS"
WATER_HEATER, AMBIENT = "WATERHEATER_STATUS", "THERMOSTAT_AMBIENT_STATUS"
FURNACE, ROOF_FAN = "FURNACE_STATUS", "ROOF_FAN_STATUS_1"
BATTERY_INSTANCES = (1, 2, 3)
"""DC sources that are batteries (from memory)."""
FRESH, SECOND_FRESH = 0, 16
"""Instances of the tanks that a water pump draws from (from memory)."""
AH = 3600 * 1000 * SECOND_US
"""One ampere-hour as a sum of milliamperes over microseconds."""
_LEVELS_A = (20.0, 40.0, 80.0)
"""A current counts as the highest of these that it exceeds."""
_CURRENT = (Crossing("dc_current", (*(-level for level in reversed(_LEVELS_A)), *_LEVELS_A)),)
CHARGE_SHARE, UNKNOWN_CHARGE_AH = 0.05, 40.0
"""How much charge changes the state of charge for certain: ten steps of its field; of a battery whose size is not
known, a twentieth of 800 Ah. Common practice, no source."""
VOLTAGE_SHARE = 0.4
"""How much charge out of it changes the voltage of a battery: the flat part of lithium iron phosphate falls by two
steps of 0.05 V at least. Common practice, no source."""
MIN_CHARGE_PERCENT, MAX_CHARGE_PERCENT = 5.0, 95.0
"""Beyond these a monitor may stay at the end of its scale. Common practice, no source."""
SWING_LEVELS_A, SWING_A = (-40.0, 40.0), 80.0
"""Between a charge and a discharge of so much the voltage differs, whatever holds it. Common practice, no source."""
PUMP_LITRES_PER_S = 2.0 / 60
"""What a pump gives at least while it runs: a tap that is nearly closed, behind a pump of variable speed. Common
practice, no source."""
TANK_STEPS, UNKNOWN_TANK_LITRES = 3, 400.0
"""How many steps the level must be behind, and the size of a tank that does not tell it. Common practice, no source."""
MIN_LEVEL, MAX_LEVEL = 0.1, 0.95
"""Beyond these a pump may draw air, and a sender may not reach the water. Common practice, no source."""
WATER_BELOW_SET_POINT_K = 5.0
"""A heater without a tank keeps its water near the set point. Common practice, no source."""
FULL_HEAT_PERCENT = 90.0
MATES_K, OUTDOORS_K = 5.0, 10.0
"""How far the air of one place, and the air outdoors, must move until a sensor with steps of one degree follows. Common
practice, no source."""
_COLDEST_AIR_C, _HOTTEST_AIR_C = -60, 85
_BESIDE_ROUND_K = 2.3125
"""By how much the levels lie above multiples of their step: air mostly rests at round figures and halves of them, where
a sensor that wavers by a bit would pass a level with each frame. Sums of it and whole numbers are exact as floats."""
SECONDS, MINUTES, HOURS = SECOND_US, 60 * SECOND_US, 3600 * SECOND_US
MIN_REST_US = 10 * MINUTES
"""How long a value must be constant at least. Our decision."""


def _any(_: TopicRecord) -> bool:
    return True


class Work(NamedTuple):
    """Something that moves a value by what it does in sum.

    ``rate`` returns how much it does in each microsecond by the last frame of ``source``, in which ``crossings`` are
    all that matters; ``needed`` how much is enough for the value of a topic, None where that is not known; ``counts``
    whether the value can be judged where it is; ``relates`` whether the topics of value and source belong together.
    """

    drive: Drive
    message: str
    field: str
    source: str
    crossings: tuple[Crossing, ...]
    rate: Callable[[TopicRecord], int]
    needed: Callable[[TopicRecord], int | None]
    counts: Callable[[TopicRecord], bool]
    relates: Callable[[TopicRecord, TopicRecord], bool]
    is_cumulative: bool = False


class Movement(NamedTuple):
    """Something that moves a value by moving itself: ``least`` in the unit of ``source_field``, seen at ``levels``."""

    message: str
    field: str
    source: str
    source_field: str
    levels: tuple[float, ...]
    least: float
    min_us: int
    relates: Callable[[TopicRecord, TopicRecord], bool]
    counts: Callable[[TopicRecord], bool] = _any

    @property
    def crossings(self) -> tuple[Crossing, ...]:
        """What matters in the frames of the source."""
        return _CURRENT if self.source_field == "dc_current" else (Crossing(self.source_field, self.levels),)


def drives(rig: "Rig | None") -> Iterator[Work | Movement]:
    """Yield what moves values, with a rig or without."""
    capacities = _capacities(rig)
    for sign, drive in ((1, Drive.CHARGE_OUT), (-1, Drive.CHARGE_IN)):
        rate = partial(_milliamps, sign)
        yield Work(
            drive, CHARGE, "state_of_charge", SOURCE, _CURRENT, rate, partial(_charge_needed, capacities),
            _has_middle_charge, _is_same_battery,
        )  # fmt: skip
        if sign > 0 and capacities:
            yield Work(
                drive, SOURCE, "dc_voltage", SOURCE, _CURRENT, rate, partial(_voltage_needed, capacities), _any,
                _is_same_battery,
            )  # fmt: skip
    yield Movement(SOURCE, "dc_voltage", SOURCE, "dc_current", SWING_LEVELS_A, SWING_A, MIN_REST_US, _is_same_battery)
    if rig is None or not any(tank.content == "fresh" for tank in rig.tanks):
        runs = (Crossing("pump_status", (0.5,)), Crossing("water_hookup_detected", (0.5,)))
        yield Work(
            Drive.PUMP, TANK, "relative_level", PUMP, runs, _pumps, _pump_time_needed, _has_middle_level,
            lambda value, _: value.topic.instance == FRESH, is_cumulative=True,
        )  # fmt: skip
    heats = tuple(Crossing(name, (0.5,)) for name in (*_HEAT_SOURCES, "thermostat_status", _LIMIT_SWITCH))
    yield Work(
        Drive.WATER_HEATER, WATER_HEATER, "water_temperature", WATER_HEATER, heats, _heats_water,
        lambda _: 30 * MINUTES, _is_below_set_point, lambda value, source: value is source,
    )  # fmt: skip
    yield from _air_drives(ambient_places(rig))


def _air_drives(places: Mapping[int, str]) -> Iterator[Work | Movement]:
    def place(record: TopicRecord) -> str | None:
        return places.get(-1 if record.topic.instance is None else record.topic.instance)

    def is_mate(value: TopicRecord, source: TopicRecord) -> bool:
        return value is not source and place(value) == place(source) not in (None, OUTDOORS)

    def is_outdoors(value: TopicRecord, source: TopicRecord) -> bool:
        return place(value) not in (None, OUTDOORS) and place(source) == OUTDOORS

    yield Work(
        Drive.FURNACE, AMBIENT, "ambient_temperature", FURNACE,
        (Crossing("heat_output_level", (FULL_HEAT_PERCENT,)),), _gives_full_heat, lambda _: 3 * HOURS, _any,
        lambda value, source: value.topic.instance == source.topic.instance and place(value) != OUTDOORS,
    )  # fmt: skip
    field = "ambient_temperature"
    levels = tuple(level + _BESIDE_ROUND_K for level in range(_COLDEST_AIR_C, _HOTTEST_AIR_C, round(MATES_K)))
    yield Movement(
        ROOF_FAN, field, AMBIENT, field, levels, MATES_K, 30 * MINUTES,
        lambda value, source: value.topic.instance == source.topic.instance and place(source) != OUTDOORS, _is_on,
    )  # fmt: skip
    indoors = [zone for zone in places.values() if zone != OUTDOORS]
    if len(set(indoors)) < len(indoors):
        yield Movement(AMBIENT, field, AMBIENT, field, levels, MATES_K, 30 * MINUTES, is_mate)
    if indoors and len(indoors) < len(places):
        yield Movement(AMBIENT, field, AMBIENT, field, levels, OUTDOORS_K, 2 * HOURS, is_outdoors)


# Batteries.


def _capacities(rig: "Rig | None") -> dict[int, float]:
    """Return the ampere-hours of the planned batteries by the instance of their DC source."""
    if rig is None:
        return {}
    instances = battery_instances(rig)
    return {instances[plan.name]: plan.capacity_ah for plan in rig.vehicle.batteries if plan.name in instances}


def _milliamps(sign: int, record: TopicRecord) -> int:
    amps = value_of(record, "dc_current")
    return 0 if amps is None else max((round(1000 * level) for level in _LEVELS_A if sign * amps >= level), default=0)


def _charge_needed(capacities: Mapping[int, float], record: TopicRecord) -> int:
    capacity = capacities.get(record.topic.instance or 0)
    return round(AH * (UNKNOWN_CHARGE_AH if capacity is None else CHARGE_SHARE * capacity))


def _voltage_needed(capacities: Mapping[int, float], record: TopicRecord) -> int | None:
    capacity = capacities.get(record.topic.instance or 0)
    return None if capacity is None else round(AH * VOLTAGE_SHARE * capacity)


def _has_middle_charge(record: TopicRecord) -> bool:
    percent = value_of(record, "state_of_charge")
    return percent is not None and MIN_CHARGE_PERCENT <= percent <= MAX_CHARGE_PERCENT


def _is_same_battery(value: TopicRecord, source: TopicRecord) -> bool:
    """Return whether one device measures both on one battery."""
    battery = source.topic.instance
    return (value.topic.source, value.topic.instance) == (source.topic.source, battery) and battery in BATTERY_INSTANCES


# Water.


def _pumps(record: TopicRecord) -> int:
    return int(value_of(record, "pump_status") == 1 and value_of(record, "water_hookup_detected") != 1)


def _pump_time_needed(record: TopicRecord) -> int | None:
    steps, litres = value_of(record, "resolution"), value_of(record, "tank_size")
    if not steps:
        return None
    return max(5 * MINUTES, round(TANK_STEPS * (litres or UNKNOWN_TANK_LITRES) / steps / PUMP_LITRES_PER_S * SECONDS))


def _has_middle_level(record: TopicRecord) -> bool:
    level, steps = value_of(record, "relative_level"), value_of(record, "resolution")
    return level is not None and bool(steps) and MIN_LEVEL <= level / (steps or 1) <= MAX_LEVEL


_HEAT_SOURCES = ("burner_status", "ac_element_status")
_LIMIT_SWITCH = "high_temperature_limit_switch"


def _heats_water(record: TopicRecord) -> int:
    heats = any(value_of(record, name) == 1 for name in _HEAT_SOURCES)
    return int(heats and value_of(record, "thermostat_status") == 1 and value_of(record, _LIMIT_SWITCH) != 1)


def _is_below_set_point(record: TopicRecord) -> bool:
    water, wanted = value_of(record, "water_temperature"), value_of(record, "set_point_temperature")
    return water is not None and wanted is not None and water <= wanted - WATER_BELOW_SET_POINT_K


def _is_on(record: TopicRecord) -> bool:
    """Return whether a fan is on: one that is off may not measure."""
    return value_of(record, "system_status") == 1


def _gives_full_heat(record: TopicRecord) -> int:
    heat = value_of(record, "heat_output_level")
    return int(heat is not None and heat >= FULL_HEAT_PERCENT)
