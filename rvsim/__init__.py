"""RV-C-style CAN message simulator and decoder for bench testing.

What other programs may rely on is here by its name, like ``from rvsim import SimulatedBus``; DEVELOPERS.md says what
that promises. Nothing of it is loaded before it is asked for: ``import rvsim`` alone costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rvsim.devices.device import Device, Settings, commanded
    from rvsim.errors import BusError, InputError, RvsimError
    from rvsim.faces.interface import SimulatedBus
    from rvsim.runs.many_runs import run_job
    from rvsim.shakedown.jobs import Job
    from rvsim.shakedown.verdict import Outcome, Verdict, as_json, as_junit, from_json
    from rvsim.wire.frame import Frame

__all__ = [
    "BusError",
    "Device",
    "Frame",
    "InputError",
    "Job",
    "Outcome",
    "RvsimError",
    "Settings",
    "SimulatedBus",
    "Verdict",
    "as_json",
    "as_junit",
    "commanded",
    "from_json",
    "run_job",
]

_HOMES = {
    "rvsim.devices.device": ("Device", "Settings", "commanded"),
    "rvsim.errors": ("BusError", "InputError", "RvsimError"),
    "rvsim.faces.interface": ("SimulatedBus",),
    "rvsim.runs.many_runs": ("run_job",),
    "rvsim.shakedown.jobs": ("Job",),
    "rvsim.shakedown.verdict": ("Outcome", "Verdict", "as_json", "as_junit", "from_json"),
    "rvsim.wire.frame": ("Frame",),
}


def __getattr__(name: str) -> Any:
    """Load what is asked for, the first time."""
    for home, names in _HOMES.items():
        if name in names:
            found = globals()[name] = getattr(import_module(home), name)
            return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
