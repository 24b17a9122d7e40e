"""A charger from one battery into another: from the starter battery into the house battery while the engine runs.

Messages: sends CHARGER_STATUS and CHARGER_STATUS_2; obeys CHARGER_COMMAND, and what the monitor of the charged battery
asks for in DC_SOURCE_STATUS_4 and _6. No type of charger instance and no device priority is established for it: it has
a plain instance, and its priority is sent as no data.

Knows: the voltages of its input at which it starts, goes on, gives less and stops, and what it takes for what it gives.
Does not know the engine but by the input's voltage, or by its ignition wire.

It charges for three minutes, rests for five seconds and looks at the battery that it takes from (two charger makers'
manuals).
"""

from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from rvsim.devices.charging.charging_device import CAUTION, ChargingDevice
from rvsim.devices.charging.stages import OFF, StageSettings
from rvsim.devices.device import Amps, DeviceContext, Instance, Volts
from rvsim.devices.lost_heat import LostHeat
from rvsim.devices.named_battery import named_battery
from rvsim.devices.settings_order import check_order
from rvsim.errors import InputError
from rvsim.rig.climate import FIRST_ZONE
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

DERATE_SHARE_PER_S = 0.2
"""What it gives follows the input's voltage by this share each second, so that it does not swing. Our choice."""
HIGH_INPUT_FAULT, LOW_INPUT_FAULT = ReportedFault(2332, 3), ReportedFault(2332, 4)
"""The SPN is invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
_Seconds = Annotated[float, Field(ge=0, le=3600)]


class DcDcSettings(StageSettings):
    """Size, and the voltages of its input."""

    to_battery: OneLineText | None = None
    """The battery that it charges; if omitted, the house battery. It takes from the battery of its branch."""
    ignition_wire: bool = False
    """Whether it is told by a wire that the engine runs; if not, it starts by voltage alone."""
    start_volts: Volts = 13.2
    """Without the wire it starts above this voltage. Two charger makers' manuals."""
    stay_volts: Volts = 12.8
    """And goes on above this one, after its rest. The same manuals."""
    ignition_start_volts: Volts = 12.3
    """With the wire it starts above this voltage. The same manuals."""
    ignition_stay_volts: Volts = 12.0
    """And goes on above this one, after its rest. The same manuals."""
    charge_s: _Seconds = 180.0
    """How long it charges between two rests. The same manuals: 3 min."""
    rest_s: Annotated[float, Field(ge=1, le=600)] = 5.0
    """How long it rests. The same manuals."""
    derate_volts: Volts = 11.5
    """Below this input voltage, under load, it gives less. The same manuals."""
    stop_volts: Volts = 10.5
    """Below this one it stops. The same manuals."""
    stop_delay_s: _Seconds = 5.0
    """How long it has to be below. Common practice, no source: giving less comes first."""
    over_volts: Volts = 16.0
    """Above this one it stops. The same manuals."""
    over_release_volts: Volts = 15.5
    """Below this one it may go on after that. The same manuals."""
    efficiency_percent: Annotated[float, Field(ge=30, le=100)] = 90.0
    """What it gives by what it takes. A charger maker's manual: up to 92."""
    standby_amps: Amps = 0.01
    """Current from the battery that it takes from, always. Common practice, no source."""
    zone: OneLineText = FIRST_ZONE
    """The zone in which it stands: its air counts, and its losses warm it."""
    case_above_air_k: Annotated[float, Field(ge=0, le=80)] = 25.0
    """How much warmer than the air around it its case is at full current. Common practice, no source."""
    dc_source: Instance | None = None
    """DC source instance of the battery that it charges; if omitted, that which the rig gives the battery."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        check_order(
            self,
            ("stop_volts", "derate_volts"),
            ("stay_volts", "start_volts"),
            ("ignition_stay_volts", "ignition_start_volts"),
            ("start_volts", "over_volts"),
            ("over_release_volts", "over_volts"),
        )
        return self


class DcDcCharger(ChargingDevice):
    """Sends CHARGER_STATUS and CHARGER_STATUS_2; obeys CHARGER_COMMAND and the charged battery's monitor."""

    kind = "dc_dc_charger"
    caution: ClassVar[str] = CAUTION
    Settings = DcDcSettings
    settings: DcDcSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        world, to = self.world, self.settings.to_battery
        self._from = world.battery_of(self.name)
        charged = world.battery() if to is None else named_battery(self, "to_battery", to)
        if charged is self._from:
            raise InputError(
                f'device "{self.name}": it would charge {charged.name} from {charged.name}; give it a branch of the '
                "battery that it takes from, or another to_battery"
            )
        self.charge_into(charged, self.source_instance(self.settings.dc_source, charged), charged.capacity_ah)
        self._lost_heat = LostHeat(self, self.settings.zone)
        self._is_on = self._was_over = self._is_low = False
        self._share = 1.0
        self._phase_until = self._low_since = 0
        self._is_resting = False
        self._taken_w = 0.0
        world.set_load(self.name, self.settings.standby_amps)

    @property
    def input_volts(self) -> float:
        """The voltage at its input, behind the wire of its branch."""
        return self._from.volts_at(self.name)

    def is_powered(self) -> bool:
        """Return whether one of its two batteries feeds it."""
        is_fed = self.charged.volts >= self.min_supply_volts and not self.charged.has_collapsed
        return is_fed or super().is_powered()

    def can_charge(self) -> bool:
        """Follow the voltage of its input; return whether it charges in this second."""
        settings, volts, now = self.settings, self.input_volts, self.now
        self._was_over = volts > (settings.over_release_volts if self._was_over else settings.over_volts)
        has_ignition = settings.ignition_wire and self.site.engine_rpm > 0
        if volts >= settings.stop_volts:
            self._low_since = now
        self._is_low = now - self._low_since > settings.stop_delay_s * SECOND_US
        if self._was_over or self._is_low or (settings.ignition_wire and not has_ignition):
            self._is_on = self._is_resting = False
            return False
        start, stay = settings.start_volts, settings.stay_volts
        if has_ignition:
            start, stay = settings.ignition_start_volts, settings.ignition_stay_volts
        if not self._is_on:
            if volts <= start:
                return False
            self._is_on, self._is_resting, self._share = True, False, 1.0
            self._phase_until = now + round(settings.charge_s * SECOND_US)
        elif now >= self._phase_until:
            if self._is_resting and volts <= stay:
                self._is_on = self._is_resting = False
                return False
            self._is_resting = not self._is_resting
            phase_s = settings.rest_s if self._is_resting else settings.charge_s
            self._phase_until = now + round(phase_s * SECOND_US)
        return True

    def own_fault(self) -> ReportedFault | None:
        """Return that its input is too high or, under load, too low, or that the battery's voltage is too high."""
        if self._was_over:
            return HIGH_INPUT_FAULT
        return LOW_INPUT_FAULT if self._is_low else super().own_fault()

    def is_paused(self) -> bool:
        """Return whether it rests, to look at the battery that it takes from."""
        return self._is_resting

    def most(self) -> tuple[float, float | None]:
        """Return what it can give: less at a low input."""
        settings = self.settings
        span = max(settings.derate_volts - settings.stop_volts, 0.01)
        wanted = min(1.0, max(0.0, (self.input_volts - settings.stop_volts) / span))
        if self._share != wanted:
            self._share += DERATE_SHARE_PER_S * (wanted - self._share)
            if abs(self._share - wanted) < 1e-3:
                self._share = wanted
        return settings.full_amps * self._share, None

    def after_update(self) -> None:
        """Take what it gives, and its losses, from the other battery."""
        amps = self.amps if self.stages.stage != OFF else 0.0
        given = self.volts * amps
        taken = given / (self.settings.efficiency_percent / 100)
        self._lost_heat.set(taken - given)
        if taken != self._taken_w:
            self._taken_w = taken
            self.world.set_load_watts(self.name, taken)

    def case_c(self) -> float:
        """Return the temperature of its case."""
        settings = self.settings
        return self._lost_heat.air_c + settings.case_above_air_k * min(1.0, self.amps / settings.full_amps)
