"""A solar charge controller with its panel: it finds the panel's best point, and charges in stages.

Messages: sends SOLAR_CONTROLLER_STATUS (number and places from memory), SOLAR_CONTROLLER_BATTERY_STATUS and
SOLAR_CONTROLLER_SOLAR_ARRAY_STATUS; obeys SOLAR_CONTROLLER_COMMAND. The two others are unsure as a whole. An unsure
field of another message is sent as no data; these two would then carry no value at all, so they are sent with values,
on virtual buses only. The command's "clear history" is unsure and is not obeyed; there is no history.

Knows: light on the panel's plane, the temperature of its cells, the controller's efficiency, and what is left unused
where the battery does not take it all. Does not know the sun or the weather: the physics has them.
"""

from collections.abc import Callable
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.charging.charging_device import ChargingDevice
from rvsim.devices.charging.stages import OFF, StageSettings
from rvsim.devices.device import Amps, DeviceContext, Instance
from rvsim.wire.frame import SECOND_US
from rvsim.world.solar_panel import STANDARD_C, cell_c, noct_by_gap, watts

LIGHT_PERIOD_US = 10 * SECOND_US
"""How often it looks at the light anew; the sun of the physics moves once a minute. Our choice."""
START_W, STOP_W = 3.0, 1.0
"""It starts when the panel could give the first, and stops below the second. Common practice, no source."""
VOLTS_PER_K = -0.003
"""Change of the panel's voltage for each kelvin, as a share. Common practice, no source."""
OPEN_BY_BEST_VOLTS = 1.22
"""Open-circuit voltage by that of the best point. Common practice, no source: 22.5 V against 18.5 V."""

_Angle = Annotated[float, Field(ge=0, lt=360)]


class SolarSettings(StageSettings):
    """The panel on the roof, and the controller."""

    full_amps: Annotated[float, Field(gt=0, le=1000)] = 20.0
    """Highest charging current. Invented."""
    rebulk_drop_volts: Annotated[float, Field(ge=0.01, le=2)] = 0.4
    """So far below its limit in float, a new bulk begins: a cloud does not. Common practice, no source."""
    panel_w: Annotated[float, Field(gt=0, le=20_000)] = 200.0
    """Power of all panels at 1000 W/m2 and 25 C. Invented."""
    panel_volts: Annotated[float, Field(ge=10, le=250)] = 18.5
    """Voltage of the best point at 25 C. Common practice, no source: one panel for 12 V."""
    tilt_deg: Annotated[float, Field(ge=0, le=180)] = 0.0
    """0: it lies flat. Common practice, no source: on the roof."""
    azimuth_deg: _Angle = 0.0
    """Where it faces when tilted, from the vehicle's front clockwise."""
    noct_c: Annotated[float, Field(ge=20, le=80)] = 45.0
    """Temperature of its cells at 800 W/m2 and 20 C, open mount. A national laboratory's page: 45 is usual."""
    gap_mm: Annotated[float, Field(ge=0, le=1000)] = 6.0
    """Gap between panel and roof; a flush one is up to 18 K hotter (the same page). Invented: glued down."""
    loss_percent_per_k: Annotated[float, Field(ge=0, le=2)] = 0.4
    """Power lost for each kelvin of the cells above 25 C. 0.3 to 0.4 in published examples."""
    shaded_percent: Annotated[float, Field(ge=0, le=100)] = 0.0
    """Share of its light that dirt, trees and what stands on the roof take away."""
    efficiency_percent: Annotated[float, Field(ge=30, le=100)] = 95.0
    """Of the controller. A controller maker's manual: 92 to 95; a seller: up to 98."""
    electronics_amps: Amps = 0.01
    """Current of the electronics, always. Trade page of a small controller: under 5 mA; twice that, invented."""
    dc_source: Instance | None = None
    """DC source instance of the battery that it charges; if omitted, that which the rig gives the battery."""


class SolarController(ChargingDevice):
    """Sends SOLAR_CONTROLLER_STATUS and its status of battery and panel; obeys SOLAR_CONTROLLER_COMMAND."""

    kind = "solar_controller"
    Settings = SolarSettings
    settings: SolarSettings
    charger_priority = 90  # a gateway maker's RV-C appendix
    status_message: ClassVar[str] = "SOLAR_CONTROLLER_STATUS"
    command_message: ClassVar[str] = "SOLAR_CONTROLLER_COMMAND"
    function: ClassVar[str] = "solar_controller"

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        battery = self.world.battery_of(self.name)
        self.charge_into(battery, self.source_instance(self.settings.dc_source, battery), battery.capacity_ah)
        self._noct = noct_by_gap(self.settings.noct_c, self.settings.gap_mm)
        self._looked_at = -LIGHT_PERIOD_US
        self.cells_c = self.world.outdoor_c
        """Temperature of the panel's cells."""
        self.available_w = 0.0
        """What the panel could give now."""
        self._has_light = False
        self.world.set_load(self.name, self.settings.electronics_amps)

    @property
    def panel_w(self) -> float:
        """What the panel gives now."""
        return self.volts * self.amps / (self.settings.efficiency_percent / 100)

    @property
    def curtailed_w(self) -> float:
        """What the panel could give and the battery does not take."""
        return max(0.0, self.available_w - self.panel_w)

    def can_charge(self) -> bool:
        """Return whether there is light enough."""
        if self.now - self._looked_at >= LIGHT_PERIOD_US:
            self._looked_at = self.now
            self._look_at_light()
        return self._has_light

    def starts_alone(self) -> bool:
        """Return whether the panel has light enough, which then feeds the controller (common practice, no source)."""
        self._look_at_light()
        return self._has_light

    def _look_at_light(self) -> None:
        settings, world = self.settings, self.world
        light = world.panel_w_per_m2(settings.tilt_deg, settings.azimuth_deg) * (1 - settings.shaded_percent / 100)
        self.cells_c = cell_c(world.outdoor_c, light, self._noct)
        self.available_w = watts(settings.panel_w, light, self.cells_c, settings.loss_percent_per_k / 100)
        self._has_light = self.available_w > (STOP_W if self._has_light else START_W)

    def most(self) -> tuple[float, float | None]:
        """Return its highest current, and what the panel's power leaves behind the controller."""
        return self.settings.full_amps, self.available_w * self.settings.efficiency_percent / 100

    def send_details(self) -> None:
        """Send the status of battery and panel at their gaps."""
        self.broadcast("SOLAR_CONTROLLER_BATTERY_STATUS", self._battery_status())
        self.broadcast("SOLAR_CONTROLLER_SOLAR_ARRAY_STATUS", self._array_status())

    def _battery_status(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("SOLAR_CONTROLLER_BATTERY_STATUS")
        names = ("measured_battery_voltage", "measured_battery_current", "battery_temperature")
        volts, amps, celsius = (spec.by_name[name].sensor_raw for name in names)
        pack = spec.packer(
            *names,
            instance=self.charger_instance,
            dc_source_instance=self._charged_source,
            charger_priority=self.charger_priority or 0,
        )
        sensed = self.settings.battery_sensor

        def build() -> bytes:
            return pack(
                measured_battery_voltage=volts(self.volts),
                measured_battery_current=amps(self.amps),
                battery_temperature=celsius(self.charged.celsius if sensed else None),
            )

        return build

    def _array_status(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("SOLAR_CONTROLLER_SOLAR_ARRAY_STATUS")
        volts, amps = (spec.by_name[name].sensor_raw for name in ("array_voltage", "array_current"))
        pack = spec.packer("array_voltage", "array_current", instance=self.charger_instance)

        def build() -> bytes:
            at = self.array_volts
            return pack(array_voltage=volts(at), array_current=amps(self.panel_w / at if at else 0.0))

        return build

    @property
    def array_volts(self) -> float:
        """The panel's voltage: that of its best point, higher where it is not used up, 0 without light."""
        if not self._has_light:
            return 0.0
        used = min(1.0, self.panel_w / self.available_w) if self.stages.stage != OFF else 0.0
        best = self.settings.panel_volts * (1 + VOLTS_PER_K * (self.cells_c - STANDARD_C))
        return best * (1 + (OPEN_BY_BEST_VOLTS - 1) * (1 - used))
