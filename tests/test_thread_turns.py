"""Turns of threads are short for as long as a block lasts, and never longer than they were."""

import sys
from contextlib import contextmanager

import pytest

from rvsim.thread_turns import short_turns


@contextmanager
def interval(seconds):
    """Have Python's threads take turns of so many seconds meanwhile."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(seconds)
    try:
        yield
    finally:
        sys.setswitchinterval(before)


@pytest.mark.parametrize(("usual", "wanted", "meanwhile"), [(0.005, 0.0002, 0.0002), (0.0001, 0.0002, 0.0001)])
@pytest.mark.parametrize("fails", [False, True])
def test_turns_are_short_meanwhile(usual, wanted, meanwhile, fails):
    """Afterwards, also after an error, they are as long as before."""
    seen = []
    with interval(usual):
        try:
            with short_turns(wanted):
                seen.append(sys.getswitchinterval())
                if fails:
                    raise ZeroDivisionError
        except ZeroDivisionError:
            assert fails
        seen.append(sys.getswitchinterval())
    assert seen == pytest.approx([meanwhile, usual], abs=2e-6)  # Python rounds it to microseconds


def test_the_shortest_turns_hold():
    """Where two ask for shorter turns, each ends its own."""
    seen = []
    with interval(0.005):
        with short_turns(0.0005):
            with short_turns(0.0002):
                seen.append(sys.getswitchinterval())
            seen.append(sys.getswitchinterval())
        seen.append(sys.getswitchinterval())
    assert seen == pytest.approx([0.0002, 0.0005, 0.005], abs=2e-6)
