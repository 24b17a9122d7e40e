"""A page as one file: head, table of contents, sections, styles, scripts and data.

Knows: how everything is put into one file that needs no network and may use none, and how the file is written. Does not
know what stands in its sections.
"""

import json
import re
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from gzip import compress
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from rvsim.errors import InputError, write_problem
from rvsim.faces.page.colours import colour_css
from rvsim.faces.page.markup import Html, element, join, text

_ASSETS = files("rvsim.faces.page")
_PLACE = re.compile(r"\[\[(\w+)\]\]")
"""A place of the template that is filled."""
_LOG_SCRIPTS = ("page.js", "tables.js", "readings.js", "drawings.js")
"""The scripts of the pages of logs in their order; in a page they are one."""


def _asset(name: str) -> str:
    return _ASSETS.joinpath(name).read_text(encoding="utf-8")


class Page:
    """The parts of a page in their order.

    ``scripts`` and ``styles`` are names of files beside this one; what is usual are those of the pages of logs.
    """

    def __init__(
        self, title: str, *, scripts: Sequence[str] = _LOG_SCRIPTS, styles: Sequence[str] = ("page.css",)
    ) -> None:
        self._title, self._scripts, self._styles = title, scripts, styles
        self._parts: list[Html] = []
        self._contents: list[Html] = []
        self._points: list[Mapping[str, Any]] = []

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

    def add_points(self, data: Mapping[str, Any]) -> None:
        """Add the points of a channel's readings, as plain data."""
        self._points.append(data)

    def render(self) -> str:
        """Return the page as one file."""
        script = "".join(map(_asset, self._scripts))
        filled = {
            "policy": f"default-src 'none'; script-src {_hash(script)}; style-src 'unsafe-inline'",
            "title": text(self._title),
            "style": colour_css() + "".join(map(_asset, self._styles)),
            "contents": join(self._contents),
            "parts": join(self._parts),
            "points": _packed(self._points),
            "script": script,
        }
        return _PLACE.sub(lambda place: filled[place[1]], _asset("page.html"))


def _hash(source: str) -> str:
    """Return how a policy names the one script that it allows."""
    return f"'sha256-{b64encode(sha256(source.encode('utf-8')).digest()).decode('ascii')}'"


def _packed(data: Sequence[Mapping[str, Any]]) -> str:
    """Return data as compressed JSON in letters, which the page's script unpacks."""
    content = json.dumps(data, separators=(",", ":")).encode("ascii")
    return b64encode(compress(content, 9, mtime=0)).decode("ascii")


def check_page_file(path: Path, logs: Iterable[str] = (), *, overwrite: bool, option: str = "--html") -> None:
    """Check that a page can be written to a file, which ``option`` names.

    Raises:
        InputError: the file exists and is not to be replaced, is one of ``logs``, or its folder is missing.
    """
    if path.is_dir():
        raise InputError(f"{option} {path}: a folder: name a file in it")
    if path.exists() and any(Path(log).exists() and path.samefile(log) for log in logs):
        raise InputError(f"{option} {path}: this is the log itself: name another file for the page")
    if path.exists() and not overwrite:
        raise InputError(f"{option} {path}: the file exists: name another one, or add --overwrite")
    if not path.parent.is_dir():
        raise InputError(f"{option} {path}: the folder {path.parent} is missing: make it, or name another place")


def write_page(path: Path, page: Page, *, overwrite: bool, option: str = "--html") -> None:
    """Write a page to a file; it is there as a whole or not at all.

    Raises:
        InputError: the file exists and is not to be replaced, or cannot be written.
    """
    write_rendered(path, page.render(), overwrite=overwrite, option=option)


def write_rendered(path: Path, rendered: str, *, overwrite: bool, option: str = "--html") -> None:
    """Write a page that is rendered already, as `write_page` does.

    Raises:
        InputError: the file exists and is not to be replaced, or cannot be written.
    """
    content = rendered.encode("utf-8", "backslashreplace")
    check_page_file(path, overwrite=overwrite, option=option)
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        unfinished.write_bytes(content)
        unfinished.replace(path)
    except OSError as error:
        raise InputError(f"{option} {path}: the page could not be written {write_problem(error)}") from None
    finally:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
