"""The night at the forecast: heat, fuel and ampere-hours by hand, what freezes, and the same night simulated.

Knows: the questions of a night and their limits. Does not know how heat and loads are computed (`night_heat`,
`night_loads`), nor storage and the way back to a full battery (`storage`).

Carbon monoxide and flames have no computed answer: a caution stands in their place.
"""

from collections.abc import Iterator, Sequence
from math import log
from typing import TYPE_CHECKING

from rvsim.devices.combustion.burner_device import CAUTION
from rvsim.plan.answer import Answer, Check, PlanTable, Rule, Section, path_name, unchecked
from rvsim.plan.charging import charging_answers
from rvsim.plan.cold import cold_answers
from rvsim.plan.endurance_answer import WARM_TEXT, endurance_answer, held_litres
from rvsim.plan.night_heat import HeaterRun, NightHeat
from rvsim.plan.night_loads import Load, Loads
from rvsim.plan.simulated_night import SimulatedNight, run_night
from rvsim.plan.storage import BatteryNight, recovery_answers, storage_answers, usable_ah
from rvsim.plan.unit_mistakes import battery_mistakes
from rvsim.rig.climate import FIRST_ZONE, FuelPlan
from rvsim.rig.electric import BatteryPlan
from rvsim.rig.model import Rig
from rvsim.rig.tanks import TankPlan
from rvsim.shakedown.cautions import LITHIUM
from rvsim.watch.flag import Severity
from rvsim.world.chemistry import CHEMISTRIES

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

MAX_FUEL_DIFFERENCE_PERCENT, MAX_AH_DIFFERENCE_PERCENT = 10.0, 10.0
"""How far a night by hand may be from the simulated one: fuel and ampere-hours. Our decision, by measuring nights from
-20 to 12 C of the shipped vehicles: 9 % (0.03 L) and 6 %. By the whole bench with all devices of one of them, at -15 C,
the fuel was 1 % apart."""
MIN_COMPARED = {"L": 0.5, "Ah": 5.0}
"""A difference is a share of at least this: of less a share means nothing. Our decision."""
ARITHMETIC = (
    "This is arithmetic from the figures given. Local law, the makers' instructions and a licensed person decide."
)
LEAD = "Lead-acid: it gives off hydrogen while it is charged; ventilate its place."
HEAT_RULE = Rule(
    "heat by U-values (EN ISO 6946 for walls) and 0.336 W for each m3/h of air and kelvin",
    "read; the figure of air is computed for 20 C at sea level",
)
FUEL_RULE = Rule(
    "lower heating value of diesel 35.81 MJ/l, US DOE Alternative Fuels Data Center",
    "read",
    "by the higher value, 38.3 to 38.6 MJ/l, it would be 7 % less fuel",
)
GAS_RULE = Rule("lower heating value of propane 45.99 MJ/kg, 0.508 kg/l of liquid gas", "read")
POWER_RULE = Rule("a heater gives at least what the zones lose", "common practice, no source")
AH_RULE = Rule("Ah = sum of current x share of the time x hours; Peukert's law in the form for 20 hours", "read")
WARM_UP_RULE = Rule("one heat capacity that loses heat in proportion to its temperature", "common practice, no source")
WARM_UP_TEXT = "It does not prove the figure of the capacity, which few rigs know; the sensor must follow the air."
SIMULATED_RULE = Rule("the physics of the bench, controlled by thermostats; bounds by measuring", "our decision")


def check_endurance(given: "PlanInput") -> Section:
    """Check a night, the storage and the way back to a full battery."""
    rig, plan = given.rig, given.rig.endurance
    loads = Loads(rig)
    heat = None
    answers: list[Answer] = []
    tables: list[PlanTable] = []
    if plan.night_c is None:
        missing = ["night_c of [endurance]"]
        question = "Does it last through the night at the forecast?"
        answers.append(unchecked("night.heat_loss", Check.ENDURANCE, "night", question, HEAT_RULE, missing))
    else:
        heat = NightHeat(rig, plan.night_c, plan.inside_c, plan.night_hours)
        answers += [*_heat(heat), *cold_answers(heat)]
    nights: dict[str, BatteryNight] = {}
    if heat is not None:
        found = loads.night(heat)
        for battery in rig.batteries if "batteries" in rig.model_fields_set else ():
            night = _battery_night(heat, battery, found)
            answers.append(_night_answer(rig, battery, night))
            nights[battery.name] = night
        if "batteries" not in rig.model_fields_set:
            missing = ["capacity_ah of [battery]"]
            key, question = "battery.night_ah", _NIGHT_AH
            answers.append(unchecked(key, Check.ENDURANCE, "battery", question, AH_RULE, missing))
        tables.append(_table(heat, found, rig))
        if given.simulate_night:
            answers += _simulated(heat, nights, found)
    stored, table = storage_answers(rig, loads)
    answers += [*stored, *recovery_answers(rig, loads, nights), *battery_mistakes(rig.batteries)]
    answers += charging_answers(rig, loads)
    tables += table
    return Section(Check.ENDURANCE, tuple(answers), tuple(tables), tuple(_cautions(rig)))


def night_of(given: "PlanInput") -> NightHeat | None:
    """Return the heat of the forecast night by hand; None where the rig has no forecast, or no figures of its zones."""
    plan = given.rig.endurance
    heat = None if plan.night_c is None else NightHeat(given.rig, plan.night_c, plan.inside_c, plan.night_hours)
    return None if heat is None or heat.missing else heat


def simulate_night(given: "PlanInput") -> SimulatedNight | None:
    """Run the forecast night in the physics, with the other loads as by hand; None where nothing can be computed."""
    heat = night_of(given)
    if heat is None:
        return None
    house = given.rig.vehicle.battery.name
    others = sum(load.amps or 0.0 for load in Loads(given.rig).night(heat) if load.battery == house)
    return run_night(given.rig, heat, others)


def _heat(heat: NightHeat) -> Iterator[Answer]:
    """Yield the heat that zones lose, whether each heater can give it, and the fuel."""
    rig, hours = heat.rig, heat.hours
    question = f"How much heat keeps {heat.inside_c:g} C inside at {heat.outdoor_c:g} C outside?"
    if heat.missing:
        yield unchecked("night.heat_loss", Check.ENDURANCE, "night", question, HEAT_RULE, heat.missing)
        return
    if not heat.heated:
        missing = ["a device with the function furnace"]
        yield unchecked("night.heat_loss", Check.ENDURANCE, "night", question, HEAT_RULE, missing)
        return
    kwh = heat.lost_w * hours / 1000
    formula = f"{heat.lost_text} = {heat.lost_w:.0f} W; x {hours:g} h = {kwh:.1f} kWh"
    yield endurance_answer(
        "night.heat_loss", "night", question, formula, HEAT_RULE, heat.lost_w, "W", "none: what is needed"
    )
    if heat.missing_of_heaters:
        question = "How much fuel does the night take?"
        yield unchecked("night.fuel", Check.ENDURANCE, "night", question, FUEL_RULE, heat.missing_of_heaters)
        return
    for run in heat.runs:
        name, full = run.heater.device, run.heater.full_w
        yield endurance_answer(
            f"device.{path_name(name)}.night_heat", name, "Can it keep its zones warm?",
            f"{heat.need_text(run.heater)} = {run.need_w:.0f} W", POWER_RULE, run.need_w, "W", f"at most {full:g} W",
            is_wrong=run.need_w > full, text=f"it gives {full:g} W, and its zones lose {run.need_w:.0f} W",
            advice="insulate, plan for a lower inside_c, or fit a heater that gives more",
        )  # fmt: skip
        yield from _warm_up(heat, run)
    yield from _diesel(rig, [run for run in heat.runs if not run.heater.is_gas])
    for tank in rig.tanks:
        runs = [run for run in heat.runs if run.heater.is_gas and run.heater.gas_tank == tank.name]
        if runs:
            yield _fuel_answer(f"tank.{path_name(tank.name)}.night_gas", tank.name, runs, tank, GAS_RULE)
    bottle = [run.heater.device for run in heat.runs if run.heater.is_gas and run.heater.gas_tank is None]
    if bottle:
        question, missing = "Is there gas enough for the night?", [f"gas_tank of device {name}" for name in bottle]
        yield unchecked("night.gas", Check.ENDURANCE, "night", question, GAS_RULE, missing)


def _warm_up(heat: NightHeat, run: HeaterRun) -> Iterator[Answer]:
    """Yield how fast a heater warms its zones; nothing where it cannot, or where a zone leaves its capacity out."""
    names, full = heat.zones_of(run.heater), run.heater.full_w
    zones = [heat.zones[name] for name in names]
    if (
        not zones
        or not 0 < run.need_w < full
        or any("heat_capacity_j_per_k" not in one.model_fields_set for one in zones)
    ):
        return
    whole = sum(one.heat_capacity_j_per_k for one in zones)
    air = sum(one.heat_capacity_j_per_k * one.air_capacity_percent / 100 for one in zones)
    kelvin = heat.inside_c - heat.outdoor_c
    minutes = whole * kelvin / run.need_w * log(full / (full - run.need_w)) / 60
    capacity = f"{whole / 1000:g} kJ/K"
    yield endurance_answer(
        f"device.{path_name(run.heater.device)}.warm_up", run.heater.device,
        f"How long does it take from {heat.outdoor_c:g} to {heat.inside_c:g} C?",
        f"at first {full:g} W / {air / 1000:g} kJ/K of the air and what follows it = {60 * full / air:.2f} K/min; "
        f"all of it: {capacity} x {kelvin:g} K / {run.need_w:.0f} W x ln({full:g} / ({full:g} - {run.need_w:.0f})) = "
        f"{minutes:.0f} min",
        WARM_UP_RULE, minutes, "min", "none: what to expect", unproven=WARM_UP_TEXT,
    )  # fmt: skip


def _diesel(rig: Rig, runs: Sequence[HeaterRun]) -> Iterator[Answer]:
    if runs and "litres" not in rig.fuel.model_fields_set:
        question, missing = "Is there fuel enough for the night?", ["litres of [fuel]"]
        yield unchecked("night.fuel", Check.ENDURANCE, "fuel", question, FUEL_RULE, missing)
    elif runs:
        yield _fuel_answer("night.fuel", "fuel", runs, rig.fuel, FUEL_RULE)


def _fuel_answer(key: str, subject: str, runs: Sequence[HeaterRun], tank: FuelPlan | TankPlan, rule: Rule) -> Answer:
    held, content = held_litres(tank)
    used = sum(run.litres for run in runs)
    parts = [
        f"{run.heater.device} {min(run.need_w, run.heater.full_w) / 1000:.2f} kW x {run.hours:g} h / "
        f"({run.heater.efficiency:g} x {run.heater.kwh_per_unit:.2f} kWh/l)"
        for run in runs
    ]
    per_hour = used / runs[0].hours
    return endurance_answer(
        key, subject, "Is there fuel enough for the night?",
        f"{' + '.join(parts)} = {used:.2f} L ({per_hour:.3f} L/h)", rule, used, "L", f"at most {content}",
        is_wrong=used > held, text=f"the night takes {used:.1f} L, and there are {held:.1f} L",
        advice="fill up before the night, or plan for a lower inside_c",
        unproven=f"{WARM_TEXT} A pick-up pipe that ends above the bottom leaves the rest in the tank.",
    )  # fmt: skip


_NIGHT_AH = "Does its charge last through the night?"


def _battery_night(heat: NightHeat, battery: BatteryPlan, found: Sequence[Load]) -> BatteryNight:
    """Return what a night takes from a battery, and what of it is usable."""
    own = [load for load in found if load.battery == battery.name]
    by_device = {device.name: device for device in heat.rig.devices}
    loads = Loads(heat.rig)
    runs = [run for run in heat.runs if loads.battery_of(by_device[run.heater.device]) == battery.name]
    missing = [load.text for load in own if load.amps is None]
    missing += [] if "capacity_ah" in battery.model_fields_set else [f"capacity_ah of battery {battery.name}"]
    missing += heat.missing if runs else ()
    if heat.missing_of_heaters and battery.name == heat.rig.vehicle.battery.name:
        missing += heat.missing_of_heaters
    place = battery.zone or FIRST_ZONE
    celsius = heat.place_c(place) if heat.is_known(place) else None
    if celsius is None:
        missing += heat.missing
    if missing:
        return BatteryNight(battery, None, None, "", celsius, tuple(dict.fromkeys(missing)))
    others = [load for load in own if load.amps]
    amp_hours = sum(load.amps or 0.0 for load in others) * heat.hours + sum(run.amp_hours for run in runs)
    parts = [f"{run.heater.device} {run.text}" for run in runs]
    parts += [f"({' + '.join(load.text for load in others)}) x {heat.hours:g} h"] if others else []
    text = f"{' + '.join(parts) or '0'} = {amp_hours:.1f} Ah"
    chemistry = CHEMISTRIES[battery.chemistry]
    exponent = chemistry.peukert_exponent if battery.peukert_exponent is None else battery.peukert_exponent
    rate = amp_hours / heat.hours / (battery.capacity_ah / 20)
    if rate > 1 and exponent > 1:
        amp_hours *= peukert_factor(rate, exponent)
        text += f" x ({rate:.2f} times the 20 hour current)^({exponent:g} - 1) = {amp_hours:.1f} Ah"
    return BatteryNight(battery, amp_hours, usable_ah(heat.rig, battery, celsius)[0], text, celsius, ())


def peukert_factor(rate: float, exponent: float) -> float:
    """Return by how much a current takes more than its ampere-hours; ``rate`` is it by the 20 hour current."""
    factor: float = max(rate, 1.0) ** (exponent - 1)
    return factor


def _night_answer(rig: Rig, battery: BatteryPlan, night: BatteryNight) -> Answer:
    key = f"battery.{path_name(battery.name)}.night_ah"
    usable, usable_text = usable_ah(rig, battery, night.celsius)
    origin = "common practice, no source" if rig.rules.usable_percent is None else "given by the rig"
    rule = AH_RULE._replace(name=f"{AH_RULE.name}; usable share", origin=f"read; usable share: {origin}")
    if night.amp_hours is None:
        return unchecked(key, Check.ENDURANCE, battery.name, _NIGHT_AH, rule, night.missing)
    used = night.amp_hours
    is_over = used > battery.capacity_ah
    return endurance_answer(
        key, battery.name, _NIGHT_AH, night.text, rule, used, "Ah", f"at most {usable_text}, from full",
        is_wrong=used > usable, severity=Severity.FAULT if is_over else Severity.WARNING,
        text=f"the night takes {used:.0f} Ah, and {usable:.0f} Ah are usable",
        advice="use less at night, charge in the night, or fit a larger battery",
        unproven=f"{WARM_TEXT} It does not prove an aged battery, nor loads that nobody listed.",
    )  # fmt: skip


def _simulated(heat: NightHeat, nights: dict[str, BatteryNight], found: Sequence[Load]) -> Iterator[Answer]:
    """Yield the night by hand against the physics, where both can be computed."""
    question = "Does the simulated night agree with the one by hand?"
    if heat.missing or not heat.runs or heat.missing_of_heaters:
        missing = [*heat.missing, *heat.missing_of_heaters] or ["a device with the function furnace"]
        yield unchecked("night.simulated_fuel", Check.ENDURANCE, "night", question, SIMULATED_RULE, missing)
        return
    house = heat.rig.vehicle.battery.name
    others = sum(load.amps or 0.0 for load in found if load.battery == house)
    run = run_night(heat.rig, heat, others)
    by_hand = sum(one.litres for one in heat.runs)
    yield _against(
        "night.simulated_fuel", question, sum(run.litres.values()), by_hand, "L", MAX_FUEL_DIFFERENCE_PERCENT
    )
    night = nights.get(house)
    if night is not None and night.amp_hours is not None:
        yield _against("night.simulated_ah", question, run.amp_hours, night.amp_hours, "Ah", MAX_AH_DIFFERENCE_PERCENT)


def _against(key: str, question: str, simulated: float, by_hand: float, unit: str, most: float) -> Answer:
    percent = 100 * abs(simulated - by_hand) / max(by_hand, MIN_COMPARED[unit])
    return endurance_answer(
        key, "night", question,
        f"simulated {simulated:.2f} {unit}, by hand {by_hand:.2f} {unit}: {percent:.1f} % apart", SIMULATED_RULE,
        percent, "%", f"at most {most:g} % apart", is_wrong=percent > most, severity=Severity.NOTICE,
        text=f"the simulated night takes {simulated:.1f} {unit}, the one by hand {by_hand:.1f} {unit}",
        advice="take the larger figure",
    )  # fmt: skip


def _table(heat: NightHeat, found: Sequence[Load], rig: Rig) -> PlanTable:
    """Return what each device takes in the night."""
    rows = []
    loads = Loads(rig)
    by_device = {device.name: device for device in rig.devices}
    for run in heat.runs if not heat.missing else ():
        amps = run.amp_hours / heat.hours
        battery = loads.battery_of(by_device[run.heater.device])
        rows.append((run.heater.device, battery, f"{amps:.2f}", f"{run.amp_hours:.1f}"))
    for load in found:
        known = load.amps is not None
        rows.append((
            load.name, load.battery, f"{load.amps:.3f}" if known else "not given",
            f"{(load.amps or 0.0) * heat.hours:.1f}" if known else "not given",
        ))  # fmt: skip
    columns = ("what", "battery", "average current, A", "in the night, Ah")
    title = f"What a night of {heat.hours:g} h at {heat.outdoor_c:g} C takes from the batteries"
    return PlanTable("night", title, columns, tuple(rows))


def _cautions(rig: Rig) -> Iterator[str]:
    yield ARITHMETIC
    if any(device.kind in ("heater", "air_furnace") or "furnace" in device.functions for device in rig.devices):
        yield CAUTION
    chemistries = {battery.chemistry for battery in rig.batteries if "batteries" in rig.model_fields_set}
    if "lfp" in chemistries:
        yield LITHIUM
    if "agm" in chemistries:
        yield LEAD
