"""What several faces are tested with."""

import itertools
from pathlib import Path

import pytest


@pytest.fixture
def longest_gap():
    """Return the first time in a candump log, and between which times a source was silent for longest (seconds)."""

    def go(log, source):
        frames = [line[1:].split() for line in Path(log).read_text().splitlines()]
        own = [float(time[:-1]) for time, _, frame, *_ in frames if frame.split("#")[0].endswith(source)]
        last, back = max(itertools.pairwise(own), key=lambda pair: pair[1] - pair[0])
        return float(frames[0][0][:-1]), last, back

    return go
