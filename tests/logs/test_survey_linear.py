"""A survey takes steps in proportion to frames, however many different messages they are."""

import sys

import pytest

from rvsim.logs.survey import survey
from rvsim.wire.frame import Frame


def steps_of(work) -> int:
    """Return how many functions of Python were called: a measure that no other load of the machine changes."""
    count = 0

    def note(_frame, event: str, _argument: object) -> None:
        nonlocal count
        count += event == "call"

    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def all_different(count: int, gap: int, per_message: int = 1) -> list[Frame]:
    """Frames of as many identifiers, spread over all addresses and DGNs by a stride that has no factor in common."""
    numbers = [number % (count // per_message) for number in range(count)]
    return [
        Frame(place * gap, 0x18000000 + number * 7_919_101 % 0x3FFFFFF, bytes(8))
        for place, number in enumerate(numbers)
    ]


@pytest.mark.parametrize(
    ("gap", "per_message", "most", "most_per_frame"),
    [(2_000, 1, 2.2, 170), (100_000, 1, 2.8, 350), (100_000, 4, 2.5, 250)],
)
def test_twice_the_messages_take_twice_the_steps(catalogue, gap, per_message, most, most_per_frame):
    """On a busy bus, on one with a frame each 100 ms, and where each message comes four times.

    With a frame each 100 ms every source is silent between two of its frames, and for each silence all its messages are
    looked at: that part grows faster. So the steps for each frame have a limit, too.
    """
    half, whole = all_different(2_500, gap, per_message), all_different(5_000, gap, per_message)
    survey(half[:100], catalogue)  # what is loaded once is loaded
    steps = steps_of(lambda: survey(whole, catalogue))
    assert steps < most * steps_of(lambda: survey(half, catalogue))
    assert steps < most_per_frame * len(whole)
