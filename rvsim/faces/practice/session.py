"""A run of exercises: which one is asked, what an answer is worth, and which kinds went wrong.

Knows: points, hints and their cost, and when a level is passed. Does not know who shows it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rvsim.faces.practice.exercise import Exercise, Kind
from rvsim.faces.practice.slips import why_wrong

POINTS, POINTS_WITH_HINT = 2, 1
"""What a right answer is worth, without and with the hint. Our choice."""
PASS_PERCENT = 80
"""A level is passed with so many of the points. Our choice."""


@dataclass(frozen=True)
class Reply:
    """What an answer comes to: whether it is right, its points, and what is said about it."""

    is_right: bool
    points: int
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Answered:
    """One exercise with the answer that was given; None where it was left out."""

    exercise: Exercise
    text: str | None
    points: int
    with_hint: bool

    @property
    def is_right(self) -> bool:
        """Whether the answer was right."""
        return self.points > 0


def judged(exercise: Exercise, text: str | None, *, with_hint: bool = False) -> Reply:
    """Judge an answer: right, or wrong with the mistake that was made, if it is known, and how it is done."""
    if text is not None and exercise.is_right(text):
        points = POINTS_WITH_HINT if with_hint else POINTS
        return Reply(True, points, (f"Right: {exercise.answer.shown}.",))
    known = why_wrong(exercise, text) if text else None
    first = f"Wrong: it is {exercise.answer.shown}." if text else f"It is {exercise.answer.shown}."
    return Reply(False, 0, (first, *((known,) if known else ()), *exercise.explanation))


class Session:
    """A run of exercises, one after another."""

    def __init__(self, exercises: Sequence[Exercise], level: int) -> None:
        self.exercises = tuple(exercises)
        self.level = level
        self.answered: list[Answered] = []
        self._has_hint = False

    @property
    def current(self) -> Exercise | None:
        """The exercise that is asked; None at the end."""
        place = len(self.answered)
        return self.exercises[place] if place < len(self.exercises) else None

    def hint(self) -> str:
        """Return the hint of the current exercise, which costs half of its points."""
        assert self.current is not None
        self._has_hint = True
        return self.current.hint

    def answer(self, text: str | None) -> Reply:
        """Judge an answer to the current exercise, and go on to the next; None leaves it out."""
        exercise = self.current
        assert exercise is not None
        reply = judged(exercise, text, with_hint=self._has_hint)
        self.answered.append(Answered(exercise, text, reply.points, self._has_hint))
        self._has_hint = False
        return reply

    @property
    def points(self) -> int:
        """The points so far."""
        return sum(one.points for one in self.answered)

    @property
    def percent(self) -> float:
        """The points as a share of all that could be had by now, 0 to 100."""
        possible = POINTS * len(self.answered)
        return 100 * self.points / possible if possible else 0.0

    @property
    def is_passed(self) -> bool:
        """Whether the level is passed: all exercises answered, with enough points."""
        return self.current is None and self.percent >= PASS_PERCENT

    @property
    def weak(self) -> list[tuple[Kind, int, int]]:
        """The kinds with mistakes, the weakest first: kind, right answers, exercises."""
        asked = Counter(one.exercise.kind for one in self.answered)
        right = Counter(one.exercise.kind for one in self.answered if one.is_right)
        found = [(kind, right[kind], asked[kind]) for kind in asked if right[kind] < asked[kind]]
        return sorted(found, key=lambda one: one[1] / one[2])

    def summary(self) -> list[str]:
        """Return the result in a few lines."""
        possible = POINTS * len(self.answered)
        lines = [f"{self.points} of {possible} points, {self.percent:.0f} %."]
        if self.current is None:
            verdict = "passed" if self.is_passed else f"not passed: that takes {PASS_PERCENT} %"
            lines.append(f"Level {self.level}: {verdict}.")
        for kind, right, asked in self.weak:
            lines.append(f"Practise again: {kind}, {right} of {asked} right.")
        return lines

    def as_json(self) -> dict[str, Any]:
        """Return the result as plain data: points, whether the level is passed, and each exercise with its answer."""
        return {
            "level": self.level,
            "points": self.points,
            "possible": POINTS * len(self.exercises),
            "percent": round(100 * self.points / (POINTS * len(self.exercises)), 1) if self.exercises else 0.0,
            "passed": self.is_passed,
            "weak": [str(kind) for kind, _, _ in self.weak],
            "exercises": [
                {
                    "number": number,
                    "kind": str(one.exercise.kind),
                    "answer": one.text,
                    "right": one.exercise.answer.shown,
                    "points": one.points,
                    "hint": one.with_hint,
                    "why": why_wrong(one.exercise, one.text) if one.text else None,
                }
                for number, one in enumerate(self.answered, 1)
            ],
        }
