"""Frames by seconds, and what a watch finds in them: told the time, untold, and as a log."""

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from rvsim.logs.survey import survey
from rvsim.watch.watch import FlagRaised
from rvsim.wire.frame import Frame

SECOND = 1_000_000


@dataclass(frozen=True)
class Found:
    """A flag, its times in seconds; ``told`` is when it was raised."""

    kind: str
    subject: str
    told: float
    until: float | None
    text: str
    flag: object


@pytest.fixture
def judge(bus, catalogue) -> Callable[..., list[Found]]:
    """Hold frames against the watch: ``judge(frames, 60, "roof fan")``; the kinds that follow from gaps are left out.

    A watch that is told the time each tenth of a second, one that hears frames alone and the survey of a log, whose end
    is its last frame, have to find the same.
    """

    def go(frames: list[Frame], end: float, *devices, kinds=()) -> list[Found]:
        frames = sorted(frames, key=lambda frame: frame.time)
        told, plain = bus(*devices), bus(*devices)
        step = 0
        for frame in frames:
            while step < frame.time:
                told.events += told.watch.advance(step)
                step += SECOND // 10
            told.hear(frame)
            plain.hear(frame)
        while step < end * SECOND:
            told.events += told.watch.advance(step)
            step += SECOND // 10
        told.until(end)
        plain.until(end)
        assert told.events == plain.events
        log = survey([frame for frame in frames if frame.time <= end * SECOND], catalogue, told.rig)
        last = max((frame.time for frame in frames), default=0)
        early = [event for event in plain.events if isinstance(event, FlagRaised) and event.time < last]
        assert [(f.kind, f.subject, f.since) for f in log.flags][: len(early)] == [
            (event.flag.kind, event.flag.subject, event.flag.since) for event in early
        ]
        return [
            Found(str(flag.kind), flag.subject, raised(plain, flag), until(flag), flag.text, flag)
            for flag in plain.watch.everything
            if not kinds or flag.kind in kinds
        ]

    def raised(made, flag) -> float:
        return next(e.time for e in made.events if isinstance(e, FlagRaised) and e.flag.number == flag.number) / SECOND

    def until(flag) -> float | None:
        return None if flag.until is None else flag.until / SECOND

    return go
