"""The state in which a scenario's vehicle starts, where it is not the one of its rig.

Knows: the keys of the table [start], which figure of the rig each of them replaces, and how the state is said. Does not
know how any of it changes later (`world` does).
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from rvsim.rig.climate import FIRST_ZONE, Celsius, Hour, Percent
from rvsim.rig.model import Rig
from rvsim.rig.table import Mistake, OneLineText, Table
from rvsim.rig.tanks import FIRST_TANKS
from rvsim.shakedown.switch_steps import Switched, switch_mistakes, switch_sentences
from rvsim.shakedown.vehicle_names import FUEL, VehicleNames, unknown_names
from rvsim.wire.quantity_text import compose, figure

MAX_PEOPLE = 20
"""In one zone; the bound only finds typing mistakes (our choice)."""
MAX_ENGINE_RPM = 8000
"""No engine of a vehicle turns faster; the bound only finds typing mistakes (our choice)."""
_DAY_MINUTES = 24 * 60
People = Mapping[OneLineText, Annotated[int, Field(ge=0, le=MAX_PEOPLE)]]
"""How many people are in a zone, by its name."""
BranchState = Literal["open", "closed"]
"""Whether a branch of the supply is connected to what feeds it."""
EngineSpeed = Annotated[float, Field(ge=0, le=MAX_ENGINE_RPM)]
"""Turns of the engine a minute; 0 while it is off."""


class StartPlan(Table):
    """The state in which the vehicle starts; what is not named here starts as the rig says."""

    hour: Hour | None = None
    """Hour of the day, in place of the weather's start_hour; 18.5 is 18:30."""
    zone: Mapping[OneLineText, Celsius] = Field(default_factory=dict)
    """Temperature of zones in °C, air and lining, by name, like { cabin = 5.0 }."""
    humidity: Mapping[OneLineText, Percent] = Field(default_factory=dict)
    """Relative humidity of the air of zones in %, by name."""
    coolant_c: Annotated[float, Field(ge=-60, le=110)] | None = None
    """Temperature of the heater's coolant."""
    water_c: Annotated[float, Field(ge=0, le=95)] | None = None
    """Temperature of the hot water."""
    battery: Mapping[OneLineText, Percent] = Field(default_factory=dict)
    """Charge of batteries in %, by name, like { house = 60.0 }."""
    battery_c: Mapping[OneLineText, Celsius] = Field(default_factory=dict)
    """Temperature of batteries in °C, by name."""
    tank: Mapping[OneLineText, Percent] = Field(default_factory=dict)
    """Level of tanks in %, by name, like { fresh = 90.0, fuel = 30.0 }."""
    branch: Mapping[OneLineText, BranchState] = Field(default_factory=dict)
    """Branches of the supply that are open, by name, like { galley = "open" }: a blown fuse, a breaker that is off."""
    people: People | None = None
    """How many people are in the zones, by name, like { cabin = 2 }; nobody is in a zone that is not named."""
    engine_rpm: EngineSpeed = 0.0
    """Turns of the engine a minute; 0: it is off."""
    rain: bool = False
    """Whether it rains."""
    switch: Switched = Field(default_factory=dict)
    """Switches that stay as they are set, by name, like { "bilge switch" = "on" }; the others are off."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is said of the start, a text for each figure that is given."""
        return tuple(self._sentences())

    def _sentences(self) -> Iterator[str]:
        if self.hour is not None:
            hour, minute = divmod(round(self.hour * 60) % _DAY_MINUTES, 60)
            yield f"it is {hour:02d}:{minute:02d}"
        for name, celsius in self.zone.items():
            yield compose(f"{name} at ", figure(celsius, "degC"))
        for name, percent in self.humidity.items():
            yield f"humidity of {name} {percent:g} %"
        for name, given in (("coolant", self.coolant_c), ("hot water", self.water_c)):
            if given is not None:
                yield compose(f"{name} at ", figure(given, "degC"))
        for name, percent in self.battery.items():
            yield f"battery {name} charged to {percent:g} %"
        for name, celsius in self.battery_c.items():
            yield compose(f"battery {name} at ", figure(celsius, "degC"))
        for name, percent in self.tank.items():
            yield f"tank {name} {percent:g} % full"
        for name, state in self.branch.items():
            if state == "open":
                yield f"branch {name} is open"
        for zone, count in (self.people or {}).items():
            yield people_text(count, zone)
        if self.engine_rpm:
            yield f"the engine runs at {self.engine_rpm:g} rpm"
        if self.rain:
            yield "it rains"
        yield from switch_sentences(self.switch)

    def mistakes(self, names: VehicleNames) -> Iterator[Mistake]:
        """Yield the names that the rig does not have; places are below the table."""
        yield from unknown_names("zone", self.zone, names.zones, "zones")
        yield from unknown_names("humidity", self.humidity, names.zones, "zones")
        yield from unknown_names("battery", self.battery, names.batteries, "batteries")
        yield from unknown_names("battery_c", self.battery_c, names.batteries, "batteries")
        yield from unknown_names("tank", self.tank, (*names.tanks, FUEL), "tanks")
        yield from unknown_names("branch", self.branch, names.branches, "branches")
        yield from unknown_names("people", self.people or {}, names.zones, "zones")
        yield from switch_mistakes(self.switch, names.contacts)


def people_text(count: int, zone: str) -> str:
    """Say how many people are in a zone."""
    who = {0: "nobody is", 1: "1 person is"}.get(count, f"{count} people are")
    return f"{who} in {zone}"


def started_rig(rig: Rig, start: StartPlan) -> Rig:
    """Return a rig whose vehicle starts as a scenario says; names that it does not have change nothing."""
    if start == StartPlan():
        return rig
    parts: dict[str, Any] = {}

    def part(name: str, **figures: Any) -> None:
        given = {key: value for key, value in figures.items() if value is not None}
        if given:
            parts[name] = getattr(rig, name).model_copy(update=given)

    def in_list(plans: tuple[Any, ...], **figures: Mapping[str, float]) -> tuple[Any, ...]:
        return tuple(
            plan.model_copy(update={key: given[plan.name] for key, given in figures.items() if plan.name in given})
            for plan in plans
        )

    part("cabin", start_c=start.zone.get(FIRST_ZONE), start_humidity_percent=start.humidity.get(FIRST_ZONE))
    part("coolant", start_c=start.coolant_c)
    part("hot_water", start_c=start.water_c)
    for tank in FIRST_TANKS:
        part(f"{tank}_tank", start_percent=start.tank.get(tank))
    part(FUEL, start_percent=start.tank.get(FUEL))
    parts["zones"] = in_list(rig.zones, start_c=start.zone, start_humidity_percent=start.humidity)
    parts["tanks"] = in_list(rig.tanks, start_percent=start.tank)
    parts["batteries"] = in_list(rig.batteries, start_percent=start.battery, start_c=start.battery_c)
    if start.people is not None:  # the first zone here; a run puts people into the others before anything happens
        zone, count = next(iter(start.people.items()), (rig.people.zone, 0))
        part("people", zone=zone, count=count)
    return rig.model_copy(update=parts)
