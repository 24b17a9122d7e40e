"""The battery that a device's settings name.

Knows: that the name has to be that of a battery of the rig. Does not know what the device does with it.
"""

from rvsim.devices.device import Device
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.world.bus_bar import BusBar


def named_battery(device: Device, key: str, name: str) -> BusBar:
    """Return the battery of this name, which stands at a key of the device's settings.

    Raises:
        InputError: the rig has no such battery.
    """
    known = device.world.battery_names
    if name not in known:
        raise InputError(
            f'device "{device.name}", {key}: the rig has no battery {shown(name)}{did_you_mean(name, known)}; its '
            f"batteries are {', '.join(known)}"
        )
    return device.world.battery(name)
