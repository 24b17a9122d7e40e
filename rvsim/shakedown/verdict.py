"""What a run came to: a verdict with an outcome for each expectation, as plain data that can be merged and shown.

Knows: the JSON form and the JUnit form of verdicts, and their words. Does not know how a run is judged.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree

from rvsim.rig.quantity import time_text

Value = float | int | str | bool


@dataclass(frozen=True)
class Outcome:
    """One expectation after a run; what stands behind ``found`` is empty where it was met."""

    expected: str
    passed: bool
    found: str = ""
    at: float | None = None
    """When that was known, in seconds."""
    nearest: str = ""
    before: tuple[str, ...] = ()
    """The last frames before that."""
    look: str = ""
    """Where to look."""
    judged: bool = True
    """Whether the run came to the part in which it counts; if not, it is not passed either."""


@dataclass(frozen=True, repr=False)
class Verdict:
    """One run of one scenario with its seed and the values that were changed in it."""

    scenario: str
    title: str
    seed: int
    values: Mapping[str, Value]
    seconds: float
    frames: int
    outcomes: tuple[Outcome, ...]
    error: str = ""
    """Why there was no run, or no whole one."""
    recording: str = ""
    """Where the frames of a run that did not pass were kept."""
    planned: float = 0.0
    """How many seconds the scenario lasts; it was judged early where ``seconds`` are fewer."""
    warnings: tuple[str, ...] = ()
    """Expectations that could not have failed, whatever happened: a line for each."""

    def __str__(self) -> str:
        """Say it, with the evidence."""
        return "\n".join(as_text(self))

    def __repr__(self) -> str:
        return f"<{next(as_text(self))}>"

    @property
    def passed(self) -> bool:
        """Whether something was expected, and all of it was judged and met."""
        return not self.error and bool(self.outcomes) and all(outcome.passed for outcome in self.outcomes)

    @property
    def failed(self) -> tuple[Outcome, ...]:
        """The expectations that were not met, or not judged."""
        return tuple(outcome for outcome in self.outcomes if not outcome.passed)

    @property
    def name(self) -> str:
        """Name the run: its scenario, and what is not as the scenario has it."""
        changed = ", ".join(f"{key}={value}" for key, value in self.values.items())
        return f"{self.scenario}, seed {self.seed}" + (f", {changed}" if changed else "")


def as_json(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as plain data, in the form of a JSON line."""
    return {
        "t": round(verdict.seconds, 6),
        "planned": verdict.planned,
        "type": "verdict",
        "scenario": verdict.scenario,
        "title": verdict.title,
        "seed": verdict.seed,
        "values": dict(verdict.values),
        "passed": verdict.passed,
        "frames": verdict.frames,
        "error": verdict.error,
        "recording": verdict.recording,
        "warnings": list(verdict.warnings),
        "expectations": [
            {
                "expected": one.expected,
                "passed": one.passed,
                "judged": one.judged,
                "found": one.found,
                "at": one.at,
                "nearest": one.nearest,
                "before": list(one.before),
                "look": one.look,
            }
            for one in verdict.outcomes
        ],
    }


def from_json(data: Mapping[str, Any]) -> Verdict:
    """Return the verdict that ``as_json`` wrote, as it comes from another process or machine."""
    return Verdict(
        data["scenario"],
        data["title"],
        data["seed"],
        data["values"],
        data["t"],
        data["frames"],
        tuple(
            Outcome(
                one["expected"],
                one["passed"],
                one["found"],
                one["at"],
                one["nearest"],
                tuple(one["before"]),
                one["look"],
                one.get("judged", True),
            )
            for one in data["expectations"]
        ),
        data["error"],
        data["recording"],
        data["planned"],
        tuple(data.get("warnings", ())),
    )


def as_text(verdict: Verdict, every: bool = False, render: Callable[[str], str] = str) -> Iterator[str]:
    """Say a verdict; what was met only with ``every``. ``render`` writes texts with quantities, metric by default."""
    word = "passed" if verdict.passed else "not passed"
    lasted = f"{verdict.seconds:.3f}".rstrip("0").rstrip(".")
    yield f"{verdict.name}: {word}, {_tally(verdict)} in {lasted} s of simulated time{_early(verdict)}"
    if verdict.error:
        yield f"  {verdict.error}"
    yield from (f"  warning: {text}" for text in verdict.warnings)
    for outcome in verdict.outcomes:
        if not outcome.passed:
            yield from _told(outcome, render)
        elif every:
            yield f"  met      {render(outcome.expected)}"
    if verdict.recording:
        yield f"  recorded: {verdict.recording}"


def _tally(verdict: Verdict) -> str:
    if not verdict.outcomes:
        return "nothing is expected in it"
    met = len(verdict.outcomes) - len(verdict.failed)
    waiting = sum(not outcome.judged for outcome in verdict.outcomes)
    return f"{met} of {len(verdict.outcomes)} expectations met" + (f", {waiting} not judged," if waiting else "")


def _early(verdict: Verdict) -> str:
    return f", judged early: it lasts {verdict.planned:.0f} s" if verdict.seconds < verdict.planned else ""


def _told(outcome: Outcome, render: Callable[[str], str] = str) -> Iterator[str]:
    if not outcome.judged:
        yield f"  not judged  {render(outcome.expected)}"
        yield f"           {outcome.found}"
        return
    at = "" if outcome.at is None else time_text(round(outcome.at * 1e6))
    yield f"  not met  {render(outcome.expected)}"
    yield f"           found: {render(outcome.found)}" + (f" (at {at})" if at and at not in outcome.found else "")
    if outcome.nearest:
        yield f"           nearest: {render(outcome.nearest)}"
    for number, frame in enumerate(outcome.before):
        yield f"           {'before it:' if number == 0 else '          '} {frame}"
    if outcome.look:
        yield f"           look at: {render(outcome.look)}"


def as_junit(verdicts: Sequence[Verdict]) -> str:
    """Return verdicts as JUnit XML: a suite for each run, a case for each expectation."""
    root = ElementTree.Element("testsuites")
    for verdict in verdicts:
        suite = ElementTree.SubElement(
            root,
            "testsuite",
            name=_safe(verdict.name),
            tests=str(len(verdict.outcomes) + bool(verdict.error)),
            failures=str(sum(outcome.judged for outcome in verdict.failed)),
            errors=str(int(bool(verdict.error)) + sum(not outcome.judged for outcome in verdict.failed)),
            time=f"{verdict.seconds:.3f}",
        )
        properties = ElementTree.SubElement(suite, "properties")
        given = {"seed": verdict.seed, **verdict.values, "frames": verdict.frames, "recording": verdict.recording}
        for key, value in given.items():
            ElementTree.SubElement(properties, "property", name=_safe(key), value=_safe(str(value)))
        for text in verdict.warnings:
            ElementTree.SubElement(properties, "property", name="warning", value=_safe(text))
        for outcome in verdict.outcomes:
            _case(suite, verdict, outcome)
        if verdict.error:
            case = ElementTree.SubElement(suite, "testcase", classname=_safe(verdict.scenario), name="the run")
            ElementTree.SubElement(case, "error", message=_safe(verdict.error))
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _case(suite: ElementTree.Element, verdict: Verdict, outcome: Outcome) -> None:
    case = ElementTree.SubElement(suite, "testcase", classname=_safe(verdict.scenario), name=_safe(outcome.expected))
    if not outcome.judged:  # an error, since nobody could tell: what is skipped counts as good with those who read this
        ElementTree.SubElement(case, "error", message=_safe(f"not judged: {outcome.found}"))
    elif not outcome.passed:
        failure = ElementTree.SubElement(case, "failure", message=_safe(outcome.found))
        failure.text = _safe("\n".join(text.strip() for text in _told(outcome)))


def _safe(text: str) -> str:
    """Leave out what XML cannot hold (Extensible Markup Language 1.0, fifth edition, section 2.2)."""
    return "".join(sign for sign in text if sign in "\t\n" or _in_xml(ord(sign)))


def _in_xml(code: int) -> bool:
    return code >= 0x20 and not 0xD800 <= code < 0xE000 and code not in (0xFFFE, 0xFFFF)
