"""The planned rig of a command, with the definitions that belong to it.

Knows: how both are loaded together, and the text that names the rig. Does not know what is compared with them.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rvsim.faces.cli.exits import say
from rvsim.runs.progress import Say
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue

if TYPE_CHECKING:
    from rvsim.rig.model import Rig


def load_plan(rig: str | None, dbc: Sequence[Path], report: Say = say) -> "tuple[Rig | None, Catalogue]":
    """Load a rig, if one is named, and the definitions; report a line for each definition that cannot be used.

    Raises:
        InputError: one of them cannot be used.
    """
    plan = None
    if rig is not None:
        from rvsim.rig.load import load_rig  # takes as long to import as a short log to survey

        plan = load_rig(rig)
    catalogue = load_catalogue([*(plan.definitions if plan else ()), *dbc])
    report(*catalogue.left_out)
    if plan is not None:
        from rvsim.rig.field_names import check_fields

        check_fields(plan, catalogue)
    return plan, catalogue


def rig_text(plan: "Rig | None") -> str:
    """Return the text that says which rig the bus is compared with."""
    return f"compared with the rig {plan.name}" if plan else "no rig given"
