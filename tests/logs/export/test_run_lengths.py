"""Run lengths and packed bits: a reader that follows the published format gets the numbers back."""

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.logs.export.run_lengths import RunLengths


def varint(data, at):
    """Return a number of seven bits a byte, and the place after it."""
    number = shift = 0
    while True:
        byte = data[at]
        number |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return number, at


def decoded(data, bits, count):
    """Return the numbers as the format describes them; only the last group of eight may have more than there are."""
    found, at = [], 0
    while at < len(data):
        assert len(found) < count
        head, at = varint(data, at)
        if head & 1:
            size = (head >> 1) * bits
            word = int.from_bytes(data[at : at + size], "little")
            at += size
            found += [word >> bits * place & (1 << bits) - 1 for place in range((head >> 1) * 8)]
        else:
            width = -(-bits // 8)
            found += [int.from_bytes(data[at : at + width], "little")] * (head >> 1)
            at += width
    assert len(found) - count < 8
    return found[:count]


RUNS = st.tuples(st.just("run"), st.integers(0, 1), st.integers(0, 200))
ARRAYS = st.tuples(st.just("array"), st.lists(st.integers(0, 1), max_size=30), st.integers(1, 3))


@given(st.lists(RUNS | ARRAYS, max_size=8), st.sampled_from((1, 8, 16, 24, 32)))
@example([("array", [1], 1), ("run", 0, 3), ("run", 1, 7), ("run", 0, 5), ("array", [1], 1), ("run", 1, 65)], 8)
def test_numbers_come_back(steps, bits):
    """Runs of any length after arrays of any length, of numbers that need all of the bits."""
    highest = (1 << bits) - 1
    lengths, expected = RunLengths(bits), []
    for kind, value, count in steps:
        if kind == "run":
            lengths.add_run(value * highest, count)
            expected += [value * highest] * count
        else:
            values = [highest - one for one in value]
            lengths.add(np.array(values, np.uint32), count)
            expected += values * count
    assert decoded(lengths.encoded(), bits, len(expected)) == expected


def test_long_runs_take_no_room():
    """Equal numbers one after the other are one run, whoever adds them."""
    lengths = RunLengths(16)
    for count in (1, 30, 10**9):
        lengths.add_run(7, count)
    assert len(lengths.encoded()) == 7
