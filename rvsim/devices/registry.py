"""The kinds of simulated device, by the name a rig uses.

Knows: which class stands for which kind. Does not know any rig.
"""

from collections.abc import Iterable, Iterator, Mapping
from importlib.metadata import EntryPoint, entry_points

from pydantic import BaseModel

from rvsim.devices.ambient import AmbientSensor
from rvsim.devices.battery_monitor import BatteryMonitor
from rvsim.devices.charger import Charger
from rvsim.devices.device import Device
from rvsim.devices.heater import Heater
from rvsim.devices.own import OwnDevice
from rvsim.devices.panel import Panel
from rvsim.devices.pump import CirculationPump
from rvsim.devices.roof_fan import RoofFan
from rvsim.devices.tank import TankSensor
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig

GROUP = "rvsim.devices"
"""The entry points under which other packages bring kinds of their own."""
BUILT_IN = (Panel, Heater, CirculationPump, RoofFan, Charger, BatteryMonitor, TankSensor, AmbientSensor, OwnDevice)


def all_kinds(points: Iterable[EntryPoint]) -> tuple[dict[str, type[Device]], tuple[str, ...]]:
    """Return the built-in kinds and those of entry points, and a sentence for each that cannot be used."""
    kinds: dict[str, type[Device]] = {kind.kind: kind for kind in BUILT_IN}
    problems = []
    for point in points:
        place = f"entry point {point.name} of {GROUP}, {point.value}"
        try:
            kind = point.load()
        except Exception as error:  # another's package may raise anything
            problems.append(
                f"{place}: it cannot be loaded ({type(error).__name__}: {error}); mend or remove its package"
            )
            continue
        if not (isinstance(kind, type) and issubclass(kind, Device)):
            problems.append(f"{place}: it is no class made from rvsim.devices.device.Device")
        elif kind.kind in kinds:
            problems.append(f'{place}: a kind "{kind.kind}" is there already; give it another name')
        else:
            kinds[kind.kind] = kind
    return kinds, tuple(problems)


KINDS: Mapping[str, type[Device]]
PROBLEMS: tuple[str, ...]
KINDS, PROBLEMS = all_kinds(entry_points(group=GROUP))
"""The kinds that rigs can name, and what is wrong with those that other packages bring."""


def settings_models() -> dict[str, type[BaseModel]]:
    """Return the settings model of each kind, for the reader of rigs."""
    return {name: kind.Settings for name, kind in KINDS.items()}


def missing_partners(rig: Rig) -> Iterator[str]:
    """Yield a sentence for each setting that names an instance which no device of the rig has."""
    there = {(name, instance) for plan in rig.devices for name, those in plan.functions.items() for instance in those}
    for plan in rig.devices:
        kind = KINDS.get(plan.kind)
        settings = plan.settings_as(kind.Settings) if kind is not None else None
        for setting, function in kind.partners.items() if kind is not None else ():
            instance = getattr(settings, setting)
            if instance is not None and (function, instance) not in there:
                title = FUNCTIONS[function].title
                yield f"{plan.name} is set to {setting} {instance}, and no device of the rig is {title} {instance}"
