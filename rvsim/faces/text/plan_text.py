"""The plan of a rig as text: what is wrong first, then what could not be checked, answers, tables and cautions.

Knows: the order in which a person reads a plan, and which answers are the tightest. Does not know any rule, nor the
JSON form (`plan_json`).
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from textwrap import wrap

from rvsim.faces.text.table_text import table_lines
from rvsim.plan.answer import FLAG_KINDS, Answer, Judgement, Rule, Section
from rvsim.plan.report import PlanReport
from rvsim.watch.flag import WORST_FIRST, Flag

JUDGED = {Judgement.GOOD: "good", Judgement.FLAGGED: "flagged", Judgement.UNCHECKED: "not checked"}
"""What an answer comes to, in words."""
WIDTH = 80
"""How long a line is, also where the output is a file. Common practice, no source."""
MAX_TIGHTEST = 3
"""Good answers of one check that are shown; all of them with ``every``."""
MAX_LISTED_NAMES = 6
"""Parts of a rig that lack one key; the rest is counted."""
_MISSING = re.compile(r"(.+?) of (\w+) (.+)")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[A-Za-z%°µΩ])")
_NOT_PROVEN = re.compile(r"^(?:it )?does not prove ", re.IGNORECASE)
_RESULT = re.compile(r".*= (-?\d+(?:\.\d+)?)")
_LIMIT = re.compile(r"(at most|below|under|at least|above|over) (-?\d+(?:\.\d+)?)")


def as_text(report: PlanReport, *, every: bool = False) -> Iterator[str]:
    """Yield the lines of a plan.

    Args:
        report: the plan.
        every: whether all answers are shown with their formula, and not only the tightest of each check.
    """
    yield from wrapped(f"{report.rig.name}, {report.rig.title}: {summary(report)}", "", "  ")
    yield from _wrong(report)
    yield from _accepted(report)
    yield from _unchecked(report)
    yield from _answers(report, every=every)
    yield from _tables(report)
    yield from _listed("Cautions", dict.fromkeys(text for section in report.sections for text in section.cautions))
    unproven = (_NOT_PROVEN.sub("", one.unproven, count=1) for one in report.answers if one.unproven)
    yield from _listed("What this does not prove", dict.fromkeys(unproven))
    if every:
        yield from _rules(report)
    elif report.answers:
        yield from ("", "With --every: each answer with its formula, its rule, and where sources differ.")


def summary(report: PlanReport) -> str:
    """Return how many flags there are of each severity, and how many answers are good or missing."""
    severities = Counter(answer.severity for answer in report.wrong)
    parts = [counted(severities[severity], str(severity)) for severity in WORST_FIRST if severities[severity]]
    judgements = Counter(answer.judgement for answer in report.answers)
    nothing = "nothing is wrong in what was checked" if judgements[Judgement.UNCHECKED] else "nothing is wrong"
    wrong = ", ".join(parts) or nothing
    accepted = f", {len(report.accepted)} accepted by the rig" if report.accepted else ""
    unchecked = f", {judgements[Judgement.UNCHECKED]} not checked" if judgements[Judgement.UNCHECKED] else ""
    return f"{wrong}{accepted}; {counted(judgements[Judgement.GOOD], 'answer')} good{unchecked}."


def counted(number: int, what: str) -> str:
    """Return a number with what is counted, in the plural where there is not one."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def wrapped(text: str, first: str, indent: str) -> list[str]:
    """Return a text in lines of ``WIDTH``; ``first`` stands before the first line, ``indent`` before the others."""
    joined = _BEFORE_UNIT.sub("\u00a0", text)  # a number and its unit stay on one line
    lines = wrap(joined, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def flag_lines(flag: Flag, answer: Answer) -> Iterator[str]:
    """Yield the lines of what is wrong: subject, text, figures, rule, remedy, and the key by which it is accepted."""
    yield from wrapped(f"{flag.tag} {flag.severity}, {flag.kind}: {flag.subject}", "  ", "      ")
    yield from wrapped(sentence(answer.text), "      ", "      ")
    if answer.formula:
        yield from wrapped(f"Figures: {answer.formula}", "      ", "        ")
    yield from _rule_lines(answer.rule, "      ")
    if answer.advice:
        yield from wrapped(f"Remedy: {answer.advice}", "      ", "        ")
    yield from wrapped(f"Key: {answer.key}", "      ", "        ")


def sentence(text: str) -> str:
    """Return a text that begins with a capital letter and ends with a full stop."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"


def answer_line(answer: Answer) -> str:
    """Return an answer in a line: what was asked, the figure and its limit."""
    figure = "" if answer.value is None else f", {value_text(answer)}"
    limit = f" ({answer.limit})" if answer.limit else ""
    judged = "" if answer.judgement is Judgement.GOOD else f", {JUDGED[answer.judgement]}"
    return f"{answer.subject}{figure}{limit}{judged}: {answer.question}"


def value_text(answer: Answer) -> str:
    """Return the figure of an answer with its unit; empty where it has none."""
    if answer.value is None:
        return ""
    number = f"{answer.value:.4g}" if abs(answer.value) < 10_000 else f"{answer.value:.0f}"
    return f"{number} {answer.unit}".rstrip()


def closeness(answer: Answer) -> float:
    """Return how near a figure is to its limit: 1 at the limit, less on the good side; 0 where that is not known."""
    found = _LIMIT.search(answer.limit)
    if found is None or answer.value is None:
        return 0.0
    computed = _RESULT.search(answer.limit)  # "at most 150 Ah x 50 % = 75 Ah"
    value, limit = answer.value, float((computed or found)[1 if computed else 2])
    above, below = (value, limit) if found[1] in ("at most", "below", "under") else (limit, value)
    return above / below if below > 0 and above > 0 else 0.0


def missing_lines(answers: Iterable[Answer]) -> Iterator[str]:
    """Yield what a rig leaves out, a line for each key with the names of the parts that lack it."""
    groups: dict[tuple[str, str], list[str]] = {}
    others: list[str] = []
    for answer in answers:
        if not answer.missing:
            others.append(answer.text)
        for key in answer.missing:
            found = _MISSING.fullmatch(key)
            if found is None:
                others.append(key)
            else:
                groups.setdefault((found[1], found[2]), []).append(found[3])
    for (key, kind), names in groups.items():
        names = list(dict.fromkeys(names))
        left = len(names) - MAX_LISTED_NAMES
        more = f" and {left} more" if left > 0 else ""
        what = kind if len(names) == 1 or kind.endswith("s") else f"{kind}s"
        yield f"{key} of {what} {', '.join(names[:MAX_LISTED_NAMES])}{more}"
    yield from dict.fromkeys(others)


def _wrong(report: PlanReport) -> Iterator[str]:
    if report.flags:
        yield from ("", "What is wrong")
    for flag, answer in zip(report.flags, report.wrong, strict=True):
        yield from flag_lines(flag, answer)


def _accepted(report: PlanReport) -> Iterator[str]:
    if report.accepted:
        yield from ("", "Accepted by the rig, and not counted")
    for answer in report.answers:
        entry = report.accepted.get(answer.key)
        if entry is not None:
            reason = f" (reason: {entry.reason})" if entry.reason else ""
            kind = FLAG_KINDS[answer.check]
            yield from wrapped(f"{answer.severity}, {kind}: {answer.subject}: {answer.text}{reason}", "  ", "      ")


def _unchecked(report: PlanReport) -> Iterator[str]:
    lines = []
    for section in report.sections:
        open_ones = [answer for answer in section.answers if answer.judgement is Judgement.UNCHECKED]
        if open_ones:
            lines.append(f"  {section.check} ({counted(len(open_ones), 'answer')})")
            for text in missing_lines(open_ones):
                lines += wrapped(text, "    ", "      ")
    if lines:
        yield from ("", "Not checked, because the rig does not give", *lines)


def _answers(report: PlanReport, *, every: bool) -> Iterator[str]:
    if any(section.answers for section in report.sections):
        yield from ("", "Answers" if every else "Answers, of each check the good ones that are nearest to their limits")
    for section in report.sections:
        if section.answers:
            yield from _section(section, every=every)


def _section(section: Section, *, every: bool) -> Iterator[str]:
    counts = Counter(answer.judgement for answer in section.answers)
    yield f"  {section.check}: {', '.join(f'{counts[one]} {text}' for one, text in JUDGED.items() if counts[one])}"
    if not every:
        good = [one for one in section.answers if one.judgement is Judgement.GOOD and closeness(one) > 0]
        for answer in sorted(good, key=closeness, reverse=True)[:MAX_TIGHTEST]:
            yield from wrapped(answer_line(answer), "    ", "      ")
        return
    for answer in section.answers:
        yield from wrapped(answer_line(answer), "    ", "      ")
        for text in (answer.formula, f"rule: {answer.rule}", f"key: {answer.key}"):
            if text:
                yield from wrapped(text, "      ", "        ")


def _tables(report: PlanReport) -> Iterator[str]:
    for table in report.tables:
        if not table.rows:
            continue
        yield from ("", table.title)
        yield from table_lines(table.columns, table.rows, WIDTH, "  ")
        if table.note:
            yield from wrapped(table.note, "  ", "  ")


def _listed(title: str, texts: Iterable[str]) -> Iterator[str]:
    texts = list(texts)
    if texts:
        yield from ("", title)
    for text in texts:
        yield from wrapped(sentence(text), "  - ", "    ")


def _rules(report: PlanReport) -> Iterator[str]:
    rules: Sequence[Rule] = list(dict.fromkeys(one.rule for one in report.answers if one.formula))
    if rules:
        yield from ("", "Rules used")
    for rule in rules:
        yield from _rule_lines(rule, "  ", "")


def _rule_lines(rule: Rule, indent: str, head: str = "Rule: ") -> Iterator[str]:
    yield from wrapped(f"{head}{rule}", indent, f"{indent}  ")
    if rule.disagreement:
        yield from wrapped(f"Sources differ: {rule.disagreement}", f"{indent}  ", f"{indent}  ")
