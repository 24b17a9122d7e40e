"""Each check has a figure just inside its limit and one just outside: a sound van with one figure changed at a time.

The limits themselves are held by the tests of each check; here the two figures lie next to each other on both sides of
one, in a whole rig.
"""

import tomllib
from copy import deepcopy

import pytest

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.plan.answer import FLAG_KINDS, Check, flags_of
from rvsim.plan.report import CHECKS, PlanInput
from rvsim.rig.model import Rig

VAN = tomllib.loads((shipped.scenario_folder() / "rigs" / "wrenhollow.toml").read_text(encoding="utf-8"))
"""The van, without any flag."""
PAIRS = (  # where the figure stands, inside, outside, the kind of flag, the answer
    ("output/garage light/limit_amps", 1.2, 1.19, "rig-current", "output.garage_light.current"),
    ("module/front/limit_amps", 21.04, 21.03, "rig-current", "module.front.current"),
    ("relay/mat relay/contact_amps", 18.0, 17.9, "rig-current", "relay.mat_relay.contact"),
    ("relay/mat relay/coil_amps", 5.0, 5.01, "rig-current", "relay.mat_relay.coil"),
    ("relay/mat relay/pull_in_volts", 9.42, 9.43, "rig-current", "relay.mat_relay.pull_in"),
    ("relay/mat relay/min_contact_amps", 18.0, 18.1, "rig-current", "relay.mat_relay.lowest_load"),
    ("relay/mat relay/suppressor", "resistor", "diode", "rig-current", "relay.mat_relay.suppressor"),
    ("output/water pump/suppressed", True, False, "rig-current", "output.water_pump.suppressor"),
    ("output/heater mat/manual_override", True, False, "rig-current", "output.heater_mat.override"),
    ("module/rear/min_load_amps", 0.5, 0.51, "rig-current", "output.wardrobe_light.lamp_out"),
    ("output/water pump/peak_amps", 145.3, 145.4, "rig-current", "output.water_pump.start"),
    ("output/heater mat/wire/length_m", 6.08, 6.09, "rig-conductor", "output.heater_mat.drop_percent"),
    ("output/desk socket/wire/length_m", 4.99, 5.0, "rig-conductor", "output.desk_socket.peak_drop_percent"),
    ("branch/electronics/wire/length_m", 71.42, 71.43, "rig-conductor", "branch.electronics.drop_percent"),
    ("device/heater/cut_off_volts", 11.43, 11.44, "rig-conductor", "device.heater.cut_off"),
    ("output/water pump/cut_off_volts", 10.03, 10.04, "rig-conductor", "output.water_pump.cut_off"),
    ("output/heater mat/wire/area_mm2", 1.0, 0.75, "rig-conductor", "output.heater_mat.wire_amps"),
    ("output/galley light/wire/area_mm2", 1.0, 0.75, "rig-conductor", "output.galley_light.wire_size"),
    ("rules/source_volts", 10.57, 10.56, "rig-conductor", "device.heater.cut_off"),
    ("branch/main/fuse_amps", 225.0, 226.0, "rig-fuse", "branch.main.fuse_conductor"),
    ("branch/main/fuse_amps", 84.8, 84.7, "rig-fuse", "branch.main.fuse_margin"),
    ("branch/sun/fuse_distance_m", 0.178, 0.179, "rig-fuse", "branch.sun.fuse_distance"),
    ("branch/electronics/interrupting_amps", 1909.0, 1908.0, "rig-fuse", "branch.electronics.fuse_interrupting"),
    ("output/galley light/fuse_amps", 5.0, 6.0, "rig-fuse", "output.galley_light.fuse_size"),
    ("branch/front outputs/fuse_amps", 24.0, 23.9, "rig-fuse", "output.awning_out.fuse_order"),
    ("output/porch light/peak", "30ms", "31ms", "rig-fuse", "output.porch_light.fuse_start"),
    ("output/galley light/fuse_amps", 51.7, 51.8, "rig-fuse", "output.galley_light.fuse_reach"),
    ("input/door ladder/ladder/rungs/pump", 4054.0, 4055.0, "rig-ladder", "input.door_ladder.margin"),
    ("input/door ladder/ladder/tolerance_percent", 24.1, 24.2, "rig-ladder", "input.door_ladder.margin"),
    ("rules/ladder_contact_ohm", 154.7, 154.8, "rig-ladder", "input.door_ladder.contact"),
    ("input/door ladder/ladder/wetting_milliamps", 0.94, 0.95, "rig-ladder", "input.door_ladder.wetting"),
    ("tap/bed/length_m", 0.43, 0.44, "rig-harness", "tap.bed.chain_length"),
    ("tap/front/drops/galley panel/length_m", 1.83, 1.831, "rig-harness", "drop.galley_panel.length"),
    ("tap/front/ports", 5, 4, "rig-harness", "tap.front.ports"),
    ("tap/middle/terminator", False, True, "rig-harness", "harness.terminators"),
    ("tap/rear/length_m", 247.0, 247.1, "rig-harness", "harness.trunk_length"),
    ("ground/front bar/wire/length_m", 28.0, 28.1, "rig-harness", "harness.ground_shift"),
    ("ground/front bar/wire/area_mm2", 1.5, 1.0, "rig-conductor", "ground.front_bar.wire_amps"),
    ("rules/ground_shift_volts", 0.325, 0.324, "rig-harness", "harness.ground_shift"),
    ("device/grey tank/functions", {"tank": 2}, {"tank": 0}, "rig-identity", "function.tank.0"),
    ("device/starter monitor/address", 71, 69, "rig-identity", "device.battery_monitor.address"),
    ("module/front/output_count", 8, 7, "rig-identity", "module.front.outputs"),
    ("output/seat light/instance", 9, 1, "rig-identity", "function.dc_dimmer.1"),
    ("device/galley panel/settings/fresh_tank", 0, 3, "rig-provider", "device.galley_panel.needs.TANK_STATUS_3"),
    ("device/bed keypad/needs", ["TANK_STATUS 2"], ["TANK_STATUS 1"], "rig-provider",
     "device.bed_keypad.needs.TANK_STATUS_1"),
    ("motion/awning/must_hold", {"ignition": "off"}, {}, "rig-provider", "motion.awning.interlock"),
    ("endurance/storage_days", 93.7, 93.8, "rig-endurance", "battery.house.storage_days"),
    ("endurance/drive_hours", 2.7, 2.6, "rig-endurance", "battery.house.drive_recovery"),
    ("endurance/sun_hours", 3.25, 3.24, "rig-endurance", "battery.house.sun_recovery"),
    ("endurance/night_hours", 20.2, 20.3, "rig-endurance", "battery.house.night_ah"),
    ("endurance/night_c", -16.0, -16.1, "rig-endurance", "fuel.cold"),
    ("fuel/start_percent", 3.07, 3.06, "rig-endurance", "night.fuel"),
    ("coolant/burner_w", 1513.0, 1512.0, "rig-endurance", "device.heater.night_heat"),
    ("battery/house/zone", "cabin", "outdoors", "rig-endurance", "battery.house.charge_cold"),
    ("fuel/grade", "E", "D", "rig-endurance", "fuel.cold"),
    ("endurance/storage_c", -49.8, -49.9, "rig-endurance", "battery.starter.frozen_in_storage"),
)  # fmt: skip
CHECK_OF = {str(kind): check for check, kind in FLAG_KINDS.items() if check is not Check.SPARE}


def flagged(place, value, kind, catalogue):
    """Return the kinds of flags by the answers that raise them, in the van with another figure."""
    data = deepcopy(VAN)
    *tables, key = place.split("/")
    inner = data
    for step in tables:
        if isinstance(inner, list):
            inner = next(one for one in inner if step in (one.get("name"), one.get("device")))
        else:
            inner = inner[step]
    inner[key] = value
    rig = Rig.model_validate(data, context={"kinds": settings_models(), "for_plan": True})
    answers = [one for one in CHECKS[CHECK_OF[kind]](PlanInput(rig, catalogue)).answers if one.is_flagged]
    return {answer.key: str(flag.kind) for answer in answers for flag in flags_of([answer])}


@pytest.mark.parametrize(("place", "inside", "outside", "kind", "key"), PAIRS)
def test_just_inside_and_just_outside(place, inside, outside, kind, key, catalogue):
    """The figure inside raises no flag from this answer; the next one outside does, of its kind."""
    assert key not in flagged(place, inside, kind, catalogue)
    assert flagged(place, outside, kind, catalogue)[key] == kind


def test_there_are_pairs_for_every_check_of_figures():
    """All checks but the load of the bus, which no single figure of a van brings near its limit."""
    assert {kind for *_, kind, _ in PAIRS} == {str(kind) for kind in FLAG_KINDS.values()} - {"rig-budget"}
    assert len(PAIRS) >= 50
