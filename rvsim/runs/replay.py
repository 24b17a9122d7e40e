"""A captured log observed by a watch: as fast as it can be read, or paced as it was recorded.

Knows: start and end, repetition, and the ways through a log that a person asks for: to the next flag or the one before,
to a text, to a mark, one frame on or back. What lies behind is reached by reading the log again with a new watch, in
parts, so that the run can be stopped and says how far it is. Does not know formats of logs (`logs.read`), nor how
anything is shown. Frames go to the watch, and to the ``sender`` where there is one.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from rvsim.errors import InputError
from rvsim.runs.control import RunControl
from rvsim.runs.frame_sender import LOOK_AHEAD_US, FrameSender
from rvsim.runs.log_reader import ROUND_GAP_US, LogReader, LogRounds, Place
from rvsim.runs.log_search import Match, TextSearch
from rvsim.runs.pipeline import Pipeline
from rvsim.sim.clock import PacedClock
from rvsim.watch.flag import Flag
from rvsim.watch.watch import Watch
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US, Frame

__all__ = ["ROUND_GAP_US", "LogRounds", "ReplayRun"]

SKIP_STEP_US = 10 * SECOND_US
"""The part of the log before the start that is read in one step: a screen can be drawn between two steps."""
MAX_STEP_ENTRIES = 1_000
"""The most entries that are read in one step of a way through the log: some hundredths of a second, in which the screen
waits. Our choice."""


class Navigation(Protocol):
    """What is told of the ways through a log."""

    def flag_reached(self, flag: Flag | None) -> None:
        """Note the flag at which the log stands now; None where the log ended without another one."""

    def frame_reached(self, frame: Frame) -> None:
        """Note the frame at which the log stands now, after one step on or back."""

    def text_found(self, search: str, match: Match | None) -> None:
        """Note where a text was found; None where it is not in the rest of the log."""

    def say(self, text: str) -> None:
        """Note a sentence about the way."""

    def watch_changed(self, watch: Watch) -> None:
        """Note that another watch observes from now on."""

    def log_ended(self, *, ended: bool) -> None:
        """Note that the end of the log, or of its part, is reached, or was left again."""


@dataclass
class _Seek:
    """On the way to the next flag, or to a text."""

    came_from: Place
    search: TextSearch | None = None


@dataclass
class _Rewind:
    """On the way back, with a second reader."""

    reader: LogReader
    place: Place
    """Where it ends."""
    raised_at: int | None = None
    """The flag before that it looks for, by the time at which it was raised."""
    steps: int = 0
    """How many frames back it goes where steps were asked for, as a negative number; else 0."""
    then: Callable[[], None] = lambda: None


class ReplayRun:
    """A log that is observed by a watch.

    The watch also observes what is before the start, so that devices and flags are known from the first moment that is
    shown.

    Args:
        rounds: the log.
        pipeline: takes its entries.
        new_pipeline: returns another pipeline with a new watch that starts at a time in microseconds; without it there
            is no way back.
        catalogue: the message definitions, by which a way back passes over most of the log in columns.
    """

    def __init__(
        self,
        rounds: LogRounds,
        pipeline: Pipeline,
        new_pipeline: Callable[[int], Pipeline] | None = None,
        catalogue: Catalogue | None = None,
    ) -> None:
        self._reader = LogReader(rounds, pipeline)
        self._start = rounds.start
        self._stop = None if rounds.loop else rounds.end
        self._new_pipeline, self._catalogue = new_pipeline, catalogue
        self._seek: _Seek | None = None
        self._rewind: _Rewind | None = None
        self._steps_on = 0
        """How many frames it still has to go on."""
        self._stands_at: int | None = None
        """When the flag was raised at which it stands since the last way to one; None where it has gone on since."""
        self.mark: Place | None = None
        """The place that was marked."""
        self.stays_at_end = False
        """Whether a paced run waits at the end of the log for a way back, until it is stopped."""
        self.on_found: Callable[[Flag | None], None] = lambda _: None
        """Called with the flag that was searched for; with None where the log ends without another."""
        self.navigation: Navigation | None = None
        self.sender: FrameSender | None = None
        """Sends the frames that a paced run plays; those that it passes over on a way through the log are not sent."""
        self._has_ended = False
        self._frames_before_start = 0
        """How many frames of the log are before the part that is shown."""

    @property
    def watch(self) -> Watch:
        """The watch that observes now: another one after a way back."""
        return self._reader.pipeline.watch

    @property
    def time(self) -> int:
        """The present time, in microseconds since the log's first frame."""
        return self._reader.time

    @property
    def ends_with_log(self) -> bool:
        """Tell whether the run goes to the end of the log."""
        return self._stop is None

    @property
    def observed_until(self) -> int:
        """The time up to which the watch has observed, in microseconds since the log's first frame."""
        return self._reader.pipeline.time

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
        if self.sender is not None:
            if control.paused:
                clock.pause()
            self._restart_sender()
            self.sender.start(clock)
        try:
            while not control.stopped:
                if self._steps_on:
                    self._steps_on -= 1
                    self._step_on(clock, control)
                elif self._rewind is not None:
                    self._read_again(self._rewind, clock, control)
                elif self._seek is not None:
                    self._seek_step(self._seek, clock, control)
                elif not self._is_over():
                    self._step(clock, control)
                elif self.stays_at_end:
                    self._wait_at_end(clock, control)
                else:
                    break
        except KeyboardInterrupt:
            self._reader.pipeline.finish(self.time)
            raise
        finally:
            if self._rewind is not None:
                self._rewind.reader.rounds.close()
            self._reader.rounds.close()
        with control.lock:
            self._finish()

    # What is asked for, through the control of a paced run.

    def next_flag(self) -> None:
        """Replay without waiting until the next flag is raised."""
        self._leave_ways()
        self._seek = _Seek(self._reader.place)
        self._restart_sender()

    def previous_flag(self) -> None:
        """Go back to where the flag before this place was raised."""
        self._leave_ways()
        earliest = self._reader.rounds.offset + self._start
        here = self.observed_until + 1 if self._stands_at is None else self._stands_at
        before = [time for time in self._reader.pipeline.raised_times if earliest <= time < here]
        if not before:
            self._say("No earlier flag." if not self._reader.rounds.offset else "No earlier flag in this round.")
        elif (rewind := self._new_rewind(self._reader.place)) is not None:
            rewind.raised_at = before[-1]

    def search(self, text: str) -> None:
        """Replay without waiting until a device, message, field or flag with this text is told of."""
        self._leave_ways()
        self._seek = _Seek(self._reader.place, TextSearch(text))
        self._restart_sender()

    def set_mark(self) -> None:
        """Mark this place."""
        self.mark = self._reader.place

    def go_to_mark(self) -> None:
        """Go to the place that was marked, on or back."""
        self._leave_ways()
        mark = self.mark
        if mark is None:
            self._say("No mark is set; m sets one.")
        elif mark[:2] == self._reader.place[:2] and mark.time == self.time:
            self._say("This is the mark.")
        else:
            self._go_to(mark, lambda: self._say("At the mark."))

    def step_frames(self, by: int) -> None:
        """Go frames on, or back, and stand still there; the steps that were asked for and not done yet count too."""
        by += self._steps_on if self._rewind is None else self._rewind.steps
        self._leave_ways()
        place = self._reader.place
        if by > 0:
            self._steps_on = by
        elif place.number <= self._frames_before_start + 1:
            self._say("This is the first frame." if not place.offset else "This is the first frame of this round.")
        else:
            by = max(by, self._frames_before_start + 1 - place.number)
            rewind = self._go_to(Place(place.offset, place.number + by, 0), self._report_frame)
            if rewind is not None:
                rewind.steps = by

    # Ways through the log.

    def _say(self, text: str) -> None:
        if self.navigation is not None:
            self.navigation.say(text)

    def _leave_ways(self) -> None:
        """Give up the way that was asked for before; until the log is played again nothing is sent."""
        self._end_search()
        self._seek = None
        self._steps_on = 0
        if self._rewind is not None:
            self._rewind.reader.rounds.close()
            self._rewind = None

    def _end_search(self) -> None:
        if self._seek is not None and self._seek.search is not None:
            self._reader.pipeline.observer = None

    def _go_to(self, place: Place, then: Callable[[], None]) -> _Rewind | None:
        """Go to a place by reading its round again; ``then`` is called there."""
        rewind = self._new_rewind(place)
        if rewind is not None:
            rewind.then = then
        return rewind

    def _report_frame(self) -> None:
        frame = self._reader.last_frame
        if frame is not None and self.navigation is not None:
            self.navigation.frame_reached(frame)

    def _new_rewind(self, place: Place) -> _Rewind | None:
        if self._new_pipeline is None:
            self._say("This log cannot be read again.")
            return None
        self._restart_sender()
        rounds = self._reader.rounds.again(place.offset)
        self._rewind = _Rewind(LogReader(rounds, self._new_pipeline(place.offset), self._catalogue), place)
        return self._rewind

    def _read_again(self, rewind: _Rewind, clock: PacedClock, control: RunControl) -> None:
        """Take a step of the way back; at its end the second reader takes the place of the first."""
        if control.wake.is_set():
            control.apply_to(clock)
            if self._rewind is not rewind:
                return
        reader, place = rewind.reader, rewind.place
        limit = (place.time or self.time) if rewind.raised_at is None else rewind.raised_at
        if reader.skim(place.number, limit):
            is_there = False
        elif rewind.raised_at is None:
            is_there = reader.go_to(place, MAX_STEP_ENTRIES)
        else:
            raised_at, pipeline = rewind.raised_at, reader.pipeline
            is_there = reader.go(
                place.time,
                until=lambda: bool(pipeline.raised_times) and pipeline.raised_times[-1] >= raised_at,
                max_entries=MAX_STEP_ENTRIES,
            )
            if not is_there and (reader.time >= place.time or reader.rounds.upcoming is None):
                self._leave_ways()
                self._say("No earlier flag in this round.")
                return
        if not is_there:
            whole = max(1, limit - place.offset)
            self._say(f"Reading the log again: {min(99, 100 * (reader.time - place.offset) // whole)} %.")
            return
        with control.lock:
            old, self._reader, self._rewind = self._reader, reader, None
            old.rounds.close()
            self._stands_at = rewind.raised_at
            self._stand_still(clock, control)
            if self.navigation is not None:
                self.navigation.watch_changed(self.watch)
                self.navigation.log_ended(ended=False)
            self._has_ended = False
            rewind.then()
            if rewind.raised_at is not None:
                self._report_flag(self._reader.pipeline.last_raised)

    def _stand_still(self, clock: PacedClock, control: RunControl) -> None:
        control.pause(paused=True)
        clock.pause()
        self._restart_sender()
        clock.set_time(self.time)

    def _hand_over(self, sender: FrameSender, clock: PacedClock) -> None:
        """Hand over the frames that are due soon.

        Raises:
            BusError: sending has failed.
        """
        end = max(self.time, clock.reached()) + round(LOOK_AHEAD_US * max(1.0, clock.speed))
        if self._stop is not None:
            end = min(end, self._stop)
        for number, frame in self._reader.rounds.look_ahead(end):
            sender.schedule(number, frame)

    def _restart_sender(self) -> None:
        """Have the sender go on with the upcoming frame."""
        if self.sender is not None:
            self.sender.clear(self._reader.rounds.position)
            self._reader.rounds.forget_looks()

    def _report_flag(self, flag: Flag | None) -> None:
        self.on_found(flag)
        if self.navigation is not None:
            self.navigation.flag_reached(flag)

    def _step_on(self, clock: PacedClock, control: RunControl) -> None:
        """Pass on entries up to the next frame."""
        with control.lock:
            number = self._reader.rounds.number, self._reader.rounds.offset
            while not self._is_over() and (self._reader.rounds.number, self._reader.rounds.offset) == number:
                passed = self._reader.pass_one()
                if self.sender is not None and isinstance(passed, Frame):
                    self.sender.send_now(self._reader.rounds.position, passed)
            self._stands_at = None
            self._stand_still(clock, control)
            if (self._reader.rounds.number, self._reader.rounds.offset) == number:
                self._steps_on = 0
                self._say("This is the last frame.")
            else:
                self._report_frame()

    def _wait_at_end(self, clock: PacedClock, control: RunControl) -> None:
        """Wait for a way back."""
        if not self._has_ended:
            self._has_ended = True
            with control.lock:
                self._reader.pipeline.advance(self.time)
                if self.navigation is not None:
                    self.navigation.log_ended(ended=True)
        control.wake.wait()
        control.apply_to(clock)

    def _step(self, clock: PacedClock, control: RunControl) -> None:
        rounds = self._reader.rounds
        upcoming = self.time + SECOND_US if rounds.upcoming is None else rounds.upcoming.time
        moment = min(max(upcoming, self.time), self.time + SECOND_US, *([] if self._stop is None else [self._stop]))
        if self.sender is not None:
            self._hand_over(self.sender, clock)
            moment = min(moment, self.time + LOOK_AHEAD_US // 2)
        if not clock.wait_until(moment + clock.slack_us, control.wake):
            control.apply_to(clock)
            if self.sender is not None:
                self.sender.update()
            self._reader.pipeline.flush()
            return
        with control.lock:
            self._stands_at = None
            self._go(min(max(moment, clock.reached()), moment + SECOND_US))
            self._reader.pipeline.flush()

    def _seek_step(self, seek: _Seek, clock: PacedClock, control: RunControl) -> None:
        """Take a step towards the next flag or a text; stand still there."""
        if control.wake.is_set():
            control.apply_to(clock)
            if self._seek is not seek:
                return
        pipeline, search = self._reader.pipeline, seek.search
        raised = pipeline.last_raised
        with control.lock:
            if search is None:
                found = self._reader.go(
                    self._stop, until=lambda: pipeline.last_raised is not raised, max_entries=MAX_STEP_ENTRIES
                )
            else:
                pipeline.observer = search
                found = self._reader.go(
                    self._stop, until=lambda: search.found is not None, max_entries=MAX_STEP_ENTRIES
                )
                pipeline.observer = None
        place = self._reader.place
        is_round = place.offset > seek.came_from.offset and place.number >= seek.came_from.number
        if not found and not self._is_over() and not is_round:
            return
        self._seek = None
        with control.lock:
            self._end_seek(seek, clock, control, found=found)

    def _end_seek(self, seek: _Seek, clock: PacedClock, control: RunControl, *, found: bool) -> None:
        pipeline, search = self._reader.pipeline, seek.search
        if search is None:
            self._stand_still(clock, control)
            self._stands_at = pipeline.raised_times[-1] if found else None
            self._report_flag(pipeline.last_raised if found else None)
        elif found or self._new_pipeline is None:
            self._stand_still(clock, control)
            self._stands_at = None
            self._report_match(search)
        else:  # it stays where it was
            self._go_to(seek.came_from, lambda: self._report_match(search))

    def _report_match(self, search: TextSearch) -> None:
        if self.navigation is not None:
            self.navigation.text_found(search.text, search.found)

    def _is_over(self) -> bool:
        """Tell whether the end is reached."""
        return self._reader.rounds.upcoming is None or (self._stop is not None and self.time >= self._stop)

    def _go(self, to: int | None) -> None:
        """Observe everything up to ``to``, or to the end."""
        if self._stop is not None:
            to = self._stop if to is None else min(to, self._stop)
        self._reader.go(to)

    def _skip(self, control: RunControl) -> None:
        """Observe what is before the start without showing it; in steps, so that a screen can be drawn in between."""
        if not self._start:
            return
        rounds, pipeline = self._reader.rounds, self._reader.pipeline
        pipeline.is_shown = False
        while rounds.upcoming is not None and self.time < self._start - 1 and not control.stopped:
            with control.lock:
                self._go(min(max(self.time, rounds.upcoming.time) + SKIP_STEP_US, self._start - 1))
        if rounds.upcoming is None:
            raise InputError(
                f"--from {self._start / SECOND_US:g}: the log ends {self.time / SECOND_US:.1f} s after its first "
                "frame; start earlier"
            )
        with control.lock:
            pipeline.advance(self._start)
            self._reader.time = self._start
            self._frames_before_start = rounds.number
            pipeline.show_present_state()

    def _finish(self) -> None:
        self._reader.pipeline.advance(self.time)
        self._reader.pipeline.finish(self.time)
