"""A bus that is heard twice, live and from a log: both raise the same flags at the same times."""

from collections.abc import Callable

import pytest

from rvsim.wire.frame import Frame
from rvsim.wire.name import Name
from rvsim.wire.transfer import LongMessages

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
def commanded() -> Callable:
    """Return the frames of a commanded address: ``commanded(30.0, serial=5, address=0x70)``, a long message to all."""

    def send(seconds, serial, address):
        tool, moment = LongMessages(0xF9), round(seconds * SECOND)
        sent, frames = tool.send(moment, 0xFED8, Name(serial).to_bytes() + bytes([address])).frames, []
        while sent or tool.due() is not None:
            frames += [Frame(moment, identifier, data) for identifier, data in sent]
            moment = tool.due() or moment
            sent = tool.expire(moment).frames if tool.due() is not None else []
        return frames

    return send


@pytest.fixture
def of_kind() -> Callable:
    """Return when flags of one kind were raised and cleared, and for whom."""

    def pick(made, kind):
        return [(time, what, who) for time, what, one, who in made.flags if one == kind]

    return pick
