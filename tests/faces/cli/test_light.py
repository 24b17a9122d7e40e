"""`--light` on the commands that open the screen, as a person types it."""

from pathlib import Path

import pytest

from rvsim.faces.cli import commands
from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.palettes import DARK, DARK_16, LIGHT, LIGHT_16

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"
COMMANDS = (
    ("bench", "winter_evening", "--seconds", "1", "--speed", "1000"),
    ("replay", str(MARINE), "--to", "1", "--speed", "1000"),
    ("listen", "--interface", "virtual", "--channel", "light", "--seconds", "0.1"),
)


@pytest.fixture
def palettes(monkeypatch):
    """The palettes of the screens that were opened, on a terminal of many colours that says nothing of itself."""
    opened = []

    def run(self):
        opened.append(self.palette)
        return 0

    monkeypatch.setattr(commands, "has_terminal", lambda: True)
    monkeypatch.setattr(LiveScreen, "run", run)
    monkeypatch.setenv("TERM", "xterm-256color")
    for name in ("NO_COLOR", "COLORFGBG", "COLORTERM"):
        monkeypatch.delenv(name, raising=False)
    return opened


@pytest.mark.parametrize("typed", COMMANDS, ids=lambda typed: typed[0])
def test_light_is_asked_for(rvsim, palettes, typed):
    """Dark without the option, light with it."""
    assert rvsim(*typed)[0] == 0
    assert rvsim(*typed, "--light")[0] == 0
    assert palettes == [DARK, LIGHT]


@pytest.mark.parametrize("typed", COMMANDS, ids=lambda typed: typed[0])
def test_a_terminal_may_say_that_it_is_light(rvsim, palettes, typed, monkeypatch):
    """COLORFGBG with a white background."""
    monkeypatch.setenv("COLORFGBG", "0;15")
    assert rvsim(*typed)[0] == 0
    assert palettes == [LIGHT]


def test_a_terminal_of_16_colours(rvsim, palettes, monkeypatch):
    """TERM=xterm promises no more: the colours are the terminal's own."""
    monkeypatch.setenv("TERM", "xterm")
    assert rvsim(*COMMANDS[1])[0] == 0
    assert rvsim(*COMMANDS[1], "--light")[0] == 0
    assert palettes == [DARK_16, LIGHT_16]
