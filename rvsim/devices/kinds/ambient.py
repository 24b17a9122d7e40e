"""A temperature sensor: in a zone, outdoors, in a cold box, by a tank, or where it should not be.

Messages: sends THERMOSTAT_AMBIENT_STATUS (layout from memory). A sensor that is unplugged is sent as no data, one that
is shorted as out of range (a code from memory); both are reported in heartbeat and DM1 with the yellow lamp.

Knows: how an NTC thermistor behaves (its housing lags behind the air and its bead behind the housing, the current of
its measurement warms it, its electronics reads it by a curve that may be another part's), and what sun does to its
case. Does not know who uses its readings. The resistance of its cable is not modelled.
"""

from collections.abc import Callable
from functools import partial
from typing import Annotated

from pydantic import Field

from rvsim.devices import ntc
from rvsim.devices.device import Amps, Device, DeviceContext, Settings
from rvsim.devices.ntc import NtcCurve, NtcPart
from rvsim.devices.resting_ticks import RestingTicks
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.climate import unknown_zone
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US

NOISE_K = 0.02
"""Standard deviation of one reading. Invented."""
MIN_CHANGE_K = 0.5
"""Smallest change that is sent at once and not at the next gap. Invented."""
OUTDOORS, OUTLET, FRIDGE, TANK_BAY = PLACES = "outdoors", "heater_outlet", "fridge", "tank_bay"
"""The places that are no zone."""
CASE_W_PER_M2_K = 20.0
"""Heat from a case outdoors to the air for each degree. Common practice, no source: 10 in still air, 25 in wind."""
_SPN = 2150
OPEN, SHORTED = ReportedFault(_SPN, 5), ReportedFault(_SPN, 4)
"""FMI 5: open circuit, 4: shorted to low (SAE J1939-73, from memory). The SPN is invented: in RV-C an SPN means what
the maker of the function says (rv-c.com/node/82)."""


class AmbientSettings(Settings):
    """Where the sensor hangs, how it lags, and how it is measured."""

    place: OneLineText = "cabin"
    """Where the sensor is mounted: a zone of the rig, "outdoors", "heater_outlet" (in the warm air of a heater),
    "fridge" (inside the coldest one), "tank_bay" (warmed half by the air around the fresh tank, half by its water)."""
    zone: OneLineText = "cabin"
    """The zone of the heater's outlet or of the fridge, where that is the place; without one it is in its air."""
    bead_s: Annotated[float, Field(ge=0, le=600)] = 12.0
    """Time constant of the bead. Four makers' data sheets: 12 s at most for a glass bead in still air."""
    housing_s: Annotated[float, Field(ge=0, le=3600)] = 8.0
    """Time constant of the housing: 8 for a vented one, 300 to 900 for a closed one of plastic. Common practice, no
    source."""
    ntc: NtcPart = "10k_3435"
    """The thermistor that is fitted. Common practice, no source."""
    read_as: NtcCurve | None = None
    """The curve by which its electronics reads it; if omitted, that of the part that is fitted."""
    divider_volts: Annotated[float, Field(ge=0, le=24)] = 0.0
    """Supply of the divider while it measures; 0: pulses too short to warm it. 5 warms a 10 k disk by 0.18 K."""
    divider_ohm: Annotated[float, Field(ge=100, le=1_000_000)] = 10_000.0
    """The other resistance of the divider. Common practice, no source: that of the thermistor at 25 C."""
    mw_per_k: Annotated[float, Field(gt=0, le=100)] = 3.5
    """Heat from the thermistor to the air for each degree. Makers' data sheets: a disk 3.5, a glass bead 2."""
    sun_absorptance: Annotated[float, Field(ge=0, le=1)] = 0.0
    """Outdoors: the share of the sun's power that its case takes up. 0: in the shade; white 0.25, black 0.9, from
    memory."""
    sun_tilt_deg: Annotated[float, Field(ge=0, le=180)] = 90.0
    """Outdoors: 0 where its case faces the sky, 90 where it is on a wall. Invented."""
    sun_azimuth_deg: Annotated[float, Field(ge=0, le=360)] = 90.0
    """Outdoors: where its wall faces, from the vehicle's front clockwise. Invented."""
    electronics_amps: Amps = 0.0
    """Current of the electronics, always. Invented: counted with the parasitic loads of the vehicle."""


class AmbientSensor(Device):
    """Sends THERMOSTAT_AMBIENT_STATUS for one zone."""

    kind = "ambient"
    Settings = AmbientSettings
    settings: AmbientSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("ambient_sensor")
        plan = self.settings
        self._check_place(plan.place)
        self._check_zone(plan.zone)
        self._around_c = self._surroundings(plan.place, plan.zone)
        """Returns the temperature that the housing would have in the end."""
        self._is_in_shade = self._has_shade(plan.place)
        self._part: NtcPart = plan.ntc
        self._curve: NtcCurve = plan.read_as or plan.ntc
        self._is_exact = self._curve == self._part and not plan.divider_volts
        """Whether the bead's temperature is what the electronics reads, so that no curve is needed."""
        self._fault: ReportedFault | None = None
        self._ticks: RestingTicks | None = None
        """The seconds in which its temperature changes; None before the start."""
        self._lags = ntc.TwoLags(self._around_c(), plan.housing_s, plan.bead_s)
        self._measured_c = self._last_sent_c = self._read(self._lags.celsius)

    def _check_place(self, place: str) -> None:
        """Raise InputError for a place that the vehicle does not have."""
        places = (*self.world.zone_names, *PLACES)
        if place not in places:
            raise InputError(
                f'device "{self.name}": {shown(place)} is no place for a sensor{did_you_mean(place, places)}; the '
                f"places are {', '.join(places)}"
            )

    def _check_zone(self, zone: str) -> None:
        if zone not in self.world.zone_names:
            raise InputError(f'device "{self.name}": {unknown_zone(zone, self.world.zone_names)}')

    def on_start(self) -> None:
        """Measure each second; send the temperature at the gap."""
        self.world.set_load(self.name, self.settings.electronics_amps)
        self._ticks = self.every_while_busy(SECOND_US, self._measure)
        self.broadcast("THERMOSTAT_AMBIENT_STATUS", self._status_builder())

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether it has a reading."""
        return self._fault is None

    # What a fault of a scenario does to it.

    def move_to(self, place: str | None, zone: str | None = None) -> None:
        """Hang the sensor somewhere else, None: back where it belongs; InputError for a place that is none."""
        place, zone = place or self.settings.place, zone or self.settings.zone
        self._check_place(place)
        self._check_zone(zone)
        self._around_c = self._surroundings(place, zone)
        self._is_in_shade = self._has_shade(place)
        self.on_site_change()

    def on_site_change(self) -> None:
        """Go on: the weather may be another."""
        if self._ticks is not None:
            self._ticks.wake()

    def unplug(self) -> None:
        """Open its circuit: it sends no data."""
        self._set_fault(OPEN)

    def short(self) -> None:
        """Short its circuit: it sends out of range."""
        self._set_fault(SHORTED)

    def plug_in(self) -> None:
        """Repair its circuit."""
        self._set_fault(None)

    def _set_fault(self, fault: ReportedFault | None) -> None:
        if fault == self._fault:
            return
        if self._fault is not None:
            self.withdraw_fault("ambient_sensor", self._fault)
        self._fault = fault
        if fault is not None:
            self.report_fault("ambient_sensor", fault, red=False)
        self.send_now("THERMOSTAT_AMBIENT_STATUS")

    # Measuring.

    def _surroundings(self, place: str, near: str) -> Callable[[], float]:
        """Return the function that gives the temperature of a place; ``near`` is the zone of an outlet or a fridge."""
        if place == OUTDOORS:
            return (lambda: self.world.outdoor_c) if self._has_shade(place) else self._outdoors_c
        if place == OUTLET:
            return partial(self.world.outlet_c, near)
        if place == TANK_BAY:
            return self._tank_bay_c
        if place == FRIDGE:
            return partial(self._fridge_c, near)
        return partial(self.world.air_celsius, place)

    def _has_shade(self, place: str) -> bool:
        """Return whether a place is outdoors, and nothing but the air warms the sensor there."""
        return place == OUTDOORS and not self.settings.sun_absorptance

    def _outdoors_c(self) -> float:
        """Return the temperature of a case in the sun."""
        plan, world = self.settings, self.world
        sun = world.sun_w_per_m2(plan.sun_tilt_deg, plan.sun_azimuth_deg)
        return world.outdoor_c + plan.sun_absorptance * sun / CASE_W_PER_M2_K

    def _tank_bay_c(self) -> float:
        return (self.world.tank_air_c("fresh") + self.world.tank_c("fresh")) / 2

    def _fridge_c(self, zone: str) -> float:
        inside = self.world.inside_c()
        return self.world.air_celsius(zone) if inside is None else inside

    def _read(self, bead_c: float) -> float:
        """Return what the electronics reads from the bead."""
        if self._is_exact:
            return bead_c
        plan = self.settings
        ohm = ntc.ohm_at(self._part, bead_c)
        if plan.divider_volts:
            ohm = ntc.ohm_at(
                self._part, bead_c + ntc.self_heating_k(ohm, plan.divider_volts, plan.divider_ohm, plan.mw_per_k)
            )
        return ntc.celsius_at(self._curve, ohm)

    def _measure(self) -> bool:
        """Go on by one second; return whether the next ones are the same until the weather changes."""
        around_c = self._around_c()
        bead_c = self._lags.step(around_c)
        self._measured_c = measured_c = bead_c if self._is_exact else self._read(bead_c)
        if abs(measured_c - self._last_sent_c) >= MIN_CHANGE_K and self._fault is None:
            self.send_now("THERMOSTAT_AMBIENT_STATUS")
        return self._is_in_shade and self.world.is_outdoor_constant and self._lags.stays(around_c)

    def _status_builder(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
        field = spec.by_name["ambient_temperature"]
        measured = field.sensor_raw
        pack = spec.packer("ambient_temperature", instance=self._instance)
        codes = {OPEN: field.code(State.NO_DATA), SHORTED: field.code(State.OUT_OF_RANGE)}

        def build() -> bytes:
            self._last_sent_c = self._measured_c
            reading = measured(self._measured_c + self.random.gauss(0, NOISE_K))
            return pack(ambient_temperature=reading if self._fault is None else codes[self._fault])

        return build
