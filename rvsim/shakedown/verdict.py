"""The verdict on a run, with an outcome for each expectation.

Knows: the JSON form, the JUnit form and the text form of verdicts. Does not know how a run is judged.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple
from xml.etree import ElementTree

from rvsim.rig.quantity import time_text
from rvsim.wire.frame import SECOND_US
from rvsim.wire.quantity_text import compose, figure, join
from rvsim.world.energy_sheet import EnergyLine

Value = float | int | str | bool


@dataclass(frozen=True)
class Outcome:
    """The outcome of one expectation; the attributes after ``found`` are empty where it was met."""

    expected: str
    passed: bool
    found: str = ""
    """What was found; of one that was met, why the run could not have failed it, empty where it could."""
    at: float | None = None
    """The time at which the failure was known, in seconds."""
    nearest: str = ""
    """The frame that came nearest to what was expected, with its time."""
    before: tuple[str, ...] = ()
    """The last frames before the failure."""
    look: str = ""
    """Where to look for the cause."""
    judged: bool = True
    """Whether the run reached the part in which the expectation counts; if not, it is not passed either."""


class ToldChange(NamedTuple):
    """A change of the vehicle that a step or a fuse made: its time in seconds, and what changed."""

    at: float
    text: str


@dataclass(frozen=True, repr=False)
class Verdict:
    """The verdict on one run of a scenario, with its seed and the values that replaced its own; times in seconds."""

    scenario: str
    title: str
    seed: int
    values: Mapping[str, Value]
    seconds: float
    frames: int
    outcomes: tuple[Outcome, ...]
    error: str = ""
    """Why there was no run, or why only a part of it was made."""
    recording: str = ""
    """The file in which the frames of a run that did not pass were saved."""
    planned: float = 0.0
    """How long the scenario lasts; the run was judged early where ``seconds`` is less."""
    warnings: tuple[str, ...] = ()
    """A line for each expectation that could not have failed."""
    start: tuple[str, ...] = ()
    """What the scenario says of the state in which the vehicle started, a text for each figure."""
    energy: tuple[EnergyLine, ...] = ()
    """Heat, fuel, temperature and charge of the run, as simulated and by hand."""
    changes: tuple[ToldChange, ...] = ()
    """What steps and fuses changed in the vehicle, in the order of time; not all of them where they are many."""

    def __str__(self) -> str:
        """Return the verdict with the evidence."""
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
        """The run's name: its scenario, its seed, and the values that replaced the scenario's own."""
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
        "energy": [
            {
                "what": line.what,
                "simulated": round(line.simulated, 3),
                "by_hand": round(line.by_hand, 3),
                "unit": line.unit,
                "formula": line.formula,
            }
            for line in verdict.energy
        ],
        "start": list(verdict.start),
        "changes": [{"at": round(change.at, 6), "text": change.text} for change in verdict.changes],
        "expectations": [
            {
                "expected": outcome.expected,
                "passed": outcome.passed,
                "judged": outcome.judged,
                "found": outcome.found,
                "at": outcome.at,
                "nearest": outcome.nearest,
                "before": list(outcome.before),
                "look": outcome.look,
            }
            for outcome in verdict.outcomes
        ],
    }


def from_json(data: Mapping[str, Any]) -> Verdict:
    """Return the verdict that ``as_json`` made, in this or another process."""
    return Verdict(
        data["scenario"],
        data["title"],
        data["seed"],
        data["values"],
        data["t"],
        data["frames"],
        tuple(
            Outcome(
                outcome["expected"],
                outcome["passed"],
                outcome["found"],
                outcome["at"],
                outcome["nearest"],
                tuple(outcome["before"]),
                outcome["look"],
                outcome.get("judged", True),
            )
            for outcome in data["expectations"]
        ),
        data["error"],
        data["recording"],
        data["planned"],
        tuple(data.get("warnings", ())),
        tuple(data.get("start", ())),
        tuple(
            EnergyLine(line["what"], line["simulated"], line["by_hand"], line["unit"], line["formula"])
            for line in data.get("energy", ())
        ),
        tuple(ToldChange(change["at"], change["text"]) for change in data.get("changes", ())),
    )


def as_text(verdict: Verdict, *, every: bool = False, render: Callable[[str], str] = str) -> Iterator[str]:
    """Yield a verdict as lines; expectations that were met are listed only with ``every``.

    How the vehicle started and what steps changed is told where the verdict is explained: not passed, or ``every``.

    ``render`` writes texts with quantities, metric by default.
    """
    result = "passed" if verdict.passed else "not passed"
    lasted = f"{verdict.seconds:.3f}".rstrip("0").rstrip(".")
    yield f"{verdict.name}: {result}, {_tally(verdict)} in {lasted} s of simulated time{_early(verdict)}"
    if verdict.error:
        yield f"  {verdict.error}"
    yield from (f"  warning: {text}" for text in verdict.warnings)
    if every or not verdict.passed:
        if verdict.start:
            yield f"  start    {render(join(', ', verdict.start))}"
        yield from (f"  changed  {render(text)} (at {_time(at)})" for at, text in verdict.changes)
    for outcome in verdict.outcomes:
        if not outcome.passed:
            yield from _outcome_lines(outcome, render)
        elif every:
            yield f"  met      {render(outcome.expected)}"
            if outcome.found:
                yield f"           not put to the test: {render(outcome.found)}"
    if every:
        yield from _energy_lines(verdict, render)
    if verdict.recording:
        yield f"  recorded: {verdict.recording}"


def _energy_lines(verdict: Verdict, render: Callable[[str], str]) -> Iterator[str]:
    """Yield heat, fuel, temperature and charge, each with its calculation by hand."""
    for line in verdict.energy:
        simulated, by_hand = (figure(round(value, 2), line.unit) for value in (line.simulated, line.by_hand))
        yield f"  energy   {render(compose(f'{line.what}: ', simulated, '; by hand ', by_hand))} = {line.formula}"


def _tally(verdict: Verdict) -> str:
    if not verdict.outcomes:
        return "no expectations"
    met = len(verdict.outcomes) - len(verdict.failed)
    not_judged = sum(not outcome.judged for outcome in verdict.outcomes)
    untested = sum(outcome.passed and bool(outcome.found) for outcome in verdict.outcomes)
    parts = [f"{met} of {len(verdict.outcomes)} expectations met"]
    parts += [f"{untested} of them not put to the test"] if untested else []
    parts += [f"{not_judged} not judged"] if not_judged else []
    return ", ".join(parts) + ("," if len(parts) > 1 else "")


def _early(verdict: Verdict) -> str:
    return f", judged early: the scenario lasts {verdict.planned:.0f} s" if verdict.seconds < verdict.planned else ""


def _outcome_lines(outcome: Outcome, render: Callable[[str], str] = str) -> Iterator[str]:
    if not outcome.judged:
        yield f"  not judged  {render(outcome.expected)}"
        yield f"           {outcome.found}"
        return
    at = "" if outcome.at is None else _time(outcome.at)
    yield f"  not met  {render(outcome.expected)}"
    yield f"           found: {render(outcome.found)}" + (f" (at {at})" if at and at not in outcome.found else "")
    if outcome.nearest:
        yield f"           nearest: {render(outcome.nearest)}"
    for number, frame in enumerate(outcome.before):
        yield f"           {'before it:' if number == 0 else '          '} {frame}"
    if outcome.look:
        yield f"           look at: {render(outcome.look)}"


def _time(seconds: float) -> str:
    return time_text(round(seconds * SECOND_US))


def as_junit(verdicts: Sequence[Verdict]) -> str:
    """Return verdicts as JUnit XML: a test suite for each run, a test case for each expectation."""
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
        for name, texts in (("start", verdict.start), ("change", [f"{_time(at)}: {t}" for at, t in verdict.changes])):
            for text in texts:
                ElementTree.SubElement(properties, "property", name=name, value=_safe(text))
        for outcome in verdict.outcomes:
            _case(suite, verdict, outcome)
        if verdict.error:
            case = ElementTree.SubElement(suite, "testcase", classname=_safe(verdict.scenario), name="the run")
            ElementTree.SubElement(case, "error", message=_safe(verdict.error))
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _case(suite: ElementTree.Element, verdict: Verdict, outcome: Outcome) -> None:
    case = ElementTree.SubElement(suite, "testcase", classname=_safe(verdict.scenario), name=_safe(outcome.expected))
    if not outcome.judged:  # an error and not "skipped", since readers of JUnit files count skipped cases as good
        ElementTree.SubElement(case, "error", message=_safe(f"not judged: {outcome.found}"))
    elif not outcome.passed:
        failure = ElementTree.SubElement(case, "failure", message=_safe(outcome.found))
        failure.text = _safe("\n".join(text.strip() for text in _outcome_lines(outcome)))


def _safe(text: str) -> str:
    """Return text without the characters that XML cannot hold (XML 1.0, fifth edition, section 2.2)."""
    return "".join(character for character in text if character in "\t\n" or _in_xml(ord(character)))


def _in_xml(code: int) -> bool:
    return code >= 0x20 and not 0xD800 <= code < 0xE000 and code not in (0xFFFE, 0xFFFF)
