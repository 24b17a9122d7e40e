"""The colours of a page as CSS variables: those of the screen, for light and dark.

Knows: which style of the screen each variable is. Does not know where they are used.
"""

from collections.abc import Iterator

from rvsim.faces.screen.palettes import DARK, LIGHT, Palette

_STYLES = ("plain", "dim", "notice", "warning", "fault")


def _variables(palette: Palette) -> Iterator[str]:
    yield f"color-scheme: {palette.name}"
    yield f"--back: {palette.styles['plain'].background}"
    yield f"--panel: {palette.panel.background}"
    yield from (f"--{style}: {palette.styles[style].foreground}" for style in _STYLES)


def colour_css() -> str:
    """Return the rules that set the colours: by the reader's system, by the page's button, and light on paper."""
    light, dark = ("; ".join(_variables(palette)) for palette in (LIGHT, DARK))
    return (
        f":root {{ {light} }}\n"
        f"@media screen and (prefers-color-scheme: dark) {{ :root:not([data-theme=light]) {{ {dark} }} }}\n"
        f"@media screen {{ :root[data-theme=dark] {{ {dark} }} }}\n"
    )
