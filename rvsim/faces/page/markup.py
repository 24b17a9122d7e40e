"""HTML put together from elements: every text is escaped unless it is an element itself.

Knows: how texts and attributes are escaped. Does not know what a page has in it.
"""

from collections.abc import Iterable
from html import escape

from rvsim.errors import printable

_WITHOUT_END = frozenset({"wbr", "path"})
"""Elements that have no content and are closed at once."""


class Html(str):
    """A piece of HTML; any other string is a text, and is escaped where it becomes part of one."""

    __slots__ = ()


Content = str | None
"""What an element holds: pieces of HTML, texts, or nothing."""
Attribute = str | int | float | bool | None


def text(content: Content) -> Html:
    """Return a text as HTML, escaped, with control characters written out; HTML stays as it is."""
    if content is None:
        return Html("")
    return content if isinstance(content, Html) else Html(escape(printable(content)))


def join(contents: Iterable[Content]) -> Html:
    """Return several pieces as one."""
    return Html("".join(map(text, contents)))


def element(name: str, *contents: Content, **attributes: Attribute) -> Html:
    """Return an element.

    An underscore in the name of an attribute stands for a hyphen, one at its end for nothing (``class_``). True is an
    attribute without a value; None and False leave it out.
    """
    written = "".join(_attribute(key.rstrip("_").replace("_", "-"), value) for key, value in attributes.items())
    if name in _WITHOUT_END:
        return Html(f"<{name}{written}/>")
    return Html(f"<{name}{written}>{join(contents)}</{name}>")


def _attribute(name: str, value: Attribute) -> str:
    if value is None or value is False:
        return ""
    return f" {name}" if value is True else f' {name}="{text(str(value))}"'


def breakable(name: str) -> Html:
    """Return a name that may go on in a new line after each underscore."""
    first, *others = name.split("_")
    return join([first, *(piece for other in others for piece in ("_", element("wbr"), other))])
