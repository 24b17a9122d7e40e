"""The plan of a rig: all checks, one after another, to one report.

Knows: which checks there are and in which order they are told. Does not know any rule, nor how a report is shown.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cached_property

from rvsim.plan.answer import FLAG_KINDS, Answer, Check, PlanTable, Section, flags_of, worst_first
from rvsim.plan.budget import check_budget
from rvsim.plan.conductors import check_conductors
from rvsim.plan.currents import check_currents
from rvsim.plan.endurance import check_endurance
from rvsim.plan.fuses import check_fuses
from rvsim.plan.harness import check_harness
from rvsim.plan.identity import check_identity
from rvsim.plan.ladder import check_ladder
from rvsim.plan.providers import check_providers
from rvsim.plan.spare import check_spare
from rvsim.plan.supply_chain import Supply
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.model import Rig
from rvsim.watch.flag import Flag, Severity
from rvsim.wire.catalogue import Catalogue


@dataclass(frozen=True)
class PlanInput:
    """What every check is given: the rig, the message definitions, and the seed of random draws."""

    rig: Rig
    catalogue: Catalogue
    seed: int = 1
    simulate_night: bool = False
    """Whether the night of the endurance is also run in the physics of the bench, for a second or two."""

    @cached_property
    def supply(self) -> Supply:
        """The wires and fuses in series, for the checks that ask for them."""
        return Supply(self.rig)


CHECKS: Mapping[Check, Callable[[PlanInput], Section]] = {
    Check.CURRENTS: check_currents,
    Check.CONDUCTORS: check_conductors,
    Check.FUSES: check_fuses,
    Check.LADDER: check_ladder,
    Check.HARNESS: check_harness,
    Check.IDENTITY: check_identity,
    Check.PROVIDERS: check_providers,
    Check.BUDGET: check_budget,
    Check.ENDURANCE: check_endurance,
    Check.SPARE: check_spare,
}
"""The checks in the order of a report."""


@dataclass(frozen=True)
class PlanReport:
    """What the plan says of a rig."""

    rig: Rig
    sections: tuple[Section, ...]

    @cached_property
    def answers(self) -> tuple[Answer, ...]:
        """All answers, in the order of the checks."""
        return tuple(answer for section in self.sections for answer in section.answers)

    @cached_property
    def accepted(self) -> Mapping[str, AcceptedPlan]:
        """The entry of the rig that accepts an answer with something wrong, by the key of the answer."""
        found = {}
        for answer in self.answers:
            kind = str(FLAG_KINDS[answer.check])
            entry = next(
                (one for one in self.rig.accepted if one.covers_answer(kind, answer.key, answer.subject)), None
            )
            if answer.is_flagged and entry is not None:
                found[answer.key] = entry
        return found

    @property
    def wrong(self) -> tuple[Answer, ...]:
        """The answers with something wrong that the rig does not accept, in the order of their flags."""
        return tuple(worst_first(answer for answer in self.answers if answer.key not in self.accepted))

    @property
    def flags(self) -> tuple[Flag, ...]:
        """What is wrong and not accepted, the worst first."""
        return tuple(flags_of(self.wrong))

    @property
    def tables(self) -> tuple[PlanTable, ...]:
        """All tables."""
        return tuple(table for section in self.sections for table in section.tables)

    @property
    def is_good(self) -> bool:
        """Whether there is neither a warning nor a fault."""
        return all(flag.severity is Severity.NOTICE for flag in self.flags)


def check_rig(given: PlanInput, checks: Collection[Check] = ()) -> PlanReport:
    """Run checks on a rig; all of them where none is named."""
    return PlanReport(given.rig, tuple(check(given) for name, check in CHECKS.items() if not checks or name in checks))
