"""What hangs on an output: the current of a lamp, an LED, a motor, a pump, a heater mat, a coil or a socket over time.

Knows: how much each kind takes at its start and how fast that decays, how its current follows voltage and duty (the
share of the time for which the output conducts), what the wire leaves of a start, and that a load can be open or take
more than it should. Does not know what switches it, nor any fuse or limit.

A load has one state, how far it has run up: 0 cold or at rest, 1 hot or at full speed. It approaches the duty in a time
constant; what it lacks is drawn on top of the running current. So a soft start has little inrush, and a lamp that was
off for a moment only has little too. Times are microseconds of the run, as its caller tells them.
"""

from math import exp, log
from typing import NamedTuple

NOMINAL_VOLTS = 12.0
"""The voltage at which a rig gives currents: a lamp of 12 V and 3 W takes 0.25 A (a training page, measured)."""
LAMP_EXPONENT = 0.55
"""A lamp's current grows with this power of its voltage, since its filament gets hotter. From memory: 0.5 to 0.6."""
MIN_DRIVER_VOLTS = 9.0
"""Below this voltage the driver of an LED takes the current that it has here. Common practice, no source."""


class LoadKindPlan(NamedTuple):
    """How one kind of load behaves."""

    peak_share: float
    """Its first current, in running currents, where the rig gives no ``peak_amps``."""
    rise_us: int
    """The time constant of the run-up."""
    rest_us: int
    """The time constant of cooling or running down while it is off."""


LOAD_KINDS = {
    "lamp": LoadKindPlan(12.0, 10_000, 300_000),
    # first 10 to 12 times (a lamp driver paper), 14 times (a lamp technology page), near nominal after 0.05 s (the
    # same page): exp(-5) of the peak is left; cooling is common practice, no source
    "led": LoadKindPlan(40.0, 300, 100_000),
    # input capacitor, 40 to 100 times for under 1 ms (lamp makers' pages); a bare strip has none: peak_amps = amps
    "motor": LoadKindPlan(6.0, 200_000, 500_000),
    # 6 times running (a relay maker's answers and an actuator maker's calculator); times are common practice, no source
    "pump": LoadKindPlan(6.0, 100_000, 200_000),
    # as a motor; a small pump has little mass: common practice, no source
    "heater mat": LoadKindPlan(1.0, 1, 1),
    "relay coil": LoadKindPlan(1.0, 1, 1),
    "socket": LoadKindPlan(1.0, 1, 1),
}
"""The kinds by their names in rigs; resistances have no inrush, and what is plugged in is not known."""


class Transient(NamedTuple):
    """A current over time: ``steady_amps`` and an excess that decays from ``since_us`` on."""

    steady_amps: float = 0.0
    excess_amps: float = 0.0
    decay_us: int = 1
    since_us: int = 0

    def amps_at(self, now: int) -> float:
        """Return the current at a time, microseconds of the run."""
        if not self.excess_amps:
            return self.steady_amps
        return self.steady_amps + self.excess_amps * exp(-max(0, now - self.since_us) / self.decay_us)

    @property
    def peak_amps(self) -> float:
        """The highest current from ``since_us`` on."""
        return self.steady_amps + self.excess_amps


class Load:
    """One load.

    Args:
        kind: its kind in the rig; None is a resistance.
        amps: its running current at 12 V.
        peak_amps: its first current at 12 V; None: by its kind.
        wire_ohm: the resistance of its wire there and back, which limits the first current.
    """

    def __init__(self, kind: str | None, amps: float, peak_amps: float | None = None, wire_ohm: float = 0.0) -> None:
        self._kind = kind or "heater mat"
        plan = LOAD_KINDS[self._kind]
        self._amps, self._wire_ohm = amps, wire_ohm
        self._peak_amps = plan.peak_share * amps if peak_amps is None else max(peak_amps, amps)
        self._rise_us, self._rest_us = plan.rise_us, plan.rest_us
        if self._peak_amps > amps and self._rise_us == 1:  # a peak that the rig gives to a socket or a resistance
            self._rise_us, self._rest_us = LOAD_KINDS["motor"].rise_us, LOAD_KINDS["motor"].rest_us
        self._run_up = 0.0
        self._duty, self._since = 0.0, 0
        self.is_open = False
        """Whether it takes nothing: a lamp that is out."""
        self.more_amps = 0.0
        """What it takes beyond its own, as a resistance has it at 12 V: a fault."""

    def running_amps(self, duty: float, volts: float) -> float:
        """Return its running current at a duty, 0 to 1, and a voltage, averaged over the pulses."""
        ratio = volts / NOMINAL_VOLTS
        if duty <= 0 or ratio <= 0:
            return 0.0
        more = self.more_amps * ratio * duty
        if self.is_open:
            return more
        match self._kind:
            case "lamp":  # the filament is as hot as the mean square of the voltage makes it
                return more + self._amps * exp((1 + LAMP_EXPONENT) / 2 * log(duty) + LAMP_EXPONENT * log(ratio))
            case "led":  # a driver of constant power
                return more + self._amps * duty * NOMINAL_VOLTS / max(volts, MIN_DRIVER_VOLTS)
            case (
                "motor" | "pump"
            ):  # the current is that of its torque, whatever the voltage: common practice, no source
                return more + self._amps * duty
            case "socket":
                return more + self._amps * duty
            case _:
                return more + self._amps * duty * ratio

    def first_amps(self, volts: float) -> float:
        """Return its current at full duty from rest, as its own resistance at rest and its wire leave it."""
        if self.is_open or self._peak_amps <= 0 or volts <= 0:
            return self.more_amps * volts / NOMINAL_VOLTS
        ohm = NOMINAL_VOLTS / self._peak_amps + self._wire_ohm
        return volts / ohm + self.more_amps * volts / NOMINAL_VOLTS

    def set_duty(self, duty: float, volts: float, now: int) -> Transient:
        """Let it have a duty, 0 to 1, at a voltage from ``now`` on; return its current from now on."""
        run_up = self._run_up_at(now)
        is_fed = volts > 0 and not self.is_open
        self._run_up, self._duty, self._since = run_up, duty if is_fed else 0.0, now
        running = self.running_amps(duty, volts)
        missing = duty - run_up
        if missing <= 1e-3 or self.is_open:
            return Transient(running, 0.0, 1, now)
        excess = max(0.0, self.first_amps(volts) - self.running_amps(1.0, volts)) * missing
        return Transient(running, excess, self._rise_us, now)

    def _run_up_at(self, now: int) -> float:
        duty, time_us = self._duty, self._rise_us if self._duty >= self._run_up else self._rest_us
        return duty + (self._run_up - duty) * exp(-max(0, now - self._since) / time_us)
