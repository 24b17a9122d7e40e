"""The night, the drive and the storage that a rig has to last through.

Knows: the figures and their defaults. Does not know whether the vehicle lasts (`plan` computes it).
"""

from typing import Annotated

from pydantic import Field

from rvsim.rig.table import OneLineText, Table


class EndurancePlan(Table):
    """What the batteries, the fuel and the water have to last through; what is left out is not checked."""

    night_c: Annotated[float, Field(ge=-60, le=50)] | None = None
    """The lowest outdoor temperature of the night that is forecast."""
    night_hours: Annotated[float, Field(ge=1, le=48)] = 12.0
    """How long the night is. Common practice, no source."""
    inside_c: Annotated[float, Field(ge=-20, le=40)] = 18.0
    """The temperature that is kept inside. Common practice, no source."""
    storage_days: Annotated[float, Field(gt=0, le=1000)] | None = None
    """How many days it is stored without any charge."""
    storage_c: Annotated[float, Field(ge=-60, le=60)] | None = None
    """The lowest temperature while it is stored."""
    off_in_storage: Annotated[tuple[OneLineText, ...], Field(strict=False)] = ()
    """The branches that are switched off while it is stored."""
    drive_hours: Annotated[float, Field(gt=0, le=24)] | None = None
    """How long it is driven until the batteries have to be charged again."""
    sun_hours: Annotated[float, Field(ge=0, le=24)] | None = None
    """Hours of full sun a day, for the solar panels."""
