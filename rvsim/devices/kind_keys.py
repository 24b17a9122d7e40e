"""Every key that a rig can set for one kind of simulated device.

Knows: that the settings are a model of the kind's own. Does not know what a kind does with them.
"""

from collections.abc import Iterator

from rvsim.devices.device import Device
from rvsim.rig.key_lists import INTRODUCTION, tables, wrapped


def kind_keys(kind: type[Device]) -> Iterator[str]:
    """Yield the lines for a kind of simulated device, built in or of another package."""
    yield from wrapped(INTRODUCTION, "")
    about = " ".join((kind.__doc__ or "").partition("\n\n")[0].split())
    yield from wrapped(f'kind = "{kind.kind}": {about or "a simulated device"}', "")
    if kind.caution:
        yield from wrapped(f"Caution. {kind.caution}", "")
    if not kind.Settings.model_fields:
        yield "It has no settings."
        return
    yield from tables("[device.settings]", kind.Settings, path="device.settings")
