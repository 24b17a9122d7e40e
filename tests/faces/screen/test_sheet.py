"""A window over rows: what is visible, and what is announced of the rest."""

import asyncio
from functools import partial

import pytest
from textual.app import App

from rvsim.faces.screen.lines import (
    Row,
    fixed_row,
    longest_that_fits,
    paint_tag,
    plain_line,
    text_of,
    worst_tag,
    wrap_text,
)
from rvsim.faces.screen.palettes import DARK
from rvsim.faces.screen.sheet import Sheet, hidden_rows_line
from rvsim.faces.screen.theme import THEMES, theme_name, variables_of


class Window(App[None]):
    """One sheet that fills the terminal."""

    def __init__(self):
        super().__init__()
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = theme_name(DARK)

    def get_theme_variable_defaults(self):
        """Return the variables of our rules."""
        return dict(variables_of(DARK))

    def compose(self):
        """The sheet alone."""
        yield Sheet(id="page")


def window(height, *steps):
    """Return the lines of a window of some height after steps, each called with the sheet."""

    async def script():
        app = Window()
        async with app.run_test(size=(50, height)) as pilot:
            await pilot.pause()
            sheet = app.query_one(Sheet)
            for step in steps:
                step(sheet)
            await pilot.pause()
            return [
                "".join(segment.text for segment in strip).rstrip() for strip in app.screen._compositor.render_strips()
            ]

    return asyncio.run(script())


def rows(number, flags=None):
    """Return rows that say their number, some with a flag's tag."""
    return [Row(partial(plain_line, f"row {n}"), (flags or {}).get(n)) for n in range(number)]


FAULT, WARNING, NOTICE = ("[4]", "fault-tag"), ("<2>", "warning-tag"), ("(9)", "notice-tag")


def test_rows_that_fit_are_all_there():
    """Nothing is announced where nothing is hidden."""
    assert window(4, lambda s: s.set_rows(rows(4))) == ["row 0", "row 1", "row 2", "row 3"]
    assert window(4, lambda s: s.set_rows(rows(2))) == ["row 0", "row 1", "", ""]


def test_what_is_below_the_edge_is_announced_with_the_worst_of_it():
    """The last line of the window stands for the rest: how many rows, and the worst tag among them."""
    shown = window(4, lambda s: s.set_rows(rows(15, {0: FAULT, 3: WARNING, 8: FAULT, 9: NOTICE})))
    assert shown == ["row 0", "row 1", "row 2", " ↓ 12 more rows below, worst: [4] FAULT"]
    assert window(4, lambda s: s.set_rows(rows(15, {0: FAULT})))[3] == " ↓ 12 more rows below"


def test_what_is_above_the_edge_is_announced_too():
    """Scrolled, the first line stands for what has gone up."""
    shown = window(5, lambda s: s.set_rows(rows(10, {1: WARNING})), lambda s: s.scroll(3))
    assert shown == [" ↑ 4 more rows above, worst: <2> WARNING", "row 4", "row 5", "row 6", " ↓ 3 more rows below"]
    shown = window(5, lambda s: s.set_rows(rows(10)), lambda s: s.scroll(99))
    assert shown == [" ↑ 6 more rows above", "row 6", "row 7", "row 8", "row 9"]


@pytest.mark.parametrize("height", [3, 4, 7, 12])
def test_what_is_chosen_is_never_hidden(height):
    """Whatever row is kept, it is visible between both announcements, forth and back."""

    def both_ways(sheet):
        for at in (*range(30), *reversed(range(30))):
            sheet.set_rows(rows(30), (at, at))
            lines = [text_of(sheet._line(y)) for y in range(sheet.size.height)]
            assert f"row {at}" in lines, (at, lines)

    window(height, both_ways)


def test_a_long_choice_shows_its_beginning():
    """An open device that is longer than the window begins in it."""
    shown = window(5, lambda s: s.set_rows(rows(30), (10, 25)))
    assert shown[1] == "row 10"


@pytest.mark.parametrize(
    ("tags", "worst"),
    [([], None), ([None], None), ([NOTICE, WARNING], WARNING), ([WARNING, None, FAULT, NOTICE], FAULT)],
)
def test_the_worst_tag(tags, worst):
    """Fault before warning before notice."""
    assert worst_tag(tags) == worst


def test_a_made_row_has_the_worst_tag_of_its_line():
    """A dim tag is that of a cleared flag, and does not count."""
    assert fixed_row((("x", "plain"), NOTICE, FAULT)).worst == FAULT
    assert fixed_row((("[4]", "dim"), ("fault", "fault"))).worst is None


def test_the_line_for_hidden_rows_has_the_styles_of_its_flag():
    """Tag and severity in their styles, the rest dim."""
    assert hidden_rows_line("below", rows(2, {1: NOTICE})) == (
        (" ↓ 2 more rows below, worst: ", "dim"),
        ("(9)", "notice-tag"),
        (" NOTICE", "notice"),
    )


def test_tags_at_the_beginning_of_a_text_have_their_own_style():
    """Only there; a text that begins otherwise stays as it is."""
    lines = wrap_text("[4] fault since 32 s", 12, "| ", "| ", "fault")
    assert paint_tag(lines, "[4]", "fault-tag")[0] == (("| ", "dim"), ("[4]", "fault-tag"), (" fault", "fault"))
    assert paint_tag(lines, "[4]", "fault-tag")[1:] == lines[1:]
    assert paint_tag(lines, "<4>", "warning-tag") == lines


def test_the_longest_form_that_fits_is_taken():
    """The last one stands where none fits."""
    forms = [plain_line("long form"), plain_line("short"), plain_line("s")]
    assert [text_of(longest_that_fits(forms, width)) for width in (9, 8, 5, 4, 0)] == [
        "long form", "short", "short", "s", "s",
    ]  # fmt: skip


def test_a_window_of_one_line_shows_the_row():
    """An announcement alone would hide everything."""
    assert window(1, lambda s: s.set_rows(rows(3))) == ["row 0"]
