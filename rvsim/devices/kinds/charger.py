"""A battery charger on the mains that also reports the house battery while no device of a higher priority does.

Messages: sends CHARGER_STATUS (its places are published, its operating states are from memory), CHARGER_STATUS_2,
CHARGER_AC_STATUS_1, DC_SOURCE_STATUS_1 and _2; on request CHARGER_CONFIGURATION_STATUS_2, _3 and _4; obeys
CHARGER_COMMAND and CHARGER_CONFIGURATION_COMMAND_2. CHARGER_CONFIGURATION_STATUS is not sent: all its fields are
unsure.

Knows: bulk, absorption and float, what it takes from the mains, its input limit, and that it gives less in hot air.
Does not know what draws from the battery. As a charger it reports the DC source with device priority 80, below a
battery monitor.
"""

from collections.abc import Callable, Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.charging.charging_device import CAUTION, ChargingDevice
from rvsim.devices.charging.stages import OFF, StageSettings
from rvsim.devices.device import DeviceContext, commanded
from rvsim.devices.kinds.dc_source import DcSettings, DcSource
from rvsim.devices.lost_heat import LostHeat
from rvsim.devices.mains_messages import INPUT, MAINS_CAUTION, ac_status
from rvsim.rig.climate import FIRST_ZONE
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US
from rvsim.world.mains import BATTERY_RANK

MIN_HOT_SHARE = 0.2
"""It gives at least this share of its current until its air is so hot that it stops. Common practice, no source."""
RECOVERY_PER_S = 0.02
"""After the mains sagged it asks for this share of its power more each second. Common practice, no source."""
HOT_FAULT = ReportedFault(2331, 16)
"""The SPN is invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
_SAG = 0.999
"""It gets less than this share of what it wants where the source is overloaded. Our choice."""


class ChargerSettings(StageSettings, DcSettings):
    """Size, set points and supply. Sizes are invented."""

    efficiency_percent: Annotated[float, Field(ge=30, le=100)] = 85.0
    """Direct current by what it takes from the mains. Common practice, no source: 85 to 90 for a switching charger."""
    standby_w: Annotated[float, Field(ge=0, le=200)] = 3.0
    """What it takes from the mains without charging. Common practice, no source."""
    input_limit_amps: Annotated[float, Field(ge=0.5, le=200)] | None = None
    """Most that it takes from the mains, in amperes of alternating current; if omitted, what the source can give."""
    mains_delay_s: Annotated[float, Field(ge=0, le=600)] = 2.0
    """How long the mains are there before it charges. Common practice, no source."""
    full_below_c: Annotated[float, Field(ge=0, le=90)] = 40.0
    """Air up to which it gives its full current. Common practice, no source."""
    derate_percent_per_k: Annotated[float, Field(ge=0, le=50)] = 2.5
    """What it gives less for each kelvin above. Common practice, no source."""
    stop_above_c: Annotated[float, Field(ge=0, le=120)] = 70.0
    """Air above which it gives nothing. Common practice, no source."""
    zone: OneLineText = FIRST_ZONE
    """The zone in which it stands: its air counts, and its losses warm it."""
    case_above_cabin_k: Annotated[float, Field(ge=0, le=60)] = 10.0
    """How much warmer than the air around it its case is at full current. Invented."""


class Charger(ChargingDevice, DcSource):
    """Sends CHARGER_STATUS, CHARGER_STATUS_2, DC_SOURCE_STATUS_1 and _2; obeys CHARGER_COMMAND."""

    kind = "charger"
    caution: ClassVar[str] = f"{MAINS_CAUTION} {CAUTION}"
    Settings = ChargerSettings
    settings: ChargerSettings
    priority = 80  # a charger's (a gateway maker's RV-C appendix)
    charger_priority = 80

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.charge_into(self.battery, self.source, self.battery_ah)
        self._lost_heat = LostHeat(self, self.settings.zone)
        self._configuration = self.catalogue.by_name("CHARGER_CONFIGURATION_COMMAND_2")
        self._breaker_amps = self.settings.input_limit_amps
        self._current_share = 1.0
        self._efficiency = self.settings.efficiency_percent / 100
        is_there = self.world.mains_rank() > BATTERY_RANK  # long before, for all that it knows
        self._mains_since: int | None = -round(self.settings.mains_delay_s * SECOND_US) if is_there else None
        self._mains_watts = 0.0
        self._sagged_to: float | None = None
        self.measure()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its commands, and the messages of others that report its battery."""
        return {**super().receives(), "CHARGER_CONFIGURATION_COMMAND_2": self._configure}

    def send_details(self) -> None:
        """Send its second message, and what it takes from the mains, at their gaps."""
        super().send_details()
        self.broadcast("CHARGER_AC_STATUS_1", self._ac_status())

    # The mains.

    def is_powered(self) -> bool:
        """Return whether the mains or the battery feed it."""
        return self.world.mains_rank() > BATTERY_RANK or super().is_powered()

    def measure(self) -> None:
        """Measure its air, and whether there are mains other than those that an inverter makes from a battery."""
        self._air_c, self._has_mains = self._lost_heat.air_c, self.world.mains_rank() > BATTERY_RANK

    def can_charge(self) -> bool:
        """Return whether there are such mains for long enough."""
        if not self._has_mains:
            self._mains_since = self._sagged_to = None
            return False
        if self._mains_since is None:
            self._mains_since = self.now
        waited = self.now - self._mains_since >= self.settings.mains_delay_s * SECOND_US
        return waited and self._air_c <= self.settings.stop_above_c

    def own_fault(self) -> ReportedFault | None:
        """Return that it is too hot, or that the battery's voltage is too high."""
        return HOT_FAULT if self._air_c > self.settings.stop_above_c else super().own_fault()

    def most(self) -> tuple[float, float | None]:
        """Return the amperes that it can give in this air, and the watts that the mains allow."""
        settings, world = self.settings, self.world
        hotter = self._air_c - settings.full_below_c
        share = 1.0 if hotter <= 0 else max(MIN_HOT_SHARE, 1 - settings.derate_percent_per_k / 100 * hotter)
        watts = (
            None if self._breaker_amps is None else self._breaker_amps * world.nominal_mains_volts - settings.standby_w
        )
        if self._sagged_to is not None:
            watts = self._sagged_to if watts is None else min(watts, self._sagged_to)
        given = None if watts is None else max(0.0, watts) * settings.efficiency_percent / 100
        return settings.full_amps * self._current_share * share, given

    def after_update(self) -> None:
        """Take from the mains what it gives, and give less where they sag."""
        world, settings = self.world, self.settings
        if not self._has_mains:
            wanted = given = 0.0
        else:
            got = world.mains_watts(self.name)
            if got < _SAG * self._mains_watts:
                self._sagged_to = max(0.0, got - settings.standby_w)
            elif self._sagged_to is not None:
                full = settings.full_amps * settings.absorption_volts / self._efficiency
                grown = self._sagged_to + RECOVERY_PER_S * full
                self._sagged_to = None if grown > full else grown
            given = self.volts * self.amps if self.stages.stage != OFF else 0.0
            wanted = settings.standby_w + given / self._efficiency
        self._lost_heat.set(wanted - given)
        if wanted != self._mains_watts:
            self._mains_watts = wanted
            world.set_mains_load(self.name, wanted)

    def case_c(self) -> float:
        """Return the temperature of its case."""
        return self._lost_heat.air_c + self.settings.case_above_cabin_k * self.amps / self.settings.full_amps

    # Its configuration and the mains, as messages.

    def _configure(self, data: bytes) -> None:
        given = commanded(self._configuration, data)
        if given.get("instance") != self.charger_instance:
            return
        fields = self._configuration.by_name
        if given.get("shore_breaker_size"):
            self._breaker_amps = fields["shore_breaker_size"].value(given["shore_breaker_size"])
        percent = given.get("maximum_charge_current_percent")
        if percent is not None:
            self._current_share = min(1.0, fields["maximum_charge_current_percent"].value(percent) / 100)

    def requestable_data(self) -> Mapping[int, bytes]:
        """Return what every device tells on request, and its configuration."""
        settings, stages = self.settings, self.stages
        second, third, fourth = (
            self.catalogue.by_name(f"CHARGER_CONFIGURATION_STATUS_{number}") for number in (2, 3, 4)
        )
        volts = third.by_name["bulk_voltage"].sensor_raw
        breaker = second.by_name["shore_breaker_size"].sensor_raw(self._breaker_amps)
        return {
            **super().requestable_data(),
            second.dgn: second.pack(
                instance=self.charger_instance,
                maximum_charge_current_percent=round(200 * self._current_share),
                shore_breaker_size=breaker,
            ),
            third.dgn: third.pack(
                instance=self.charger_instance,
                bulk_voltage=volts(stages.absorption_volts),
                absorption_voltage=volts(stages.absorption_volts),
                float_voltage=volts(stages.float_volts),
            ),
            fourth.dgn: fourth.pack(
                instance=self.charger_instance, absorption_time=round(settings.max_absorption_hours * 60)
            ),
        }

    def _ac_status(self) -> Callable[[], bytes]:
        def watts() -> float | None:
            return self.world.mains_watts(self.name) if self.world.mains_rank() > BATTERY_RANK else None

        spec = self.catalogue.by_name("CHARGER_AC_STATUS_1")
        return ac_status(spec, self.world, self.charger_instance, INPUT, watts)

    def sense(self) -> tuple[float, float]:
        """Return the true volts and amperes: its measurement has no error."""
        return self.measured_volts, self.battery.amps

    def sense_charge(self) -> tuple[float, float, float]:
        """Return the battery's true temperature, charge and current."""
        battery = self.battery
        return battery.celsius, battery.percent, battery.amps
