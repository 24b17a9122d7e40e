"""Runs to be made: a plain list of scenario, values and seed, which anything can work through.

Knows: how values are laid over a scenario, how a grid or a random draw of them becomes a list, and which failing run is
the smallest. Does not know how a run is made.
"""

from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from itertools import product
from math import isclose, isfinite
from random import Random
from typing import Any

from rvsim.errors import InputError
from rvsim.rig.quantity import shown
from rvsim.rig.toml_file import TomlFile
from rvsim.shakedown.verdict import Value, Verdict

MOST = 100_000
"""So many runs at most in one go. Our decision."""
_STEPS = 10_000


@dataclass(frozen=True)
class Job:
    """One run: the scenario's name or path, the values that are otherwise in it, its seed (None: its own)."""

    scenario: str
    values: Mapping[str, Value]
    seed: int | None = None


@dataclass(frozen=True)
class Range:
    """What one value may be: one of some values, or with ``low`` and ``high`` anything between these two."""

    key: str
    choices: tuple[Value, ...]
    low: float | None = None
    high: float | None = None

    def draw(self, random: Random) -> Value:
        """Return one of them by chance."""
        if self.low is None or self.high is None:
            return random.choice(self.choices)
        return round(random.uniform(self.low, self.high), 6)


def range_of(text: str) -> Range:
    """Read ``key=1,2,3``, ``key=-20..10`` or ``key=-20..10/5`` (from, to, step); whole numbers stay whole.

    Raises:
        InputError: it is none of these.
    """
    key, equals, given = text.partition("=")
    parts = [part.strip() for part in given.split(",")]
    if not equals or not key.strip() or "" in parts:
        raise InputError(f"{shown(text)} is no value to vary; write key=1,2,3 or key=-20..10 or key=-20..10/5")
    low, dots, rest = given.partition("..")
    if not dots:
        return Range(key.strip(), tuple(value_of(part) for part in parts))
    high, _, step = rest.partition("/")
    try:
        first, last = _number(low), _number(high)
        by = _number(step) if step else None
    except (ValueError, OverflowError):
        raise InputError(f"{shown(text)}: write numbers on both sides of the dots, like {key}=-20..10/5") from None
    if not (first < last and (by is None or by > 0)):
        raise InputError(f"{shown(text)}: write the lower number first, and a step above 0")
    if by is None:
        return Range(key.strip(), (first, last), first, last)
    steps = (last - first) / by + 1e-9
    if steps >= _STEPS:
        raise InputError(f"{shown(text)}: these are more than {_STEPS} values; choose a longer step")
    return Range(key.strip(), tuple(round(first + number * by, 9) for number in range(int(steps) + 1)))


def value_of(text: str) -> Value:
    """Read one value: a number, true or false, else text."""
    if text in ("true", "false"):
        return text == "true"
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _number(text: str) -> float:
    """Read a number that a range can begin at, end at, or step by.

    Raises:
        ValueError, OverflowError: it is none.
    """
    value = value_of(text.strip())
    if isinstance(value, str | bool) or not isfinite(value):
        raise ValueError(text)
    return value


def grid(scenario: str, ranges: Sequence[Range], seeds: Sequence[int | None]) -> list[Job]:
    """Return a run for each combination of values and each seed.

    Raises:
        InputError: these are too many.
    """
    count = len(seeds)
    for one in ranges:
        count *= len(one.choices)
    if count > MOST:
        raise InputError(f"these are {count} runs, more than {MOST}; vary less, or use --draw N")
    return [
        Job(scenario, dict(zip((one.key for one in ranges), values, strict=True)), seed)
        for values in product(*(one.choices for one in ranges))
        for seed in seeds
    ]


def drawn(scenario: str, ranges: Sequence[Range], count: int, seed: int) -> list[Job]:
    """Return so many runs with values drawn by chance; each has a seed of its own.

    Raises:
        InputError: these are too many.
    """
    if count > MOST:
        raise InputError(f"--draw {count}: more than {MOST} runs; draw fewer")
    random = Random(f"{seed}:draw")
    return [
        Job(scenario, {one.key: one.draw(random) for one in ranges}, random.randrange(1 << 31)) for _ in range(count)
    ]


def laid_over(file: TomlFile, values: Mapping[str, Value]) -> TomlFile:
    """Return a scenario's file with other values: ``weather.outdoor_c``, ``fault.1.from`` (lists count from 1).

    Raises:
        InputError: there is no such place in the scenario, a line for each.
    """
    data = deepcopy(file.data)
    problems = []
    for key, value in values.items():
        *above, last = key.split(".")
        if above == ["weather"]:
            data.setdefault("weather", {})  # every scenario has one, written or not
        table = place_in(data, above)
        if isinstance(table, dict):
            table[last] = value
        else:
            problems.append(f"{file.path}: there is no {key} to vary; it is a key of the file, like weather.outdoor_c")
    if problems:
        raise InputError(*problems)
    return TomlFile(file.path, file.text, data)


def place_in(data: Any, steps: Sequence[str]) -> Any:
    """Return what stands in a file's content under keys and numbers from 1; None where there is nothing."""
    for step in steps:
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and step.isdecimal() and 0 < int(step) <= len(data):
            data = data[int(step) - 1]
        else:
            return None
    return data


def smallest(verdicts: Sequence[Verdict], home: Mapping[str, Value]) -> Verdict | None:
    """Return the run that failed with the least changes: fewest values that are not at ``home``, then the nearest.

    ``home`` is what the scenario itself has.
    """
    failed = [verdict for verdict in verdicts if not verdict.passed]
    tried = {key: [verdict.values[key] for verdict in verdicts if key in verdict.values] for key in home}
    return min(failed, key=lambda verdict: tuple(_distance(verdict.values, home, tried)), default=None)


def _distance(
    values: Mapping[str, Value], home: Mapping[str, Value], tried: Mapping[str, Sequence[Value]]
) -> Iterator[float]:
    away = []
    for key, at in home.items():
        value = values.get(key, at)
        if _is_number(value) and _is_number(at):
            numbers = [float(one) for one in tried[key] if _is_number(one)]
            span = max(numbers, default=0.0) - min(numbers, default=0.0)
            away.append(0.0 if isclose(float(value), float(at)) else abs(float(value) - float(at)) / (span or 1.0))
        else:
            away.append(0.0 if value == at else 1.0)
    yield float(sum(one > 0 for one in away))
    yield sum(away)


def _is_number(value: Value) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
