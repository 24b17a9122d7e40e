"""The pytest plugin: fixtures for code under test, and scenario files as tests.

Fixtures: ``rvsim_bench("winter_evening")`` is a bench in virtual time (``until``, ``put``, ``frames``, ``run``,
``verdict``), ``rvsim_bus("winter_evening", except_devices=["control panel"])`` a python-can bus with the scenario at
its other end, and ``rvsim_scenario("warm_cabin", seed=2)`` runs a scenario to its verdict. Scenario files are collected
as tests if the ini option ``rvsim_scenarios`` or ``--rvsim-scenarios`` gives patterns of their names, like
``rvsim_scenarios = "bench/*.toml"``; without a pattern none is collected. A failing one prints its verdict. With
``rvsim_strength = true`` or ``--rvsim-strength`` each file is a second test, which tries wrong controllers in it. Seed,
frames and expectations of collected files and of ``rvsim_scenario`` are JUnit properties.

Knows: pytest. Does not know how a scenario is run. Everything of rvsim is imported when it is first used, so that test
runs without it are not slowed down.
"""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from rvsim.faces.interface import SimulatedBus
    from rvsim.shakedown.verdict import Outcome, Verdict
    from rvsim.wire.frame import Frame


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the ini option, and the same for one run."""
    about = "patterns of scenario files that are collected as tests"
    parser.addini("rvsim_scenarios", about, type="args", default=[])
    tries = "also try wrong controllers in each collected scenario, and fail where one is let pass"
    parser.addini("rvsim_strength", tries, type="bool", default=False)
    parser.getgroup("rvsim").addoption("--rvsim-strength", action="store_true", help=tries)
    parser.getgroup("rvsim").addoption(
        "--rvsim-scenarios",
        action="append",
        default=[],
        metavar="PATTERN",
        help='scenario files that are collected as tests, like "bench/*.toml"; may be given again',
    )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> "ScenarioFile | None":
    """Collect scenario files that a pattern names."""
    patterns = [*parent.config.getini("rvsim_scenarios"), *parent.config.getoption("--rvsim-scenarios")]
    if (
        patterns
        and file_path.suffix.lower() == ".toml"
        and any(_is_named(file_path, pattern, parent) for pattern in patterns)
    ):
        return ScenarioFile.from_parent(parent, path=file_path)
    return None


def _is_named(path: Path, pattern: str, parent: pytest.Collector) -> bool:
    root = parent.config.rootpath
    return path.is_relative_to(root) and path.relative_to(root).match(pattern)


def _properties(verdict: "Verdict") -> list[tuple[str, object]]:
    """Return the JUnit properties of a verdict."""
    results = [(outcome.expected, _result(outcome)) for outcome in verdict.outcomes]
    warnings = [("warning", text) for text in verdict.warnings]
    return [("seed", verdict.seed), *verdict.values.items(), ("frames", verdict.frames), *warnings, *results]


def _result(outcome: "Outcome") -> str:
    if outcome.passed:
        return "met"
    return f"{'not met' if outcome.judged else 'not judged'}: {outcome.found}"


class ScenarioFile(pytest.File):
    """One scenario file: one test, and one of its strength where that is asked for."""

    def collect(self) -> Iterable["ScenarioItem | StrengthItem"]:
        """Yield them."""
        yield ScenarioItem.from_parent(self, name=self.path.stem)
        if self.config.getoption("--rvsim-strength") or self.config.getini("rvsim_strength"):
            yield StrengthItem.from_parent(self, name=f"{self.path.stem} strength")


class NotPassedError(Exception):
    """A scenario's expectations were not met."""

    def __init__(self, verdict: "Verdict") -> None:
        super().__init__(verdict.name)
        self.verdict = verdict


class LetPassError(Exception):
    """A scenario let a wrong controller pass, or did not pass the right one."""

    def __init__(self, lines: Iterable[str]) -> None:
        super().__init__("\n".join(lines))


class _FileItem(pytest.Item):
    """A test of a scenario file: mistakes in the file are shown without a traceback."""

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Return what is wrong as lines."""
        from rvsim.errors import InputError

        error = excinfo.value
        if isinstance(error, InputError):
            return "\n".join(error.problems)
        return str(error) if isinstance(error, LetPassError) else super().repr_failure(excinfo, style)


class StrengthItem(_FileItem):
    """Wrong controllers in the place of a scenario's own."""

    def runtest(self) -> None:
        """Try them; fail if one is let pass that sends other frames than the right one."""
        from rvsim.runs.strength_run import measure_strength
        from rvsim.shakedown.jobs import Job
        from rvsim.shakedown.strength.strength import as_text

        found = measure_strength(Job(str(self.path), {}), processes=1)
        self.user_properties += [(run.mistake, run.fate.value) for run in found.runs]
        if not found.is_strong:
            raise LetPassError(as_text(found))

    def reportinfo(self) -> tuple[Path, None, str]:
        """Return the file and the title of the test."""
        return self.path, None, f"scenario {self.name}"


class ScenarioItem(_FileItem):
    """A scenario run to its verdict."""

    def runtest(self) -> None:
        """Run it; fail if it is not passed."""
        from rvsim.runs.scenario_run import PreparedScenario
        from rvsim.shakedown.jobs import Job

        verdict = PreparedScenario(Job(str(self.path), {})).run()
        self.user_properties += _properties(verdict)
        if not verdict.passed or not verdict.outcomes:
            raise NotPassedError(verdict)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Return the verdict, or the mistakes in the file, without a traceback."""
        from rvsim.shakedown.verdict import as_text

        error = excinfo.value
        if isinstance(error, NotPassedError):
            empty = [] if error.verdict.outcomes else ["the scenario has no expectations; add [[expect]] tables"]
            return "\n".join([*as_text(error.verdict), *empty])
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, None, str]:
        """Return the file and the title of the test."""
        return self.path, None, f"scenario {self.name}"


class FixtureBench:
    """A scenario in virtual time for a test: ``until`` advances it, ``frames`` has everything that was on the bus."""

    def __init__(self, scenario: str | Path, except_devices: Iterable[str], options: dict[str, Any]) -> None:
        from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
        from rvsim.shakedown.jobs import Job

        self.frames: list[Frame] = []
        """Every frame so far."""
        job = Job(str(scenario), options.pop("values", {}), options.pop("seed", None))
        prepared = PreparedScenario(job, absent=tuple(except_devices))
        self.session: VirtualScenarioRun = VirtualScenarioRun(prepared, tap=self.frames.append, **options)
        self.until, self.put, self.verdict = self.session.until, self.session.put, self.session.verdict
        self.run = self.session.run
        """The run itself: ``run.watch`` has devices and flags, ``run.bench.world`` is the vehicle."""


@pytest.fixture
def rvsim_bench() -> Callable[..., FixtureBench]:
    """Make a bench in virtual time: ``rvsim_bench(scenario, except_devices=(), seed=None, values={})``."""
    return lambda scenario, except_devices=(), **options: FixtureBench(scenario, except_devices, options)


@pytest.fixture
def rvsim_scenario(request: pytest.FixtureRequest) -> "Callable[..., Verdict]":
    """Run a scenario as it is to its verdict: ``rvsim_scenario(scenario, seed=None, values={})``."""

    def run(scenario: str | Path, seed: int | None = None, values: dict[str, Any] | None = None) -> "Verdict":
        from rvsim.runs.scenario_run import PreparedScenario
        from rvsim.shakedown.jobs import Job

        verdict = PreparedScenario(Job(str(scenario), values or {}, seed)).run()
        request.node.user_properties.extend(_properties(verdict))  # record_property warns where JUnit XML is xunit2
        return verdict

    return run


@pytest.fixture
def rvsim_bus() -> Iterator[Callable[..., "SimulatedBus"]]:
    """Open a scenario as a python-can bus: ``rvsim_bus(scenario, **options)``; closed at the end of the test."""
    opened: list[SimulatedBus] = []

    def open_bus(scenario: str | Path, **options: Any) -> "SimulatedBus":
        from rvsim.faces.interface import SimulatedBus

        opened.append(SimulatedBus(scenario, **options))
        return opened[-1]

    yield open_bus
    for bus in opened:
        bus.shutdown()
