"""What a benchmark gives: its results, in one form; and how a benchmark is run alone.

Knows: a figure beside that of a baseline, the ratio, and an aim. Does not know any benchmark, nor how a table of many
is written (`benchmark_table`).

A benchmark is a script ``bench_NAME.py`` with a function that takes a size and yields results as they are measured:

    if __name__ == "__main__":
        run(measure, full=24, quick=1)

Alone it is called as ``python tests/benchmarks/bench_NAME.py [SIZE] [--quick] [--json]``.
"""

import argparse
import contextlib
import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any

NOT_MEASURED = "not measured"


@dataclass(frozen=True)
class Result:
    """One figure of ours, in ``unit``, and that of a baseline in the same unit."""

    work: str
    """What was done, with its size."""
    ours: float | None = None
    """Our figure; None where there is none, and ``problem`` says why."""
    unit: str = ""
    baseline: str = ""
    """What the baseline is; "" where there is none."""
    theirs: float | None = None
    """The baseline's figure."""
    aim: float | None = None
    """The limit of our figure, or of the ratio with ``aim_is_ratio``; None where nothing is aimed at."""
    aim_is_ratio: bool = False
    more_is_better: bool = False
    """Whether a higher figure is the better one, as frames a second are; otherwise a lower one is, as seconds are."""
    problem: str = ""
    """Why there is no figure."""

    @property
    def ratio(self) -> float | None:
        """How many times better our figure is than the baseline's; below 1 it is worse. None without a baseline."""
        if not self.ours or not self.theirs:
            return None
        return self.ours / self.theirs if self.more_is_better else self.theirs / self.ours

    @property
    def is_met(self) -> bool | None:
        """Whether the aim is met; None without an aim or without its figure."""
        reached = self.ratio if self.aim_is_ratio else self.ours
        if self.aim is None or reached is None:
            return None
        return reached >= self.aim if self.aim_is_ratio or self.more_is_better else reached <= self.aim

    @property
    def ours_text(self) -> str:
        """Our figure with its unit, or that it was not measured."""
        return NOT_MEASURED if self.ours is None else _with_unit(self.ours, self.unit)

    @property
    def work_text(self) -> str:
        """What was done, and why it was not measured where it was not."""
        return f"{self.work} ({self.problem})" if self.problem else self.work

    @property
    def baseline_text(self) -> str:
        """The baseline with its figure."""
        return self.baseline if self.theirs is None else f"{self.baseline}: {_with_unit(self.theirs, self.unit)}"

    @property
    def ratio_text(self) -> str:
        """The ratio, "" without one."""
        return "" if self.ratio is None else f"{rounded(self.ratio)} x"

    @property
    def aim_text(self) -> str:
        """The aim, and whether it is met; "" without one."""
        if self.aim is None:
            return ""
        state = {True: "met", False: "missed", None: NOT_MEASURED}[self.is_met]
        if self.aim_is_ratio:
            return f"ratio at least {rounded(self.aim)}: {state}"
        return f"at {'least' if self.more_is_better else 'most'} {_with_unit(self.aim, self.unit)}: {state}"


def rounded(figure: float) -> str:
    """Return a figure with three significant digits, all digits of its whole part, and no zeros at its end."""
    digits = 0 if abs(figure) >= 100 else 1 if abs(figure) >= 10 else 2
    text = f"{figure:,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _with_unit(figure: float, unit: str) -> str:
    return f"{rounded(figure)} {unit}".rstrip()


def as_json(result: Result) -> str:
    """Return a result as one line of JSON."""
    return json.dumps(asdict(result))


def from_json(line: str) -> Result:
    """Return the result of a line."""
    return Result(**json.loads(line))


def computed(hours: float, whole: float = 24.0) -> str:
    """Return the words behind a figure of ``whole`` hours that is computed from fewer; "" where it was measured."""
    return "" if hours == whole else f" (computed from {hours:g} h)"


def interleaved(
    rounds: int, ways: Mapping[str, Callable[[], Any]], clock: Callable[[], float] = time.process_time
) -> dict[str, float]:
    """Return the median seconds of each way, all of them taking turns: a busy moment of the machine falls on all."""
    taken: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            began = clock()
            way()
            taken[name].append(clock() - began)
    return {name: median(each) for name, each in taken.items()}


def run(measure: Callable[..., Iterator[Result]], *, full: float, quick: float) -> None:
    """Run one benchmark as the command line asks for it, and print its results as they come.

    Args:
        measure: called with the size and further words of the command line; what it prints are details.
        full: the size unless another is given.
        quick: the size of a quick round.
    """
    parser = argparse.ArgumentParser(
        description=sys.modules["__main__"].__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("size", nargs="?", type=float)
    parser.add_argument("words", nargs="*", help="what this benchmark takes beside its size")
    parser.add_argument("--quick", action="store_true", help="a smaller size")
    parser.add_argument("--json", action="store_true", help="one line of JSON for each result; details go to stderr")
    given = parser.parse_args()
    size = given.size if given.size is not None else quick if given.quick else full
    out = sys.stdout
    with contextlib.redirect_stdout(sys.stderr) if given.json else contextlib.nullcontext():
        for result in measure(size, *given.words):
            print(as_json(result) if given.json else _line(result), file=out, flush=True)


def _line(result: Result) -> str:
    """Return a result as one line."""
    parts = (result.ours_text, result.baseline_text, result.ratio_text, result.aim_text)
    return f"{result.work_text}: " + "; ".join(filter(None, parts))
