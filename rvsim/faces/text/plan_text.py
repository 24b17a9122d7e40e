"""The plan of a rig as text: what is wrong first, then what could not be checked, answers, tables and cautions.

Knows: the order in which a person reads a plan, and which answers are the tightest. Does not know any rule, nor the
JSON form (`plan_json`).
"""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence

from rvsim.faces.text.plan_lines import counted, plural, sentence, wrapped
from rvsim.faces.text.plan_tables_text import left_tables_text, shown_tables, tables_text
from rvsim.plan.answer import FLAG_KINDS, Answer, Judgement, Rule, Section
from rvsim.plan.report import PlanReport
from rvsim.plan.sheet import UNCOMPUTED
from rvsim.watch.flag import WORST_FIRST, Flag

JUDGED = {Judgement.GOOD: "good", Judgement.FLAGGED: "flagged", Judgement.UNCHECKED: "not checked"}
"""What an answer comes to, in words."""
NOT_PROVEN = "What this does not prove"
NOT_PROVEN_BY_FLAGGED = "What the answers with something wrong do not prove"
EVERY_HINT = (
    "With --every: each answer with its formula, its rule, what it does not prove and where sources differ, and all "
    "tables."
)
MAX_TIGHTEST = 3
"""Good answers of one check that are shown; all of them with ``every``."""
MAX_LISTED_NAMES = 6
"""Parts of a rig that lack one key; the rest is counted."""
_MISSING = re.compile(r"(.+?) of (\w+) (.+)")
_NOT_PROVEN = re.compile(r"^(?:it )?does not prove ", re.IGNORECASE)
_RESULT = re.compile(r".*= (-?\d+(?:\.\d+)?)")
_LIMIT = re.compile(r"(at most|below|under|at least|above|over) (-?\d+(?:\.\d+)?)")


def as_text(report: PlanReport, *, every: bool = False, only_tables: Collection[str] = ()) -> Iterator[str]:
    """Yield the lines of a plan.

    Args:
        report: the plan.
        every: whether all answers are shown with their formula, and not only the tightest of each check, and all
            tables, and what every answer does not prove.
        only_tables: the names of tables that are shown, and nothing else; no name: all of the plan.
    """
    yield from wrapped(f"{report.rig.name}, {report.rig.title}: {summary(report)}", "", "  ")
    if only_tables:
        yield from tables_text(table for table in report.tables if table.name in only_tables)
        return
    yield from _wrong(report)
    yield from _accepted(report)
    yield from _unchecked(report)
    yield from _answers(report, every=every)
    shown, left = shown_tables(report.tables, every=every)
    yield from tables_text(shown)
    cautions = list(dict.fromkeys(text for section in report.sections for text in section.cautions))
    yield from _listed("Cautions", cautions)
    told = [answer for answer in report.answers if every or answer.is_flagged]
    yield from _listed(NOT_PROVEN if every else NOT_PROVEN_BY_FLAGGED, _unproven(told, cautions))
    if every:
        yield from _rules(report)
    if not report.answers:
        return
    yield from left_tables_text(left)
    if not every:
        yield from wrapped(EVERY_HINT, "", "  ")
    yield ""
    yield from wrapped(result_line(report), "", "  ")


def result_line(report: PlanReport) -> str:
    """Return the result in a line, for the end of a long text: how many flags there are of each severity."""
    wrong = _wrong_counts(report)
    return f"{report.rig.name}: {wrong}{'; see the top' if report.wrong else ''}."


def summary(report: PlanReport) -> str:
    """Return how many flags there are of each severity, and how many answers are good or missing."""
    judgements = Counter(answer.judgement for answer in report.answers)
    accepted = f", {len(report.accepted)} accepted by the rig" if report.accepted else ""
    unchecked = f", {judgements[Judgement.UNCHECKED]} not checked" if judgements[Judgement.UNCHECKED] else ""
    return f"{_wrong_counts(report)}{accepted}; {counted(judgements[Judgement.GOOD], 'answer')} good{unchecked}."


def _wrong_counts(report: PlanReport) -> str:
    """Return how many flags there are of each severity, or that nothing is wrong."""
    severities = Counter(answer.severity for answer in report.wrong)
    parts = [counted(severities[severity], str(severity)) for severity in WORST_FIRST if severities[severity]]
    is_open = any(answer.judgement is Judgement.UNCHECKED for answer in report.answers)
    return ", ".join(parts) or ("nothing is wrong in what was checked" if is_open else "nothing is wrong")


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
        what = kind if len(names) == 1 else plural(kind)
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
        if section.check in UNCOMPUTED:
            return
        good = [one for one in section.answers if one.judgement is Judgement.GOOD and closeness(one) > 0]
        for answer in sorted(good, key=closeness, reverse=True)[:MAX_TIGHTEST]:
            yield from wrapped(answer_line(answer), "    ", "      ")
        return
    for answer in section.answers:
        yield from wrapped(answer_line(answer), "    ", "      ")
        for text in (answer.formula, f"rule: {answer.rule}", f"key: {answer.key}"):
            if text:
                yield from wrapped(text, "      ", "        ")


def _unproven(answers: Iterable[Answer], cautions: Collection[str]) -> list[str]:
    """Return what answers do not prove, each sentence once, without what is a caution already.

    What one answer says beyond another, after a full stop or a semicolon, stands by itself.
    """
    texts = list(dict.fromkeys(_NOT_PROVEN.sub("", one.unproven, count=1) for one in answers if one.unproven))
    known = {sentence(one) for one in cautions}
    shown = [text for text in texts if sentence(text) not in known]
    found: dict[str, None] = {}
    for text in shown:
        for mark in (". ", "; "):
            starts = [one for one in texts if text.startswith(f"{one.rstrip('.')}{mark}")]
            if starts:
                text = text[len(max(starts, key=len).rstrip(".")) + len(mark) :]
        found[sentence(_NOT_PROVEN.sub("", text, count=1))] = None
    return list(found)


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
