"""Materials of walls: the heat that they let through, layer by layer.

Knows: conductivities, the resistance of still air between two layers, and those of a wall's two surfaces. Does not know
any wall, nor metal ribs that bridge it: the sum of layers does not hold for them (ISO 6946, scope), they are losses of
their own.
"""

from bisect import bisect_left
from collections.abc import Mapping
from typing import Literal

Material = Literal[
    "steel", "stainless", "aluminium", "glass", "polyurethane", "phenolic foam", "pvc foam", "polyisocyanurate", "xps",
    "mineral wool", "sprayed foam", "pir board", "cork", "plywood", "air",
]  # fmt: skip
AIR = "air"
"""A layer of still air, whose resistance is not in proportion to its thickness."""
W_PER_M_K: Mapping[str, float] = {
    # CIBSE Guide A tables 3.36 (metals, glass) and 3.37 (foams), as reproduced.
    "steel": 45.0, "stainless": 16.0, "aluminium": 230.0, "glass": 1.05,
    "polyurethane": 0.028, "phenolic foam": 0.040, "pvc foam": 0.035, "polyisocyanurate": 0.030,
    # Within the ranges of a calculator site's tables, which cite EN ISO 10456: 0.025 to 0.035, 0.030 to 0.045, 0.022 to
    # 0.028, 0.020 to 0.026, 0.040 to 0.050.
    "xps": 0.033, "mineral wool": 0.037, "sprayed foam": 0.025, "pir board": 0.023, "cork": 0.045,
    "plywood": 0.13,  # the example of a passive-house consultant's page
}  # fmt: skip
"""Conductivity of each material but air."""
INSIDE_RESISTANCE = 0.13
"""Between air and an inside surface, m2 K/W (EN ISO 6946, heat flowing sideways)."""
OUTSIDE_RESISTANCE = 0.04
"""Between an outside surface and the air, m2 K/W (EN ISO 6946)."""
# Still air between two layers, heat flowing sideways: mm, m2 K/W. EN ISO 6946, from memory; 25 mm was read.
_AIR = ((0.0, 0.0), (5.0, 0.11), (7.0, 0.13), (10.0, 0.15), (15.0, 0.17), (25.0, 0.18))


def layer_resistance(material: str, mm: float, w_per_m_k: float | None = None) -> float:
    """Return the resistance of a layer in m2 K/W, with another conductivity than the material's where one is given."""
    if material != AIR or w_per_m_k is not None:
        return mm / 1000 / (W_PER_M_K[material] if w_per_m_k is None else w_per_m_k)
    above = bisect_left(_AIR, (mm,))
    if above == len(_AIR):
        return _AIR[-1][1]
    (low, one), (high, other) = _AIR[above - 1 : above + 1]
    return one + (mm - low) / (high - low) * (other - one)


def u_value(*layers: float) -> float:
    """Return the U-value of layers in a row, each a resistance in m2 K/W, between the two surfaces (EN ISO 6946)."""
    return 1 / (INSIDE_RESISTANCE + sum(layers) + OUTSIDE_RESISTANCE)
