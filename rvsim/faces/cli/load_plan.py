"""The rig that something is held against, with the definitions that go with it.

Knows: how they are loaded together, and how that is said. Does not know what is held against them.
"""

from pathlib import Path

from rvsim.faces.cli.exits import say
from rvsim.rig.field_names import check_fields
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue


def planned(rig: str | None, dbc: list[Path]) -> tuple[Rig | None, Catalogue]:
    """Load a rig, where one is named, and the definitions that go with it; say what of these is left out.

    Raises:
        InputError: one of them cannot be used.
    """
    plan = load_rig(rig) if rig is not None else None
    catalogue = load_catalogue([*(plan.definitions if plan else ()), *dbc])
    say(*catalogue.left_out)
    if plan is not None:
        check_fields(plan, catalogue)
    return plan, catalogue


def against(plan: Rig | None) -> str:
    """Say what is held against."""
    return f"held against the rig {plan.name}" if plan else "no rig given"
