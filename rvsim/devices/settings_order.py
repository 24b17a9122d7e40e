"""Figures of a device's settings that have to be in order, such as a voltage to stop below one to start again.

Knows: how to say which two are not. Does not know any device.
"""

from pydantic import BaseModel


def check_order(settings: BaseModel, *pairs: tuple[str, str]) -> None:
    """Refuse settings in which the first figure of a pair is not below the second.

    Raises:
        ValueError: names the first such pair with both figures.
    """
    for low, high in pairs:
        below, above = getattr(settings, low), getattr(settings, high)
        if below >= above:
            raise ValueError(f"{low} {below:g} is not below {high} {above:g}; correct one of them")
