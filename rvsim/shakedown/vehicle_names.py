"""Names of a rig that a scenario uses for the parts of its vehicle: zones, batteries, branches and so on.

Knows: which names a rig has, and how one that it has not is told. Does not know what a scenario does with them.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from rvsim.rig.climate import zone_names
from rvsim.rig.contact_plans import ContactPlan, contact_plans
from rvsim.rig.model import Rig
from rvsim.rig.references import unknown_text
from rvsim.rig.table import Mistake
from rvsim.rig.tanks import FIRST_TANKS


class VehicleNames(NamedTuple):
    """What a vehicle has, by name."""

    zones: tuple[str, ...]
    batteries: tuple[str, ...]
    tanks: tuple[str, ...]
    fresh_tanks: tuple[str, ...]
    """Those of the tanks that hold fresh water."""
    devices: tuple[str, ...]
    branches: tuple[str, ...]
    contacts: Mapping[str, ContactPlan]
    """What can be pressed."""
    outputs: tuple[str, ...]
    motions: tuple[str, ...]


FUEL = "fuel"
"""The tank with the diesel."""


def vehicle_names(rig: Rig) -> VehicleNames:
    """Return the names of what a rig's vehicle has."""
    return VehicleNames(
        tuple(zone_names(rig.zones)),
        tuple(plan.name for plan in rig.batteries),
        (*FIRST_TANKS, *(tank.name for tank in rig.tanks)),
        (FIRST_TANKS[0], *(tank.name for tank in rig.tanks if tank.content == FIRST_TANKS[0])),
        tuple(plan.name for plan in rig.devices),
        tuple(plan.name for plan in rig.all_branches),
        contact_plans(rig),
        tuple(plan.name for plan in rig.outputs),
        tuple(plan.name for plan in rig.motions),
    )


def unknown_names(key: str, given: Iterable[str], known: tuple[str, ...], what: str) -> Iterator[Mistake]:
    """Yield a mistake for each name in the table behind ``key`` that the rig does not have.

    Args:
        key: the key of the table.
        given: the names in it.
        known: the names that the rig has.
        what: what they stand for, as "zones".
    """
    for name in given:
        if not known:
            yield Mistake((key, name), f"the rig has no {what}", name)
        elif name not in known:
            yield Mistake((key, name), unknown_text(name, known, what), name)
