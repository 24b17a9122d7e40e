"""A printed sheet of exercises with blank byte grids, and an answer sheet behind it: as a page, or as text.

Knows: how both are laid out on paper. Does not know any exercise.
"""

from collections.abc import Iterator, Sequence

from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.practice.exercise import Exercise
from rvsim.faces.text.spell_fields import wrapped

_STYLE = """
@page { size: A4; margin: 18mm 16mm; }
body { font: 11pt/1.4 system-ui, sans-serif; color: #000; background: #fff; max-width: 178mm; margin: 0 auto; }
h1 { font-size: 15pt; margin: 0 0 2mm; } h2 { font-size: 11pt; margin: 5mm 0 1mm; }
p { margin: 0 0 1.5mm; } .data { font-family: ui-monospace, monospace; white-space: pre; }
.exercise { break-inside: avoid; border-top: 0.3mm solid #999; padding-top: 1mm; }
.answer { border-bottom: 0.3mm solid #000; height: 7mm; margin: 1mm 0 2mm; }
table.grid { border-collapse: collapse; margin: 2mm 0; }
table.grid th { font-weight: normal; font-size: 8pt; border: 0.2mm solid #999; padding: 0 1mm; }
table.grid td { border: 0.3mm solid #000; width: 4.2mm; height: 6mm; }
table.grid td.byte { border-right-width: 0.8mm; }
.answers { break-before: page; } .note { font-size: 9pt; }
"""


def sheet_page(exercises: Sequence[Exercise], title: str, how: str) -> str:
    """Return the sheet as one HTML page that needs nothing else; the answers begin on a page of their own.

    Args:
        exercises: the exercises.
        title: what stands above both parts.
        how: the command that makes the same sheet, and grades it.
    """
    body = join(
        [
            element("h1", title),
            element("p", "Name: ______________________________    Date: ________________"),
            element("p", how, class_="note"),
            *(_exercise(number, one) for number, one in enumerate(exercises, 1)),
            element("h1", f"{title}: answers", class_="answers"),
            *(_answer(number, one) for number, one in enumerate(exercises, 1)),
        ]
    )
    head = join([element("meta", charset="utf-8"), element("title", title), Html(f"<style>{_STYLE}</style>")])
    return f"<!doctype html>\n{element('html', element('head', head), element('body', body), lang='en')}\n"


def _exercise(number: int, exercise: Exercise) -> Html:
    lines = [element("p", line, class_="data" if line.startswith("  ") else None) for line in exercise.question]
    if exercise.options:
        lines.append(element("p", _options(exercise)))
    grid = [] if exercise.data is None else [_grid(len(exercise.data))]
    answer = [element("p", f"Answer ({exercise.form}):", class_="note"), element("div", class_="answer")]
    return element("div", element("h2", f"{number}  {exercise.kind}"), *lines, *grid, *answer, class_="exercise")


def _grid(count: int) -> Html:
    """Return blank boxes for the bits of a frame's bytes, bit 7 of each first."""
    heads = element("tr", *(element("th", f"byte {byte}", colspan=8) for byte in range(count)))
    first, second = heads, None
    if count > 4:  # two rows of four bytes fit the paper
        first = element("tr", *(element("th", f"byte {byte}", colspan=8) for byte in range(4)))
        second = element("tr", *(element("th", f"byte {byte}", colspan=8) for byte in range(4, count)))
    rows = [first, _boxes(min(count, 4))]
    if second is not None:
        rows += [second, _boxes(count - 4)]
    return element("table", *rows, class_="grid")


def _boxes(count: int) -> Html:
    return element("tr", *(element("td", class_="byte" if bit % 8 == 7 else None) for bit in range(8 * count)))


def _answer(number: int, exercise: Exercise) -> Html:
    return element(
        "div",
        element("h2", f"{number}  {exercise.answer.shown}"),
        *(element("p", line) for line in exercise.explanation),
        class_="exercise",
    )


def _options(exercise: Exercise) -> str:
    return "   ".join(f"{chr(ord('a') + place)}) {option}" for place, option in enumerate(exercise.options))


def sheet_text(exercises: Sequence[Exercise], title: str, how: str) -> Iterator[str]:
    """Yield the same sheet as plain text, line by line; a form feed stands before the answers."""
    yield title
    yield "Name: ______________________________    Date: ________________"
    yield from wrapped(how)
    for number, exercise in enumerate(exercises, 1):
        yield ""
        yield f"{number}  {exercise.kind}"
        yield from question_lines(exercise)
        if exercise.data is not None:
            yield from _text_grid(len(exercise.data))
        yield f"Answer ({exercise.form}): ______________________"
    yield f"\f{title}: answers"
    for number, exercise in enumerate(exercises, 1):
        yield ""
        yield f"{number}  {exercise.answer.shown}"
        for line in exercise.explanation:
            yield from wrapped(line, "   ")


def question_lines(exercise: Exercise) -> Iterator[str]:
    """Yield a question in lines of at most 80 columns, with its options."""
    for line in exercise.question:
        yield from ([line] if line.startswith("  ") else wrapped(line))
    if exercise.options:
        yield from wrapped(_options(exercise), "  ")


def _text_grid(count: int) -> Iterator[str]:
    """Yield a blank box for each bit of a frame's bytes, four bytes in a row."""
    for first in range(0, count, 4):
        bytes_shown = range(first, min(first + 4, count))
        yield "  " + " ".join(f"byte {byte}".ljust(17) for byte in bytes_shown).rstrip()
        yield "  " + " ".join("|" + "_|" * 8 for _ in bytes_shown)
