"""The palettes as themes of Textual.

Knows: the variables and rules of Textual's style sheets for our lines and for the palette of commands. Does not know
the colours themselves (`palettes`).
"""

from collections.abc import Mapping

from textual.theme import BUILTIN_THEMES, Theme

from rvsim.faces.screen.palettes import PALETTES, STYLES, Palette

SHEET_CSS = "\n".join(
    [
        "Sheet { height: 1fr; width: 100%; background: $sheet-plain-back; color: $sheet-plain; }",
        *(
            f"Sheet > .sheet--{name} {{ color: $sheet-{name}; background: $sheet-{name}-back; "
            f"text-style: $sheet-{name}-attributes; }}"
            for name in STYLES
        ),
    ]
)
"""One rule for each name in `palettes.STYLES`."""
APP_CSS = """
Screen { layout: vertical; background: $sheet-plain-back; color: $sheet-plain; }
#head { height: 3; }
#foot { height: auto; }
CommandPalette, CommandPalette:ansi { background: $sheet-plain-back; color: $panel-front; }
CommandPalette > Vertical, CommandPalette:dark > Vertical { background: $panel-back; margin-top: 1; }
CommandPalette #--input, CommandPalette #--input.--list-visible { border: none; background: $panel-back; }
CommandPalette SearchIcon { display: none; }
CommandPalette #--input { padding: 0 2; }
CommandPalette CommandInput, CommandPalette CommandInput:focus {
    border: none; background: $panel-back; color: $panel-front;
}
CommandPalette CommandInput > .input--placeholder { color: $sheet-dim; }
CommandPalette CommandInput > .input--cursor { color: $sheet-chosen; background: $sheet-chosen-back; }
CommandPalette CommandList, CommandPalette CommandList:focus { border: none; background: $panel-back; }
CommandPalette CommandList > .option-list--option { color: $panel-front; text-style: none; }
CommandPalette CommandList > .option-list--option-hover { color: $panel-front; background: $panel-back; }
CommandPalette CommandList > .option-list--option-highlighted {
    color: $sheet-chosen; background: $sheet-chosen-back; text-style: $sheet-chosen-attributes;
}
CommandPalette > .command-palette--help-text { color: transparent; text-style: none; }
CommandPalette > .command-palette--highlight { text-style: underline; }
"""


def theme_name(palette: Palette) -> str:
    """Return the name of the theme of a palette."""
    return f"rvsim-{palette.name}"


def variables_of(palette: Palette) -> Mapping[str, str]:
    """Return the variables that our style sheets use."""
    variables = {"panel-front": palette.panel.foreground, "panel-back": palette.panel.background}
    for name in STYLES:
        paint = palette.styles[name]
        variables[f"sheet-{name}"] = paint.foreground
        variables[f"sheet-{name}-back"] = paint.background
        variables[f"sheet-{name}-attributes"] = paint.attributes
    return variables


def _theme(palette: Palette) -> Theme:
    plain, styles = palette.styles["plain"], palette.styles
    return Theme(
        name=theme_name(palette),
        primary=styles["notice"].foreground,
        secondary=styles["notice"].foreground,
        accent=styles["notice"].foreground,
        warning=styles["warning"].foreground,
        error=styles["fault"].foreground,
        success=styles["notice"].foreground,
        foreground=plain.foreground,
        background=plain.background,
        surface=palette.panel.background,
        panel=palette.panel.background,
        dark=palette.is_dark,
        ansi=palette.is_ansi,
        variables={
            **(BUILTIN_THEMES[f"ansi-{'dark' if palette.is_dark else 'light'}"].variables if palette.is_ansi else {}),
            **variables_of(palette),
            "scrollbar": styles["dim"].foreground,
            "scrollbar-hover": styles["dim"].foreground,
            "scrollbar-active": styles["dim"].foreground,
            "scrollbar-background": palette.panel.background,
            "scrollbar-background-hover": palette.panel.background,
            "scrollbar-background-active": palette.panel.background,
            "scrollbar-corner-color": palette.panel.background,
        },
    )


THEMES = tuple(_theme(palette) for palette in PALETTES)
