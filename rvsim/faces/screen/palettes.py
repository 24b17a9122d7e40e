"""The colours of the screen as plain data, and the choice of a palette for a terminal.

Knows: the foreground, background and attributes of each style name, for a dark and a light background, for terminals
of 16 colours, and without any colour. Does not know Textual, nor the texts in a style.

The three severities are chosen so that a fault has the highest contrast of them and all three stay apart for readers
who do not see red or green; tests/faces/screen/test_palettes.py computes both. The values are our own choice.
"""

from collections.abc import Mapping
from typing import NamedTuple

STYLES = (
    "plain",
    "strong",
    "dim",
    "notice",
    "warning",
    "fault",
    "notice-tag",
    "warning-tag",
    "fault-tag",
    "chosen",
)
"""The names of the styles. A ``-tag`` style is for the short tag of a flag, such as ``[4]``."""
MIN_CONTRAST = 4.5
"""The least contrast of a text with its background (WCAG 2.1, success criterion 1.4.3)."""


class Paint(NamedTuple):
    """The colours of a text as ``#rrggbb`` or as a name of Textual's ANSI colours, and its attributes."""

    foreground: str
    background: str
    attributes: str = "none"


class Palette(NamedTuple):
    """The paint of every style, and of the list of commands."""

    name: str
    is_dark: bool
    is_ansi: bool
    """Whether the colours are the terminal's own, by their ANSI names."""
    styles: Mapping[str, Paint]
    panel: Paint
    """For the list of commands."""


def _palette(
    name: str,
    *,
    is_dark: bool,
    is_ansi: bool = False,
    back: str,
    plain: str,
    dim: str,
    severities: tuple[str, str, str],
    panel: str,
    chosen: Paint,
    fault_tag: Paint | None = None,
) -> Palette:
    """Return a palette; ``severities`` are the colours of notice, warning and fault, in this order."""
    notice, warning, fault = severities
    styles = {
        "plain": Paint(plain, back),
        "strong": Paint(plain, back, "bold"),
        "dim": Paint(dim, back),
        "notice": Paint(notice, back),
        "warning": Paint(warning, back),
        "fault": Paint(fault, back, "bold"),
        "notice-tag": Paint(notice, back, "bold"),
        "warning-tag": Paint(warning, back, "bold"),
        "fault-tag": fault_tag or Paint(fault, back, "bold"),
        "chosen": chosen,
    }
    return Palette(name, is_dark, is_ansi, styles, Paint(plain, panel))


DARK = _palette(
    "dark",
    is_dark=True,
    back="#14171a",
    plain="#d6d9db",
    dim="#9aa3aa",
    severities=("#7ba5e8", "#cf9f2f", "#ffb0a0"),
    panel="#242a30",
    chosen=Paint("#14171a", "#d6d9db", "bold"),
)
LIGHT = _palette(
    "light",
    is_dark=False,
    back="#faf9f6",
    plain="#24282c",
    dim="#5c646b",
    severities=("#2460ae", "#805500", "#6f0a1e"),
    panel="#ebe9e3",
    chosen=Paint("#faf9f6", "#24282c", "bold"),
)
_RED_TAG = Paint("ansi_bright_white", "ansi_red", "bold")
"""No red of the usual 16 colours has the contrast of yellow on black, so a fault is strongest by its tag."""
DARK_16 = _palette(
    "dark-16",
    is_dark=True,
    is_ansi=True,
    back="ansi_black",
    plain="ansi_bright_white",
    dim="ansi_white",
    severities=("ansi_bright_cyan", "ansi_bright_yellow", "ansi_bright_red"),
    panel="ansi_black",
    chosen=Paint("ansi_black", "ansi_white"),
    fault_tag=_RED_TAG,
)
LIGHT_16 = _palette(
    "light-16",
    is_dark=False,
    is_ansi=True,
    back="ansi_bright_white",
    plain="ansi_black",
    dim="ansi_black",
    severities=("ansi_blue", "ansi_magenta", "ansi_red"),
    panel="ansi_bright_white",
    chosen=Paint("ansi_bright_white", "ansi_black"),
    fault_tag=_RED_TAG,
)
"""No grey and no yellow of the usual 16 is readable on white: dim texts are black and warnings are magenta."""
UNCOLOURED = Palette(
    "uncoloured",
    True,
    True,
    {
        **dict.fromkeys(STYLES, Paint("ansi_default", "ansi_default")),
        "strong": Paint("ansi_default", "ansi_default", "bold"),
        "fault": Paint("ansi_default", "ansi_default", "bold"),
        "fault-tag": Paint("ansi_default", "ansi_default", "bold reverse"),
        "chosen": Paint("ansi_default", "ansi_default", "reverse"),
    },
    Paint("ansi_default", "ansi_default"),
)
"""The palette for NO_COLOR: the terminal's own two colours, bold and reversed letters."""
PALETTES = (DARK, LIGHT, DARK_16, LIGHT_16, UNCOLOURED)


def wants_no_colour(environment: Mapping[str, str]) -> bool:
    """Tell whether NO_COLOR is set and not empty, which is the rule of no-color.org (from memory)."""
    return bool(environment.get("NO_COLOR"))


def has_light_background(environment: Mapping[str, str]) -> bool:
    """Tell whether a terminal reports a light background; without a readable report it counts as dark.

    COLORFGBG has the numbers of the foreground and the background colour, sometimes with a third value between them.
    Of the numbers 0 to 15 the light ones are 7 and 9 to 15. Common practice of terminals, no source.
    """
    number = environment.get("COLORFGBG", "").rpartition(";")[2]
    return number == "7" or number in {str(light) for light in range(9, 16)}


def palette_for(environment: Mapping[str, str], *, light: bool, few_colours: bool) -> Palette:
    """Return the palette of a terminal.

    Args:
        environment: the variables of the environment.
        light: whether the user requested a light background; otherwise the terminal's own is used where it is known.
        few_colours: whether the terminal has no more than 16 colours.
    """
    if wants_no_colour(environment):
        return UNCOLOURED
    if light or has_light_background(environment):
        return LIGHT_16 if few_colours else LIGHT
    return DARK_16 if few_colours else DARK
