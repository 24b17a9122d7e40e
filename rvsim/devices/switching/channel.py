"""One output of a simulated module together with its protection, its circuit and its status messages.

Knows: how the level becomes a current and a current a trip, when the next thing happens to the output, and what is
wrong with its load. Does not know the other outputs, nor the module's limit.
"""

from typing import NamedTuple

from rvsim.devices.switching.output import Output, Trip
from rvsim.devices.switching.protection import Protection
from rvsim.devices.switching.reports import OutputReport
from rvsim.rig.switching import OutputPlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.diagnostics import ReportedFault
from rvsim.world.loads import Transient
from rvsim.world.outputs import OutputCircuits

FAULT_SPN = 2400
"""The SPN of the output at terminal n is this number and n more. The SPNs are invented: in RV-C an SPN means what the
maker of the function says (rv-c.com/node/82)."""
CURRENT_HIGH, CURRENT_LOW = 6, 5
"""The FMIs of an over-current and of an open circuit (SAE J1939-73)."""
MIN_COUNTED_DECAY_US, MIN_COUNTED_AMPS = 5_000, 0.5
"""A start that decays faster, or that is smaller, is not counted in the battery: nothing can see it. Our choice."""
MIN_JUDGED_VOLTS = 9.0
"""Below this voltage nothing is said of a lamp that takes too little. Common practice, no source."""
_COUNTED_AT = (0.5, 1.0, 2.0, 4.0)
"""When a start's current is counted anew, in its time constants. Our choice."""


class OutputReading(NamedTuple):
    """What an output does now: its level in percent, and the current that its module measures, in amperes.

    ``because`` says why it is off although it is wanted on, or what is wrong with its load; empty where nothing is.
    """

    level: float
    amps: float
    because: str = ""


class Channel:
    """One output with all that belongs to it; the host drives it, and takes its current from it."""

    def __init__(self, plan: OutputPlan, catalogue: Catalogue, circuits: OutputCircuits) -> None:
        self.plan = plan
        self.function = plan.function
        """The function of its module that it belongs to."""
        self.output = Output(plan)
        self.report = OutputReport(self.output, catalogue) if plan.instance is not None else None
        """Its status messages, None where it has no instance and so is not on the network."""
        self.shed_amps = 0.0
        """What it took before its module switched it off to stay within its limit."""
        self.is_lamp_out = False
        self.timer_due: int | None = None
        """When the host's timer for it comes."""
        self.has_moved = False
        """Whether it was commanded, or something was due, since the host looked at it."""
        self.rests = False
        """Whether nothing was done to it since the host looked at it, and nothing of it changes by itself: then its
        level, its current, its messages and its faults are what they were. Who changes its output resets this."""
        self.known_faults: tuple[ReportedFault, ...] = ()
        """What it reported when the host looked at it."""
        self.level = 0.0
        """The level at which it is driven now."""
        self.current = Transient()
        self._protection = Protection(plan.limit_amps)
        self._circuits = circuits
        self._trip_due: int | None = None
        self._count_dues: tuple[int, ...] = ()

    def needs_drive(self, now: int) -> bool:
        """Return whether its level has changed: that of a ramp by its own steps only."""
        level = self.output.level(now)
        if level == self.level:
            return False
        return self.has_moved or not level or not self.output.is_ramping

    def drive(self, now: int, volts: float, load_volts: float | None = None) -> None:
        """Give the load its level at the voltage of the module, and follow the current that it takes.

        ``load_volts`` is the voltage behind the output's own fuse, where it has one.
        """
        self.rests = False
        self.level = self.output.level(now)
        behind = volts if load_volts is None else load_volts
        drawn = self._circuits.set_duty(self.plan.name, self.level / 100, behind, now)
        self.current = self._protection.limited(drawn)
        self._trip_due = self._protection.set_current(now, self.current)
        starting = self.current if self.current.excess_amps else self._circuits[self.plan.name].contact
        is_seen = starting.excess_amps >= MIN_COUNTED_AMPS and starting.decay_us >= MIN_COUNTED_DECAY_US
        is_counted = is_seen and starting.since_us == now
        self._count_dues = tuple(now + round(share * starting.decay_us) for share in _COUNTED_AT) if is_counted else ()
        if self.level > 0 and volts >= MIN_JUDGED_VOLTS:
            least = self.plan.min_amps
            self.is_lamp_out = least is not None and self.current.steady_amps < least * self.level / 100

    @property
    def is_start_counted(self) -> bool:
        """Whether a start's current is counted in the battery at present."""
        return bool(self._count_dues)

    def counted_amps(self, now: int) -> float:
        """Return what it takes out of the battery now."""
        if self._count_dues:
            return self.current.amps_at(now)
        return self.current.steady_amps

    def due(self) -> int | None:
        """Return when something happens to it next, None where nothing does."""
        times = (self.output.due(), self._trip_due, self._count_dues[0] if self._count_dues else None)
        return min((time for time in times if time is not None), default=None)

    def expire(self, now: int) -> None:
        """Do what is due by now."""
        self.has_moved = True
        if self._trip_due is not None and now >= self._trip_due:
            self._trip_due = None
            self.output.open_by_trip(now)
        self.output.expire(now)
        if self._count_dues and now >= self._count_dues[0]:
            self._count_dues = tuple(due for due in self._count_dues if due > now)
            self._circuits.count_contact(self.plan.name, now)

    def faults(self) -> tuple[ReportedFault, ...]:
        """Return what it reports."""
        spn = FAULT_SPN + self.plan.terminal
        found = []
        if self.output.is_over_current:
            found.append(ReportedFault(spn, CURRENT_HIGH))
        if self.is_lamp_out:
            found.append(ReportedFault(spn, CURRENT_LOW))
        return tuple(found)

    def reading(self) -> OutputReading:
        """Return what it does now."""
        because = ""
        if self.output.trip is Trip.WAITING:
            because = "tripped, tries again"
        elif self.output.trip is Trip.LATCHED:
            because = "tripped, stays off"
        elif self.output.is_shed:
            because = "shed at the module's limit"
        elif self.output.is_held:
            because = "held by an interlock"
        elif self.is_lamp_out and self.level > 0:
            because = "lamp out"
        return OutputReading(self.level, self.current.steady_amps, because)

    def rewrite(self, now: int) -> tuple[bool, bool]:
        """Write its status messages anew; return which of them have changed."""
        if self.report is None:
            return False, False
        wanted = self.shed_amps if self.output.is_shed else self.current.steady_amps
        return self.report.rewrite(now, self.level, self.current.steady_amps, wanted)
