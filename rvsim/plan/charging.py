"""What charges a battery: its voltage by chemistry, its current, and what happens when the battery's protection opens.

Knows: the limits of a charge by chemistry. Does not know how long a charge takes (`storage`).
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from rvsim.devices.charging.stages import StageSettings
from rvsim.devices.kinds.alternator import AlternatorSettings
from rvsim.devices.kinds.charger import ChargerSettings
from rvsim.devices.kinds.dc_dc_charger import DcDcSettings
from rvsim.devices.kinds.solar_controller import SolarSettings
from rvsim.plan.answer import Answer, Check, Judgement, Rule, path_name, unchecked
from rvsim.plan.kind_settings import kind_settings
from rvsim.plan.night_loads import Loads
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import BatteryPlan
from rvsim.rig.model import Rig
from rvsim.watch.flag import Severity
from rvsim.world.chemistry import CHEMISTRIES

MODELS: dict[str, type[StageSettings]] = {
    "alternator": AlternatorSettings,
    "charger": ChargerSettings,
    "dc_dc_charger": DcDcSettings,
    "solar_controller": SolarSettings,
}
CHARGE_VOLTS = {"agm": (14.1, 14.8), "lfp": (14.0, 14.6)}
"""The voltage of absorption at 25 C, for 12 V nominal."""
COLD_C = 0.0
"""The temperature at which a set point that follows it is looked at; colder lithium is not charged."""
REFERENCE_C = 25.0
"""The temperature of the set points."""
VOLTS_RULE = Rule(
    "absorption of AGM at 14.1 to 14.8 V, of lithium iron phosphate at 14.0 to 14.6 V and at any temperature",
    "from memory",
    "makers of lithium batteries ask for 14.0, 14.2, 14.4 or 14.6 V; an industrial maker's table has 14.7 V for AGM",
)
AMPS_RULE = Rule("the charging current of a lithium battery by its maker's manual, table 4.3", "read as an excerpt")
DUMP_RULE = Rule(
    "an alternator is not left without a battery: a lithium battery maker's manual 9.3.5", "read at second hand"
)


class _Charge(NamedTuple):
    """A device that charges a battery, with its settings."""

    device: DevicePlan
    settings: StageSettings
    battery: BatteryPlan


def charging_answers(rig: Rig, loads: Loads) -> Iterator[Answer]:
    """Yield the answers on all that charges the batteries that the rig gives; nothing for a rig without a battery."""
    if "batteries" not in rig.model_fields_set:
        return
    charges = list(_charges(rig, loads))
    for charge in charges:
        yield _volts_answer(charge)
        if charge.device.kind == "alternator":
            yield _dump_answer(charge)
    for battery in rig.batteries:
        into = [charge for charge in charges if charge.battery is battery]
        if into and battery.chemistry == "lfp":
            yield _amps_answer(battery, into)


def _charges(rig: Rig, loads: Loads) -> Iterator[_Charge]:
    batteries = {battery.name: battery for battery in rig.batteries}
    for device in rig.devices:
        model = MODELS.get(device.kind or "")
        if model is None:
            continue
        settings = kind_settings(device, model)
        name = loads.battery_of(device)
        if isinstance(settings, DcDcSettings):
            name = settings.to_battery or rig.vehicle.battery.name
        if name in batteries:
            yield _Charge(device, settings, batteries[name])


def _volts_answer(charge: _Charge) -> Answer:
    device, settings, battery = charge
    key, question = f"device.{path_name(device.name)}.charge_volts", f"Does its voltage suit battery {battery.name}?"
    is_smart = isinstance(settings, AlternatorSettings) and settings.type == "smart"
    name = "high_volts" if is_smart else "absorption_volts"
    if name not in device.settings:
        missing = (f"{name} of device {device.name}",)
        return unchecked(key, Check.ENDURANCE, device.name, question, VOLTS_RULE, missing)
    volts = float(getattr(settings, name))
    low, high = CHARGE_VOLTS[battery.chemistry]
    highest, formula = volts, f"{volts:g} V at {REFERENCE_C:g} C"
    if battery.chemistry == "lfp" and settings.absorption_mv_per_k and settings.battery_sensor:
        highest = volts + settings.absorption_mv_per_k / 1000 * (REFERENCE_C - COLD_C)
        formula += (
            f" + {REFERENCE_C - COLD_C:g} K x {settings.absorption_mv_per_k:g} mV/K = {highest:g} V at {COLD_C:g} C"
        )
    protection = battery.fitted_protection
    opens = protection is not None and highest >= protection.over_volts
    text, charged = "", f"{battery.name}, {battery.chemistry.upper()}"
    if highest > high:
        text = f"it charges {charged}, at {highest:g} V: at most {high:g} V"
        if opens and protection is not None:
            text += f", and the battery's protection opens at {protection.over_volts:g} V"
    elif volts < low:
        text = f"it charges {charged}, at {volts:g} V: it is not filled below {low:g} V"
    return Answer(
        key=key, check=Check.ENDURANCE, subject=device.name, question=question, formula=formula, rule=VOLTS_RULE,
        value=highest, unit="V", limit=f"{low:g} to {high:g} V for {battery.chemistry.upper()}",
        judgement=Judgement.FLAGGED if text else Judgement.GOOD,
        severity=Severity.FAULT if opens else Severity.WARNING, text=text,
        advice=f"set it to the profile of {battery.name}, by the battery's maker" if text else "",
        unproven="the profile that is set on the fitted unit: read it from its display or its configuration",
    )  # fmt: skip


def _amps_answer(battery: BatteryPlan, into: Sequence[_Charge]) -> Answer:
    key, question = f"battery.{path_name(battery.name)}.charge_amps", "May all that charges it charge at one time?"
    missing = [f"full_amps of device {one.device.name}" for one in into if "full_amps" not in one.device.settings]
    if missing:
        return unchecked(key, Check.ENDURANCE, battery.name, question, AMPS_RULE, missing)
    share = CHEMISTRIES[battery.chemistry].charge_limit_at(REFERENCE_C)
    amps, limit = sum(one.settings.full_amps for one in into), share * battery.capacity_ah
    parts = " + ".join(f"{one.device.name} {one.settings.full_amps:g} A" for one in into)
    above = amps > limit
    return Answer(
        key=key, check=Check.ENDURANCE, subject=battery.name, question=question,
        formula=f"{parts} = {amps:g} A against {share:g} / h x {battery.capacity_ah:g} Ah = {limit:g} A",
        rule=AMPS_RULE, value=amps, unit="A", limit=f"at most {limit:g} A",
        judgement=Judgement.FLAGGED if above else Judgement.GOOD,
        text=f"{amps:g} A can charge it at one time: at most {limit:g} A" if above else "",
        advice="limit the chargers, or let its monitor ask for less" if above else "",
        unproven="the limit of this battery: its maker's manual decides",
    )  # fmt: skip


def _dump_answer(charge: _Charge) -> Answer:
    device, _, battery = charge
    opens = battery.fitted_protection is not None
    return Answer(
        key=f"device.{path_name(device.name)}.load_dump", check=Check.ENDURANCE, subject=device.name,
        question="Does its battery stay connected while it charges?",
        formula=f"{battery.name}, {battery.chemistry.upper()}, {'with' if opens else 'without'} protection that opens",
        rule=DUMP_RULE, judgement=Judgement.FLAGGED if opens else Judgement.GOOD,
        text=(
            f"when the protection of {battery.name} opens, nothing takes its current: the voltage rises until "
            "electronics fail" if opens else ""
        ),
        advice=(
            f"charge {battery.name} from the engine's own lead-acid battery by a battery charger, or have its "
            "protection stop the regulator first" if opens else ""
        ),
        unproven="that nobody opens a battery switch while the engine runs",
    )  # fmt: skip
