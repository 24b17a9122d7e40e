"""What flows in the vehicle at one moment, by who gives and who takes, as plain values.

Knows: the form of a part of the balance. Does not know how any of it is computed (`heat_flows`, `electric`), nor sums
over time (`balance`).
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple


class Stock(NamedTuple):
    """What is there now, on a scale from ``low`` to ``high``, all in ``unit``; ``title`` says what it is."""

    title: str
    value: float
    unit: str
    low: float
    high: float


class Flows(NamedTuple):
    """One part of the vehicle: who gives to it and who takes from it, in ``unit``, and what is in it.

    ``unit`` is W or L/h. Given less taken is left for what ``keeps`` names; it is empty where nothing is kept.
    """

    what: str
    unit: str
    keeps: str
    given: Mapping[str, float]
    taken: Mapping[str, float]
    stock: Stock | None = None


def split(parts: Iterable[tuple[str, float]]) -> tuple[dict[str, float], dict[str, float]]:
    """Return what is given, and what is taken as positive figures, from parts of which those below 0 are taken."""
    given: dict[str, float] = {}
    taken: dict[str, float] = {}
    for who, amount in parts:
        side = given if amount > 0 else taken
        if amount:
            side[who] = side.get(who, 0.0) + abs(amount)
    return given, taken
