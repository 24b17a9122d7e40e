"""What a cold night does to water, coolant, fuel, gas and lithium.

Knows: the freezing of water in a tank, of the coolant, the plugging point of diesel, the pressure of gas, and the
lowest temperature at which lithium is charged. Does not know how warm a place is (`night_heat` does).
"""

from collections.abc import Iterator

from rvsim.plan.answer import Answer, Check, Rule, path_name, unchecked
from rvsim.plan.endurance_answer import endurance_answer, held_litres
from rvsim.plan.night_heat import NightHeat
from rvsim.rig.climate import FIRST_ZONE, OUTDOORS
from rvsim.rig.electric import BatteryPlan
from rvsim.rig.fuel_grades import GELS_BELOW_C, PLUGGING_SPREAD_K
from rvsim.rig.tanks import FIRST_TANKS, LPG, ExtraTankPlan, TankPlan
from rvsim.shakedown.cautions import MIN_LITHIUM_CHARGE_C
from rvsim.watch.flag import Severity
from rvsim.world.coolant import freezes_below_c
from rvsim.world.freezing import hours_to_zero
from rvsim.world.fuel import MIN_GAS_PA, gas_pa

FILLED_C = 10.0
"""The temperature of water at the start of the night. Our decision: as it comes from the ground."""
SEA_LEVEL_PA = 101_325.0
COLD_FUEL_RULE = Rule(
    "EN 590 tables 2 and 3, plugging point by class; ASTM D6371", "read as an excerpt", "two laboratories differ by 4 K"
)
FREEZE_RULE = Rule(
    "still water at 0 C; ASHRAE's cooling of water by its loss", "read as an excerpt; 10 C at the start is our decision"
)
COOLANT_RULE = Rule("Lange's Handbook of Chemistry (propylene); a handbook table (ethylene)", "read as an excerpt")
LITHIUM_RULE = Rule("no charge below 0 C: a battery maker's manual, table 4.3; a cell maker's data sheet", "read")
LPG_RULE = Rule(
    "pressure above the liquid, boiling points by CoolProp", "read", "a caravan manual: butane gives none below 2 C"
)


def cold_answers(heat: NightHeat) -> Iterator[Answer]:
    """Yield what can freeze: water, coolant, fuel, gas, and lithium that must not be charged."""
    rig = heat.rig
    tanks = [(name, getattr(rig, f"{name}_tank"), False) for name in FIRST_TANKS]
    tanks = [one for one in tanks if f"{one[0]}_tank" in rig.model_fields_set]
    tanks += [(one.name, one, one.content == LPG) for one in rig.tanks]
    for name, tank, is_gas in tanks:
        key = f"tank.{path_name(name)}.{'gas' if is_gas else 'freeze'}"
        question = "Does it give gas at night?" if is_gas else "Does it freeze?"
        if not heat.is_known(tank.zone):
            rule = LPG_RULE if is_gas else FREEZE_RULE
            yield unchecked(key, Check.ENDURANCE, name, question, rule, heat.missing)
        elif is_gas:
            yield _gas(key, question, name, tank, heat.place_c(tank.zone))
        else:
            yield _water(key, question, name, tank, heat)
    if "glycol_percent" in rig.coolant.model_fields_set:
        freezes = freezes_below_c(rig.coolant.glycol_percent, rig.coolant.glycol)
        yield endurance_answer(
            "coolant.freeze", "coolant", "Does the coolant freeze while the heater is off?",
            f"{rig.coolant.glycol_percent:g} % {rig.coolant.glycol} glycol freezes at {freezes:.1f} C",
            COOLANT_RULE, heat.outdoor_c - freezes, "K", f"night_c, {heat.outdoor_c:g} C, not below it",
            is_wrong=heat.outdoor_c < freezes,
            text=f"it freezes at {freezes:.1f} C, and the night has {heat.outdoor_c:g} C",
            advice="add glycol", unproven="It does not prove the mix: measure it.",
        )  # fmt: skip
    if any(not run.heater.is_gas for run in heat.runs) or "fuel" in rig.model_fields_set:
        yield _fuel_cold(heat)
    for battery in rig.batteries if "batteries" in rig.model_fields_set else ():
        if battery.chemistry == "lfp":
            yield _lithium(heat, battery)


def _gas(key: str, question: str, name: str, tank: ExtraTankPlan, celsius: float) -> Answer:
    above = gas_pa(tank.gas, celsius) - SEA_LEVEL_PA
    return endurance_answer(
        key, name, question, f"{tank.gas} at {celsius:.1f} C: {above / 1000:.0f} kPa above the air", LPG_RULE,
        above / 1000, "kPa", f"at least {MIN_GAS_PA / 1000:g} kPa", is_wrong=above < MIN_GAS_PA,
        text=f"{tank.gas} gives no gas at {celsius:.1f} C", advice="use propane, or a warmer locker",
        unproven="It does not prove the regulator, the hose, or how fast the bottle cools while gas is taken.",
    )  # fmt: skip


def _water(key: str, question: str, name: str, tank: TankPlan, heat: NightHeat) -> Answer:
    celsius = heat.place_c(tank.zone)
    if celsius >= 0:
        return endurance_answer(
            key, name, question, f"air around it {_where(tank.zone)}: {celsius:.1f} C", FREEZE_RULE, celsius, "C",
            "not below 0 C", unproven="It does not prove pipes, valves and drains outside.",
        )  # fmt: skip
    if "litres" not in tank.model_fields_set:
        return unchecked(key, Check.ENDURANCE, name, question, FREEZE_RULE, [f"litres of the {name} tank"])
    held, content = held_litres(tank)
    hours = hours_to_zero(held, tank.loss_w_per_k, FILLED_C, celsius)
    return endurance_answer(
        key, name, question,
        f"{content} x 4186 J/(l K) / {tank.loss_w_per_k:g} W/K x ln(({FILLED_C:g} + {-celsius:.1f}) / "
        f"{-celsius:.1f}) = {hours:.1f} h in air of {celsius:.1f} C {_where(tank.zone)}",
        FREEZE_RULE, hours, "h", f"at least {heat.hours:g} h until 0 C", is_wrong=hours < heat.hours,
        text=f"the air around it is at {celsius:.1f} C, and its water is at 0 C after {hours:.1f} h",
        advice="empty it, or warm its place",
        unproven="It does not prove pipes, valves and drains outside, which freeze much sooner.",
    )  # fmt: skip


def _where(place: str) -> str:
    return place if place == OUTDOORS else f"in {place}"


def _fuel_cold(heat: NightHeat) -> Answer:
    fuel = heat.rig.fuel
    key, question = "fuel.cold", "Does the fuel pass its filter in the cold?"
    if "grade" not in fuel.model_fields_set:
        return unchecked(key, Check.ENDURANCE, "fuel", question, COLD_FUEL_RULE, ["grade of [fuel]"])
    limit = GELS_BELOW_C[fuel.grade]
    margin = heat.outdoor_c - limit
    is_below = margin < 0
    text = f"class {fuel.grade} plugs filters at {limit:g} C, and the night has {heat.outdoor_c:g} C"
    if not is_below:
        text += f": within the {PLUGGING_SPREAD_K:g} K by which two laboratories differ"
    return endurance_answer(
        key, "fuel", question, f"{heat.outdoor_c:g} C - ({limit:g} C of class {fuel.grade}) = {margin:g} K",
        COLD_FUEL_RULE, margin, "K", f"at least {PLUGGING_SPREAD_K:g} K above its plugging point",
        is_wrong=margin < PLUGGING_SPREAD_K, severity=Severity.WARNING if is_below else Severity.NOTICE, text=text,
        advice="fill a class for lower temperatures before the cold comes",
        unproven="It does not prove what was filled last, nor water in the tank.",
    )  # fmt: skip


def _lithium(heat: NightHeat, battery: BatteryPlan) -> Answer:
    key, question = f"battery.{path_name(battery.name)}.charge_cold", "Is it warm enough to be charged?"
    place = battery.zone or FIRST_ZONE
    if not heat.is_known(place):
        return unchecked(key, Check.ENDURANCE, battery.name, question, LITHIUM_RULE, heat.missing)
    celsius = heat.place_c(place)
    return endurance_answer(
        key, battery.name, question, f"air around it {_where(place)}: {celsius:.1f} C at the end of a long night",
        LITHIUM_RULE, celsius, "C", f"at least {MIN_LITHIUM_CHARGE_C:g} C", is_wrong=celsius < MIN_LITHIUM_CHARGE_C,
        text=f"it comes down to {celsius:.1f} C, and must not be charged then",
        advice="put it into a heated zone, or charge it only after its cells are warm",
        unproven="It does not prove that its protection or the chargers keep to it.",
    )  # fmt: skip
