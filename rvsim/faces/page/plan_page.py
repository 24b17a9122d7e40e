"""The printed sheet of a plan: what is wrong, as built, expected readings with boxes, formulas, and the door's page.

Knows: the order of the sheet, which columns a person fills in, and how it is put into one file that loads nothing. Does
not know any rule, nor what stands in a table (`plan.sheet`).
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from math import ceil

from rvsim.faces.cli.version import program_version
from rvsim.faces.page.colours import colour_css
from rvsim.faces.page.markup import Content, Html, element, join, text
from rvsim.faces.page.tables import Cell, Column, table
from rvsim.plan.answer import Answer, Check, PlanTable, Rule
from rvsim.plan.report import PlanReport
from rvsim.plan.sheet import Door, Sheet
from rvsim.watch.flag import Flag

_PLACE = re.compile(r"\[\[(\w+)\]\]")
"""A place of the template that is filled."""
_NUMBER = re.compile(r"-?\d+(\.\d+)?|-")
_FIGURE = re.compile(r"(\d) (?=(?:mm2|AWG|mΩ|m|A)\b|mm²)")
"""The blank between a figure and its unit."""
_SIGNED = ("Built by", "Measured by", "Checked by")
"""Who signs, beside a date."""
_ASKED = ("Installer", "Electrician (mains)", "Heater and gas", "Network and screens", "Breakdown help")
"""Who can be asked; the names are written by hand."""


def render_plan_page(report: PlanReport) -> str:
    """Return the sheet as one HTML file, to be printed on A4 or letter."""
    sheet = Sheet(report)
    filled = {
        "title": text(f"{report.rig.title}: commissioning sheet"),
        "style": _styles(sheet),
        "parts": join(_parts(sheet)),
    }
    return _PLACE.sub(lambda place: filled[place[1]], _asset("plan_page.html"))


def _asset(name: str) -> str:
    return files("rvsim.faces.page").joinpath(name).read_text(encoding="utf-8")


def _styles(sheet: Sheet) -> str:
    css = [_asset(name) for name in ("page.css", "plan_page.css")]
    foot = css_text(f"{sheet.rig.name}: commissioning sheet, rvsim {program_version()}")
    return f"{colour_css()}{''.join(css)}@page {{ @bottom-left {{ content: {foot} }} }}\n"


def css_text(content: str) -> str:
    """Return a text as a string of CSS; all but letters and digits of ASCII are written by their numbers."""
    return '"' + "".join(
        letter if letter.isascii() and letter.isalnum() else f"\\{ord(letter):06x}" for letter in content
    ) + '"'  # fmt: skip


def _parts(sheet: Sheet) -> Iterator[Html]:
    yield _head(sheet)
    yield _section("Cautions", element("ul", *(element("li", line) for line in sheet.cautions)), kind="cautions")
    yield _section("What is wrong", *_wrong(sheet))
    if sheet.unchecked:
        yield _section("What is not checked", *_unchecked(sheet))
    yield _section("As built", *map(_plain_table, sheet.built))
    yield _section("Expected readings", *_expected(sheet))
    if sheet.failures:
        yield _section("If something fails", *map(_plain_table, sheet.failures), kind="dense")
    if sheet.others:
        yield _section("Network, night, what is left, what to buy", *map(_plain_table, sheet.others), kind="dense")
    if sheet.computed:
        yield _section("How each answer was computed", *_computed(sheet), kind="dense")
    yield _section("Signed", _signatures(), kind="signed")
    yield _door(sheet)


def _section(heading: str, *contents: Html, kind: str | None = None) -> Html:
    return element("section", element("h2", heading), *contents, class_=kind)


def _line(label: str, *, wide: bool = False) -> Html:
    """Return a label with a line to write on."""
    return element(
        "div", element("span", label), element("span", class_="rule"), class_="line wide" if wide else "line"
    )


def _head(sheet: Sheet) -> Html:
    rig, report = sheet.rig, sheet.report
    made = [str(section.check) for section in report.sections]
    wrong, open_ = len(sheet.flagged), len(sheet.unchecked)
    counts = f"{len(report.answers)} questions: {sheet.good_count} good, {wrong} flagged, {open_} not checked."
    return element(
        "header",
        element("h1", "Commissioning sheet"),
        element("p", element("strong", rig.title), f" (rig {rig.name})"),
        element("p", counts),
        element("p", f"Only these checks were made: {', '.join(made)}.") if len(made) < len(Check) else None,
        element("div", _line("Vehicle number"), _line("Place"), _line("Date"), _line("By"), class_="lines"),
    )


# What is wrong, and what is not checked.


def _wrong(sheet: Sheet) -> Iterator[Html]:
    if not sheet.flagged:
        yield element("p", "Nothing that was checked is wrong.")
    for flag, answer in sheet.flagged:
        yield _problem(flag, answer)
    if sheet.accepted:
        items = (
            element("li", f"{answer.subject}: {answer.text}. ", element("span", entry.reason, class_="facts"))
            for answer, entry in sheet.accepted
        )
        yield join((element("h3", "Accepted by the rig, with its reason"), element("ul", *items)))


def _problem(flag: Flag, answer: Answer) -> Html:
    tag = element("span", flag.tag, class_=f"tag {flag.severity}")
    return element(
        "article",
        element("h3", _tick(), tag, f" {flag.severity}: {flag.subject}"),
        element("p", flag.text),
        element("p", answer.formula, class_="formula") if answer.formula else None,
        element("p", element("strong", "Remedy: "), flag.advice),
        element("p", f"Rule: {answer.rule}", class_="facts"),
        class_=f"problem {flag.severity}",
    )


def _unchecked(sheet: Sheet) -> Iterator[Html]:
    yield element("p", "The rig leaves these figures out, and nothing was assumed in their place.")
    by_check: dict[Check, list[Answer]] = {}
    for answer in sheet.unchecked:
        by_check.setdefault(answer.check, []).append(answer)
    for check, answers in by_check.items():
        lines: dict[str, list[str]] = {}
        for answer in answers:
            lines.setdefault(answer.text, []).append(f"{answer.subject}: {answer.question}")
        items = (
            element("li", f"{'; '.join(asked)} ", element("span", why, class_="facts")) for why, asked in lines.items()
        )
        yield join((element("h3", _title(check)), element("ul", *items)))


def _title(check: Check) -> str:
    return check.value.capitalize()


# Tables.


_MAX_SHORT_ROWS = 12
"""A table of so many rows is not divided between two pages. Our decision."""


def _plain_table(given: PlanTable, *, filled_in: Sequence[str] = ()) -> Html:
    """Return a table with its heading; ``filled_in`` are columns that a person fills in, the last one by a tick."""
    cells_by_column = list(zip(*given.rows, strict=True)) or [()] * len(given.columns)
    numbers = [bool(cells) and all(map(_NUMBER.fullmatch, cells)) for cells in cells_by_column]
    columns = [Column(title, is_number) for title, is_number in zip(given.columns, numbers, strict=True)]
    columns += [Column(title) for title in filled_in]
    boxes: list[Html] = [element("span", class_="box") for _ in filled_in[:-1]] + [_tick() for _ in filled_in[-1:]]
    rows: list[list[Cell | Content]] = [[*map(_unbroken, row), *boxes] for row in given.rows]
    made = table(given.title, columns, rows, identifier=given.name)
    note = element("p", given.note, class_="facts") if given.note else None
    short = len(given.rows) <= _MAX_SHORT_ROWS
    return element("div", element("h3", given.title), made, note, class_="part short" if short else "part")


def _unbroken(cell: str) -> str:
    """Return a cell whose figures stay in one line with their units."""
    return _FIGURE.sub("\\1\u00a0", cell)


def _tick() -> Html:
    return element("span", class_="tick")


def _expected(sheet: Sheet) -> Iterator[Html]:
    yield element("p", "Write what the meter or the bus shows, and tick what is right.", class_="lead")
    for one in sheet.expected:
        yield _plain_table(one, filled_in=("seen" if one.name in sheet.seen else "measured", "right"))


# Formulas.


def _computed(sheet: Sheet) -> Iterator[Html]:
    numbers = {rule: f"R{number}" for number, rule in enumerate(sheet.rules, 1)}
    yield element("p", "Every answer is good that does not say otherwise; R and a number is a rule of the list below.")
    groups = (element("div", *_of_check(check, answers, numbers)) for check, answers in sheet.computed.items())
    yield element("div", *groups, class_="formulas")
    yield _rules(numbers)
    if sheet.unproven:
        items = (element("li", line) for line in sheet.unproven)
        yield join((element("h3", "What the answers do not prove"), element("ul", *items, class_="formulas")))


def _of_check(check: Check, answers: Sequence[Answer], numbers: Mapping[Rule, str]) -> Iterator[Html]:
    """Yield the answers of a check: each question once, with its rules and limits, then a line for each answer."""
    yield element("h3", _title(check))
    asked: dict[tuple[str, str], list[Answer]] = {}
    for answer in answers:
        asked.setdefault((answer.question, numbers[answer.rule]), []).append(answer)
    for (question, rule), same in asked.items():
        limits = {answer.limit for answer in same}
        shared = next(iter(limits)) if len(limits) == 1 else ""
        yield element("h4", f"{question} ({', '.join(filter(None, (shared, rule)))})")
        for answer in same:
            wrong = f" {answer.severity.upper()}" if answer.is_flagged else ""
            limit = f" ({answer.limit})" if answer.limit and not shared else ""
            yield element("p", element("b", answer.subject), f": {answer.formula}{limit}", element("strong", wrong))


def _rules(numbers: Mapping[Rule, str]) -> Html:
    items = (element("li", element("strong", number), f" {rule}. ", _others(rule)) for rule, number in numbers.items())
    return join((element("h3", "Rules"), element("ul", *items, class_="plain formulas")))


def _others(rule: Rule) -> str:
    return f"Other sources: {rule.disagreement}." if rule.disagreement else ""


def _signatures() -> Html:
    return element("div", *(join((_line(who), _line("Date"))) for who in _SIGNED), class_="lines")


# The door.


def _door(sheet: Sheet) -> Html:
    door, rig = sheet.door, sheet.rig
    return element(
        "section",
        element("h2", f"For the door: {rig.title}"),
        element("h3", "When the screen is dark"),
        element("ol", *(element("li", step) for step in door.steps)),
        element("h3", "What works without the screen"),
        *_loads_by_hand(door),
        _plain_table(door.feeds) if door.feeds.rows else None,
        element("h3", "As built"),
        element("p", " ".join(door.built)),
        element("h3", "Who to ask"),
        element("div", *(_line(who, wide=True) for who in _ASKED), class_="lines"),
        class_="door",
        style=f"--size: {_door_points(door):.1f}pt",
    )


_DOOR_POINTS = (10.5, 10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0, 5.5)
"""The sizes of letters that the door's page can have: the largest one is taken with which it stays one page. The
smallest one is for some 300 outputs; more take a second page."""
_LETTERS_A_LINE, _LINES_A_PAGE, _FIXED_LINES = 1080.0, 500.0, 24.0
"""How many letters a line has and how many lines a page, both for letters of 1 point, and the lines of headings and of
who to ask. Measured on letter paper, the shorter one; A4 is narrower by 3 %."""
_FEEDS_SHARE = 0.68
"""The share of the width that the last column of the fuses has."""


def _door_points(door: Door) -> float:
    """Return the size of the letters of the door's page."""
    lists = (door.by_hand, door.by_module, door.by_network, door.unknown)
    texts = [*door.steps, " ".join(door.built), *(f"{'-' * 40}{', '.join(names)}" for names in lists if names)]
    for points in _DOOR_POINTS:
        letters = _LETTERS_A_LINE / points
        lines = _FIXED_LINES + sum(ceil(len(line) / letters) * 1.05 for line in texts)
        lines += sum(ceil(len(row[-1]) / (letters * _FEEDS_SHARE)) + 0.25 for row in door.feeds.rows)
        if lines <= _LINES_A_PAGE / points:
            return points
    return _DOOR_POINTS[-1]


def _loads_by_hand(door: Door) -> Iterator[Html]:
    groups = (
        ("By hand, at the load or its relay", door.by_hand),
        ("By a switch on its module, while the module has power", door.by_module),
        ("Only over the network", door.by_network),
        ("The rig does not say how", door.unknown),
    )
    if not any(lines for _, lines in groups):
        yield element("p", "The rig has no outputs: each device has its own switch or none.")
    for label, lines in groups:
        if lines:
            yield element("p", element("strong", f"{label}: "), f"{', '.join(lines)}.")
