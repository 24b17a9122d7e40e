"""A captured log in front of a watch: as fast as it can be read, or paced as it was recorded.

Knows: where to begin and end, going round, going on to the next flag. Does not know formats of logs (`logs.read`),
nor how anything is shown. Nothing is sent to any bus: frames go from the log to the watch.
"""

from collections.abc import Callable, Iterator
from types import TracebackType

from rvsim.errors import InputError
from rvsim.logs.read import Log
from rvsim.runs.control import Control
from rvsim.runs.pipeline import Pipeline
from rvsim.sim.clock import PacedClock
from rvsim.watch.flag import Flag
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LineEvent

USUAL_SILENCE = 10_000
"""Microseconds between the last frame of a round and the first of the next: those of a bus that is little used."""
SLICE = 10 * SECOND_US


class LogRounds:
    """A log's frames and what else it tells, once, or of a part of it round and round with the time going on.

    Args:
        open_log: opens the log; called once for each round.
        start: where the second and later rounds begin, in microseconds since the log's first frame.
        end: where each of several rounds ends; None is the end of the log.
        loop: whether there is more than one round.
        channel: which channel of the log, None where it has one.
    """

    def __init__(
        self,
        open_log: Callable[[], Log],
        start: int = 0,
        end: int | None = None,
        loop: bool = False,
        channel: str | None = None,
    ) -> None:
        self.start, self.end, self.loop = start, end, loop
        self._open, self._channel = open_log, channel
        self.log = open_log()
        """The log of the present round."""
        self._frames = self._all()
        self.upcoming = next(self._frames, None)
        """The next frame or event, None at the end."""

    def pop(self) -> Frame | LineEvent:
        """Return what is next, and look for what is behind it."""
        one, self.upcoming = self.upcoming, next(self._frames, None)
        assert one is not None, "whoever pops has seen what is upcoming"
        return one

    def close(self) -> None:
        """Let go of the log."""
        self.log.close()

    def __enter__(self) -> "LogRounds":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _all(self) -> Iterator[Frame | LineEvent]:
        offset = 0
        while True:
            last = None
            for frame in self.log.contents(self._channel):
                if self.loop and self.end is not None and frame.time > self.end:
                    break
                if offset and frame.time < self.start:
                    continue
                last = max(offset + frame.time, offset if last is None else last)
                yield frame._replace(time=offset + frame.time)
            self.log.close()
            if not self.loop or last is None:
                return
            offset = last + USUAL_SILENCE - self.start
            self.log = self._open()


class ReplayRun:
    """A log gone through in front of a watch.

    What lies before the start is heard all the same, so that who is there and what is wrong is known from the first
    moment that is shown.
    """

    def __init__(self, rounds: LogRounds, hearing: Pipeline) -> None:
        self._rounds = rounds
        self._start = rounds.start
        self._stop = None if rounds.loop else rounds.end
        self._hearing = hearing
        self.watch = hearing.watch
        self.time = 0
        """How far it has come, in microseconds since the log's first frame."""
        self._seeking = False
        self.on_found: Callable[[Flag | None], None] = lambda _: None
        """Told the flag that was looked for, None where the log ends without another."""

    @property
    def ends_with_log(self) -> bool:
        """Tell whether it goes to the end of the log."""
        return self._stop is None

    @property
    def observed_until(self) -> int:
        """How far the watch has come."""
        return self._hearing.time

    # Ways to go.

    def virtual(self) -> None:
        """Go through it as fast as it can be read.

        Raises:
            InputError: it ends before the start that was asked for.
        """
        self._skip(Control())
        self._go(self._stop)
        self._finish()

    def paced(self, control: Control) -> None:
        """Go through it by the wall clock, at the speed that ``control`` has.

        Raises:
            InputError: it ends before the start that was asked for.
        """
        self._skip(control)
        clock = PacedClock(control.speed)
        clock.set_time(self.time)
        try:
            while not control.stopped and not self._over():
                self._step(clock, control)
        except KeyboardInterrupt:
            self._hearing.finish(self.time)
            raise
        with control.lock:
            self._finish()

    def next_flag(self) -> None:
        """Go on without waiting until the next flag is raised; to be asked of a paced run through its control."""
        self._seeking = True

    def _step(self, clock: PacedClock, control: Control) -> None:
        upcoming = self.time + SECOND_US if self._rounds.upcoming is None else self._rounds.upcoming.time
        moment = min(max(upcoming, self.time), self.time + SECOND_US, *([] if self._stop is None else [self._stop]))
        if self._seeking:
            self._seek(moment, clock, control)
            return
        if not clock.wait_until(moment + clock.slack_us, control.wake):
            control.answer(clock)
            self._hearing.flush()
            return
        with control.lock:
            self._go(min(max(moment, clock.reached()), moment + SECOND_US))
            self._hearing.flush()

    def _seek(self, moment: int, clock: PacedClock, control: Control) -> None:
        """Go a step towards the next flag; stand still where it is raised."""
        if control.wake.is_set():
            control.answer(clock)
        raised = self._hearing.raised
        with control.lock:
            self._go(moment, until_raised=True)
        found = self._hearing.raised if self._hearing.raised is not raised else None
        if found is not None or self._over():
            self._seeking = False
            control.pause(True)
            clock.set_time(self.time)
            self.on_found(found)

    def _over(self) -> bool:
        """Tell whether the end was reached."""
        return self._rounds.upcoming is None or (self._stop is not None and self.time >= self._stop)

    def _go(self, to: int | None, until_raised: bool = False) -> None:
        """Hear everything up to ``to``, or to the end of the log; where asked, no further than to the next flag."""
        if self._stop is not None:
            to = self._stop if to is None else min(to, self._stop)
        raised = self._hearing.raised
        while self._rounds.upcoming is not None and (to is None or self._rounds.upcoming.time <= to):
            if until_raised:
                self._hearing.advance(self._rounds.upcoming.time)
                if self._hearing.raised is not raised:
                    return
            one = self._rounds.pop()
            if isinstance(one, Frame):
                self._hearing.observe(one)
            else:
                self._hearing.observe_event(one)
            self.time = max(self.time, one.time)
            if until_raised and self._hearing.raised is not raised:
                return
        if to is not None and self._rounds.upcoming is not None:
            self._hearing.advance(to)
            self.time = max(self.time, to)

    def _skip(self, control: Control) -> None:
        """Hear what lies before the start, untold; in slices, so that a screen can look in between."""
        if not self._start:
            return
        self._hearing.shown = False
        while self._rounds.upcoming is not None and self.time < self._start - 1 and not control.stopped:
            with control.lock:
                self._go(min(max(self.time, self._rounds.upcoming.time) + SLICE, self._start - 1))
        if self._rounds.upcoming is None:
            raise InputError(
                f"--from {self._start / SECOND_US:g}: the log ends {self.time / SECOND_US:.1f} s after its first "
                "frame; begin earlier"
            )
        with control.lock:
            self._hearing.advance(self._start)
            self.time = self._start
            self._hearing.catch_up()

    def _finish(self) -> None:
        self._hearing.advance(self.time)
        self._hearing.finish(self.time)
