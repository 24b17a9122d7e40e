"""What sources and loads give together at each voltage, as a line of straight pieces.

Knows: how such lines are added, how a wire changes one, and where one meets a battery. Does not know owners, nor
branches.

A curve is a list of points (volts, amps) from left to right: volts never fall, amps never rise; left of the first point
and right of the last the amps stay. A source with a limit in amperes and one in volts is a vertical piece. A curve
without points has the same amps, those of loads alone, at every voltage.
"""

from collections.abc import Callable
from math import inf
from typing import NamedTuple

from rvsim.world.battery import Battery

Point = tuple[float, float]


class Curve(NamedTuple):
    """Amperes that flow towards the battery, by voltage: ``constant`` and the points together."""

    constant: float
    points: tuple[Point, ...] = ()

    def span(self, volts: float) -> tuple[float, float]:
        """Return the highest and the lowest amperes at a voltage: they differ on a vertical piece."""
        high = low = None
        before: Point | None = None
        for point in self.points:
            if point[0] == volts:
                high = point[1] if high is None else high
                low = point[1]
            elif point[0] > volts:
                if high is None or low is None:
                    high = low = point[1] if before is None else _between(before, point, volts)
                break
            before = point
        else:
            if (high is None or low is None) and before is not None:
                high = low = before[1]
        return self.constant + (high or 0.0), self.constant + (low or 0.0)

    def behind(self, ohm: float) -> "Curve":
        """Return the curve at the near end of a wire, by the voltage there."""
        if not ohm or not self.points:
            return self
        points = tuple((volts - ohm * (amps + self.constant), amps) for volts, amps in self.points)
        return Curve(self.constant, points)


def source_curve(volts_limit: float, amps_limit: float) -> Curve:
    """Return the curve of a source."""
    return Curve(0.0, ((volts_limit, amps_limit), (volts_limit, 0.0)))


def added(curves: list[Curve]) -> Curve:
    """Return the sum of curves."""
    constant = sum(curve.constant for curve in curves)
    with_points = [curve for curve in curves if curve.points]
    if len(with_points) == 1:
        return Curve(constant, with_points[0].points)
    points: list[Point] = []
    for volts in sorted({volts for curve in with_points for volts, _ in curve.points}):
        spans = [curve.span(volts) for curve in with_points]
        own = sum(curve.constant for curve in with_points)
        high, low = sum(span[0] for span in spans) - own, sum(span[1] for span in spans) - own
        points.append((volts, high))
        if low != high:
            points.append((volts, low))
    return Curve(constant, tuple(points))


def _between(start: Point, end: Point, volts: float) -> float:
    share = (volts - start[0]) / (end[0] - start[0])
    return start[1] + share * (end[1] - start[1])


def meet(curve: Curve, battery: Battery, *, is_connected: bool) -> tuple[float, float]:
    """Return the voltage of the bus-bar and the current into the battery.

    Without a battery that gives or takes current the sources hold the bus-bar at the highest limit that they can carry
    the loads at. 0 V where neither they nor the battery can carry them.
    """
    source, charge_ohm, discharge_ohm = battery.source_volts, battery.charge_ohm, battery.discharge_ohm
    max_amps, min_amps = (battery.max_amps, battery.min_amps) if is_connected else (0.0, 0.0)

    def needed_volts(amps: float) -> float:
        if amps > 0:
            return source + amps * charge_ohm if amps <= max_amps else inf
        if amps < 0:
            return source + amps * discharge_ohm if amps >= min_amps else -inf
        return source if is_connected else -inf

    def taken_amps(volts: float) -> float:
        if volts > source:
            return min((volts - source) / charge_ohm, max_amps)
        return max((volts - source) / discharge_ohm, min_amps)

    constant, points = curve.constant, curve.points
    start = (0.0, constant) if not points else (points[0][0], constant + points[0][1])
    volts = needed_volts(start[1])
    if not points or volts <= start[0]:
        return (max(volts, 0.0), start[1]) if volts > -inf else (0.0, 0.0)
    for volts_here, amps in points[1:]:
        end = (volts_here, constant + amps)
        if needed_volts(end[1]) <= volts_here:
            if volts_here == start[0]:
                return volts_here, min(max(taken_amps(volts_here), end[1]), start[1])
            return _crossing(start, end, (source, source + max_amps * charge_ohm), taken_amps)
        start = end
    return needed_volts(start[1]), start[1]


def _crossing(
    start: Point, end: Point, bends: tuple[float, float], taken_amps: Callable[[float], float]
) -> tuple[float, float]:
    """Return where a sloped piece meets the battery's own line, which is straight between its bends."""
    left = start
    surplus = left[1] - taken_amps(left[0])
    for volts in sorted(volts for volts in (*bends, end[0]) if left[0] < volts <= end[0]):
        right = (volts, _between(start, end, volts))
        lacking = taken_amps(volts) - right[1]
        if lacking >= 0:
            share = surplus / (surplus + lacking) if surplus + lacking > 0 else 0.0
            at = left[0] + share * (volts - left[0])
            return at, _between(start, end, at)
        left, surplus = right, -lacking
    return end
