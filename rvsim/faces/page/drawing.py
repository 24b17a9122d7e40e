"""Lines, bars and time axes of a page: SVG and positioned elements, which need no script to be seen.

Knows: where times and values stand in a drawing. Does not know what is drawn. A drawing stretches to the width of the
page, so its texts are elements beside it and not in it. Each time is also an attribute (``data-since``), by which the
page's script places it again when another part of the time is shown.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from rvsim.faces.page.markup import Html, element, join
from rvsim.wire.frame import SECOND_US

WIDTH = 1000
"""The width of a drawing in its own units."""
HEIGHT = 160
MARGIN = 6
"""The room above the highest and below the lowest value, for the width of a line; the script has the same."""
MAX_DRAWN_POINTS = 400
"""Points of a line that is drawn without a script; with more, one could not be told from the next."""
MAX_DRAWN_BANDS = 40
"""Flags and states that are drawn in one drawing; the tables have all of them. Our decision."""
MAX_LANES = 4
"""Flags that are drawn one below the other where they overlap; further ones share the last lane."""
_MOST_TICKS = 8
_STEPS = tuple((step * 10**power, SECOND_US) for power in range(9) for step in (1, 2, 5))
_SHORT_STEPS = tuple((step * 10**power, 1) for power in range(3, 6) for step in (1, 2, 5))
"""From tick to tick: whole steps, and the microseconds of one."""
_EDGE_SHARE = 2.0
"""Percent of the width below which the text of a tick stands to its right; the script has the same."""
_TAG_SHARE = 4.0
"""Percent of the width that a tag needs."""


class Window(NamedTuple):
    """The time that is drawn, in microseconds; its end is after its start."""

    start: int
    end: int

    def share(self, time: int) -> float:
        """Return the place of a time in percent of the width, within the drawing."""
        return round(100 * (min(max(time, self.start), self.end) - self.start) / (self.end - self.start), 3)

    def x(self, time: int) -> float:
        """Return the place of a time in units of the drawing."""
        return round(10 * self.share(time), 1)

    def overlaps(self, since: int, until: int | None) -> bool:
        """Tell whether a piece of time has a moment in common with it."""
        return since <= self.end and (until is None or until >= self.start)


class Band(NamedTuple):
    """A piece of time that is marked: a flag, or a state; ``until`` is None to the end of the drawing.

    ``kind`` is the class by which it is drawn, ``tag`` what is written in it, ``title`` its sentence.
    """

    kind: str
    since: int
    until: int | None
    title: str
    tag: str = ""


def ticks(window: Window) -> list[int]:
    """Return the times that an axis names, in microseconds: whole steps of 1, 2 or 5 times a power of ten."""
    span = window.end - window.start
    steps = [step * unit for step, unit in (*_SHORT_STEPS, *_STEPS)]
    step = next((step for step in steps if step * _MOST_TICKS >= span), steps[-1])
    first = -(-window.start // step) * step
    return list(range(first, window.end + 1, step))


def seconds_text(time: int) -> str:
    """Return a time of an axis in seconds, without needless decimals."""
    return f"{time / SECOND_US:.3f}".rstrip("0").rstrip(".")


def time_axis(window: Window) -> Html:
    """Return the ticks of a drawing; readers who do not see it have the times in texts and tables."""
    labels = (
        element(
            "span",
            element("b", f"{seconds_text(time)} s"),
            class_="edge" if window.share(time) < _EDGE_SHARE else None,
            style=f"left:{window.share(time)}%",
        )
        for time in ticks(window)
    )
    return element("div", *labels, class_="ticks", aria_hidden="true")


def bands(window: Window, found: Iterable[Band]) -> tuple[Html, int]:
    """Return marked pieces of time, for an element that has the drawing's width, and in how many lanes they are.

    Overlapping ones stand in several lanes.
    """
    inside = [band for band in found if window.overlaps(band.since, band.until)]
    ends: list[float] = []
    drawn = []
    for band in sorted(inside[:MAX_DRAWN_BANDS], key=lambda band: band.since):
        start, end = window.share(band.since), 100.0 if band.until is None else window.share(band.until)
        lane = next((lane for lane, taken in enumerate(ends) if taken <= start), len(ends))
        is_free = lane < MAX_LANES
        lane = min(lane, MAX_LANES - 1)
        if lane == len(ends):
            ends.append(0)
        ends[lane] = max(ends[lane], end, start + _TAG_SHARE)
        drawn.append(_band(band, start, round(end - start, 3), lane, has_tag=is_free))
    return join(drawn), max(1, len(ends))


def _band(band: Band, start: float, width: float, lane: int, *, has_tag: bool) -> Html:
    return element(
        "span",
        element("span", band.tag, class_="tag") if band.tag and has_tag else None,
        class_=f"band {band.kind}",
        style=f"left:{start}%;width:{width}%" + (f";--lane:{lane}" if lane else ""),
        title=band.title,
        data_since=band.since,
        data_until=band.until,
    )


def line(window: Window, runs: Iterable[Sequence[tuple[int, float]]], low: float, high: float) -> Html:
    """Return a line of steps: each value stands until the next one.

    Args:
        window: the time that is drawn.
        runs: pieces of the line, each with its times (microseconds) and values; the last point ends a piece.
        low: the value at the lower edge.
        high: the value at the upper edge, above ``low``.
    """
    path = "".join(_path(window, points, low, high) for points in runs)
    return element(
        "svg",
        element("path", d=path, class_="line"),
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        preserveAspectRatio="none",
        aria_hidden="true",
    )


def height_of(value: float, low: float, high: float) -> float:
    """Return the place of a value from the upper edge, in units of the drawing."""
    return round(MARGIN + (HEIGHT - 2 * MARGIN) * (high - value) / (high - low), 1)


def _path(window: Window, points: Sequence[tuple[int, float]], low: float, high: float) -> str:
    parts: list[str] = []
    last_x = last_y = ""
    for time, value in points:
        x, y = f"{window.x(time):g}", f"{height_of(value, low, high):g}"
        if not parts:
            parts.append(f"M{x} {y}")
        else:
            parts += ([f"H{x}"] if x != last_x else []) + ([f"V{y}"] if y != last_y else [])
        last_x, last_y = x, y
    if len(parts) == 1:
        parts.append("h1")
    return "".join(parts)


def value_labels(labels: Mapping[str, float], low: float, high: float) -> Html:
    """Return the texts beside a drawing, each at the height of its value."""
    return element(
        "div",
        *(
            element("span", label, style=f"top:{round(100 * height_of(value, low, high) / HEIGHT, 2)}%")
            for label, value in labels.items()
        ),
        class_="values",
        aria_hidden="true",
    )
