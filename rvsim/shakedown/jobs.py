"""Jobs: the runs to be made, as a list of scenario, values and seed.

Knows: how a grid or a random draw of values becomes a list of jobs, and which failing run is the smallest. Does not
know how values replace those of a scenario (`replaced_values`), nor how a run is made.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import isclose, isfinite
from random import Random
from typing import Protocol, TypeVar

from rvsim.errors import InputError
from rvsim.rig.quantity import shown
from rvsim.shakedown.key_paths import split_key
from rvsim.shakedown.verdict import Value

MAX_RUNS = 100_000
"""Runs in one command. Our decision."""
_MAX_RANGE_VALUES = 10_000
"""Values in one range. Our decision."""


@dataclass(frozen=True)
class Job:
    """One run: the scenario's name or path, the values that replace its own, and the seed (None: the scenario's)."""

    scenario: str
    values: Mapping[str, Value]
    seed: int | None = None


@dataclass(frozen=True)
class Range:
    """The values that one key is varied over: some choices, or with ``low`` and ``high`` any number between them."""

    key: str
    choices: tuple[Value, ...]
    low: float | None = None
    high: float | None = None

    def draw(self, random: Random) -> Value:
        """Return a random value."""
        if self.low is None or self.high is None:
            return random.choice(self.choices)
        return round(random.uniform(self.low, self.high), 6)


def parse_range(text: str) -> Range:
    """Parse ``key=1,2,3``, ``key=-20..10`` or ``key=-20..10/5`` (from, to, step); whole numbers stay whole.

    Raises:
        InputError: it is none of these.
    """
    key, equals, given = split_key(text)
    texts = [value.strip() for value in _values_in(given)]
    if not equals or not key.strip() or "" in texts:
        raise InputError(f"{shown(text)} is not a key with values; write key=1,2,3 or key=-20..10 or key=-20..10/5")
    low, dots, rest = given.partition("..")
    if not dots:
        return Range(key.strip(), tuple(parse_value(value) for value in texts))
    high, _, step = rest.partition("/")
    try:
        first, last = _parse_number(low), _parse_number(high)
        by = _parse_number(step) if step else None
    except (ValueError, OverflowError):
        raise InputError(f"{shown(text)}: write numbers on both sides of the dots, like {key}=-20..10/5") from None
    if not (first < last and (by is None or by > 0)):
        raise InputError(f"{shown(text)}: write the lower number first, and a step above 0")
    if by is None:
        return Range(key.strip(), (first, last), first, last)
    steps = (last - first) / by + 1e-9
    if steps >= _MAX_RANGE_VALUES:
        raise InputError(f"{shown(text)}: more than {_MAX_RANGE_VALUES} values; choose a larger step")
    return Range(key.strip(), tuple(round(first + number * by, 9) for number in range(int(steps) + 1)))


def _values_in(text: str) -> list[str]:
    """Return the texts between the commas that are not in quotes."""
    return re.findall(r'(?:^|(?<=,))((?:\s*"[^"]*"\s*(?=,|$))|[^,]*)', text)


def parse_value(text: str) -> Value:
    """Parse one value: a number, true or false, or else text; what stands in double quotes is text."""
    if len(text) > 1 and text[0] == text[-1] == '"':
        return text[1:-1]
    if text in ("true", "false"):
        return text == "true"
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _parse_number(text: str) -> float:
    """Parse a bound or the step of a range.

    Raises:
        ValueError, OverflowError: it is not a finite number.
    """
    value = parse_value(text.strip())
    if isinstance(value, str | bool) or not isfinite(value):
        raise ValueError(text)
    return value


def grid_jobs(scenario: str, ranges: Sequence[Range], seeds: Sequence[int | None]) -> list[Job]:
    """Return a job for each combination of values and each seed.

    Raises:
        InputError: more than ``MAX_RUNS``.
    """
    count = len(seeds)
    for varied in ranges:
        count *= len(varied.choices)
    if count > MAX_RUNS:
        raise InputError(f"{count} runs, more than the limit of {MAX_RUNS}; vary fewer values, or use --draw N")
    return [
        Job(scenario, dict(zip((varied.key for varied in ranges), values, strict=True)), seed)
        for values in product(*(varied.choices for varied in ranges))
        for seed in seeds
    ]


def random_jobs(scenario: str, ranges: Sequence[Range], count: int, seed: int) -> list[Job]:
    """Return ``count`` jobs with random values, each with its own seed; ``seed`` decides both.

    Raises:
        InputError: more than ``MAX_RUNS``.
    """
    if count > MAX_RUNS:
        raise InputError(f"--draw {count}: more than the limit of {MAX_RUNS} runs; draw fewer")
    random = Random(f"{seed}:draw")
    return [
        Job(scenario, {varied.key: varied.draw(random) for varied in ranges}, random.randrange(1 << 31))
        for _ in range(count)
    ]


class Judged(Protocol):
    """A run, or a plan, with other values."""

    @property
    def values(self) -> Mapping[str, Value]:
        """The values that replaced its own."""

    @property
    def passed(self) -> bool:
        """Whether it is good."""


_Judged = TypeVar("_Judged", bound=Judged)


def smallest_failure(verdicts: Sequence[_Judged], home: Mapping[str, Value]) -> _Judged | None:
    """Return the failed run with the smallest change: the fewest values that differ from ``home``, then the nearest.

    ``home`` is the scenario's own value of each varied key.
    """
    failed = [verdict for verdict in verdicts if not verdict.passed]
    tried = {key: [verdict.values[key] for verdict in verdicts if key in verdict.values] for key in home}
    return min(failed, key=lambda verdict: tuple(_distance(verdict.values, home, tried)), default=None)


def _distance(
    values: Mapping[str, Value], home: Mapping[str, Value], tried: Mapping[str, Sequence[Value]]
) -> Iterator[float]:
    """Yield how many values differ from the scenario's own, and the sum of the differences relative to their spans."""
    differences = []
    for key, own in home.items():
        value = values.get(key, own)
        if _is_number(value) and _is_number(own):
            numbers = [float(other) for other in tried[key] if _is_number(other)]
            span = max(numbers, default=0.0) - min(numbers, default=0.0)
            is_own = isclose(float(value), float(own))
            differences.append(0.0 if is_own else abs(float(value) - float(own)) / (span or 1.0))
        else:
            differences.append(0.0 if value == own else 1.0)
    yield float(sum(difference > 0 for difference in differences))
    yield sum(differences)


def _is_number(value: Value) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
