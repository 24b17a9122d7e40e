"""The plan of a rig: all checks, one after another, to one report.

Knows: which checks there are and in which order they are told. Does not know any rule, nor how a report is shown.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

from rvsim.plan.answer import Answer, Check, PlanTable, Section, flags_of
from rvsim.plan.conductors import check_conductors
from rvsim.plan.fuses import check_fuses
from rvsim.plan.supply_chain import Supply
from rvsim.rig.model import Rig
from rvsim.watch.flag import Flag, Severity
from rvsim.wire.catalogue import Catalogue


@dataclass(frozen=True)
class PlanInput:
    """What every check is given: the rig, the message definitions, and the seed of random draws."""

    rig: Rig
    catalogue: Catalogue
    seed: int = 1

    @cached_property
    def supply(self) -> Supply:
        """The wires and fuses in series, for the checks that ask for them."""
        return Supply(self.rig)


CHECKS: Mapping[Check, Callable[[PlanInput], Section]] = {
    Check.CONDUCTORS: check_conductors,
    Check.FUSES: check_fuses,
}
"""The checks in the order of a report."""


@dataclass(frozen=True)
class PlanReport:
    """What the plan says of a rig."""

    rig: Rig
    sections: tuple[Section, ...]

    @property
    def answers(self) -> tuple[Answer, ...]:
        """All answers, in the order of the checks."""
        return tuple(answer for section in self.sections for answer in section.answers)

    @property
    def flags(self) -> tuple[Flag, ...]:
        """What is wrong, the worst first."""
        return tuple(flags_of(self.answers))

    @property
    def tables(self) -> tuple[PlanTable, ...]:
        """All tables."""
        return tuple(table for section in self.sections for table in section.tables)

    @property
    def is_good(self) -> bool:
        """Whether there is neither a warning nor a fault."""
        return all(flag.severity is Severity.NOTICE for flag in self.flags)


def check_rig(given: PlanInput) -> PlanReport:
    """Run every check on a rig."""
    return PlanReport(given.rig, tuple(check(given) for check in CHECKS.values()))
