"""A page as one file: head, table of contents, sections, styles, scripts, data, and the library of the plots.

Knows: how everything is put into one file that needs no network and may use none, and how the file is written. Does not
know what stands in its sections.
"""

import json
import re
from base64 import b64encode
from collections.abc import Mapping
from gzip import compress
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from rvsim.errors import InputError, write_problem
from rvsim.faces.page.colours import colour_css
from rvsim.faces.page.markup import Html, element, join, text
from rvsim.faces.page.plot_library import plot_library

_ASSETS = files("rvsim.faces.page")
_PLACE = re.compile(r"\[\[(\w+)\]\]")
"""A place of the template that is filled."""
WITHOUT_PLOTS = (
    "the page has fixed lines in place of zoomable plots: for these, install the extra that brings the plot library, "
    'pip install "rvsim-bench[page]", and write the page again'
)
"""What is said where the library of the plots is not installed."""


def _asset(name: str) -> str:
    return _ASSETS.joinpath(name).read_text(encoding="utf-8")


class Page:
    """The parts of a page in their order."""

    def __init__(self, title: str) -> None:
        self._title = title
        self._parts: list[Html] = []
        self._contents: list[Html] = []
        self._plots: list[Mapping[str, Any]] = []

    def add(self, part: Html) -> None:
        """Add a part."""
        self._parts.append(part)

    def add_head(self, heading: str, sentence: str) -> None:
        """Add what the following sections are about."""
        self.add(element("header", element("h1" if len(self._parts) == 0 else "h2", heading), element("p", sentence)))

    def add_section(self, identifier: str, heading: str, *contents: Html | None) -> None:
        """Add a section with a heading, which the table of contents lists."""
        self._contents.append(element("li", element("a", heading, href=f"#{identifier}")))
        head = element("h2", heading, id=f"{identifier}-heading")
        self.add(element("section", head, *contents, id=identifier, aria_labelledby=f"{identifier}-heading"))

    def add_plots(self, data: Mapping[str, Any]) -> None:
        """Add what the plots of a channel need, as plain data."""
        self._plots.append(data)

    def render(self, library: bytes | None = None) -> str:
        """Return the page; ``library`` is the script that draws the plots, None for a page with fixed lines."""
        style, script = colour_css() + _asset("page.css"), _asset("page.js")
        stored: list[Html] = []
        scripts = [script]
        if library is not None:
            script += _asset("plots.js")
            scripts = [script, library.decode("utf-8")]
            stored = [
                _stored("plot-data", json.dumps(self._plots, separators=(",", ":")).encode("ascii")),
                _stored("plot-library", library),
            ]
        allowed = " ".join(_hash(source) for source in scripts)
        filled = {
            "policy": f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:",
            "title": text(self._title),
            "style": style,
            "contents": join(self._contents),
            "parts": join(self._parts),
            "stored": join(stored),
            "script": script,
        }
        return _PLACE.sub(lambda place: filled[place[1]], _asset("page.html"))


def _hash(source: str) -> str:
    """Return how a policy names the one script that it allows."""
    return f"'sha256-{b64encode(sha256(source.encode('utf-8')).digest()).decode('ascii')}'"


def _stored(identifier: str, content: bytes) -> Html:
    """Return content, compressed, as an element that the page's script unpacks."""
    packed = b64encode(compress(content, 9, mtime=0)).decode("ascii")
    return element("script", Html(packed), type="application/gzip", id=identifier)


def check_page_file(path: Path, *, overwrite: bool) -> None:
    """Check that a page can be written to a file.

    Raises:
        InputError: the file exists and is not to be replaced, or its folder is missing.
    """
    if path.is_dir():
        raise InputError(f"--html {path}: a folder: name a file in it")
    if path.exists() and not overwrite:
        raise InputError(f"--html {path}: the file exists: name another one, or add --overwrite")
    if not path.parent.is_dir():
        raise InputError(f"--html {path}: the folder {path.parent} is missing: make it, or name another place")


def write_page(path: Path, page: Page, *, overwrite: bool) -> bool:
    """Write a page to a file; it is there as a whole or not at all. Return whether its plots can be zoomed.

    Raises:
        InputError: the file exists and is not to be replaced, or cannot be written.
    """
    library = plot_library()
    content = page.render(library).encode("utf-8", "backslashreplace")
    check_page_file(path, overwrite=overwrite)
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        unfinished.write_bytes(content)
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise InputError(f"--html {path}: the page could not be written {write_problem(error)}") from None
    return library is not None
