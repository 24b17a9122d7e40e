"""The page of all messages: by subject, each with its facts, its worked frame and a calculator.

Knows: what stands on the page. Does not know what stands of one message (`message_parts`), nor how a page is made one
file (`page`).
"""

from collections.abc import Iterable

from rvsim.faces.page.calculator_data import definitions
from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.page.message_parts import message_body, message_summary
from rvsim.faces.page.page import Page
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.spell_list import OWN, SUBJECTS, subject_of
from rvsim.wire.spec import MessageSpec

SCRIPTS = ("page.js", "arithmetic.js", "calculator.js", "reference.js")
STYLES = ("page.css", "spell.css")
_HOW_TO = (
    "Search by name, by DGN in hex or decimal, by field or by the name of a code, or paste a frame. The key / goes to "
    "the search; Enter unfolds the message that fits best. An address that ends in #1FFE2 unfolds that message. What "
    "is shown is printed, unfolded; all messages are some 200 pages."
)


def reference_page(specs: Iterable[MessageSpec], units: DisplayUnits = METRIC) -> Page:
    """Return the page of all messages."""
    every = list(specs)
    page = Page("All messages", scripts=SCRIPTS, styles=STYLES)
    with_fields = sum(bool(spec.fields) for spec in every)
    page.add_head(
        "All messages",
        f"{len(every)} messages, {with_fields} of them with a layout. Each part says where it comes from: published, "
        "from memory, from memory and not sure, or from your own definitions.",
    )
    page.add(element("p", _HOW_TO, class_="note screen"))
    for number, title in enumerate((*SUBJECTS.values(), OWN)):
        found = [spec for spec in every if subject_of(spec) == title]
        if found:
            page.add_section(f"subject-{number}", title, join(_message(spec, units) for spec in found))
    page.add(definitions(every))
    return page


def _message(spec: MessageSpec, units: DisplayUnits) -> Html:
    identifier = f"{spec.dgn:05X}"
    summary = element("summary", message_summary(spec), element("span", class_="hits"))
    link = element(
        "p", element("a", f"Address of this message: #{identifier}", href=f"#{identifier}"), class_="screen when"
    )
    body = message_body(spec, units)
    return element("details", summary, body, link, class_="message", id=identifier, data_name=spec.name)
