"""A network of bodies that exchange heat, advanced exactly by one second of backward Euler.

Knows: heat capacities, conductances between bodies and to the air outside, and the heat supplied to each. Does not know
what a body is.

Each body: capacity x (new - old) = sum of conductance x (new neighbour - new own) + heat supplied. All equations are
solved together, with an inverse that is kept until a conductance changes. The method was chosen because it is stable
for all figures, ends in the exact steady state, and conserves heat: what leaves one body enters another. A step of one
second changes a time constant T by half a second: 0.01 % for the lining of a small cabin, 0.4 % for its air.
"""

from collections.abc import Callable, Sequence
from functools import cache
from math import fsum
from operator import mul
from typing import Any

_Advance = Callable[
    [list[list[float]], list[tuple[float, float, float]], float, list[float]], tuple[list[float], float]
]


@cache
def _advance_function(size: int) -> _Advance:
    """Return the function that advances so many bodies by a second, written out without loops: they are half its time.

    It takes the inverse, what is supplied, the temperature outside and the temperatures of before; it returns the new
    ones and the heat that left to the outside.
    """
    bodies = range(size)
    lines = [
        "def advance(inverse, supplied, outdoor_c, celsius):",
        f"    [{', '.join(f'(c{n}, w{n}, g{n})' for n in bodies)}] = supplied",
        f"    [{', '.join(f't{n}' for n in bodies)}] = celsius",
        *(f"    t{n} = c{n} * t{n} + w{n} + g{n} * outdoor_c" for n in bodies),
        f"    [{', '.join('[' + ', '.join(f'm{n}_{k}' for k in bodies) + ']' for n in bodies)}] = inverse",
        *(f"    n{n} = {' + '.join(f'm{n}_{k} * t{k}' for k in bodies)}" for n in bodies),
        f"    left = {' + '.join(f'g{n} * (n{n} - outdoor_c)' for n in bodies)}",
        f"    return [{', '.join(f'n{n}' for n in bodies)}], left",
    ]
    names: dict[str, Any] = {}
    exec("\n".join(lines), names)  # its text depends on the number of bodies alone
    advance: _Advance = names["advance"]
    return advance


class HeatNetwork:
    """The bodies by index; ``celsius`` are their temperatures."""

    def __init__(self, capacities: Sequence[float], celsius: Sequence[float]) -> None:
        size = len(capacities)
        self.celsius = list(celsius)
        self.capacities = list(capacities)
        self.outdoors_j = 0.0
        """Heat that left to the outside since the start."""
        self.fed_j = 0.0
        """Heat taken by what flows in at a temperature of its own, see ``set_inflow``."""
        self._between: dict[tuple[int, int], float] = {}
        self._supplied = [(capacity, 0.0, 0.0) for capacity in capacities]
        """Of each body: heat capacity, heat supplied, and conductance to the air outside."""
        self._advance = _advance_function(size)
        self._inflow: tuple[int, float, float] | None = None
        self._inverse: list[list[float]] = []
        """Empty where a conductance has changed."""

    def couple(self, one: int, other: int, w_per_k: float) -> None:
        """Set the conductance between two bodies."""
        if self._between.get((one, other)) != w_per_k:
            self._between[one, other] = w_per_k
            self._inverse = []

    def couple_to_outdoor(self, body: int, w_per_k: float) -> None:
        """Set the conductance between a body and the air outside."""
        capacity, watts, before = self._supplied[body]
        if before != w_per_k:
            self._supplied[body] = capacity, watts, w_per_k
            self._inverse = []

    def set_watts(self, body: int, watts: float) -> None:
        """Set the heat supplied to a body."""
        capacity, _, to_outdoor = self._supplied[body]
        self._supplied[body] = capacity, watts, to_outdoor

    def set_inflow(self, body: int, w_per_k: float, celsius: float) -> None:
        """Let a flow of ``w_per_k`` enter one body at a temperature and leave at that of the body; 0 for none."""
        before = self._inflow[:2] if self._inflow else (body, 0.0)
        self._inflow = (body, w_per_k, celsius) if w_per_k else None
        if before != (body, w_per_k):
            self._inverse = []

    @property
    def inflow(self) -> tuple[int, float, float] | None:
        """What flows in, see ``set_inflow``: the body, W/K, degrees Celsius; None where nothing does."""
        return self._inflow

    @property
    def stored_j(self) -> float:
        """Heat in all bodies, counted from 0 degrees Celsius."""
        return fsum(map(mul, self.capacities, self.celsius))

    def step(self, outdoor_c: float) -> None:
        """Advance by one second, at the end of which the air outside has this temperature."""
        inverse = self._inverse or self._solve()
        inflow = self._inflow
        if inflow is None:
            self.celsius, left = self._advance(inverse, self._supplied, outdoor_c, self.celsius)
            self.outdoors_j += left
            return
        body, w_per_k, inflow_c = inflow
        celsius = [*self.celsius]
        celsius[body] += w_per_k * inflow_c / self.capacities[body]
        self.celsius, left = self._advance(inverse, self._supplied, outdoor_c, celsius)
        self.outdoors_j += left
        self.fed_j += w_per_k * (self.celsius[body] - inflow_c)

    def _solve(self) -> list[list[float]]:
        """Return the inverse of the equations' matrix, by Gauss and Jordan.

        No pivot is searched for: each row's own entry is larger than the sum of the others.
        """
        size = len(self.capacities)
        rows = [[0.0] * size + [float(body == column) for column in range(size)] for body in range(size)]
        for body in range(size):
            rows[body][body] = self.capacities[body] + self._supplied[body][2]
        if self._inflow:
            rows[self._inflow[0]][self._inflow[0]] += self._inflow[1]
        for (one, other), w_per_k in self._between.items():
            for body, neighbour in ((one, other), (other, one)):
                rows[body][body] += w_per_k
                rows[body][neighbour] -= w_per_k
        for pivot in range(size):
            own = rows[pivot][pivot]
            rows[pivot] = pivoted = [entry / own for entry in rows[pivot]]
            for body in range(size):
                if body != pivot and (factor := rows[body][pivot]):
                    rows[body] = [entry - factor * with_ for entry, with_ in zip(rows[body], pivoted, strict=True)]
        self._inverse = [row[size:] for row in rows]
        return self._inverse
