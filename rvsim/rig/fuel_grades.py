"""How cold diesel of each grade may be.

Knows: the plugging points of the classes of EN 590. Does not know any fuel tank.
"""

from collections.abc import Mapping

GELS_BELOW_C: Mapping[str, float] = {
    # EN 590 tables 2 and 3: the cold filter plugging point of each class.
    "A": 5.0,
    "B": 0.0,
    "C": -5.0,
    "D": -10.0,
    "E": -15.0,
    "F": -20.0,
    "0": -20.0,
    "1": -26.0,
    "2": -32.0,
    "3": -38.0,
    "4": -44.0,
}
PLUGGING_SPREAD_K = 4.0
"""Two laboratories differ by this in the plugging point (ASTM D6371): a warning within it means nothing."""
