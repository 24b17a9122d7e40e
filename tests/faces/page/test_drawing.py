"""Drawings: ticks at round times, bands where their times are, lines of steps."""

import re

import pytest

from rvsim.faces.page.drawing import MAX_LANES, Band, Window, bands, line, ticks, time_axis
from rvsim.wire.frame import SECOND_US


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        (0, 600, [0, 100, 200, 300, 400, 500, 600]),
        (0, 3600, [0, 500, 1000, 1500, 2000, 2500, 3000, 3500]),
        (17.3, 18.1, [17.3, 17.4, 17.5, 17.6, 17.7, 17.8, 17.9, 18.0, 18.1]),
        (0, 0.001, [0, 0.001]),
        (100, 86_500, [20_000, 40_000, 60_000, 80_000]),
    ],
)
def test_ticks(start, end, expected):
    """Whole steps of 1, 2 or 5 times a power of ten, at most nine of them."""
    found = ticks(Window(round(start * SECOND_US), round(end * SECOND_US)))
    assert [time / SECOND_US for time in found] == expected


def test_labels_of_an_axis():
    """In seconds without needless decimals; the first stands beside the edge."""
    axis = time_axis(Window(0, 2_500_000))
    assert re.findall(r"<b>(.*?)</b>", axis) == ["0 s", "0.5 s", "1 s", "1.5 s", "2 s", "2.5 s"]
    assert axis.count('class="edge"') == 1


def test_a_band_has_its_times():
    """It is placed in percent, cut at the edges, and has its times for the script; one outside is not there."""
    window = Window(100, 200)
    found, lanes = bands(
        window, [Band("flag fault", 50, 150, "a < b", "[1]"), Band("flag", 190, None, "c"), Band("x", 0, 99, "")]
    )
    assert 'style="left:0.0%;width:50.0%" title="a &lt; b" data-since="50" data-until="150"' in found
    assert 'style="left:90.0%;width:10.0%" title="c" data-since="190"' in found
    assert (found.count('class="band'), lanes) == (2, 1)
    assert '<span class="tag">[1]</span>' in found


def test_overlapping_bands_have_lanes():
    """Each in a lane of its own, as far as there are lanes; one that follows another takes its lane again."""
    window = Window(0, 1000)
    together, lanes = bands(window, [Band("flag", number, 500, "", f"({number})") for number in range(6)])
    assert re.findall(r"--lane:(\d)", together) == ["1", "2", *[str(MAX_LANES - 1)] * 3]
    assert together.count('class="tag"') == lanes == MAX_LANES
    apart, lanes = bands(window, [Band("flag", 0, 100, "", "(1)"), Band("flag", 500, 900, "", "(2)")])
    assert ("--lane" in apart, lanes) == (False, 1)


def test_a_line_of_steps():
    """Across at the old value, then up or down to the new one; each piece begins anew, a single point is visible."""
    drawn = line(Window(0, 1000), [[(0, 0.0), (500, 0.0), (600, 1.0)], [(1000, 0.5)]], 0, 1)
    assert re.search(r' d="(.*?)"', drawn)[1] == "M0 154H500H600V6M1000 80h1"
