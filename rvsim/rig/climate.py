"""The figures of a vehicle's heat, air, moisture and people, and those of the weather.

Knows: zones, coolant circuit, hot water, fuel, people and weather with their units, limits and defaults; which of these
figures exclude each other. Does not know how they change with time (`world` does), nor which devices act on them.

The defaults together describe an invented small insulated van with a coolant heater. The line under each figure gives
the origin of its default. The limits only exclude typing mistakes and are common practice, no source.
"""

from collections.abc import Iterator, Mapping, Sequence
from math import fsum
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, model_validator

from rvsim.errors import did_you_mean
from rvsim.rig.materials import Material, layer_resistance, u_value
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, OneLineText, Table
from rvsim.rig.weather_table import weather_table_problem

Celsius = Annotated[float, Field(ge=-60, le=60)]
"""A temperature of air, or of something in the air."""
Hour = Annotated[float, Field(ge=0, lt=24)]
"""Hour of the day, local, with decimals: 18.5 is 18:30."""
Percent = Annotated[float, Field(ge=0, le=100)]
Angle = Annotated[float, Field(ge=0, lt=360)]
FIRST_ZONE = "cabin"
"""The zone that every vehicle has: the table [cabin]."""
OUTDOORS = "outdoors"


class LayerPlan(Table):
    """One layer of a wall."""

    material: Material
    """What it is of; "air" is still air between two layers."""
    thickness_mm: float = Field(gt=0, le=1000)
    """Its thickness."""
    conductivity_w_per_m_k: float | None = Field(default=None, ge=0.001, le=500)
    """Its conductivity. If omitted, that of the material."""

    @property
    def resistance(self) -> float:
        """Its resistance, m2 K/W."""
        return layer_resistance(self.material, self.thickness_mm, self.conductivity_w_per_m_k)


class WallPlan(Table):
    """A part of a zone's walls, roof or floor that has one U-value."""

    area_m2: float = Field(gt=0, le=200)
    """Area of this part."""
    u_w_per_m2_k: float = Field(default=1.2, ge=0.1, le=10)
    """Heat through a square metre for each degree, both surfaces included (EN ISO 6946). Foam of 20 mm behind
    plywood of 6 mm: 1.2."""
    layers: Annotated[tuple[LayerPlan, ...], Field(strict=False)] = ()
    """Its layers, instead of u_w_per_m2_k, like [{ material = "xps", thickness_mm = 20.0 }]."""

    @property
    def u_value(self) -> float:
        """Heat through a square metre for each degree, as given or by its layers."""
        return u_value(*(layer.resistance for layer in self.layers)) if self.layers else self.u_w_per_m2_k

    @model_validator(mode="after")
    def _one_account_of_the_wall(self) -> "WallPlan":
        if self.layers and "u_w_per_m2_k" in self.model_fields_set:
            raise ValueError("u_w_per_m2_k and layers say the same; write one of them")
        return self


class GlassPlan(Table):
    """A window: it loses heat and lets the sun in."""

    area_m2: float = Field(gt=0, le=50)
    """Area of the glass."""
    u_w_per_m2_k: float = Field(default=5.4, ge=0.5, le=7)
    """Heat through a square metre for each degree. Single glass 5.4 (a building-simulation database), good double
    glass 1.8."""
    g: float = Field(default=0.86, ge=0, le=1)
    """The share of the sun's power at a right angle that becomes heat inside. Clear glass of 4 mm (the same
    database); with an inside blind 0.35."""
    tilt_deg: float = Field(default=90.0, ge=0, le=180)
    """0: it lies flat and faces the sky; 90: it stands upright."""
    azimuth_deg: Angle = 90.0
    """Where it faces, from the vehicle's front clockwise: 90 is the right side. Invented."""


class _ZoneFigures(Table):
    """What every zone has: air and lining, walls, glass, leaks."""

    volume_m3: float = Field(default=11.0, ge=1, le=100)
    """Volume of the air. Invented van: about 3.4 m long, 1.8 m wide, 1.8 m high inside."""
    heat_loss_w_per_k: float = Field(default=35.0, ge=1, le=1000)
    """Heat lost through walls, glass and floor, without air exchange. Invented van: 33 m2 at a mean of 1.06 W/(m2
    K), between the 0.65 of an insulated wall and the 5.9 of bare metal (EN ISO 6946)."""
    walls: Annotated[tuple[WallPlan, ...], Field(strict=False)] = ()
    """Parts of walls, roof and floor, instead of heat_loss_w_per_k."""
    ribs_m: float = Field(default=0.0, ge=0, le=500)
    """Length of the metal ribs that bridge the insulation of ``walls``. None, until it is given."""
    rib_w_per_m_k: float = Field(default=0.1, ge=0, le=2)
    """Heat through a metre of rib for each degree. Example of a worked sum of linear losses, no source."""
    glass: Annotated[tuple[GlassPlan, ...], Field(strict=False)] = ()
    """Windows; their loss is part of heat_loss_w_per_k where that is given."""
    inside_m2: float | None = Field(default=None, ge=1, le=500)
    """Area of the lining that touches the air. If omitted: that of ``walls``, or from the volume."""
    heat_capacity_j_per_k: float = Field(default=400_000.0, ge=10_000, le=20_000_000)
    """Heat capacity of air, lining and contents, the battery included. Invented van: about 270 kg at 1.5 kJ/(kg
    K)."""
    air_capacity_percent: float = Field(default=30.0, ge=0.1, le=90)
    """The share of the heat capacity that follows the air within seconds: the air itself, cushions, bedding, thin
    boards. Nine times that of the air in the invented van; building simulations take 3 to 10 times, from memory."""
    absorptance: float = Field(default=0.25, ge=0, le=1)
    """The share of the sun's power that the outside of the walls takes up. White 0.25, dark 0.9, from memory."""
    air_changes_per_hour: float = Field(default=1.0, ge=0, le=60)
    """Air exchange by leaks and fixed vents, without wind and with the fan off. Common practice, no source."""
    air_changes_by_wind: float = Field(default=0.1, ge=0, le=5)
    """More air changes an hour for each metre a second of wind. Invented: 1.4 an hour, the most that a study of six
    parked cars found, at 4 m/s."""
    opening_height_m: float = Field(default=0.5, gt=0, le=4)
    """Height between the lower and the upper half of what is opened; warm air leaves through the upper. Invented."""
    inlet_m2: float | None = Field(default=None, ge=0, le=5)
    """Fixed opening through which a fan that blows out draws its air in; open windows add to it. If omitted, the fan
    always has enough air."""
    start_c: Celsius = 15.0
    """Temperature at the start. Invented: parked for an hour in autumn."""
    start_humidity_percent: Percent = 50.0
    """Relative humidity at the start. Invented."""

    @property
    def glass_w_per_k(self) -> float:
        """Heat lost through the windows for each degree."""
        return fsum(part.area_m2 * part.u_w_per_m2_k for part in self.glass)

    @property
    def walls_w_per_k(self) -> float:
        """Heat lost through everything but windows for each degree; ribs are linear losses (EN ISO 6946 excludes
        insulation bridged by metal)."""
        if not self.walls:
            return self.heat_loss_w_per_k - self.glass_w_per_k
        return fsum(part.area_m2 * part.u_value for part in self.walls) + self.ribs_m * self.rib_w_per_m_k

    @model_validator(mode="after")
    def _one_account_of_the_walls(self) -> "_ZoneFigures":
        if self.walls and "heat_loss_w_per_k" in self.model_fields_set:
            raise ValueError("heat_loss_w_per_k and walls say the same; write one of them")
        if self.ribs_m and not self.walls:
            raise ValueError("ribs_m counts with walls only; write walls, or add the ribs to heat_loss_w_per_k")
        if self.walls_w_per_k < 0:
            raise ValueError(
                f"the glass alone loses {self.glass_w_per_k:g} W/K, more than heat_loss_w_per_k, "
                f"{self.heat_loss_w_per_k:g}; write less glass or more heat loss"
            )
        return self


class CabinPlan(_ZoneFigures):
    """The living space, the zone named "cabin": its air, and its lining with all contents."""


class ZonePlan(_ZoneFigures):
    """A further zone, such as a garage or a sleeping place over the cab."""

    name: OneLineText
    """The name by which devices and scenarios speak of it."""
    exchange: Mapping[str, Annotated[float, Field(ge=0, le=5000)]] = {}
    """Air in m3 an hour that goes to another zone and comes back, by that zone's name, like { cabin = 20.0 }: 20
    through a curtain, 150 through an open door, from memory."""
    exchanger_w_per_k: float = Field(default=0.0, ge=0, le=1000)
    """Heat from coolant to this zone's air at full fan, before the limit that the flow sets; 0: no exchanger."""
    exchanger_air_litres_per_s: float | None = Field(default=None, ge=1, le=2000)
    """Air through that exchanger at full fan. If omitted, the air sets no limit."""


class CoolantPlan(Table):
    """The heater's coolant circuit: burner, pump, the exchangers to cabin air and to the hot water."""

    litres: float = Field(default=10.0, ge=1, le=100)
    """Volume of the coolant. Invented van: heater, hoses and exchangers together."""
    glycol: Literal["propylene", "ethylene"] = "propylene"
    """The glycol in the water. Common practice, no source: propylene is not poisonous."""
    glycol_percent: float = Field(default=40.0, ge=0, le=60)
    """Glycol in the water. Common practice, no source; 60 is where the tables of properties end."""
    burner_w: float = Field(default=5000.0, ge=0, le=20_000)
    """Heat into the coolant at full output. Invented van; coolant heaters for vehicles of this size give 4-5 kW."""
    burner_efficiency_percent: float = Field(default=85.0, ge=30, le=100)
    """Heat into the coolant, as a share of the heat in the fuel (lower heating value). Common practice, no
    source."""
    pump_litres_per_s: float = Field(default=0.15, ge=0.01, le=1)
    """Flow of the coolant while the pump runs. Invented van: 540 litres an hour against the resistance of its
    hoses."""
    cabin_exchanger_w_per_k: float = Field(default=110.0, ge=0, le=1000)
    """Heat from coolant to cabin air at full fan, before the limit that the flow sets. Invented van: carries the
    burner's full output at about 50 K above the cabin."""
    cabin_exchanger_air_litres_per_s: float | None = Field(default=None, ge=1, le=2000)
    """Air through that exchanger at full fan. If omitted, the air sets no limit."""
    water_exchanger_w_per_k: float = Field(default=120.0, ge=0, le=1000)
    """Heat from coolant to hot water, before the limit that the flow sets. Invented van."""
    hose_loss_w_per_k: float = Field(default=3.0, ge=0, le=50)
    """Heat from hoses and idle exchangers to the cabin, fan off. Common practice, no source."""
    start_c: float = Field(default=15.0, ge=-60, le=110)
    """Temperature at the start. Invented: as cold as the cabin."""


class HotWaterPlan(Table):
    """The hot-water tank; it stands in the cabin and loses its heat to it."""

    litres: float = Field(default=10.0, ge=1, le=200)
    """Volume of the tank. Invented van."""
    loss_w_per_k: float = Field(default=1.0, ge=0, le=50)
    """Heat lost to the cabin through the tank's insulation. Common practice, no source."""
    start_c: float = Field(default=15.0, ge=0, le=95)
    """Temperature at the start. Invented: as cold as the cabin."""


class FuelPlan(Table):
    """The diesel that heaters burn."""

    litres: float = Field(default=60.0, ge=1, le=1000)
    """Volume of the tank. Invented van."""
    start_percent: Percent = 80.0
    """Level at the start. Invented."""
    grade: Literal["A", "B", "C", "D", "E", "F", "0", "1", "2", "3", "4"] = "F"
    """Class of EN 590: A to F (temperate, F for winter) or 0 to 4 (arctic); it says how cold the fuel still passes a
    filter. Common practice, no source: winter diesel of central Europe."""


class PeoplePlan(Table):
    """The people in the vehicle: they warm and moisten its air and use its water."""

    count: int = Field(default=2, ge=0, le=20)
    """How many are there. Invented: two."""
    zone: OneLineText = FIRST_ZONE
    """The zone that they are in."""
    activity: Literal["rest", "work"] = "rest"
    """Whether they sit at rest or work at a table, which warms and moistens the air more. Invented: at rest."""


def _existing_table(given: object, info: ValidationInfo) -> object:
    if not isinstance(given, str):
        return given
    folder = (info.context or {}).get("folder")
    path = Path(given) if folder is None else folder / given
    problem = weather_table_problem(path)
    if problem:
        raise ValueError(problem)
    return path


class WeatherPlan(Table):
    """The air outside, wind and sun: constant, with a day's swing, or by a table. Belongs to a scenario."""

    outdoor_c: Celsius = -5.0
    """Mean temperature of the day. Invented winter."""
    swing_amplitude_k: float = Field(default=0.0, ge=0, le=30)
    """How far the warmest and the coldest hour are from the mean; 0: the same temperature all day. Invented."""
    warmest_hour: Hour = 15.0
    """The warmest hour of the day. Common practice, no source: air is warmest in the middle of the afternoon."""
    start_hour: Hour = 18.0
    """Hour of the day at which the run starts, 18.5 is 18:30. Invented: evening."""
    table: Annotated[Path, BeforeValidator(_existing_table), Field(strict=False)] | None = None
    """A CSV file, its path relative to this file, with a row of names and rows at even distances in time: ``hours``
    since the start, ``outdoor_c``, ``humidity_percent``, ``wind_m_per_s``, ``cloud_percent``, ``sun_w_per_m2``. What it
    has replaces the keys here."""
    humidity_percent: Percent = 80.0
    """Relative humidity of the air outside. Invented winter."""
    wind_m_per_s: float = Field(default=0.0, ge=0, le=60)
    """Wind. Invented: calm."""
    altitude_m: float = Field(default=0.0, ge=-430, le=6000)
    """Height above the sea; air is thinner and the sun stronger higher up. Invented: at the sea."""
    latitude_deg: float = Field(default=50.0, ge=-90, le=90)
    """Latitude, north positive. Invented: central Europe."""
    day_of_year: int = Field(default=15, ge=1, le=365)
    """Day of the year at the start: 15 is 15 January. Invented winter."""
    cloud_percent: Percent = 100.0
    """The share of the sky that clouds cover. Invented winter."""
    heading_deg: Angle = 0.0
    """Where the vehicle's front points, from north clockwise. Invented."""


def zone_names(zones: Sequence[Any]) -> list[str]:
    """Return the names of all zones; ``zones`` are the plans of those beside the cabin."""
    return [FIRST_ZONE, *(zone.name for zone in zones)]


def unknown_zone(name: str, names: Sequence[str]) -> str:
    """Return what is wrong with the name of a zone that a vehicle does not have."""
    known = ", ".join(dict.fromkeys(names))
    return f"{shown(name)} is not a zone{did_you_mean(name, names)}; the zones are {known}"


def zone_mistakes(zones: Sequence[ZonePlan]) -> Iterator[Mistake]:
    """Yield what is wrong with the zones of a vehicle together: names, and the zones that they exchange air with."""
    names = zone_names(zones)
    for number, zone in enumerate(zones):
        if zone.name == OUTDOORS:
            yield Mistake((number, "name"), f'"{OUTDOORS}" is the air outside; give the zone another name', zone.name)
        elif zone.name in names[: number + 1]:
            taken = "the table [cabin]" if zone.name == FIRST_ZONE else "another zone"
            yield Mistake((number, "name"), f"{shown(zone.name)} is {taken} already; give it another name", zone.name)
        for other in zone.exchange:
            place = (number, "exchange", other)
            if other not in names:
                yield Mistake(place, unknown_zone(other, names), other)
            elif other == zone.name:
                yield Mistake(place, "a zone exchanges no air with itself; name another zone", other)
            elif any(zone.name in before.exchange for before in zones[:number] if before.name == other):
                yield Mistake(place, f"{shown(other)} has this exchange already; write it once", other)
