"""A bus that is heard twice, live and from a log: both raise the same flags at the same times."""

from collections.abc import Callable

import pytest

SECOND = 1_000_000
TICK_S = 0.7
"""Live, the time is told so often between frames."""


@pytest.fixture
def heard(bus) -> Callable:
    """Hear frames to the end, live with told time and from a log; return the bus with its facts.

    ``heard(frames, 60.0, "heater")``: the frames up to 60 s, with a rig of one heater, or without a rig.
    """

    def hear(frames, seconds, *devices, start=0.0):
        log, live, told = bus(*devices, start=start), bus(*devices, start=start), start
        for frame in sorted(frames, key=lambda one: one.time):
            log.hear(frame)
            while (told + TICK_S) * SECOND < frame.time:
                told += TICK_S
                live.until(told)
            live.hear(frame)
        log.until(seconds)
        while told + TICK_S < seconds:
            told += TICK_S
            live.until(told)
        live.until(seconds)
        assert live.events == log.events
        assert live.watch.everything == log.watch.everything
        return log

    return hear


@pytest.fixture
def of_kind() -> Callable:
    """Return when flags of one kind were raised and cleared, and for whom."""

    def pick(made, kind):
        return [(time, what, who) for time, what, one, who in made.flags if one == kind]

    return pick
