"""The kinds of simulated device, by the name a rig uses.

Knows: which class stands for which kind. Does not know any rig.
"""

from collections.abc import Iterator, Mapping

from pydantic import BaseModel

from rvsim.devices.ambient import AmbientSensor
from rvsim.devices.battery_monitor import BatteryMonitor
from rvsim.devices.charger import Charger
from rvsim.devices.device import Device
from rvsim.devices.heater import Heater
from rvsim.devices.panel import Panel
from rvsim.devices.pump import CirculationPump
from rvsim.devices.roof_fan import RoofFan
from rvsim.devices.tank import TankSensor
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig

KINDS: Mapping[str, type[Device]] = {
    kind.kind: kind
    for kind in (Panel, Heater, CirculationPump, RoofFan, Charger, BatteryMonitor, TankSensor, AmbientSensor)
}


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
