"""Numbers on rails, with their trend in words and the mark of what a sentence rests on.

Knows: how a rail of a function and its ends are put in text. Does not know where on a page they stand.
"""

from fractions import Fraction

from rvsim.faces.screen.lines import draw_rail
from rvsim.faces.screen.scene import Scene
from rvsim.faces.text.marks import mark
from rvsim.watch.summaries import Rail, Summary
from rvsim.wire.fields import State
from rvsim.wire.quantity_text import Quantity

_TREND_RESOLUTION = Fraction(1, 10)
"""The resolution of a trend, in °C per minute."""
_STEADY_BELOW = 0.05
"""A change below this is shown as steady, in °C per minute: half the resolution."""


def summary_text(scene: Scene, found: Summary) -> str:
    """Return the summary of a function with the mark of its weakest origin."""
    return scene.units.render(found.sentence) + mark((found.origin,)) if found.sentence else ""


def trend_text(scene: Scene, device: str, title: str, rails: tuple[Rail, ...]) -> str:
    """Return the trend of an air temperature in words; empty for other rails."""
    if not rails or rails[0].reading.field.name != "ambient_temperature":
        return ""
    change = scene.sent.change_per_minute(device, title, rails[0])
    if change is None or rails[0].reading.state is not State.VALUE:
        return ""
    if abs(change) < _STEADY_BELOW:
        return ", steady"
    field = rails[0].reading.field
    text = f"{abs(change):.1f} {field.printed_unit}"
    amount = Quantity(Fraction(abs(change)), _TREND_RESOLUTION, field.unit, text, is_difference=True)
    return f", {'rising' if change > 0 else 'falling'} {scene.units.quantity(amount)} a minute"


def rail_text(scene: Scene, device: str, title: str, of: Rail, width: int) -> str:
    """Return a rail of ``width`` columns between its planned limits in figures."""
    low, high = scene.sent.limits(device, of)
    value = of.reading.value
    drawn = draw_rail(
        None if value is None else float(value), scene.sent.past_value(device, title, of), low, high, width
    )
    field = of.reading.field
    first = scene.units.quantity(field.figure(low, names_unit=False))
    return f"{first:>4} {drawn} {scene.units.quantity(field.figure(high))}"
