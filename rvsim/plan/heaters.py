"""The figures of a rig's heaters by their kind: heat, fuel, and the current of burning and of a start.

Knows: which settings of a kind mean what. Does not know how much heat is needed.
"""

from dataclasses import dataclass

from rvsim.devices.kinds.air_furnace import AirFurnaceSettings
from rvsim.devices.kinds.heater import HeaterSettings
from rvsim.plan.kind_settings import kind_settings
from rvsim.rig.climate import FIRST_ZONE
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.model import Rig
from rvsim.world.fuel import DIESEL_MJ_PER_LITRE, LPG_KG_PER_LITRE, MJ_PER_KG


@dataclass(frozen=True)
class Heater:
    """A heater's figures: heat in watts, currents in amperes, times in seconds."""

    device: str
    zones: tuple[str, ...]
    full_w: float
    low_w: float
    efficiency: float
    """Heat by the heat in the fuel, lower heating value."""
    gas_tank: str | None = None
    """The tank that it burns from; None for diesel."""
    is_gas: bool = False
    has_coolant: bool = False
    rest_amps: float = 0.0
    pump_amps: float = 0.0
    full_amps: float = 0.0
    low_amps: float = 0.0
    start_as: float = 0.0
    """Ampere-seconds of one start and one stop: glowing, and the fan before and after the flame."""
    start_text: str = ""
    start_s: float = 0.0
    """From the call for heat to the flame."""
    fan_amps: float = 0.0
    """Of one zone's fan at full speed, where it has one beside the burner's."""
    pause_c: float = 0.0
    resume_c: float = 0.0
    low_c: float = 0.0

    @property
    def kwh_per_unit(self) -> float:
        """Heat in a litre of diesel, or in a litre of liquid gas."""
        if self.is_gas:
            return MJ_PER_KG["propane"] * LPG_KG_PER_LITRE / 3.6
        return DIESEL_MJ_PER_LITRE / 3.6


def heater_of(plan: DevicePlan, rig: Rig) -> Heater | None:
    """Return the figures of a heater by its kind; None for a device that is none, or whose kind the rig leaves out."""
    if plan.kind == "heater":
        return _coolant_heater(plan, kind_settings(plan, HeaterSettings), rig)
    if plan.kind == "air_furnace":
        return _air_furnace(plan, kind_settings(plan, AirFurnaceSettings))
    return None


def _coolant_heater(plan: DevicePlan, figures: HeaterSettings, rig: Rig) -> Heater:
    coolant = rig.coolant
    exchangers = {FIRST_ZONE: coolant.cabin_exchanger_w_per_k, **{one.name: one.exchanger_w_per_k for one in rig.zones}}
    glow_s = figures.glow_s + figures.after_glow_s
    fan_s = figures.purge_s + figures.after_run_s
    return Heater(
        plan.name,
        tuple(zone for zone in figures.zones if exchangers.get(zone)),
        coolant.burner_w,
        coolant.burner_w * figures.low_output_percent / 100,
        coolant.burner_efficiency_percent / 100,
        has_coolant=True,
        rest_amps=figures.electronics_amps,
        pump_amps=figures.pump_amps,
        full_amps=figures.burner_amps,
        low_amps=figures.low_burner_amps,
        start_as=glow_s * figures.glow_amps + fan_s * figures.chamber_fan_amps,
        start_text=_start_text(glow_s, figures.glow_amps, fan_s, figures.chamber_fan_amps),
        start_s=figures.purge_s + figures.glow_s + (figures.first_flame_s + figures.last_flame_s) / 2,
        fan_amps=figures.fan_amps,
        pause_c=figures.pause_c,
        resume_c=figures.resume_c,
        low_c=figures.low_c,
    )


def _start_text(glow_s: float, glow_amps: float, fan_s: float, fan_amps: float) -> str:
    fan = f"fan {fan_s:g} s x {fan_amps:g} A"
    return f"{glow_s:g} s x {glow_amps:g} A glowing, {fan}" if glow_s and glow_amps else fan


def _air_furnace(plan: DevicePlan, figures: AirFurnaceSettings) -> Heater:
    is_gas = figures.fuel == "gas"
    glow_s, glow_amps = figures.filled("glow_s"), 0.0 if is_gas else figures.glow_amps
    fan_s, fan_amps = figures.filled("purge_s") + figures.filled("after_run_s"), figures.filled("after_run_amps")
    full_w = figures.filled("heat_w")
    return Heater(
        plan.name,
        (figures.zone,),
        full_w,
        min(full_w, figures.filled("low_heat_w")),
        figures.filled("efficiency_percent") / 100,
        gas_tank=figures.gas_tank,
        is_gas=is_gas,
        rest_amps=figures.electronics_amps,
        full_amps=figures.filled("burner_amps"),
        low_amps=figures.filled("low_burner_amps"),
        start_as=glow_s * glow_amps + fan_s * fan_amps,
        start_text=_start_text(glow_s, glow_amps, fan_s, fan_amps),
        start_s=figures.filled("purge_s") + glow_s + 10.0,
    )
