"""Colours: every text can be read, a fault is the strongest, and nothing rests on colour alone.

Contrast is that of WCAG 2.1 (w3.org/TR/WCAG21: relative luminance, contrast ratio). Colour-blind eyes are simulated by
the matrices of severity 1.0 of Machado, Oliveira, Fernandes, "A Physiologically-based Model for Simulation of Color
Vision Deficiency" (IEEE TVCG 15, 2009), applied to linear RGB. Distances are CIE 1976 colour differences, white D65.
"""

import asyncio
from itertools import combinations, product

import pytest
from rich.color import Color, ColorSystem
from rich.style import Style

from rvsim.faces.screen.head import head_lines
from rvsim.faces.screen.palettes import (
    DARK,
    DARK_16,
    LIGHT,
    LIGHT_16,
    MIN_CONTRAST,
    PALETTES,
    STYLES,
    UNCOLOURED,
    has_light_background,
    palette_for,
    wants_no_colour,
)

LEAST_DISTANCE = 25.0
"""Two severities are this far apart at least, ten times what an eye can just tell apart (2.3, from memory)."""
SEVERITIES = ("fault", "warning", "notice")
EYES = {
    "usual": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
}
XTERM = (
    "#000000", "#cd0000", "#00cd00", "#cdcd00", "#0000ee", "#cd00cd", "#00cdcd", "#e5e5e5",
    "#7f7f7f", "#ff0000", "#00ff00", "#ffff00", "#5c5cff", "#ff00ff", "#00ffff", "#ffffff",
)  # fmt: skip
VGA = (
    "#000000", "#aa0000", "#00aa00", "#aa5500", "#0000aa", "#aa00aa", "#00aaaa", "#aaaaaa",
    "#555555", "#ff5555", "#55ff55", "#ffff55", "#5555ff", "#ff55ff", "#55ffff", "#ffffff",
)  # fmt: skip
"""The 16 colours as xterm and as the text mode of VGA have them. From memory."""


def linear(colour: str) -> tuple[float, ...]:
    """Return ``#rrggbb`` as linear light."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    return tuple(part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)


def seen(colour: str, eye: str) -> tuple[float, ...]:
    """Return what an eye makes of a colour, as linear light."""
    light = linear(colour)
    return tuple(min(1.0, max(0.0, sum(a * b for a, b in zip(row, light, strict=True)))) for row in EYES[eye])


def contrast(one: str, other: str, eye: str = "usual") -> float:
    """Return the contrast ratio of two colours."""
    lights = [sum(a * b for a, b in zip((0.2126, 0.7152, 0.0722), seen(c, eye), strict=True)) for c in (one, other)]
    return (max(lights) + 0.05) / (min(lights) + 0.05)


def distance(one: str, other: str, eye: str) -> float:
    """Return the CIE 1976 difference of two colours."""
    a, b = (_lab(seen(colour, eye)) for colour in (one, other))
    return sum((x - y) ** 2 for x, y in zip(a, b, strict=True)) ** 0.5


def _lab(light: tuple[float, ...]) -> tuple[float, float, float]:
    rows = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
    whites = (0.9505, 1.0, 1.089)
    ratios = [sum(a * b for a, b in zip(row, light, strict=True)) / w for row, w in zip(rows, whites, strict=True)]
    x, y, z = (t ** (1 / 3) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29 for t in ratios)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def ansi(name: str, colours: tuple[str, ...]) -> str:
    """Return one of Textual's ANSI colours as a terminal shows it."""
    return colours[Color.parse(name.removeprefix("ansi_")).number]


def test_the_formulas_give_published_values():
    """Black on white is 21:1, #777777 on white 4.48:1; red and green of sRGB are 170.6 apart. All from memory."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)
    assert distance("#ff0000", "#00ff00", "usual") == pytest.approx(170.6, abs=0.5)
    assert distance("#ff0000", "#808000", "deuteranopia") < distance("#ff0000", "#808000", "usual") / 2


@pytest.mark.parametrize("palette", [DARK, LIGHT], ids=lambda palette: palette.name)
@pytest.mark.parametrize("style", [*STYLES, "panel"])
def test_every_style_can_be_read(palette, style):
    """Every pair of foreground and background, also as a terminal of 256 colours rounds them."""
    paint = palette.panel if style == "panel" else palette.styles[style]
    assert contrast(paint.foreground, paint.background) >= MIN_CONTRAST
    rounded = [
        Color.parse(c).downgrade(ColorSystem.EIGHT_BIT).get_truecolor().hex
        for c in (paint.foreground, paint.background)
    ]
    assert contrast(*rounded) >= MIN_CONTRAST


@pytest.mark.parametrize("palette", [DARK_16, LIGHT_16], ids=lambda palette: palette.name)
@pytest.mark.parametrize("style", [*STYLES, "panel"])
@pytest.mark.parametrize("colours", [XTERM, VGA], ids=["xterm", "vga"])
def test_every_style_of_16_colours_can_be_read(palette, style, colours):
    """In the colours of xterm and of a VGA console."""
    paint = palette.panel if style == "panel" else palette.styles[style]
    assert contrast(ansi(paint.foreground, colours), ansi(paint.background, colours)) >= MIN_CONTRAST


@pytest.mark.parametrize("palette", [DARK, LIGHT], ids=lambda palette: palette.name)
@pytest.mark.parametrize("eye", EYES)
def test_a_fault_is_the_strongest(palette, eye):
    """It has the highest contrast of the three, for every eye, and it alone has bold sentences."""
    found = {
        name: contrast(palette.styles[name].foreground, palette.styles[name].background, eye) for name in SEVERITIES
    }
    assert max(found, key=found.__getitem__) == "fault"
    assert found["fault"] >= 1.15 * max(found["warning"], found["notice"])
    assert [name for name in SEVERITIES if "bold" in palette.styles[name].attributes] == ["fault"]


@pytest.mark.parametrize("palette", [DARK, LIGHT], ids=lambda palette: palette.name)
@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("pair", list(combinations(SEVERITIES, 2)))
def test_severities_stay_apart(palette, eye, pair):
    """No two of the three look alike to any eye."""
    one, other = (palette.styles[name].foreground for name in pair)
    assert distance(one, other, eye) >= LEAST_DISTANCE


@pytest.mark.parametrize("palette", PALETTES, ids=lambda palette: palette.name)
def test_a_fault_differs_by_more_than_colour(palette):
    """Bold sentences, and a tag in bold; every palette has every style."""
    assert set(palette.styles) == set(STYLES)
    assert "bold" in palette.styles["fault"].attributes
    assert "bold" in palette.styles["fault-tag"].attributes
    assert palette.styles["chosen"] != palette.styles["plain"]


@pytest.mark.parametrize(
    ("environment", "light", "few", "expected"),
    [
        ({}, False, False, DARK),
        ({}, True, False, LIGHT),
        ({}, False, True, DARK_16),
        ({}, True, True, LIGHT_16),
        ({"COLORFGBG": "0;15"}, False, False, LIGHT),
        ({"COLORFGBG": "0;default;15"}, False, True, LIGHT_16),
        ({"COLORFGBG": "15;0"}, False, False, DARK),
        ({"COLORFGBG": "15;0"}, True, False, LIGHT),
        ({"NO_COLOR": "1", "COLORFGBG": "0;15"}, True, False, UNCOLOURED),
        ({"NO_COLOR": ""}, False, False, DARK),
    ],
)
def test_which_terminal_gets_which_palette(environment, light, few, expected):
    """NO_COLOR before all, then what was asked for, then what the terminal says of itself."""
    assert palette_for(environment, light=light, few_colours=few) is expected
    assert wants_no_colour(environment) is (expected is UNCOLOURED)


def test_only_a_background_that_is_told_is_light():
    """7 and 9 to 15 are light; anything else that may stand there is dark."""
    light = {str(number) for number in range(20) if has_light_background({"COLORFGBG": f"0;{number}"})}
    assert light == {"7", "9", "10", "11", "12", "13", "14", "15"}
    assert not any(has_light_background({"COLORFGBG": text}) for text in ("", ";", "0;", "0;default", "0;7x", "0;-7"))


def drawn(app, size, *keys) -> list[tuple[str, Style]]:
    """Return every text on the screen after some keys, with its style."""

    async def script():
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            for key in keys:
                await pilot.press(key)
                app.redraw()
                await pilot.pause()
            if "ctrl+p" in keys:
                while not app.screen.query("CommandList.--visible"):
                    await pilot.pause(0.01)
                await pilot.pause()
            strips = app.screen._compositor.render_strips()
            for one in (one for one in app._filters if one.enabled):
                strips = [strip.apply_filter(one, app.screen.background_colors[1]) for strip in strips]
            return [(s.text, s.style or Style()) for strip in strips for s in strip if s.text.strip()]

    return asyncio.run(script())


def colours_of(style: Style) -> tuple[str, str]:
    """Return foreground and background of a style as they are seen."""
    pair = [colour.get_truecolor().hex for colour in (style.color, style.bgcolor)]
    return (pair[1], pair[0]) if style.reverse else (pair[0], pair[1])


@pytest.mark.parametrize(
    ("palette", "keys"),
    [
        *product((DARK, LIGHT), (("down", "enter", "right"), *((key,) for key in "itlfr"), ("question_mark",))),
        *product((DARK, LIGHT), (("ctrl+p",), ("ctrl+p", "down", "down"), ("ctrl+p", "a", "b", "o"))),
    ],
)
def test_everything_that_is_drawn_can_be_read(seen, palette, keys):
    """Every text of every page and of the list of commands, with the colours that it has in the end."""
    for text, style in drawn(seen("heater_goes_quiet", 43).app(palette=palette), (80, 24), *keys):
        assert not style.dim, text
        assert contrast(*colours_of(style)) >= MIN_CONTRAST, (text, str(style))


def test_no_color_paints_nothing(seen, monkeypatch):
    """With NO_COLOR every text has the terminal's own colours; faults are bold, their tags reversed."""
    monkeypatch.setenv("NO_COLOR", "1")
    for keys in (("down", "enter"), ("f",), ("ctrl+p",)):
        found = drawn(seen("heater_goes_quiet", 43).app(palette=None), (80, 24), *keys)
        for text, style in found:
            assert style.color is None or style.color.is_default, text
            assert style.bgcolor is None or style.bgcolor.is_default, text
        tags = [style for text, style in found if text == "[4]"]
        assert all(style.bold and style.reverse for style in tags)
        assert tags or keys == ("ctrl+p",)
        assert all(style.bold for text, style in found if "fault since" in text or "fault, heater" in text)


def test_an_empty_no_color_is_none(seen, monkeypatch):
    """Set but empty it asks for nothing."""
    monkeypatch.setenv("NO_COLOR", "")
    found = drawn(seen("winter_evening", 5).app(), (80, 24))
    assert {colours_of(style)[1] for _, style in found} >= {DARK.styles["plain"].background}


@pytest.mark.parametrize("palette", [DARK_16, LIGHT_16], ids=lambda palette: palette.name)
def test_16_colours_are_the_terminals_own(seen, palette):
    """Every text is painted by numbers of the 16, so that nothing is rounded."""
    for keys in (("down", "enter"), ("ctrl+p",)):
        for text, style in drawn(seen("heater_goes_quiet", 43).app(palette=palette), (80, 24), *keys):
            assert style.color.number is not None, text
            assert style.color.number < 16, text
            assert style.bgcolor.number < 16, text


def test_light_and_dark_can_be_changed(seen, drive):
    """The list of commands has the other background by name."""
    app = seen().app()

    async def other(pilot):
        titles = [command.title for command in app.get_system_commands(app.screen)]
        assert "Colours for a light background" in titles
        app.action_other_background()
        assert app.palette is LIGHT
        app.action_other_background()
        app.action_other_background()

    drive(app, (80, 24), other)
    assert app.palette is LIGHT
    assert app.theme == "rvsim-light"
    assert {name.split("-")[0] for name in app.available_themes} == {"rvsim"}


def styles_of(app, size, *keys):
    """Return the style names of the texts, by text, as the pages give them."""
    texts: dict[str, set[str]] = {}

    async def script():
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            for key in keys:
                await pilot.press(key)
            app.redraw()
            await pilot.pause()
            for name in ("head", "page", "foot"):
                for row in app._sheet(name).rows:
                    for text, style in row.line():
                        texts.setdefault(text.strip(), set()).add(style)

    asyncio.run(script())
    return texts


def test_what_is_as_planned_is_quiet(seen):
    """The word present is dim, silent has the style of its flag, and of the chosen row only the name is highlighted."""
    found = styles_of(seen("heater_goes_quiet", 43).app(), (80, 24))
    assert found["present"] == {"dim"}
    assert found["silent"] == {"fault"}
    assert found["[4]"] == {"fault-tag"}
    assert {text for text, styles in found.items() if "chosen" in styles} == {"control panel"}


def test_only_counts_and_flags_are_bold_at_the_top(seen):
    """The rest of both lines is plain."""
    lines = head_lines(seen("heater_goes_quiet", 43).scene, (0.6, 4.5), 80)[:2]
    assert [text for line in lines for text, style in line if style != "plain"] == ["10 of 11", "1 fault"]


def test_cleared_flags_are_dim(seen):
    """All their lines, while those of a flag that stands are not."""
    found = styles_of(seen("heater_goes_quiet", 43).app(), (100, 60), "f")
    assert found["<3> warning, heater: late-message since 31 s, cleared at 33 s"] == {"dim"}
    late = [styles for text, styles in found.items() if text.startswith("FURNACE_STATUS, instance 1: not received for")]
    assert late == [{"dim"}]
    assert found["fault, heater: silent-device since 33 s"] == {"fault"}
    assert found["Try next: check its power and fuse first, then its data plug, then its drop"] == {"plain"}
    assert {style for text, styles in found.items() if text == "[4]" for style in styles} == {"fault-tag"}
