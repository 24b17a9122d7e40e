"""Which readings are held against which others: a table.

Knows: levels that cannot be above what they are counted in, and voltages that two devices measure on one battery. Does
not know what was said. Left out, since two healthy devices can differ in them: temperatures at two places, currents of
a battery with several loads, states of charge by two methods.
"""

from typing import NamedTuple

from rvsim.wire.frame import SECOND_US


class Within(NamedTuple):
    """A field that is never above another one of the same frame; ``rule`` says what that one is."""

    message: str
    field: str
    most: str
    rule: str


class Apart(NamedTuple):
    """A voltage that is near another device's while a current flows.

    ``joined_by`` is the field that says the instance of the other; ``current`` is of the same message as ``field``.
    """

    message: str
    field: str
    joined_by: str
    current: str
    other_message: str
    other_field: str


WITHIN = (
    Within("TANK_STATUS", "relative_level", "resolution", "its resolution"),
    Within("TANK_STATUS", "absolute_level", "tank_size", "the size of the tank"),
)
APART = (
    Apart(
        "CHARGER_STATUS_2",
        "charging_voltage",
        "dc_source_instance",
        "charging_current",
        "DC_SOURCE_STATUS_1",
        "dc_voltage",
    ),
    Apart(
        "SOLAR_CONTROLLER_BATTERY_STATUS",
        "measured_battery_voltage",
        "dc_source_instance",
        "measured_battery_current",
        "DC_SOURCE_STATUS_1",
        "dc_voltage",
    ),
)
MAX_APART_V = 2.0
"""In a 12 V system, twice that in one of 24 V and so on: more is no drop along a wire. Common practice, no source."""
APART_FOR_US = 10 * SECOND_US
"""So long they have to be apart: devices measure and send at different moments. Common practice, no source."""
CHARGES_FROM_A = 1.0
"""A charger that gives less may be cut off from the battery by a relay. Common practice, no source."""
_TOP_V = ((17.0, 1), (34.0, 2))
"""Up to which voltage a battery counts as of 12 V and 24 V, and as how many times 12 V. Common practice, no source."""


def max_apart(one: float, other: float) -> float:
    """Return how far two voltages of one battery may be apart; the lower tells which system it is, the stricter way."""
    lowest = min(one, other)
    return MAX_APART_V * next((times for top, times in _TOP_V if lowest <= top), 4)
