"""The stages of a charge: bulk, absorption and float, as the battery answers.

Knows: when a stage ends by voltage, current and time, set points by temperature, and forced stages. Does not know
where the power comes from, nor any message.

Bulk ends when the charger's voltage has reached that of absorption: a source in bulk gives all it can and its voltage
stays below. Absorption ends at a tail current or after a time; float ends when the charger cannot hold its voltage.
"""

from typing import Annotated, Self

from pydantic import Field, model_validator

from rvsim.devices.device import Settings, Volts
from rvsim.wire.frame import SECOND_US

OFF, BULK, ABSORPTION, FLOAT, CONSTANT = 0, 2, 3, 6, 7
"""Operating states of CHARGER_STATUS; numbers from memory, 0 has a neutral name in the definitions."""
NOT_FORCED, FORCED_BULK, FORCED_FLOAT = 0, 1, 2
"""Codes of "force charge": published for the status, and for the command by name."""
REFERENCE_C = 25.0
"""Set points hold at this battery temperature. An industrial battery maker's charging table."""
MIN_SENSED_C, MAX_SENSED_C = 0.0, 50.0
"""Beyond these temperatures of the battery the set points go no further. Common practice, no source."""
MV_PER_K = {"agm": (30.0, 18.0), "lfp": (0.0, 0.0)}
"""Millivolts less for each kelvin above 25 C, in absorption and in float, by chemistry. AGM: -30 and -18 mV/K for 12 V
(5 and 3 mV for each of six cells; the same table). LFP: none; common practice, no source."""
LFP_MIN_CHARGE_C = 0.0
"""Below this temperature of its cells lithium takes no charge (a cell maker's data sheet: charge 0 to 60 C)."""
AT_LIMIT_VOLTS, NEAR_LIMIT_VOLTS = 0.02, 0.1
"""So near to its limit the voltage has reached it; and so near a tail current counts. Our choice."""

_MilliVolts = Annotated[float, Field(ge=0, le=100)]


class StageSettings(Settings):
    """Set points of a charge for 12 V nominal."""

    full_amps: Annotated[float, Field(gt=0, le=1000)] = 30.0
    """Highest charging current. Invented."""
    absorption_volts: Volts = 14.4
    """Voltage in absorption, at 25 C. Common practice, no source; AGM cyclic 14.7 at 20-30 C is an industrial battery
    maker's table."""
    float_volts: Volts = 13.6
    """Voltage in float, at 25 C. Common practice, no source; AGM float 13.7 at 20-30 C is the same table."""
    tail_percent: Annotated[float, Field(ge=0.1, le=50)] = 4.0
    """Absorption ends when the current in amperes is below this share of the capacity in ampere-hours. Common practice,
    no source."""
    max_absorption_hours: Annotated[float, Field(gt=0, le=48)] = 4.0
    """Absorption ends after this time at the latest. Common practice, no source."""
    battery_sensor: bool = False
    """Whether it measures the battery's temperature: set points then follow it, and lithium below 0 C is not
    charged."""
    absorption_mv_per_k: _MilliVolts | None = None
    """How much absorption falls for each kelvin above 25 C; if omitted, AGM 30 (an industrial battery maker's table),
    LFP 0 (common practice, no source)."""
    float_mv_per_k: _MilliVolts | None = None
    """How much float falls for each kelvin above 25 C; if omitted, AGM 18 (the same table), LFP 0 (common practice, no
    source)."""
    rebulk_drop_volts: Annotated[float, Field(ge=0.01, le=2)] = 0.05
    """So far below its limit in float, a new bulk begins. Our choice: it cannot hold its voltage."""
    follows_battery: bool = True
    """Whether it obeys what the battery's monitor asks for in DC_SOURCE_STATUS_4 and _6."""
    ramp_s: Annotated[float, Field(ge=0, le=600)] = 5.0
    """Time from nothing to its full current. Common practice, no source."""

    @model_validator(mode="after")
    def _float_is_not_above(self) -> Self:
        low, high = self.float_volts, self.absorption_volts
        if self.has_float and low > high:
            raise ValueError(f"float_volts {low:g} is above absorption_volts {high:g}; correct one of them")
        return self

    @property
    def has_float(self) -> bool:
        """Whether the device charges by stages, of which float is one."""
        return True


class Stages:
    """The stage of one charge; ``advance`` each second."""

    def __init__(self, settings: StageSettings, battery_ah: float, chemistry: str) -> None:
        self._settings = settings
        self._has_sensor = settings.battery_sensor
        self._needs_warmth = settings.battery_sensor and chemistry == "lfp"
        absorption, floating = MV_PER_K[chemistry]
        given = settings.absorption_mv_per_k, settings.float_mv_per_k
        self._absorption_mv = absorption if given[0] is None else given[0]
        self._float_mv = floating if given[1] is None else given[1]
        self._tail_amps = settings.tail_percent / 100 * battery_ah
        self._max_us = round(settings.max_absorption_hours * 3600 * SECOND_US)
        self.absorption_volts, self.float_volts = settings.absorption_volts, settings.float_volts
        self.stage = OFF
        self.forced = NOT_FORCED
        self._absorbing_since = 0
        self._battery_c = REFERENCE_C

    @property
    def limit_volts(self) -> float:
        """The voltage that is not exceeded now."""
        volts, mv = self.absorption_volts, self._absorption_mv
        if self.stage == FLOAT:
            volts, mv = self.float_volts, self._float_mv
        if not self._has_sensor or not mv:
            return volts
        sensed = min(max(self._battery_c, MIN_SENSED_C), MAX_SENSED_C)
        return volts + mv / 1000 * (REFERENCE_C - sensed)

    def force(self, code: int) -> None:
        """Force a stage, or cancel that."""
        self.forced = code
        if self.stage != OFF and code != NOT_FORCED:
            self.stage = BULK if code == FORCED_BULK else FLOAT

    def advance(self, now: int, *, can_charge: bool, volts: float, amps: float, battery_c: float) -> bool:
        """Decide the stage by the charger's own voltage and current; return whether it changed."""
        before, self._battery_c = self.stage, battery_c
        cold = self._needs_warmth and battery_c < LFP_MIN_CHARGE_C
        if not can_charge or cold:
            self.stage = OFF
        elif self.forced == FORCED_FLOAT:
            self.stage = FLOAT
        elif before == OFF:
            self.stage = BULK
        elif before == BULK:
            if volts >= self.limit_volts - AT_LIMIT_VOLTS:
                self.stage, self._absorbing_since = ABSORPTION, now
        elif before == ABSORPTION:
            is_held = volts >= self.limit_volts - NEAR_LIMIT_VOLTS  # a weak source ends no absorption
            if (is_held and amps < self._tail_amps) or now - self._absorbing_since >= self._max_us:
                self.stage, self.forced = FLOAT, NOT_FORCED
        elif volts < self.limit_volts - self._settings.rebulk_drop_volts:
            self.stage = BULK
        return self.stage != before
