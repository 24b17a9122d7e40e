"""A burner's start, run and stop sequence, and what stops it for good.

Knows: the states OFF, PURGE, GLOW, IGNITION, BURNING and AFTER_RUN with their times, what fails in each, how many tries
there are, and when the burner locks. Does not know what the heat is for, where the fuel comes from, nor any message: it
is told each second what is wanted and what there is.

A start that has failed with all its tries is an error; so are flame-outs in a row and a supply outside its limits for
too long. Errors end when the heater is switched off for a while. Failed starts in a row lock it out. A lockout is a
safety function: fuel that did not burn may stand in the chamber. No command, no wait and no loss of power ends it: its
count and the lockout are in a memory that the device hands in.
"""

from collections.abc import Callable, MutableMapping
from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import NamedTuple

MIN_FUEL_SHARE = 0.3
"""With a smaller share of its fuel the flame goes out. Common practice, no source."""
FLAME_HOLD_US = 2_000_000
"""How long a flame lives on what is left in the line when fuel stops. Common practice, no source."""
STEADY_US = 900_000_000
"""A flame that burnt for this long is forgotten by the count of flame-outs in a row. Our decision."""
_FAILED_STARTS = "failed starts"
"""What the memory holds."""
_MAX_STEPS = 4
"""Changes of state in one moment: purge, glow and ignition may each take no time."""


class BurnerState(StrEnum):
    """Where the burner is in its sequence."""

    OFF = "off"
    PURGE = "purge"
    GLOW = "glow"
    IGNITION = "ignition"
    BURNING = "burning"
    AFTER_RUN = "after-run"


_OFF, _PURGE, _GLOW, _IGNITION, _BURNING, _AFTER_RUN = BurnerState
"""The states as names of this module: looking one up in its enum takes five times as long."""


class BurnerFault(Enum):
    """What is wrong with it: SPN, FMI, whether the red lamp is on. The SPNs are invented: in RV-C an SPN means what the
    maker of the function says (rv-c.com/node/82)."""

    IGNITION = 2130, 7, True
    FLAME_OUT = 2131, 7, True
    TOO_HOT = 2132, 0, True
    LOW_SUPPLY = 2133, 4, True
    HIGH_SUPPLY = 2133, 3, True
    NO_AIR = 2134, 7, True
    LOCKED = 2130, 14, True


@dataclass(frozen=True)
class BurnerFigures:
    """Times in microseconds; the settings of a kind say where each comes from."""

    purge_us: int
    glow_us: int
    flame_us: tuple[int, int]
    """The shortest and the longest time from fuel to flame of a healthy start."""
    flame_wait_us: int
    """After this time without a flame a try has failed."""
    stable_us: int
    """How long the flame burns low until it is stable."""
    ramp_us: int
    """From there to full output."""
    after_run_us: int
    after_glow_us: int
    """The first part of the after-run, in which the plug is burnt clean."""
    low_output: float
    """The lowest output, as a fraction of full."""
    tries: int
    max_flame_outs: int
    max_failed_starts: int
    min_volts: float
    max_volts: float
    supply_us: int
    """How long the supply may be outside these limits."""
    unlock_us: int = 2_000_000
    """An error ends when the heater was switched off for this long."""
    error_ends_us: int | None = None
    """An error of a start or of the flame ends by itself after this time; None: it does not."""
    air_wait_us: int = 30_000_000
    """How long purging waits for the air-flow switch."""


class BurnerInputs(NamedTuple):
    """What it is told each second."""

    wanted: float
    """The output wanted, a fraction of full; 0: none."""
    is_switched_on: bool
    """Whether a command wants heat, even where a thermostat is satisfied."""
    volts: float
    """The supply at its own terminals."""
    fuel: float = 1.0
    """The share of the fuel that arrives."""
    is_too_hot: bool = False
    """Whether the overheat limiter is open."""
    has_air: bool = True
    """Whether the air-flow switch is closed."""


class Burner:
    """One burner. ``draw(limit)`` returns a random integer below the limit; ``memory`` outlasts a loss of power."""

    def __init__(
        self, figures: BurnerFigures, draw: Callable[[int], int], memory: MutableMapping[str, float] | None = None
    ) -> None:
        self.figures = figures
        self._memory = {} if memory is None else memory
        self.state = _OFF
        self.error: BurnerFault | None = None
        """Why it does not start again, until it is switched off; None where it may."""
        self.is_locked = self._failed_starts() >= figures.max_failed_starts
        """Whether it is locked out, for service to find the cause."""
        self.is_too_hot = False
        self._told: tuple[float, ...] = ()
        """The inputs of the last step, the supply aside."""
        self.starts = 0
        """How many starts there were."""
        self.failing_tries = 0
        """How many tries from now on give no flame; below 0: all."""
        self._draw = draw
        self._now = self._since = 0
        self._fuelled_us = self._flame_after_us = self._flame_since = 0
        self._dry_since: int | None = None
        self._failed_tries = self._flame_outs = 0
        self._off_since: int | None = None
        self._bad_supply_since: int | None = None
        self._error_since = 0
        self._wanted = 0.0
        self._is_steady = False
        """Whether time alone changes nothing any more."""
        self._fault_state: tuple[BurnerFault | None, bool, bool] = (None, False, False)
        self.faults: frozenset[BurnerFault] = frozenset()
        """What it reports."""
        self.signs: tuple[object, ...] = ()
        """State, output, whether it glows, whether it is too hot, and faults: all that shows outside."""
        self._show()

    # What it does now.

    @property
    def may_run(self) -> bool:
        """Whether nothing keeps it from starting."""
        return self.error is None and not self.is_locked and not self.is_too_hot

    @property
    def is_lit(self) -> bool:
        """Whether there is a flame."""
        return self.state is _BURNING

    @property
    def is_working(self) -> bool:
        """Whether it is anywhere in its sequence, after-run included."""
        return self.state is not _OFF

    @property
    def is_glowing(self) -> bool:
        """Whether the plug glows."""
        if self.state is _AFTER_RUN:
            return self._now - self._since < self.figures.after_glow_us
        return (self.state is _GLOW or self.state is _IGNITION) and self.figures.glow_us > 0

    @property
    def is_dosing(self) -> bool:
        """Whether fuel is given that does not burn yet."""
        return self.state is _IGNITION

    @property
    def output(self) -> float:
        """The output of the flame, a fraction of full: low until it is stable, then a ramp, then what is wanted."""
        if self.state is not _BURNING:
            return 0.0
        figures, burning_us = self.figures, self._now - self._flame_since
        ramp_us = burning_us - figures.stable_us
        if ramp_us <= 0:
            return figures.low_output
        most = 1.0
        if ramp_us < figures.ramp_us:
            most = figures.low_output + (1 - figures.low_output) * ramp_us / figures.ramp_us
        return max(figures.low_output, min(self._wanted, most))

    # How it goes on.

    def step(self, now: int, inputs: BurnerInputs) -> None:
        """Go on to the time ``now``, microseconds; a steady one is not touched while it is told the same."""
        wanted, is_switched_on, volts, fuel, is_too_hot, has_air = inputs
        told, figures = (wanted, is_switched_on, fuel, is_too_hot, has_air), self.figures
        has_supply = figures.min_volts <= volts <= figures.max_volts
        if self._is_steady and has_supply and told == self._told:
            return
        self._told, self._wanted, self.is_too_hot = told, wanted, is_too_hot
        passed, self._now = now - self._now, now
        if self.error is not None:
            self._watch_switch(is_switched_on=is_switched_on)
        if self._bad_supply_since is not None or not has_supply:
            self._watch_supply(volts)
        self._watch_fuel(fuel, passed)
        for _ in range(_MAX_STEPS):
            before = self.state
            self._move(wants=wanted > 0, has_air=has_air)
            if self.state is before:
                break
        self._is_steady = self._find_steady()
        self._show()

    def _find_steady(self) -> bool:
        """Return whether the next step changes nothing if it is told the same, however late it comes."""
        if self.error is not None or self._bad_supply_since is not None:
            return False
        if self.state is _OFF:
            return not (self._wanted > 0 and self.may_run)
        if self.state is not _BURNING or self._dry_since is not None or self._flame_outs:
            return False
        return self._now - self._flame_since >= self.figures.stable_us + self.figures.ramp_us

    def _show(self) -> None:
        fault_state = (self.error, self.is_locked, self.is_too_hot)
        if fault_state != self._fault_state:  # put together only when it changes
            self._fault_state = fault_state
            standing = (self.error, BurnerFault.LOCKED if self.is_locked else None)
            too_hot = BurnerFault.TOO_HOT if self.is_too_hot else None
            self.faults = frozenset(fault for fault in (*standing, too_hot) if fault is not None)
        self.signs = self.state, self.output, self.is_glowing, self.is_too_hot, self.faults

    def _move(self, *, wants: bool, has_air: bool) -> None:
        figures, state, elapsed = self.figures, self.state, self._now - self._since
        goes_on = wants and self.may_run
        if state is _OFF:
            if goes_on:
                self.starts += self._failed_tries == 0
                self._enter(_PURGE)
        elif state is _BURNING:
            self._burn(goes_on=goes_on, has_air=has_air)
        elif state is _AFTER_RUN:
            if elapsed >= figures.after_run_us:
                self._enter(_OFF)
        elif state is _IGNITION:
            self._ignite(goes_on=goes_on and has_air, elapsed=elapsed)
        elif not goes_on:
            self._enter(_OFF)
        elif state is _GLOW:
            if elapsed >= figures.glow_us:
                self._start_ignition()
        elif elapsed >= figures.purge_us and has_air:
            self._enter(_GLOW)
        elif elapsed >= figures.purge_us + figures.air_wait_us:
            self._stop_with(BurnerFault.NO_AIR)

    def _enter(self, state: BurnerState) -> None:
        self.state, self._since = state, self._now

    def _start_ignition(self) -> None:
        shortest, longest = self.figures.flame_us
        self._flame_after_us = shortest + self._draw(longest - shortest + 1)
        self._fuelled_us = 0
        self._enter(_IGNITION)

    def _ignite(self, *, goes_on: bool, elapsed: int) -> None:
        if not goes_on:
            self._enter(_AFTER_RUN)
        elif self._fuelled_us >= self._flame_after_us and not self.failing_tries:
            self._failed_tries = 0
            self._flame_since = self._now
            self._dry_since = None
            self._enter(_BURNING)
        elif elapsed >= self.figures.flame_wait_us:
            self.failing_tries -= self.failing_tries > 0
            self._count_failed_try()
            self._enter(_AFTER_RUN)

    def _burn(self, *, goes_on: bool, has_air: bool) -> None:
        burning_us = self._now - self._flame_since
        if burning_us >= self.figures.stable_us + self.figures.ramp_us:
            self._memory[_FAILED_STARTS] = 0
        if burning_us >= STEADY_US:
            self._flame_outs = 0
        if not goes_on:
            self._flame_outs = 0
            self._enter(_AFTER_RUN)
        elif not has_air:
            self._enter(_AFTER_RUN)
        elif self._dry_since is not None and self._now - self._dry_since >= FLAME_HOLD_US:
            self._flame_outs += 1
            if self._flame_outs >= self.figures.max_flame_outs:
                self._flame_outs = 0
                self._stop_with(BurnerFault.FLAME_OUT)
            else:
                self._enter(_AFTER_RUN)

    def _failed_starts(self) -> int:
        """Return how many starts in a row have failed."""
        return int(self._memory.get(_FAILED_STARTS, 0))

    def _count_failed_try(self) -> None:
        self._failed_tries += 1
        if self._failed_tries < self.figures.tries:
            return
        self._failed_tries = 0
        self._memory[_FAILED_STARTS] = failed = self._failed_starts() + 1
        self.is_locked = failed >= self.figures.max_failed_starts
        self._set_error(BurnerFault.IGNITION)

    def _stop_with(self, fault: BurnerFault) -> None:
        self._set_error(fault)
        self._enter(_OFF if self.state in (_PURGE, _GLOW) else _AFTER_RUN)

    def _set_error(self, fault: BurnerFault) -> None:
        self.error, self._error_since, self._off_since = fault, self._now, None

    # What stops it.

    def _watch_switch(self, *, is_switched_on: bool) -> None:
        """End an error after the heater was switched off for a while, or after its time."""
        if is_switched_on:
            self._off_since = None
        elif self._off_since is None:
            self._off_since = self._now
        was_off = self._off_since is not None and self._now - self._off_since >= self.figures.unlock_us
        ends_us = self.figures.error_ends_us
        if was_off or (ends_us is not None and self._now - self._error_since >= ends_us):
            self.error = None
            self._failed_tries = 0

    def _watch_supply(self, volts: float) -> None:
        figures = self.figures
        if figures.min_volts <= volts <= figures.max_volts:
            self._bad_supply_since = None
            return
        if self._bad_supply_since is None:
            self._bad_supply_since = self._now
        if self._now - self._bad_supply_since >= figures.supply_us and self.error is None and not self.is_locked:
            self._set_error(BurnerFault.LOW_SUPPLY if volts < figures.min_volts else BurnerFault.HIGH_SUPPLY)

    def _watch_fuel(self, share: float, passed_us: int) -> None:
        if share >= MIN_FUEL_SHARE:
            self._dry_since = None
            self._fuelled_us += passed_us
        elif self._dry_since is None:
            self._dry_since = self._now
