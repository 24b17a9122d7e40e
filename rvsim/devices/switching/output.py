"""One output: what is commanded, and what it does by lock, trip, shedding, interlock and override.

Knows: levels, ramps, delays, flashing, what each command changes, that a tripped output tries again some times and then
stays off until it is commanded off or reset, and which of these is above which. Does not know messages, currents nor
other outputs: its module tells it of a trip, and drives the load by its level.

From the top: an output that has tripped, was shed or is held by an interlock is off; then comes what a person has set
by hand; then what was commanded. So the level is never above 0 against a protection. Commands to a locked output change
nothing, but it is unlocked by one. Times are microseconds of the run; the host calls `expire` when `due` has come.
"""

from enum import Enum

from rvsim.devices.switching.commands import RAMPS, Code, OutputCommand
from rvsim.rig.switching import OutputPlan
from rvsim.world.outputs import Override

RAMP_STEP_US = 200_000
"""A ramp moves, and reports itself, in steps of this time. Common practice, no source: five reports a second."""
FLASH_US = 500_000
"""Half of the period of flashing, and the length of a single flash. Common practice, no source: one a second."""
MIN_PULSE_US = 100_000
"""How long "on for duration" lasts with a duration of 0: the shortest one (rv-c.com/node/104)."""
FULL = 100.0


class Trip(Enum):
    """Whether an output has tripped."""

    NONE = "no trip"
    WAITING = "off until the next try"
    LATCHED = "off until it is commanded off or reset"


class Output:
    """One output; levels are in percent."""

    def __init__(self, plan: OutputPlan) -> None:
        self.plan = plan
        self.is_dimmer = plan.form == "dimmer"
        self.remembered = FULL
        """The level to which it goes on where a command gives none."""
        self.last_command: Code | None = None
        self.is_locked = False
        self.is_shed = False
        """Whether its module has switched it off to stay within its limit."""
        self.is_held = False
        """Whether an interlock holds it off."""
        self.override: Override | None = None
        self.interlock = 0
        """Its interlocks by command, a bitmap: of those that share one, only one is on."""
        self.trip = Trip.NONE
        self._tries = 0
        self._retry_due: int | None = None
        self._proven_due: int | None = None
        """When a try has lasted long enough to count as good."""
        self._from = self._to = 0.0
        self._ramp_start = self._ramp_end = 0
        self._then: float | None = None
        """Where a ramp goes on to, once it is down."""
        self._ramp_us: int | None = None
        self._ramp_due: int | None = None
        self._later: tuple[int, float] | None = None
        """A change that was commanded for later: when, and to which level."""
        self._flash_since: int | None = None
        self._flash_until: int | None = None
        self._flash_due: int | None = None

    # What it does.

    def level(self, now: int) -> float:
        """Return its level, 0 to 100: what its load gets."""
        if self.override == "off" or self.is_shed or self.is_held or self.trip is not Trip.NONE:
            return 0.0
        return FULL if self.override == "on" else self.wanted(now)

    def wanted(self, now: int) -> float:
        """Return the commanded level, by ramp and flashing."""
        if self._flash_since is not None:
            is_lit = (now - self._flash_since) // FLASH_US % 2 == 0
            return self.remembered if is_lit else 0.0
        if now >= self._ramp_end:
            return self._to
        share = (now - self._ramp_start) / (self._ramp_end - self._ramp_start)
        return self._from + (self._to - self._from) * share

    @property
    def target(self) -> float:
        """The level to which it was commanded, at the end of a ramp."""
        return self._to if self._then is None else self._then

    @property
    def is_ramping(self) -> bool:
        """Whether its level moves by itself."""
        return self._ramp_due is not None

    @property
    def is_flashing(self) -> bool:
        """Whether it flashes."""
        return self._flash_since is not None

    @property
    def is_over_current(self) -> bool:
        """Whether it has tripped, and no try since has lasted."""
        return self.trip is not Trip.NONE or self._proven_due is not None

    @property
    def is_delayed(self) -> bool:
        """Whether a delay or a duration goes on."""
        return self._later is not None

    def left_us(self, now: int) -> int | None:
        """Return how long a delay or duration still lasts, None where there is none."""
        return None if self._later is None else max(0, self._later[0] - now)

    # Time.

    def due(self) -> int | None:
        """Return when it changes by itself next, None where it does not."""
        later = None if self._later is None else self._later[0]
        times = (self._ramp_due, later, self._flash_due, self._retry_due, self._proven_due)
        return min((time for time in times if time is not None), default=None)

    def expire(self, now: int) -> None:
        """Do what is due."""
        if self._flash_due is not None and now >= self._flash_due:
            self._flash_due += FLASH_US
            if self._flash_until is not None and now >= self._flash_until:
                self._end_flash()
        if self._ramp_due is not None and now >= self._ramp_due:
            self._follow_ramp(now)
        if self._later is not None and now >= self._later[0]:
            level, self._later = self._later[1], None
            self._go(now, level)
        if self._retry_due is not None and now >= self._retry_due:
            self._retry_due, self.trip = None, Trip.NONE
            self._proven_due = now + self.plan.retry_after
        if self._proven_due is not None and now >= self._proven_due:
            self._proven_due, self._tries = None, 0

    def _follow_ramp(self, now: int) -> None:
        if now < self._ramp_end:
            self._ramp_due = min(now + RAMP_STEP_US, self._ramp_end)
            return
        self._ramp_due = None
        if self._then is not None:
            then, self._then = self._then, None
            self._ramp(now, then, self._ramp_us)

    # Commands.

    def obey(self, now: int, command: OutputCommand) -> bool:
        """Do what is commanded; return whether it was obeyed: a locked output obeys no command but to unlock it."""
        code = command.code
        if code is Code.UNLOCK:
            self.is_locked = False
        elif self.is_locked or (code in RAMPS and not self.is_dimmer) or not self._act(now, command):
            return False
        if command.interlock is not None:
            self.interlock = command.interlock
        self.last_command = code
        return True

    def _act(self, now: int, command: OutputCommand) -> bool:
        """Do what any command but one to unlock asks; return whether that is something."""
        code, level, delay = command.code, self._as_given(command.level), command.delay_us
        on = level if level else self.remembered
        match code:
            case Code.SET_LEVEL:
                if level is None:
                    return False
                self._go_later(now, level, delay or 0)
            case Code.ON_FOR:
                self._switch(now, on)
                if delay is not None:
                    self._later = now + max(delay, MIN_PULSE_US), 0.0
            case Code.ON_AFTER:
                self._go_later(now, on, delay or 0)
            case Code.OFF_AFTER:
                self._go_later(now, 0.0, delay or 0)
            case Code.STOP:
                self._go(now, self.wanted(now))
            case Code.TOGGLE:
                self._switch(now, 0.0 if self.is_on else on)
            case Code.MEMORY_OFF:
                self._switch(now, 0.0)
            case Code.LOCK:
                self.is_locked = True
            case Code.FLASH | Code.FLASH_ONCE:
                self._flash(now, on, once=code is Code.FLASH_ONCE)
            case _:
                return self._act_ramp(now, command, level)
        return True

    def _act_ramp(self, now: int, command: OutputCommand, level: float | None) -> bool:
        """Do what a command of a ramp asks; without a time in it, by that of the rig from off to full."""
        code, present, on = command.code, self.wanted(now), level or self.remembered
        if code is Code.RAMP and level is None:
            return False
        rises = self.target == 0
        self._end_flash()
        self._later = None
        time_us = command.ramp_us or command.delay_us
        match code:
            case Code.RAMP:
                self._ramp(now, level or 0.0, time_us)
            case Code.RAMP_TOGGLE:
                self._ramp(now, on if rises else 0.0, time_us)
            case Code.RAMP_UP:
                self._ramp(now, level if level is not None and level > present else FULL, time_us)
            case Code.RAMP_DOWN:
                self._ramp(now, level if level is not None and level < present else 0.0, time_us)
            case _:  # down, then up
                self._ramp(now, 0.0, time_us)
                self._then, self._ramp_us = level or FULL, time_us
                if self._ramp_due is None:
                    self._follow_ramp(now)
        if self.target == 0:
            self.clear_trip()
        return True

    @property
    def is_on(self) -> bool:
        """Whether it is commanded on, or flashes."""
        return self.target > 0 or self.is_flashing

    def _as_given(self, level: float | None) -> float | None:
        """Return a commanded level as the output can give it: a load is on or off."""
        return FULL if level and not self.is_dimmer else level

    def _go_later(self, now: int, level: float, delay_us: int) -> None:
        if delay_us:
            self._later = now + delay_us, level
        else:
            self._switch(now, level)

    def _switch(self, now: int, level: float) -> None:
        """Go to a level by command: off after the delay of the rig."""
        if level == 0 and self.plan.delay_off and self.is_on:
            self._later = now + self.plan.delay_off, 0.0
        else:
            self._go(now, level)

    def _go(self, now: int, level: float) -> None:
        """Be at a level from now on; what was going on ends."""
        self._end_flash()
        self._later = self._then = self._ramp_due = None
        self._from = self._to = level
        self._ramp_start = self._ramp_end = now
        if level > 0:
            self.remembered = level
        else:
            self.clear_trip()

    def _ramp(self, now: int, level: float, time_us: int | None) -> None:
        """Go to a level in a time, or in its share of the time of the rig from off to full."""
        present = self.wanted(now)
        if time_us is None:
            time_us = round(self.plan.ramp * abs(level - present) / FULL)
        if level == present:
            time_us = 0
        if level > 0:
            self.remembered = level
        self._then = None
        self._from, self._to, self._ramp_start, self._ramp_end = present, level, now, now + time_us
        self._ramp_due = min(now + RAMP_STEP_US, self._ramp_end) if time_us else None

    def _flash(self, now: int, level: float, *, once: bool) -> None:
        self.remembered = level
        self._flash_since, self._flash_due = now, now + FLASH_US
        self._flash_until = now + FLASH_US if once else None

    def _end_flash(self) -> None:
        self._flash_since = self._flash_until = self._flash_due = None

    # What its module tells it.

    def power_up(self, now: int, level: float) -> None:
        """Begin at a level, without lock, delay or trip."""
        self.is_locked = False
        self.interlock, self.last_command = 0, None
        self._tries = 0
        self.clear_trip()
        self._go(now, level)

    def set_override(self, override: Override | None) -> None:
        """Be on or off by hand, or as commanded; by hand off ends a trip, as a command does."""
        self.override = override
        if override == "off":
            self.clear_trip()

    def open_by_trip(self, now: int) -> None:
        """Trip: off until the next try, or until it is commanded off where the tries are used up."""
        self._proven_due = None
        if self._tries < self.plan.retries:
            self._tries += 1
            self.trip, self._retry_due = Trip.WAITING, now + self.plan.retry_after
        else:
            self.trip, self._retry_due = Trip.LATCHED, None

    def clear_trip(self) -> None:
        """End a trip, and forget how often it has tried."""
        self.trip, self._retry_due, self._proven_due, self._tries = Trip.NONE, None, None, 0

    def drop(self, now: int) -> None:
        """Give up what was commanded: an interlock holds it off."""
        self._go(now, 0.0)
