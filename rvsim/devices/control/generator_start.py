"""A panel that starts the generator by itself when the battery is low: only with its setting, never in quiet hours.

Knows: that it starts only what stands still without a fault, while the charger has no mains, and only stops what it has
started itself. Does not know how the voltage or the mains are measured. A generator that starts with nobody looking
kills by its exhaust where it is real: the caution is told for every rig with this setting. Every figure is common
practice, no source.

Messages: GENERATOR_COMMAND (from memory), whose status is GENERATOR_STATUS_1 (from memory).
"""

from typing import Annotated, Self

from pydantic import Field, model_validator

from rvsim.devices.control.day_clock import TimeOfDay, is_within, minutes_of
from rvsim.devices.control.received import CommandHost
from rvsim.devices.device import Instance, Settings, Volts
from rvsim.wire.frame import SECOND_US

STOPPED, RUNNING = 0, 3
STOP, START = 0, 1
MIN_MAINS_VOLTS = 80.0
"""Above this there are mains at the input of the charger."""
START_TIME_US = 300 * SECOND_US
"""It has to run after this time, or the panel gives up."""


class GeneratorStartSettings(Settings):
    """When the generator is started; without these settings it never is."""

    charger: Instance
    """Instance of the charger whose mains input tells whether there is shore power."""
    start_volts: Volts = 11.8
    """Below this voltage of the battery it is started."""
    stop_volts: Volts = 14.0
    """Above this voltage it is stopped."""
    after_s: Annotated[float, Field(ge=1, le=3600)] = 120.0
    """How long the voltage stays so."""
    min_run_s: Annotated[float, Field(ge=0, le=86_400)] = 1800.0
    """How long it runs at least."""
    max_run_s: Annotated[float, Field(ge=60, le=86_400)] = 14_400.0
    """How long it runs at most."""
    quiet_from: TimeOfDay = "22:00"
    """From then on it is not started, and stopped where it runs."""
    quiet_until: TimeOfDay = "07:00"
    """Until then."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.stop_volts <= self.start_volts:
            raise ValueError(f"stop_volts {self.stop_volts:g} is not above start_volts {self.start_volts:g}")
        return self


class GeneratorStart:
    """The state of the automatic start; ``decide`` is called every few seconds."""

    def __init__(self, host: CommandHost, settings: GeneratorStartSettings) -> None:
        self._host, self._settings = host, settings
        self._low_since: int | None = None
        self._full_since: int | None = None
        self.started_at: int | None = None
        """When this panel started it; None while it has not."""
        self.has_given_up = False

    def decide(self, volts: float | None, mains_volts: float | None, status: float | None, minute: int) -> None:
        """Start or stop it where that is due.

        Args:
            volts: the voltage of the battery; this and the others None where it is not known.
            mains_volts: the voltage at the input of the charger.
            status: the code of its status.
            minute: the minute of the day.
        """
        now, settings = self._host.now, self._settings
        is_quiet = is_within(minute, minutes_of(settings.quiet_from), minutes_of(settings.quiet_until))
        self._low_since = _since(self._low_since, now, holds=volts is not None and volts < settings.start_volts)
        self._full_since = _since(self._full_since, now, holds=volts is not None and volts > settings.stop_volts)
        if self.started_at is None:
            is_free = mains_volts is not None and mains_volts < MIN_MAINS_VOLTS and status == STOPPED
            if is_free and not is_quiet and not self.has_given_up and self._lasts(self._low_since):
                self.started_at = now
                self._command(START)
            return
        ran_us = now - self.started_at
        failed = ran_us > START_TIME_US and status != RUNNING
        is_full = self._lasts(self._full_since) and ran_us >= settings.min_run_s * SECOND_US
        if failed or is_full or is_quiet or ran_us >= settings.max_run_s * SECOND_US:
            self.has_given_up = failed
            self.started_at = self._low_since = None
            self._command(STOP)

    def _lasts(self, since: int | None) -> bool:
        return since is not None and self._host.now - since >= self._settings.after_s * SECOND_US

    def _command(self, code: int) -> None:
        spec = self._host.catalogue.by_name("GENERATOR_COMMAND")
        self._host.send(spec, spec.pack(command=code))


def _since(since: int | None, now: int, *, holds: bool) -> int | None:
    if not holds:
        return None
    return now if since is None else since
