"""The battery that a device's settings name, and that which a DC source instance stands for.

Knows: that a name has to be that of a battery of the rig, and an instance that which the rig gives the battery. Does
not know what the device does with it.
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


def check_dc_source(device: Device, source: int, battery: BusBar) -> None:
    """Check that an instance is that of the device's battery, as far as the rig says.

    Raises:
        InputError: the rig gives the instance to another battery, or another instance to this one; or the instance is
            the usual one of another battery.
    """
    world, own = device.world, device.world.dc_source(battery.name)
    other = world.battery_with_source(source)
    is_given = own is not None and world.battery_with_source(own) == battery.name
    is_one_of_many = own is not None and len(world.battery_names) > 2
    if other is None and source != own and (is_given or is_one_of_many):
        raise InputError(
            f'device "{device.name}": it is on battery {battery.name}, which is DC source {own} of the rig, and not '
            f"{source}; write dc_source = {source} in the table [[battery]] that it is about, or correct the instance"
        )
    usual = next((name for name in world.battery_names if world.dc_source(name) == source), battery.name)
    if other is None and usual != battery.name and device.plan.branch is None:
        raise InputError(
            f'device "{device.name}": DC source {source} is battery {usual} where the rig does not say otherwise, and '
            f"it is on battery {battery.name}; put it on a branch of battery {usual}, or write dc_source = {source} in "
            "the table [[battery]] that it is about"
        )
    if other is not None and other != battery.name:
        raise InputError(
            f'device "{device.name}": DC source {source} is battery {other} in the rig, and it is on battery '
            f"{battery.name}; correct its branch or the instance"
        )
