"""Every figure of energy among the settings of a device shows: a change of it moves a reading as physics says.

A row: the key, another value, the reading that moves, and 1 where it becomes larger, -1 where smaller. Each kind has a
script of its own in which what the figures mean happens: a start, full output, a stop. Readings are joules since the
start but for litres and the last watts.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import pytest

from rvsim.devices.registry import settings_models

FULL, NO_HEAT = "01 FC C8 C8 FF FF FF FF", "01 FC 00 00 FF FF FF FF"
FURNACE, WATER, PUMP, FAN, COOLER = 0x19FFE344, 0x19FFF644, 0x19FE9644, 0x19FEA644, 0x19FFE044
CHARGER, GENERATOR, SWITCH = 0x19FFC544, 0x19FFDA44, 0x19FECF44
HALF_EMPTY = {"battery": {"start_percent": 50.0}}
TWO = {
    "battery": [{"name": "house", "start_percent": 50.0}, {"name": "starter", "start_percent": 90.0}],
    "branch": [{"name": "feed", "battery": "starter"}],
}
NOON = {"day_of_year": 170, "start_hour": 12.0, "cloud_percent": 0.0}
Script = Callable[[Any], object]
Row = tuple[str, Any, str, int]


class Case(NamedTuple):
    """A device, what happens to it, and the keys that show by that."""

    kind: str
    functions: Mapping[str, int]
    script: Script
    rows: Sequence[Row]
    put: Mapping[str, Any] = {}
    settings: Mapping[str, Any] = {}


def _amps(*keys: str) -> list[Row]:
    """Currents from the battery: more of each is more energy taken."""
    return [(key, 9.0, "taken", 1) for key in keys]


def _burn(one: Any) -> None:
    one.until(3).put(FURNACE, FULL).until(200).put(FURNACE, "01 FC C8 01 FF FF FF FF").until(260)
    one.put(FURNACE, NO_HEAT).until(330)


def _after(start: int, command: int, data: str, end: int) -> Script:
    return lambda one: one.until(start).put(command, data).until(end)


def _cook(watts: float, end: int, *commands: tuple[int, str]) -> Script:
    def go(one: Any) -> None:
        one.until(3).world.set_mains_load("oven", watts)
        for command, data in commands:
            one.put(command, data)
        one.until(end)

    return go


def _drive(rpm: float, end: int) -> Script:
    def go(one: Any) -> None:
        one.bench.site.engine_rpm = rpm
        one.until(end)

    return go


def _hold(volts: float, end: int) -> Script:
    def go(one: Any) -> None:
        one.world.set_charge("engine", volts, 300.0, "starter")
        one.until(end)

    return go


def _draw(end: int) -> Script:
    def go(one: Any) -> None:
        one.until(3).world.set_draw("tap", 30.0)
        one.until(end)

    return go


def _stall(one: Any) -> None:
    one.until(3).put(PUMP, "01 F1 FF FF FF FF FF FF").bench.call_device(
        "circulation pump", lambda it: it.block(is_blocked=True)
    )
    one.until(12)


def _wait(end: int) -> Script:
    return lambda one: one.until(end)


BOTTLE = {"tank": [{"name": "gas", "content": "lpg"}], "hot_water": {"loss_w_per_k": 0.0}}
STILL = {"people": {"count": 0}, "fresh_tank": {"litres": 100.0}, "grey_tank": {"litres": 200.0}}
SUMMER = {"cabin": {"start_c": 32.0, "start_humidity_percent": 70.0}, "shore": {"amps": 100.0}}
CASES: Sequence[Case] = [
    Case("heater", {"furnace": 1, "water_heater": 1}, _burn, [
        *_amps("electronics_amps", "pump_amps", "burner_amps", "chamber_fan_amps", "fan_amps"),
        ("glow_amps", 30.0, "taken", 1), ("low_burner_amps", 9.0, "taken", 1), ("low_output_percent", 60.0, "burnt", 1),
    ], {"vehicle": {"coolant": {"start_c": 50.0, "litres": 40.0}}}),
    Case("air_furnace", {"furnace": 1}, _burn, [
        *_amps("electronics_amps", "burner_amps", "low_burner_amps", "after_run_amps"),
        ("glow_amps", 30.0, "taken", 1), ("heat_w", 3000.0, "gains", 1), ("low_heat_w", 1500.0, "gains", 1),
        ("efficiency_percent", 50.0, "fuel", -1), ("full_air_litres_per_s", 60.0, "outlet", -1),
    ]),
    Case("water_heater", {"water_heater": 1}, _after(6, WATER, "01 03 FF FF FF FF FF FF", 120), [
        ("gas_w", 4000.0, "water", 1), ("gas_efficiency_percent", 50.0, "gas", -1), ("element_w", 700.0, "water", -1),
        *_amps("valve_amps", "spark_amps", "electronics_amps"),
    ], {"vehicle": BOTTLE}, {"gas_tank": "gas"}),
    Case("water_pump", {"water_pump": 1}, _draw(40), [
        ("litres_per_min", 18.0, "fresh", -1), *_amps("electronics_amps", "low_amps"), ("high_amps", 20.0, "taken", 1),
    ], {"vehicle": STILL}, {"buffer_litres": 2.0}),
    Case("water_pump", {"water_pump": 1}, _wait(30), _amps("dry_amps"),
         {"vehicle": {**STILL, "fresh_tank": {"start_percent": 0.0}}}),
    Case("circulation_pump", {"circulation_pump": 1}, _after(3, PUMP, "01 F1 FF FF FF FF FF FF", 30),
         _amps("amps", "electronics_amps")),
    Case("circulation_pump", {"circulation_pump": 1}, _stall, _amps("stall_amps")),
    Case("roof_fan", {"roof_fan": 1}, _after(3, FAN, "01 D5 C8 FC FF FF FF FF", 60), [
        ("full_flow_litres_per_s", 75.0, "vent", -1), ("full_pa", 5.0, "vent", -1),
        *_amps("full_amps", "electronics_amps", "dome_amps"),
    ], {"vehicle": {"cabin": {"inlet_m2": 0.03}}}),
    Case("air_conditioner", {"air_conditioner": 1}, _after(3, COOLER, "01 01 FF FF C8 C8 FF FF", 300), [
        ("capacity_w", 6000.0, "gains", -1), ("compressor_w", 2000.0, "mains", 1), ("fan_w", 500.0, "mains", 1),
        ("latent_percent", 50.0, "gains", 1), *_amps("electronics_amps"),
    ], {"vehicle": SUMMER, "outdoor_c": 35.0}),
    Case("charger", {"charger": 1, "dc_source": 1}, _wait(60), [
        ("full_amps", 15.0, "given", -1), ("efficiency_percent", 50.0, "mains", 1),
        ("input_limit_amps", 2.0, "given", -1),
    ], {"vehicle": HALF_EMPTY}),
    Case("charger", {"charger": 1, "dc_source": 1}, _after(3, CHARGER, "01 00 FF FF FF FF FF FF", 10),
         [("standby_w", 50.0, "mains", 1)]),
    Case("solar_controller", {"solar_controller": 1}, _wait(60), [
        ("panel_w", 100.0, "given", -1), ("efficiency_percent", 50.0, "given", -1), ("full_amps", 3.0, "given", -1),
        ("loss_percent_per_k", 1.0, "given", -1), ("shaded_percent", 50.0, "given", -1), ("noct_c", 70.0, "given", -1),
        ("gap_mm", 100.0, "given", 1), ("tilt_deg", 90.0, "given", -1), *_amps("electronics_amps"),
    ], {"vehicle": HALF_EMPTY, "weather": NOON, "outdoor_c": 20.0}),
    Case("alternator", {"charger": 0x31}, _drive(1500.0, 60), [
        ("full_amps", 30.0, "given", -1), ("pulley_ratio", 3.0, "given", 1), *_amps("field_amps"),
    ], {"vehicle": {"battery": {"chemistry": "lfp", "start_percent": 30.0, "capacity_ah": 400.0, "start_c": 20.0}},
        "shore_power": False}),
    Case("alternator", {"charger": 0x31}, _wait(10), _amps("standby_amps"), {"shore_power": False}),
    Case("dc_dc_charger", {"charger": 3}, _hold(14.2, 60), [
        ("full_amps", 10.0, "given", -1), ("efficiency_percent", 50.0, "taken", 1),
    ], {"vehicle": TWO, "plan": {"branch": "feed"}, "shore_power": False}),
    Case("dc_dc_charger", {"charger": 3}, _wait(10), _amps("standby_amps"),
         {"vehicle": TWO, "plan": {"branch": "feed"}, "shore_power": False}),
    Case("inverter", {"inverter": 1}, _cook(500.0, 30), [
        ("rated_w", 6000.0, "taken", 1), ("no_load_w", 100.0, "taken", 1),
        ("nominal_efficiency_percent", 70.0, "taken", 1),
        *_amps("standby_amps"),
    ], {"shore_power": False}),
    Case("inverter", {"inverter": 1}, _wait(10), [("sense_w", 50.0, "taken", 1)], {"shore_power": False},
         {"load_sense": True}),
    Case("inverter", {"inverter": 1}, _cook(30.0, 10), [("sense_threshold_w", 100.0, "mains oven", -1)],
         {"shore_power": False}, {"load_sense": True}),
    Case("generator", {"generator": 1}, _cook(1500.0, 200, (GENERATOR, "01 FF FF FF FF FF FF FF")), [
        *_amps("electronics_amps", "running_amps"), ("preheat_amps", 50.0, "taken", 1),
        ("crank_amps", 300.0, "taken", 1),
        ("idle_litres_per_h", 1.0, "fuel", -1), ("full_litres_per_h", 5.0, "fuel", -1), ("rated_w", 9000.0, "fuel", 1),
    ], {"shore_power": False, "vehicle": {"battery": {"capacity_ah": 200.0}}}),
    Case("dc_disconnect", {"dc_disconnect": 1}, _wait(10), _amps("coil_amps", "electronics_amps"),
         {"vehicle": {"battery": [{"name": "house"}]}}, {"latching": False}),
    Case("tank", {"tank": 0}, _wait(10), _amps("electronics_amps")),
    Case("ambient", {"ambient_sensor": 1}, _wait(10), _amps("electronics_amps")),
    Case("fridge", {"refrigerator": 1}, _wait(1500), [
        ("compressor_w", 90.0, "taken", 1), ("duty_percent", 70.0, "taken", 1), ("set_c", -10.0, "inside", -1),
        *_amps("electronics_amps"),
    ], {"vehicle": {"cabin": {"start_c": 25.0}, "people": {"count": 0}}, "outdoor_c": 25.0}),
    Case("fridge", {"refrigerator": 1}, _wait(120), [("cop", 4.0, "gains", -1)],
         {"vehicle": {"cabin": {"start_c": 25.0}}, "outdoor_c": 25.0}),
]  # fmt: skip
NOT_HERE = {
    "air_conditioner.start_amps",  # for 0.3 s: test_air_conditioner.py
    "roof_fan.light_amps",  # with its light on: test_roof_fan.py
    "battery_monitor.offset_amps", "battery_monitor.charge_efficiency_percent",  # what it tells, not what flows
    "battery_monitor.full_current_percent",  # when it counts itself full: test_battery_monitor.py
    "dc_disconnect.max_break_amps",  # a limit: test_dc_disconnect.py
    "own.amps",  # a table: tests/devices/own
    "battery_monitor.start_percent",  # what it believes at its start
    "charger.tail_percent", "solar_controller.tail_percent", "alternator.tail_percent", "dc_dc_charger.tail_percent",
    "inverter.surge_percent",  # a limit: test_inverter.py
    "tank.slosh_percent",  # what a sender reads: test_tank.py
}  # fmt: skip
ENDS = ("_w", "amps", "_percent", "litres_per_h", "litres_per_s", "litres_per_min", "cop", "pulley_ratio", "full_pa")


def readings(one: Any) -> Mapping[str, float]:
    """Everything that a row may look at."""
    world, name = one.world, one.bench.devices[0].name
    electric, heat = world.electric_account(), world.heat_account()
    return {
        "taken": electric.out_j, "given": electric.in_j, "gains": heat.gains_j, "burnt": heat.burner_j,
        "water": heat.water_j, "fuel": world.fuel_litres, "fresh": world.tank_litres("fresh"),
        "gas": world.tank_litres("gas") if "gas" in world.tank_names() else 0.0, "outlet": world.outlet_c(),
        "inside": world.inside_c() or 0.0,
        "vent": world.vent_litres_per_s(), "mains": world.mains_watts(name), "mains oven": world.mains_watts("oven"),
    }  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=[f"{case.kind}, {case.rows[0][0]}" for case in CASES])
def test_settings_show(alone: Callable[..., Any], case: Case) -> None:
    """Each key by more than rounding, the way it should."""

    def end(**changed: Any) -> Mapping[str, float]:
        one = alone(case.kind, settings={**case.settings, **changed}, **case.put, **case.functions)
        case.script(one)
        assert one.bench.failures == []
        return readings(one)

    before = end()
    for key, value, reading, sign in case.rows:
        moved = (end(**{key: value})[reading] - before[reading]) * sign
        assert moved > 1e-4 * max(1e-2, abs(before[reading])), f"{key} = {value} does not show in {reading}"


SWITCHED = {"awning", "keypad", "load_centre", "lock", "panel", "window_shade"}
"""Kinds whose figures are those of what they switch, light or move: their own tests have them."""


def test_no_figure_is_forgotten() -> None:
    """Every key that ends like a power, a current, a share or a flow has its row, or a reason why not."""
    shown = {f"{case.kind}.{key}" for case in CASES for key, *_ in case.rows}
    keys = {
        f"{kind}.{key}"
        for kind, model in settings_models().items()
        if kind not in SWITCHED
        for key in model.model_fields
    }
    assert {key for key in keys if key.endswith(ENDS)} - shown == NOT_HERE
