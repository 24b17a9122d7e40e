"""A captured log observed by a watch: as fast as it can be read, or paced as it was recorded.

Knows: start and end, repetition, and the step to the next flag. Does not know formats of logs (`logs.read`), nor how
anything is shown. Nothing is sent to any bus: frames go from the log to the watch.
"""

from collections.abc import Callable, Iterator
from types import TracebackType

from rvsim.errors import InputError
from rvsim.logs.read import Log
from rvsim.runs.control import RunControl
from rvsim.runs.pipeline import Pipeline
from rvsim.sim.clock import PacedClock
from rvsim.watch.flag import Flag
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LineEvent

ROUND_GAP_US = 10_000
"""Time between the last frame of a round and the first of the next, as on a bus with little traffic. Our choice."""
SKIP_STEP_US = 10 * SECOND_US
"""The part of the log before the start that is read in one step: a screen can be drawn between two steps."""


class LogRounds:
    """The frames and events of a log, once, or of a part of it in rounds with increasing times.

    Args:
        open_log: opens the log; called once for each round.
        start: where the second and later rounds start, in microseconds since the log's first frame.
        end: where each of several rounds ends; None for the end of the log.
        loop: whether there is more than one round.
        channel: the channel of the log, None where it has one.
    """

    def __init__(
        self,
        open_log: Callable[[], Log],
        start: int = 0,
        end: int | None = None,
        *,
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
        """Return the next frame or event, and read the one after it."""
        popped, self.upcoming = self.upcoming, next(self._frames, None)
        assert popped is not None, "pop is called only while something is upcoming"
        return popped

    def close(self) -> None:
        """Close the log."""
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
            offset = last + ROUND_GAP_US - self.start
            self.log = self._open()


class ReplayRun:
    """A log that is observed by a watch.

    The watch also observes what is before the start, so that devices and flags are known from the first moment that is
    shown.
    """

    def __init__(self, rounds: LogRounds, pipeline: Pipeline) -> None:
        self._rounds = rounds
        self._start = rounds.start
        self._stop = None if rounds.loop else rounds.end
        self._pipeline = pipeline
        self.watch = pipeline.watch
        self.time = 0
        """The present time, in microseconds since the log's first frame."""
        self._seeking = False
        self.on_found: Callable[[Flag | None], None] = lambda _: None
        """Called with the flag that was searched for; with None where the log ends without another."""

    @property
    def ends_with_log(self) -> bool:
        """Tell whether the run goes to the end of the log."""
        return self._stop is None

    @property
    def observed_until(self) -> int:
        """The time up to which the watch has observed, in microseconds since the log's first frame."""
        return self._pipeline.time

    def run_virtual(self) -> None:
        """Replay as fast as the log can be read.

        Raises:
            InputError: the log ends before the start.
        """
        self._skip(RunControl())
        self._go(self._stop)
        self._finish()

    def run_paced(self, control: RunControl) -> None:
        """Replay by the wall clock, at the speed of ``control``.

        Raises:
            InputError: the log ends before the start.
        """
        self._skip(control)
        clock = PacedClock(control.speed)
        clock.set_time(self.time)
        try:
            while not control.stopped and not self._is_over():
                self._step(clock, control)
        except KeyboardInterrupt:
            self._pipeline.finish(self.time)
            raise
        with control.lock:
            self._finish()

    def next_flag(self) -> None:
        """Replay without waiting until the next flag is raised; to be requested through the control of a paced run."""
        self._seeking = True

    def _step(self, clock: PacedClock, control: RunControl) -> None:
        upcoming = self.time + SECOND_US if self._rounds.upcoming is None else self._rounds.upcoming.time
        moment = min(max(upcoming, self.time), self.time + SECOND_US, *([] if self._stop is None else [self._stop]))
        if self._seeking:
            self._seek(moment, clock, control)
            return
        if not clock.wait_until(moment + clock.slack_us, control.wake):
            control.apply_to(clock)
            self._pipeline.flush()
            return
        with control.lock:
            self._go(min(max(moment, clock.reached()), moment + SECOND_US))
            self._pipeline.flush()

    def _seek(self, moment: int, clock: PacedClock, control: RunControl) -> None:
        """Take a step towards the next flag; pause where it is raised."""
        if control.wake.is_set():
            control.apply_to(clock)
        raised = self._pipeline.last_raised
        with control.lock:
            self._go(moment, until_raised=True)
        found = self._pipeline.last_raised if self._pipeline.last_raised is not raised else None
        if found is not None or self._is_over():
            self._seeking = False
            control.pause(paused=True)
            clock.set_time(self.time)
            self.on_found(found)

    def _is_over(self) -> bool:
        """Tell whether the end is reached."""
        return self._rounds.upcoming is None or (self._stop is not None and self.time >= self._stop)

    def _go(self, to: int | None, *, until_raised: bool = False) -> None:
        """Observe everything up to ``to``, or to the end of the log; with ``until_raised`` up to the next flag."""
        if self._stop is not None:
            to = self._stop if to is None else min(to, self._stop)
        raised = self._pipeline.last_raised
        while self._rounds.upcoming is not None and (to is None or self._rounds.upcoming.time <= to):
            if until_raised:
                self._pipeline.advance(self._rounds.upcoming.time)
                if self._pipeline.last_raised is not raised:
                    return
            popped = self._rounds.pop()
            if isinstance(popped, Frame):
                self._pipeline.observe(popped)
            else:
                self._pipeline.observe_event(popped)
            self.time = max(self.time, popped.time)
            if until_raised and self._pipeline.last_raised is not raised:
                return
        if to is not None and self._rounds.upcoming is not None:
            self._pipeline.advance(to)
            self.time = max(self.time, to)

    def _skip(self, control: RunControl) -> None:
        """Observe what is before the start without showing it; in steps, so that a screen can be drawn in between."""
        if not self._start:
            return
        self._pipeline.is_shown = False
        while self._rounds.upcoming is not None and self.time < self._start - 1 and not control.stopped:
            with control.lock:
                self._go(min(max(self.time, self._rounds.upcoming.time) + SKIP_STEP_US, self._start - 1))
        if self._rounds.upcoming is None:
            raise InputError(
                f"--from {self._start / SECOND_US:g}: the log ends {self.time / SECOND_US:.1f} s after its first "
                "frame; start earlier"
            )
        with control.lock:
            self._pipeline.advance(self._start)
            self.time = self._start
            self._pipeline.show_present_state()

    def _finish(self) -> None:
        self._pipeline.advance(self.time)
        self._pipeline.finish(self.time)
