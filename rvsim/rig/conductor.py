"""The resistance of a copper conductor by its size.

Knows: the tables of IEC 60228 and of the NEC, and how both are brought to 20 degrees Celsius. Does not know what a wire
feeds, nor which size it should have; further tables, and other temperatures, are in `plan`.
"""

from bisect import bisect_left
from collections.abc import Mapping
from typing import Literal, get_args

AwgSize = Literal[
    "24", "22", "20", "18", "16", "14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0"
]
"""A size of the American wire gauge, as text."""
AWG_SIZES: tuple[str, ...] = get_args(AwgSize)
"""The sizes by gauge, the thinnest first."""
# IEC 60228, the highest resistance of class 5 (flexible) plain copper at 20 C, in ohms a kilometre by area in mm2: as
# tabulated alike on three pages; the first three of one extract of DIN VDE 0295 without its column heads; from 70 mm2
# on from memory.
IEC_CLASS_5_OHM_PER_KM = {
    0.14: 134.0, 0.25: 76.0, 0.34: 53.0, 0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30,
    10.0: 1.91, 16.0: 1.21, 25.0: 0.780, 35.0: 0.554, 50.0: 0.386, 70.0: 0.272, 95.0: 0.206, 120.0: 0.161,
}  # fmt: skip
# NEC chapter 9 table 8, stranded uncoated copper at 75 C, in ohms per 1000 ft: 18 to 12, 4, 3, and from 1 on as
# transcribed in a note vault and on an annotated page; 10, 8, 6 and 2 from memory. 24 to 20 by the gauge's formula
# d = 0.127 x 92^((36 - n)/39) mm and the resistivity below, with 2 % for the strands.
NEC_STRANDED_OHM_PER_1000_FT = {
    "18": 7.95, "16": 4.99, "14": 3.14, "12": 1.98, "10": 1.24, "8": 0.778, "6": 0.491, "4": 0.308, "3": 0.245,
    "2": 0.194, "1": 0.154, "1/0": 0.122, "2/0": 0.0967, "3/0": 0.0766, "4/0": 0.0608,
}  # fmt: skip
_THINNER_MM2 = {"24": 0.205, "22": 0.326, "20": 0.518}
FEET_PER_M = 3.28084
OHM_MM2_PER_KM = 17.241
"""Annealed copper at 20 C, 100 % IACS (a power engineering handbook's table of standard copper)."""
COPPER_PER_K = 0.00393
"""Change of the resistance for each kelvin, of that at 20 C (the same table)."""
_AT_75_C = 1 + COPPER_PER_K * (75 - 20)


def gauge_number(awg: str) -> int:
    """Return the number of a gauge, which falls with the thickness: 0 for 1/0, -1 for 2/0."""
    return 1 - int(awg.partition("/")[0]) if "/" in awg else int(awg)


def ohm_per_m_by_area(area_mm2: float, table: Mapping[float, float] = IEC_CLASS_5_OHM_PER_KM) -> float:
    """Return the resistance of one metre of one conductor at 20 C; between two sizes of the table by its area.

    ``table`` has ohms a kilometre by area in mm2, in rising order.
    """
    if area_mm2 in table:
        return table[area_mm2] / 1000
    areas = tuple(table)
    place = min(max(bisect_left(areas, area_mm2), 1), len(areas) - 1)
    below, above = areas[place - 1], areas[place]
    times_area = [table[area] * area for area in (below, above)]  # nearly the same for all sizes
    share = min(max((area_mm2 - below) / (above - below), 0.0), 1.0)
    return (times_area[0] + share * (times_area[1] - times_area[0])) / area_mm2 / 1000


def ohm_per_m_by_awg(awg: str) -> float:
    """Return the resistance of one metre of one conductor of this gauge at 20 C."""
    if awg in _THINNER_MM2:
        return 1.02 * OHM_MM2_PER_KM / _THINNER_MM2[awg] / 1000
    return NEC_STRANDED_OHM_PER_1000_FT[awg] * FEET_PER_M / 1000 / _AT_75_C
