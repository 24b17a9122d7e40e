"""HTML from elements: what is not HTML is escaped, wherever it stands."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.page.markup import Html, breakable, element, join, text


def test_elements():
    """Texts are escaped, pieces of HTML are not; attributes have hyphens, a value or none."""
    made = element(
        "p", "a < b & c", element("b", "d"), None, class_="x y", data_key=3, hidden=True, id=None, title=False
    )
    assert made == '<p class="x y" data-key="3" hidden>a &lt; b &amp; c<b>d</b></p>'
    assert element("p", made) == f"<p>{made}</p>"
    assert element("path", d="M0 0") == '<path d="M0 0"/>'


def test_zero_is_a_value():
    """A number 0 is written, though False leaves an attribute out."""
    assert element("td", data_key=0, data_other=0.0) == '<td data-key="0" data-other="0.0"></td>'


@pytest.mark.parametrize("attribute", ["title", "data_since", "aria_label"])
def test_attributes_are_escaped(attribute):
    """A quotation mark does not end the value."""
    made = element("p", **{attribute: '"><script>'})
    assert "<script>" not in made
    assert made.count('"') == 2


@given(st.text())
def test_no_text_becomes_an_element(content):
    """Whatever a text holds, the only tags are those of the element."""
    made = element("p", content, title=content)
    assert made.count("<") == 2
    assert made.count(">") == 2
    assert join([content, Html("<i>")]).count("<") == 1


def test_control_characters_are_written_out():
    """As in all output: what is invisible or turns the direction of a text is shown by its number."""
    assert text("a\u202eb\x00") == "a\\u202eb\\u0000"


def test_long_names_may_break():
    """After each underscore; the rest is escaped, and the text stays the same."""
    assert breakable("A_<B>_c") == "A_<wbr/>&lt;B&gt;_<wbr/>c"
    assert breakable("plain") == "plain"
