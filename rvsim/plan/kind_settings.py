"""The settings of a device as its kind reads them.

Knows: that a rig which was read without the kinds may have settings that do not fit. Does not know what a setting does.
"""

from typing import TypeVar

from pydantic import BaseModel, ValidationError

from rvsim.errors import InputError
from rvsim.rig.device_plan import DevicePlan

_Model = TypeVar("_Model", bound=BaseModel)


def kind_settings(device: DevicePlan, model: type[_Model]) -> _Model:
    """Return the settings of a device.

    Raises:
        InputError: they do not fit its kind, in one line.
    """
    try:
        return device.settings_as(model)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        text = first["msg"].removeprefix("Value error, ")
        raise InputError(
            f'device "{device.name}", settings, {place}: {text}; `rvsim about --keys {device.kind}` lists them'
        ) from None
