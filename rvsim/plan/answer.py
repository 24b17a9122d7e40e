"""What the plan says: an answer to one question each, tables beside them, and the flags of what is wrong.

Knows: the form of an answer, of a table and of a section, and how an answer becomes a flag. Does not know any rule.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from rvsim.rig.flag_kinds import FlagKind
from rvsim.watch.flag import WORST_FIRST, Flag, Severity


class Check(StrEnum):
    """The part of the plan that an answer belongs to."""

    CURRENTS = "currents"
    CONDUCTORS = "conductors"
    FUSES = "fuses"
    LADDER = "ladder"
    HARNESS = "harness"
    IDENTITY = "identity"
    PROVIDERS = "providers"
    BUDGET = "budget"
    ENDURANCE = "endurance"
    SPARE = "spare"


FLAG_KINDS: Mapping[Check, FlagKind] = {
    Check.CURRENTS: FlagKind.RIG_CURRENT,
    Check.CONDUCTORS: FlagKind.RIG_CONDUCTOR,
    Check.FUSES: FlagKind.RIG_FUSE,
    Check.LADDER: FlagKind.RIG_LADDER,
    Check.HARNESS: FlagKind.RIG_HARNESS,
    Check.IDENTITY: FlagKind.RIG_IDENTITY,
    Check.PROVIDERS: FlagKind.RIG_PROVIDER,
    Check.BUDGET: FlagKind.RIG_BUDGET,
    Check.ENDURANCE: FlagKind.RIG_ENDURANCE,
    Check.SPARE: FlagKind.RIG_CURRENT,
}
"""The kind of flag that a check raises."""


MAX_DIGITS = 6
"""A figure that reads like its limit with so many digits is the same."""


class Judgement(StrEnum):
    """What an answer comes to."""

    GOOD = "good"
    FLAGGED = "flagged"
    UNCHECKED = "unchecked"
    """The rig leaves out a figure that is needed; nothing is assumed in its place."""


class Rule(NamedTuple):
    """A rule by its name and edition, and how it was read: a published document, second hand, or memory."""

    name: str
    """The rule as it is cited, edition included: "ABYC E-11 11.14.2.6"."""
    origin: str
    """How it is known: "read as an excerpt", "from memory", "common practice, no source", "our decision"."""
    disagreement: str = ""
    """Where other named sources differ, and by how much; empty where none does."""

    def __str__(self) -> str:
        """The rule in one line."""
        return f"{self.name} ({self.origin})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The answer to one question about one part of the rig.

    ``key`` is its path, unique in a plan and the same after another value of the rig, as
    "output.galley_light.drop_percent": names of the rig with "_" for blanks, then what is answered. ``value`` is the
    computed figure, in ``unit``; None where there is none. ``limit`` is what it is held against, in words: "at most
    10 %". ``formula`` is the computation with the figures put in: "2 x 4.0 m x 6.50 mOhm/m x 8.0 A = 0.416 V = 3.5 %
    of 12 V". ``text`` is what is wrong, or what could not be checked and which key is missing; ``advice`` is the
    remedy. ``unproven`` is what the answer does not prove. ``missing`` are the keys that the rig leaves out, as
    "amps of output galley light".
    """

    key: str
    check: Check
    subject: str
    question: str
    formula: str
    rule: Rule
    value: float | None = None
    unit: str = ""
    limit: str = ""
    judgement: Judgement = Judgement.GOOD
    severity: Severity = Severity.WARNING
    text: str = ""
    advice: str = ""
    unproven: str = ""
    missing: tuple[str, ...] = ()

    @property
    def is_flagged(self) -> bool:
        """Whether something is wrong."""
        return self.judgement is Judgement.FLAGGED


class PlanTable(NamedTuple):
    """A table of the plan: as built, expected readings, spare, what to buy."""

    name: str
    """A short name for JSON, like "outputs"."""
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


class Section(NamedTuple):
    """What one check says."""

    check: Check
    answers: tuple[Answer, ...]
    tables: tuple[PlanTable, ...] = ()
    cautions: tuple[str, ...] = ()
    """Cautions of `safety` that belong to what was answered, each once."""


def path_name(name: str) -> str:
    """Return a name of the rig as a part of an answer's key."""
    return "_".join(name.split())


def told_apart(value: float, limit: float, digits: int = 3) -> str:
    """Return a figure with so many digits, or with more where it would read like the limit and is not the same.

    Args:
        value: the figure.
        limit: what it is held against, in the same unit.
        digits: how many digits it has where it reads otherwise than the limit.
    """
    for shown in range(digits, MAX_DIGITS + 1):
        text = f"{value:.{shown}g}"
        if float(text) != limit:
            return text
    return f"{value:.{digits}g}"


def unchecked(key: str, check: Check, subject: str, question: str, rule: Rule, missing: Iterable[str]) -> Answer:
    """Return the answer that a question could not be checked, with the keys of the rig that are missing."""
    keys = tuple(missing)
    listed = ", ".join(keys)
    return Answer(
        key=key, check=check, subject=subject, question=question, formula="", rule=rule,
        judgement=Judgement.UNCHECKED, text=f"not checked: the rig does not give {listed}",
        advice=f"give {listed}", missing=keys,
    )  # fmt: skip


def worst_first(answers: Iterable[Answer]) -> list[Answer]:
    """Return the answers with something wrong, the worst first."""
    flagged = [answer for answer in answers if answer.is_flagged]
    return sorted(flagged, key=lambda answer: WORST_FIRST.index(answer.severity))


def flags_of(answers: Iterable[Answer]) -> Iterator[Flag]:
    """Yield a flag for each answer with something wrong, the worst first, numbered from 1."""
    for number, answer in enumerate(worst_first(answers), 1):
        evidence = tuple(part for part in (answer.formula, f"rule: {answer.rule}") if part)
        yield Flag(
            number, FLAG_KINDS[answer.check], answer.subject, answer.severity, 0, answer.text, answer.advice, evidence
        )
