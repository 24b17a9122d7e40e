"""Which readings are compared with which others: a table.

Knows: levels that have an upper bound in the same frame, and voltages that two devices measure on one battery. Does not
know any reading. Left out, since two healthy devices can differ in them: temperatures at two places, currents of a
battery with several loads, states of charge by two methods.
"""

from typing import NamedTuple

from rvsim.wire.frame import SECOND_US


class UpperBound(NamedTuple):
    """A field that is never above another field of the same frame; ``rule`` is that other field as text."""

    message: str
    field: str
    bound: str
    rule: str


class VoltagePair(NamedTuple):
    """A voltage that is nearly equal to a voltage of another device while a current flows.

    ``instance_field`` is the field with the instance of the other message; ``current`` is a field of the same message
    as ``field``.
    """

    message: str
    field: str
    instance_field: str
    current: str
    other_message: str
    other_field: str


UPPER_BOUNDS = (
    UpperBound("TANK_STATUS", "relative_level", "resolution", "its resolution"),
    UpperBound("TANK_STATUS", "absolute_level", "tank_size", "the size of the tank"),
)
VOLTAGE_PAIRS = (
    VoltagePair(
        "CHARGER_STATUS_2",
        "charging_voltage",
        "dc_source_instance",
        "charging_current",
        "DC_SOURCE_STATUS_1",
        "dc_voltage",
    ),
    VoltagePair(
        "SOLAR_CONTROLLER_BATTERY_STATUS",
        "measured_battery_voltage",
        "dc_source_instance",
        "measured_battery_current",
        "DC_SOURCE_STATUS_1",
        "dc_voltage",
    ),
)
MAX_DIFFERENCE_V = 2.0
"""In a 12 V system; twice that in a 24 V system, and so on. A greater difference is more than the voltage drop of a
conductor. Common practice, no source."""
METER_DIFFERENCE_V = 0.5
"""By how much two meters may differ beside the drop on the wire between them: 1 % each of 14.4 V, and the plugs.
Common practice, no source."""
MIN_DIFFERENCE_US = 10 * SECOND_US
"""How long the voltages must differ: devices measure and send at different moments. Common practice, no source."""
MIN_CHARGING_A = 1.0
"""At a lower current a relay may have disconnected the charger from the battery. Common practice, no source."""
MAX_BATTERY_V = ((17.0, 1), (34.0, 2))
"""The highest voltage of a 12 V and of a 24 V battery, each with its multiple of 12 V. Common practice, no source."""


MAX_DIFFERENCES_V = tuple(multiple * MAX_DIFFERENCE_V for multiple in (1, 2, 4))
"""The greatest allowed differences of all systems."""


def max_difference(voltage: float, other: float) -> float:
    """Return the greatest allowed difference of two voltages of one battery, in volts.

    The lower voltage decides which system it is, since that gives the smaller difference.
    """
    lowest = min(voltage, other)
    return MAX_DIFFERENCE_V * next((multiple for highest, multiple in MAX_BATTERY_V if lowest <= highest), 4)
