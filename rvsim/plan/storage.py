"""The storage of a vehicle, and the way back to a full battery by engine and sun.

Knows: how long a usable charge lasts against what stays on, at which charge a lead-acid battery freezes, and how much a
charger gives back while the battery accepts ever less. Does not know the night itself (`endurance`), nor which loads
there are (`night_loads`).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isinf

from rvsim.devices.kinds.alternator import AlternatorSettings
from rvsim.devices.kinds.dc_dc_charger import DcDcSettings
from rvsim.devices.kinds.solar_controller import SolarSettings
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, path_name, unchecked
from rvsim.plan.kind_settings import kind_settings
from rvsim.plan.night_loads import Load, Loads
from rvsim.rig.electric import BatteryPlan
from rvsim.rig.model import Rig
from rvsim.watch.flag import Severity
from rvsim.world.alternator import HOT_SHARE, max_amps
from rvsim.world.chemistry import ABSORPTION_VOLTS, CHEMISTRIES, Table

USABLE_PERCENT = {"agm": 50.0, "lfp": 80.0}
"""Share of a battery's capacity that is used. Common practice, no source."""
LEAD_FREEZES_C = Table((0.0, 0.4, 1.0), (-7.0, -9.0, -59.0))
"""Freezing point of a lead-acid battery by its share of charge. 40 % and full: battery pages; empty: from memory."""
RECOVERED_PERCENT = 95.0
"""The charge that counts as back. Our decision: the last part takes hours with any charger."""
DRIVE_RPM = 2000.0
"""The engine's speed while it is driven. Common practice, no source."""
MONTH_HOURS = 30 * 24.0
STEP_HOURS = 1 / 60
MAX_HOURS = 240.0
STORAGE_RULE = Rule(
    "days = usable Ah / (24 x current)", "common practice, no source",
    "usual currents of a parked vehicle: 25-50 mA, under 75 mA, 20-120 mA by the page",
)  # fmt: skip
FROZEN_RULE = Rule(
    "freezing point by charge: -59 C full, -9 C at 40 %", "battery pages, read; -7 C empty, from memory",
    "a full battery: -59 to -69 C; a table by gravity (from memory) has -20 C at 40 %",
)  # fmt: skip
ENGINE_RULE = Rule(
    "acceptance by charge as the bench has it: AGM 1.53 x missing share^1.25 of the capacity an hour",
    "fitted to one logged test of an AGM battery; lithium fitted, no source",
)
SUN_RULE = Rule("Ah = panel power x full hours of sun x efficiency / 14.4 V", "common practice, no source")


@dataclass(frozen=True)
class BatteryNight:
    """What a night takes from a battery, in ampere-hours; None, and the keys that are missing, where it is unknown."""

    battery: BatteryPlan
    amp_hours: float | None
    usable: float | None
    text: str
    celsius: float | None
    """The temperature of its place at night."""
    missing: tuple[str, ...]


def usable_ah(rig: Rig, battery: BatteryPlan, celsius: float | None) -> tuple[float, str]:
    """Return what a battery gives at a temperature, and the calculation; without a temperature that of 25 C."""
    percent = rig.rules.usable_percent
    percent = USABLE_PERCENT[battery.chemistry] if percent is None else percent
    share = 1.0 if celsius is None else min(1.0, CHEMISTRIES[battery.chemistry].capacity.at(celsius))
    text = f"{battery.capacity_ah:g} Ah x {percent:g} %"
    text += f" x {100 * share:.0f} % at {celsius:.0f} C" if celsius is not None and share < 1 else ""
    amp_hours = battery.capacity_ah * percent / 100 * share
    return amp_hours, f"{text} = {amp_hours:.1f} Ah"


def self_discharge_amps(battery: BatteryPlan) -> tuple[float, str]:
    """Return what a battery loses by itself at 25 C as a current, and the calculation."""
    given = battery.self_discharge_percent_per_month
    percent = 100 * CHEMISTRIES[battery.chemistry].self_discharge_per_month if given is None else given
    amps = percent / 100 * battery.capacity_ah / MONTH_HOURS
    return amps, f"{percent:g} % a month by itself {1000 * amps:.1f} mA"


def storage_days(amp_hours: float, amps: float) -> float:
    """Return for how many days a charge lasts; infinite without a current."""
    return amp_hours / (24 * amps) if amps > 0 else float("inf")


def storage_answers(rig: Rig, loads: Loads) -> tuple[list[Answer], list[PlanTable]]:
    """Return how long each battery lasts in storage, whether one freezes, and what stays on."""
    question = "How long does its charge last in storage?"
    stored = loads.stored()
    if all(device.standing_milliamps is None for device in rig.devices):
        missing = ["standing_milliamps of any device"]
        return [unchecked("storage.days", Check.ENDURANCE, "storage", question, STORAGE_RULE, missing)], []
    names = {branch.name for branch in rig.all_branches}
    off = set(rig.endurance.off_in_storage)
    answers = []
    if unknown := sorted(off - names):
        answers.append(
            Answer(
                key="storage.off", check=Check.ENDURANCE, subject="storage", question="What is switched off?",
                formula="", rule=STORAGE_RULE, judgement=Judgement.UNCHECKED,
                text=f"off_in_storage names what is no branch of the rig: {', '.join(unknown)}",
                advice=f"write one of {', '.join(sorted(names)) or 'no branch: the rig has none'}",
            )
        )  # fmt: skip
    live = {load.name for load in stored if not off.intersection(loads.branches_of(load.branch))}
    for battery in rig.batteries if "batteries" in rig.model_fields_set else ():
        own = [load for load in stored if load.battery == battery.name]
        answers += _stored(rig, battery, [load for load in own if load.name in live], question)
    rows = tuple(
        (load.name, load.battery, load.branch or "the battery's terminals", "on" if load.name in live else "off",
         "not given" if load.amps is None else f"{1000 * load.amps:g}")
        for load in stored
    )  # fmt: skip
    columns = ("device", "battery", "branch", "in storage", "current, mA")
    return answers, [PlanTable("storage", "What stays on in storage", columns, rows)]


def _stored(rig: Rig, battery: BatteryPlan, live: list[Load], question: str) -> Iterator[Answer]:
    plan = rig.endurance
    key = f"battery.{path_name(battery.name)}.storage_days"
    frozen_key = f"battery.{path_name(battery.name)}.frozen_in_storage"
    missing = [load.text for load in live if load.amps is None]
    missing += [] if "capacity_ah" in battery.model_fields_set else [f"capacity_ah of battery {battery.name}"]
    if missing:
        yield unchecked(key, Check.ENDURANCE, battery.name, question, STORAGE_RULE, missing)
        return
    usable, usable_text = usable_ah(rig, battery, plan.storage_c)
    own, own_text = self_discharge_amps(battery)
    amps = sum(load.amps or 0.0 for load in live) + own
    days = storage_days(usable, amps)
    stays = " + ".join([*(load.text for load in live if load.amps), own_text])
    wanted, lasts = plan.storage_days, "without end" if isinf(days) else f"{days:.1f} days"
    yield Answer(
        key=key, check=Check.ENDURANCE, subject=battery.name, question=question,
        formula=f"{usable_text}; / (24 h x {1000 * amps:.1f} mA: {stays}) = {lasts}", rule=STORAGE_RULE,
        value=None if isinf(days) else days, unit="days",
        limit="none: storage_days is not given" if wanted is None else f"at least {wanted:g} days",
        judgement=Judgement.FLAGGED if wanted is not None and days < wanted else Judgement.GOOD,
        text="" if wanted is None or days >= wanted else f"it lasts {days:.0f} days, and is stored for {wanted:g}",
        advice="" if wanted is None or days >= wanted
        else "switch more off (off_in_storage), disconnect it, or charge it in between",
        unproven="It does not prove what is wired before the switches, nor an aged battery.",
    )  # fmt: skip
    if battery.chemistry == "agm" and plan.storage_c is not None and wanted is not None:
        share = max(0.0, 1 - amps * 24 * wanted / battery.capacity_ah)
        yield freezing_answer(frozen_key, battery, share, plan.storage_c, f"after {wanted:g} days")


def freezing_answer(key: str, battery: BatteryPlan, share: float, celsius: float, when: str) -> Answer:
    """Return whether a lead-acid battery freezes at a temperature with this share of its charge, 0 to 1."""
    freezes = LEAD_FREEZES_C.at(share)
    is_frozen = celsius < freezes
    return Answer(
        key=key, check=Check.ENDURANCE, subject=battery.name, question="Does it freeze?",
        formula=f"{100 * share:.0f} % of its charge {when}: it freezes at {freezes:.1f} C; its place {celsius:.1f} C",
        rule=FROZEN_RULE, value=celsius - freezes, unit="K", limit="not below its freezing point",
        judgement=Judgement.FLAGGED if is_frozen else Judgement.GOOD,
        text=f"with {100 * share:.0f} % of its charge it freezes at {freezes:.1f} C" if is_frozen else "",
        advice="keep it charged, or take it to a warmer place" if is_frozen else "",
    )  # fmt: skip


# The way back to a full battery.


def hours_to_recover(battery: BatteryPlan, missing_ah: float, amps: float, celsius: float) -> tuple[float, float]:
    """Return in how many hours a battery is back at ``RECOVERED_PERCENT``, and how many of them at full current.

    The current is the charger's, or what the battery accepts at its charge and temperature, whichever is less.
    """
    chemistry, capacity = CHEMISTRIES[battery.chemistry], battery.capacity_ah
    efficiency = chemistry.charge_efficiency
    if battery.charge_efficiency_percent is not None:
        efficiency = battery.charge_efficiency_percent / 100
    share = missing_ah / capacity
    hours = full = 0.0
    limit = chemistry.charge_limit_at(celsius) * capacity
    while share > 1 - RECOVERED_PERCENT / 100 and hours < MAX_HOURS:
        accepted = min(amps, chemistry.accepted(share) * capacity, limit)
        if accepted <= 0:
            return float("inf"), 0.0
        full += STEP_HOURS if accepted == amps else 0.0
        share -= accepted * efficiency * STEP_HOURS / capacity
        hours += STEP_HOURS
    return (hours if hours < MAX_HOURS else float("inf")), full


def recovery_answers(rig: Rig, loads: Loads, nights: dict[str, BatteryNight]) -> Iterator[Answer]:
    """Yield whether the engine and the sun give back what the night took."""
    for battery in rig.batteries if "batteries" in rig.model_fields_set else ():
        night = nights.get(battery.name)
        if night is not None and night.amp_hours is not None and battery.chemistry == "agm":
            share = max(0.0, 1 - night.amp_hours / battery.capacity_ah)
            key = f"battery.{path_name(battery.name)}.frozen_at_night"
            if night.celsius is not None:
                yield freezing_answer(key, battery, share, night.celsius, "after the night")
        yield from _by_engine(rig, loads, battery, night)
        yield from _by_sun(rig, loads, battery, night)


def _engine_amps(rig: Rig, loads: Loads, battery: BatteryPlan) -> tuple[list[str], float, list[str]]:
    """Return what charges a battery while it is driven: in words, the current, and the keys that are missing."""
    parts, amps, missing = [], 0.0, []
    for device in rig.devices:
        is_given = "full_amps" in device.settings
        if device.kind == "dc_dc_charger":
            charger = kind_settings(device, DcDcSettings)
            if (charger.to_battery or rig.vehicle.battery.name) != battery.name:
                continue
            given = charger.full_amps
            text = f"{device.name} {given:g} A"
        elif device.kind == "alternator" and loads.battery_of(device) == battery.name:
            alternator = kind_settings(device, AlternatorSettings)
            given = max_amps(alternator.full_amps, DRIVE_RPM, 1.0, alternator.pulley_ratio)
            text = (
                f"{device.name} {given:.0f} A of {alternator.full_amps:g} A, hot ({HOT_SHARE:g}) at {DRIVE_RPM:g} rpm"
            )
        else:
            continue
        if is_given:
            parts.append(text)
            amps += given
        else:
            missing.append(f"full_amps of device {device.name}")
    return parts, amps, missing


def _by_engine(rig: Rig, loads: Loads, battery: BatteryPlan, night: BatteryNight | None) -> Iterator[Answer]:
    parts, amps, missing = _engine_amps(rig, loads, battery)
    if not parts and not missing:
        return
    key = f"battery.{path_name(battery.name)}.drive_recovery"
    question = f"Is it back at {RECOVERED_PERCENT:g} % after the drive?"
    wanted = rig.endurance.drive_hours
    missing += ["drive_hours of [endurance]"] if wanted is None else []
    missing += _night_missing(night)
    if missing or wanted is None or night is None or night.amp_hours is None or night.celsius is None:
        yield unchecked(key, Check.ENDURANCE, battery.name, question, ENGINE_RULE, missing)
        return
    hours, full = hours_to_recover(battery, min(night.amp_hours, battery.capacity_ah), amps, night.celsius)
    took = f"{full:.1f} h at full current, {hours:.1f} h in all"
    if isinf(hours):
        took = "it accepts no charge, or too little"
    yield Answer(
        key=key, check=Check.ENDURANCE, subject=battery.name, question=question,
        formula=f"{night.amp_hours:.1f} Ah at {' + '.join(parts)}, at {night.celsius:.0f} C: {took}",
        rule=ENGINE_RULE, value=None if isinf(hours) else hours, unit="h", limit=f"at most {wanted:g} h",
        judgement=Judgement.FLAGGED if hours > wanted else Judgement.GOOD, severity=Severity.WARNING,
        text="" if hours <= wanted else f"it takes {hours:.1f} h, and it is driven for {wanted:g}"
        if not isinf(hours) else f"it is not back after {MAX_HOURS:g} h: at {night.celsius:.0f} C it takes too little",
        advice="drive longer, charge by another source, or use less at night" if hours > wanted else "",
        unproven="It does not prove the belt, the regulator, or what other loads take while it is driven.",
    )  # fmt: skip


def _by_sun(rig: Rig, loads: Loads, battery: BatteryPlan, night: BatteryNight | None) -> Iterator[Answer]:
    panels = [one for one in rig.devices if one.kind == "solar_controller" and loads.battery_of(one) == battery.name]
    if not panels:
        return
    key = f"battery.{path_name(battery.name)}.sun_recovery"
    question = "Does a day of sun give back what the night took?"
    sun = rig.endurance.sun_hours
    missing = [f"panel_w of device {one.name}" for one in panels if "panel_w" not in one.settings]
    missing += ["sun_hours of [endurance]"] if sun is None else []
    missing += _night_missing(night)
    if missing or sun is None or night is None or night.amp_hours is None:
        yield unchecked(key, Check.ENDURANCE, battery.name, question, SUN_RULE, missing)
        return
    given, parts = 0.0, []
    for device in panels:
        panel = kind_settings(device, SolarSettings)
        share = (1 - panel.shaded_percent / 100) * panel.efficiency_percent / 100
        amps = min(panel.full_amps, panel.panel_w * share / ABSORPTION_VOLTS)
        given += amps * sun
        parts.append(
            f"{device.name} {panel.panel_w:g} W x {1 - panel.shaded_percent / 100:g} x "
            f"{panel.efficiency_percent / 100:g} / {ABSORPTION_VOLTS:g} V, at most {panel.full_amps:g} A, "
            f"= {amps:.1f} A"
        )
    is_less = given < night.amp_hours
    yield Answer(
        key=key, check=Check.ENDURANCE, subject=battery.name, question=question,
        formula=f"({' + '.join(parts)}) x {sun:g} h = {given:.1f} Ah", rule=SUN_RULE, value=given, unit="Ah",
        limit=f"at least the night's {night.amp_hours:.1f} Ah",
        judgement=Judgement.FLAGGED if is_less else Judgement.GOOD,
        severity=Severity.WARNING if rig.endurance.drive_hours is None else Severity.NOTICE,
        text=f"the sun gives {given:.0f} Ah, and the night takes {night.amp_hours:.0f} Ah" if is_less else "",
        advice="plan for shore power or the engine, or fit more panels" if is_less else "",
        unproven="It does not prove snow, shade that nobody entered, hot cells, or what the day itself takes.",
    )  # fmt: skip


def _night_missing(night: BatteryNight | None) -> list[str]:
    """Return what keeps the night's ampere-hours from being known."""
    return ["night_c of [endurance]"] if night is None else list(night.missing)
