"""The picture of the screen: the README's, made from the screen."""

import asyncio
import os
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from rvsim.faces.screen.palettes import DARK_16, LIGHT

KEPT = Path(__file__).parents[2] / "data" / "screen.svg"


def picture(app, size, *keys) -> tuple[str, list[str]]:
    """Return the picture of a screen after some keys, and the lines of the terminal."""

    async def script():
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            for key in keys:
                await pilot.press(key)
                app.redraw()
                await pilot.pause()
            strips = app.screen._compositor.render_strips()
            return app.export_screenshot(), ["".join(segment.text for segment in strip) for strip in strips]

    return asyncio.run(script())


def texts(svg: str) -> list[list[str]]:
    """Return the words of a picture, line by line as they stand from top to bottom and from left to right."""
    lines: dict[float, list[tuple[float, str]]] = {}
    for text in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        lines.setdefault(float(text.attrib["y"]), []).append((float(text.attrib["x"]), text.text or ""))
    return [[word for _, word in sorted(lines[y])] for y in sorted(lines)]


def test_the_picture_of_the_readme_is_the_screen_of_today(seen):
    """The heater open at 43 s. RVSIM_GOLDEN=write keeps the picture as it is drawn now."""
    drawn, _ = picture(seen("heater_goes_quiet", 43).app(), (100, 30), "down", "enter")
    if os.environ.get("RVSIM_GOLDEN") == "write":
        KEPT.write_text(drawn, encoding="utf-8", newline="\n")
    assert drawn == KEPT.read_text(encoding="utf-8")


def test_a_picture_has_letters_and_areas_alone():
    """No font from a network, no window around it, nothing that is run."""
    drawn = KEPT.read_text(encoding="utf-8")
    assert {element.tag.rpartition("}")[2] for element in ElementTree.fromstring(drawn).iter()} == {
        "svg",
        "rect",
        "text",
    }
    assert not re.search(r"url\(|@font-face|href|script", drawn)
    assert re.findall(r"https?://[^\"]*", drawn) == ["http://www.w3.org/2000/svg"]


@pytest.mark.parametrize("palette", [LIGHT, DARK_16], ids=lambda palette: palette.name)
def test_a_picture_says_what_the_screen_says(seen, palette):
    """Every word in its line, in order, in the colours of the palette; signs that mean something to SVG are text."""
    run = seen("heater_goes_quiet", 43)
    run.scene.name = "a<b>&c"
    drawn, lines = picture(run.app(palette=palette), (90, 30), "f")
    assert ["".join(words) for words in texts(drawn)] == ["".join(line.split()) for line in lines if line.strip()]
    assert len(lines) == 30
    back = "#faf9f6" if palette is LIGHT else "#000000"
    assert f'height="530" fill="{back}"' in drawn


def test_a_word_stands_where_it_stands_on_the_screen(seen):
    """Columns are those of the terminal, 8.4 units wide after a margin of 10."""
    drawn, lines = picture(seen("heater_goes_quiet", 43).app(), (90, 30))
    column = next(line for line in lines if "silent" in line).index("silent")
    (x,) = re.findall(r'<text x="([0-9.]+)"[^>]*>silent<', drawn)
    assert float(x) == pytest.approx(10 + 8.4 * column, abs=0.01)
