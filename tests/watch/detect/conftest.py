"""Frames with times in seconds, and the flags that a watch raises from them: live and from a log."""

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from rvsim.logs.survey import survey
from rvsim.watch.watch import FlagRaised
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name
from rvsim.wire.transfer.long_messages import LongMessages

TICK_S = 0.7
"""How often the live watch advances between frames."""


@dataclass(frozen=True)
class Found:
    """A flag with times in seconds; ``told`` is when it was raised."""

    kind: str
    subject: str
    told: float
    until: float | None
    text: str
    flag: object


@pytest.fixture
def judge(bus, catalogue) -> Callable[..., list[Found]]:
    """Return the flags of frames: ``judge(frames, 60, "roof fan")``; kinds that follow from gaps are left out.

    A watch that advances each tenth of a second, one that only observes frames, and the survey of a log, whose end is
    its last frame, have to raise the same flags.
    """

    def go(frames: list[Frame], end: float, *devices, kinds=(), **tables) -> list[Found]:
        frames = sorted(frames, key=lambda frame: frame.time)
        told, plain = bus(*devices, **tables), bus(*devices, **tables)
        step = 0
        for frame in frames:
            while step < frame.time:
                told.events += told.watch.advance(step)
                step += SECOND_US // 10
            told.observe(frame)
            plain.observe(frame)
        while step < end * SECOND_US:
            told.events += told.watch.advance(step)
            step += SECOND_US // 10
        told.until(end)
        plain.until(end)
        assert told.events == plain.events
        log = survey([frame for frame in frames if frame.time <= end * SECOND_US], catalogue, told.rig)
        last = max((frame.time for frame in frames), default=0)
        early = [event for event in plain.events if isinstance(event, FlagRaised) and event.time < last]
        assert [(f.kind, f.subject, f.since) for f in log.flags][: len(early)] == [
            (event.flag.kind, event.flag.subject, event.flag.since) for event in early
        ]
        return [
            Found(str(flag.kind), flag.subject, raised(plain, flag), until(flag), flag.text, flag)
            for flag in plain.watch.all_flags
            if not kinds or flag.kind in kinds
        ]

    def raised(made, flag) -> float:
        return (
            next(e.time for e in made.events if isinstance(e, FlagRaised) and e.flag.number == flag.number) / SECOND_US
        )

    def until(flag) -> float | None:
        return None if flag.until is None else flag.until / SECOND_US

    return go


@pytest.fixture
def heard(bus) -> Callable:
    """Let watches observe frames, live and from a log; return the bus with its facts.

    ``heard(frames, 60.0, "heater")``: the frames up to 60 s, with a rig of one heater, or without a rig.
    """

    def hear(frames, seconds, *devices, start=0.0):
        log, live, told = bus(*devices, start=start), bus(*devices, start=start), start
        for frame in sorted(frames, key=lambda one: one.time):
            log.observe(frame)
            while (told + TICK_S) * SECOND_US < frame.time:
                told += TICK_S
                live.until(told)
            live.observe(frame)
        log.until(seconds)
        while told + TICK_S < seconds:
            told += TICK_S
            live.until(told)
        live.until(seconds)
        assert live.events == log.events
        assert live.watch.all_flags == log.watch.all_flags
        return log

    return hear


@pytest.fixture
def commanded() -> Callable:
    """Return the frames of a commanded address: ``commanded(30.0, serial=5, address=0x70)``, a long message to all."""

    def send(seconds, serial, address):
        tool, moment = LongMessages(0xF9), round(seconds * SECOND_US)
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
