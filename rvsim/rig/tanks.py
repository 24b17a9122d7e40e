"""The figures of tanks: water, and LPG.

Knows: size, start level, place and insulation of a tank, with their limits and defaults. Does not know how water moves
(`world` does), nor which devices measure or move it.

The line under each figure gives the origin of its default. The limits only exclude typing mistakes and are common
practice, no source.
"""

from collections.abc import Iterator, Sequence
from typing import Final, Literal

from pydantic import Field, model_validator

from rvsim.rig.climate import FIRST_ZONE, OUTDOORS, unknown_zone
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, OneLineText, Table

FIRST_TANKS = ("fresh", "grey", "black")
"""The tanks that every vehicle has; they are the tables [fresh_tank], [grey_tank] and [black_tank]."""
LPG = "lpg"
"""The content of a tank of liquid gas."""
PROPANE: Final = "propane"


class TankPlan(Table):
    """A water tank: fresh, grey or black."""

    litres: float = Field(default=60.0, ge=1, le=2000)
    """Volume of the tank. Invented van."""
    start_percent: float = Field(default=50.0, ge=0, le=100)
    """Level at the start. Invented."""
    zone: OneLineText = FIRST_ZONE
    """The zone that it stands in, or "outdoors" for a tank under the floor."""
    loss_w_per_k: float = Field(default=3.0, ge=0.1, le=200)
    """Heat between tank and the air around it for each degree. Example of a worked freezing time, no source."""


class ExtraTankPlan(TankPlan):
    """A further tank."""

    name: OneLineText
    """The name by which devices and scenarios speak of it."""
    content: Literal["fresh", "grey", "black", "lpg"]
    """What is in it: water, or liquid gas."""
    gas: Literal["propane", "butane"] = PROPANE
    """Which liquid gas: butane gives none below 2 C. Common practice, no source."""

    @model_validator(mode="after")
    def _gas_with_lpg(self) -> "ExtraTankPlan":
        if "gas" in self.model_fields_set and self.content != LPG:
            raise ValueError(f'gas counts with content = "{LPG}" only; it holds {self.content} water')
        return self


def tank_mistakes(tanks: Sequence[ExtraTankPlan], zones: Sequence[str]) -> Iterator[Mistake]:
    """Yield what is wrong with further tanks: names that are taken, zones that do not exist."""
    names = list(FIRST_TANKS)
    for number, tank in enumerate(tanks):
        if tank.name in names:
            yield Mistake((number, "name"), f"another tank is {shown(tank.name)}; give it another name", tank.name)
        names.append(tank.name)
        if (text := tank_zone_problem(tank, zones)) is not None:
            yield Mistake((number, "zone"), text, tank.zone)


def tank_zone_problem(tank: TankPlan, zones: Sequence[str]) -> str | None:
    """Return what is wrong with the place of a tank, None where nothing is."""
    places = [*zones, OUTDOORS]
    return None if tank.zone in places else unknown_zone(tank.zone, places)
