"""How strong a scenario is: each wrong controller and what became of it.

Knows: the results of the runs of one scenario with wrong controllers, in plain data and as text. Does not know how the
runs are made.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rvsim.shakedown.verdict import Verdict
from rvsim.shakedown.verdict import as_json as verdict_json


class Fate(StrEnum):
    """What became of a wrong controller in a scenario."""

    CAUGHT = "caught"
    """At least one expectation was not met."""
    LET_PASS = "let pass"
    """It sent other frames than the right controller, and every expectation was met."""
    NOT_EXERCISED = "not exercised"
    """It sent the same frames as the right controller: nobody on the bus can tell the two apart here."""


@dataclass(frozen=True)
class WrongRun:
    """The run of one wrong controller."""

    mistake: str
    sentence: str
    advice: str
    fate: Fate
    caught_by: tuple[int, ...] = ()
    """The expectations that were not met, counted from 0."""
    caught_by_error: str = ""
    """Why the run has no verdict, as where the controller stopped with an error."""
    difference: str = ""
    """The first difference between its frames and those of the right controller."""


@dataclass(frozen=True)
class Strength:
    """All wrong controllers of one scenario."""

    scenario: str
    controllers: tuple[str, ...]
    """The devices that are controllers; none where nothing commands anything."""
    right: Verdict
    """The verdict on the right controller."""
    runs: tuple[WrongRun, ...] = ()

    @property
    def expectations(self) -> tuple[str, ...]:
        """What the scenario expects."""
        return tuple(outcome.expected for outcome in self.right.outcomes)

    def of(self, fate: Fate) -> tuple[WrongRun, ...]:
        """Return the wrong controllers of one fate."""
        return tuple(run for run in self.runs if run.fate is fate)

    @property
    def idle_expectations(self) -> tuple[int, ...]:
        """The expectations that caught no wrong controller, counted from 0."""
        working = {number for run in self.runs for number in run.caught_by}
        return tuple(number for number in range(len(self.expectations)) if number not in working)

    @property
    def is_strong(self) -> bool:
        """Whether the right controller is passed, and no wrong one that can be told from it."""
        return self.right.passed and not self.of(Fate.LET_PASS)


def as_json(strength: Strength) -> dict[str, Any]:
    """Return the result as plain data; expectations are counted from 1."""
    return {
        "type": "strength",
        "schema": 1,
        "scenario": strength.scenario,
        "controllers": list(strength.controllers),
        "strong": strength.is_strong,
        "right": verdict_json(strength.right),
        "wrong": [
            {
                "mistake": run.mistake,
                "does": run.sentence,
                "fate": run.fate.value,
                "caught_by": [number + 1 for number in run.caught_by],
                "error": run.caught_by_error,
                "first_difference": run.difference,
                "advice": run.advice if run.fate is Fate.LET_PASS else "",
            }
            for run in strength.runs
        ],
        "never_caught": [number + 1 for number in strength.idle_expectations],
    }


def as_text(strength: Strength, render: Callable[[str], str] = str) -> Iterator[str]:
    """Yield the result as lines: what is let pass first, with what would find it."""
    name, runs = strength.scenario, strength.runs
    if not strength.right.passed:
        yield f"{name}: the right controller is not passed, so wrong ones were not tried"
        yield f"  run it without --strength to see why: {len(strength.right.failed)} expectations not met"
        return
    if not strength.controllers:
        yield f"{name}: no device of it commands anything, so no controller is tried; name one with --controller"
        return
    counts = {fate: len(strength.of(fate)) for fate in Fate}
    who = " and ".join(strength.controllers)
    yield (
        f"{name}: {len(runs)} wrong controllers in the place of {who}: {counts[Fate.CAUGHT]} caught, "
        f"{counts[Fate.LET_PASS]} let pass, {counts[Fate.NOT_EXERCISED]} not exercised"
    )
    for run in strength.of(Fate.LET_PASS):
        yield f"  let pass       {run.mistake}: {run.sentence}"
        yield f"                 first difference: {render(run.difference)}"
    yield from _advice_lines(strength)
    for run in strength.of(Fate.CAUGHT):
        numbers = ", ".join(str(number + 1) for number in run.caught_by)
        yield f"  caught         {run.mistake}: {f'by expectation {numbers}' if numbers else run.caught_by_error}"
    idle = strength.of(Fate.NOT_EXERCISED)
    if idle:
        yield f"  not exercised  {', '.join(run.mistake for run in idle)}: they send the same frames here"
    yield from _expectation_lines(strength, render)


def _advice_lines(strength: Strength) -> Iterator[str]:
    """Yield which expectations would find what is let pass, each kind once."""
    by_advice: dict[str, list[str]] = {}
    for run in strength.of(Fate.LET_PASS):
        by_advice.setdefault(run.advice, []).append(run.mistake)
    for advice, names in by_advice.items():
        yield f"  would find {', '.join(names)}:"
        yield f"                 {advice}"


def _expectation_lines(strength: Strength, render: Callable[[str], str]) -> Iterator[str]:
    caught: Mapping[int, Sequence[str]] = {
        number: [run.mistake for run in strength.runs if number in run.caught_by]
        for number in range(len(strength.expectations))
    }
    for number, expected in enumerate(strength.expectations):
        found = len(caught[number])
        count = "never caught anything" if not found else f"caught {found}"
        yield f"  expectation {number + 1:<3}{count}: {render(expected)}"


def together(found: Sequence[Strength]) -> Iterator[str]:
    """Yield which wrong controllers several scenarios catch together, and which none of them does."""
    names = list(dict.fromkeys(run.mistake for each in found for run in each.runs))
    caught = {run.mistake for each in found for run in each.of(Fate.CAUGHT)}
    passed = {run.mistake for each in found for run in each.of(Fate.LET_PASS)}
    yield f"together: {len(caught)} of {len(names)} wrong controllers caught by at least one scenario"
    for title, group in (
        ("let pass by all that can tell", passed - caught),
        ("not exercised", set(names) - passed - caught),
    ):
        if group:
            yield f"  {title}: {', '.join(name for name in names if name in group)}"
