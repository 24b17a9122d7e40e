"""The kinds of simulated device, by the name a rig uses.

Knows: which class stands for which kind. Does not know any rig.
"""

from collections.abc import Mapping

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

KINDS: Mapping[str, type[Device]] = {
    kind.kind: kind
    for kind in (Panel, Heater, CirculationPump, RoofFan, Charger, BatteryMonitor, TankSensor, AmbientSensor)
}


def settings_models() -> dict[str, type[BaseModel]]:
    """Return the settings model of each kind, for the reader of rigs."""
    return {name: kind.Settings for name, kind in KINDS.items()}
