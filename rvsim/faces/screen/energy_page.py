"""The page of energy: heat, water, mains and sun as measured on the bus, and the balance that a simulation knows.

Knows: which functions and messages tell of energy, and the layout of the balance as words, figures, rails and bars.
Does not know how the balance is sampled, nor Textual. A figure that no message carries is never shown as measured.
"""

from collections.abc import Iterator, Sequence
from itertools import zip_longest
from typing import NamedTuple

from rvsim.faces.screen.lines import Line, draw_rail, fit_width, plain_line, text_of, wrap_text
from rvsim.faces.screen.rails import rail_text, summary_text, trend_text
from rvsim.faces.screen.scene import Mode, Scene
from rvsim.faces.text.balance_text import (
    MIN_SPAN_US,
    amount,
    amount_of_day,
    is_shown,
    span_words,
    way_words,
    without_small,
)
from rvsim.faces.text.marks import mark
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.transitions import Presence
from rvsim.watch.watch import LastFrame
from rvsim.wire.fields import Reading, weakest
from rvsim.wire.quantity_text import figure
from rvsim.world.balance import Account, Share

_SUBJECTS: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = (
    ("heat, air", (
        ("ambient_sensor", ""), ("furnace", ""), ("water_heater", ""), ("air_conditioner", ""), ("roof_fan", ""),
    )),
    ("water", (("tank", ""), ("water_pump", ""))),
    ("mains", (("generator", ""),)),
    ("sun", (("solar_controller", "current"),)),
    ("battery", (("dc_source", "charge"),)),
)  # fmt: skip
"""The subjects with their functions, and which rail of each is drawn: the first where none is named."""
_MAINS_MESSAGES = (
    "CHARGER_AC_STATUS_1",
    "INVERTER_AC_STATUS_1",
    "GENERATOR_AC_STATUS_1",
    "ATS_AC_STATUS_1",
    "GENERIC_AC_STATUS_1",
)
_INPUT = 0
_COUNTED = ("L", "A")
"""The units of a stock of which the upper end is a figure of the vehicle."""
SUBJECT_COLUMNS, NAME_COLUMNS, TEXT_COLUMNS = 11, 18, 29
"""The columns of a measured row: the subject, who, and the sentence."""
RAIL_COLUMNS, NARROW_RAIL_COLUMNS, MIN_COLUMNS_FOR_RAILS = 14, 8, 94
"""The columns of a rail, of one in a narrower window, and from which width on it has all of them."""
WORD_COLUMNS, WHO_COLUMNS, NUMBER_COLUMNS, BAR_COLUMNS = 8, 23, 11, 19
"""The columns of a row of the balance: given, taken or left; who; each figure; the longest bar."""
MIN_COLUMNS_FOR_TWO = 164
"""From this width on the balance is in two columns."""
_NOT_MEASURED = (
    "Not on the bus, so not shown: watts of heat, litres of fuel, and which part of the heat walls and air take. "
    "A bench shows them."
)
_SOON = "The balance begins after a minute of the run."


def energy_lines(scene: Scene, width: int) -> list[Line]:
    """Return what is measured on the bus, then what the simulation knows, where there is one."""
    measured = list(_measured_lines(scene, width))
    lines: list[Line] = [((" Measured on the bus", "strong"),)]
    lines += measured or [plain_line("   nothing about energy has been received yet")]
    lines.append(())
    if scene.mode is not Mode.BENCH or scene.balance is None:
        return lines + wrap_text(_NOT_MEASURED, width, " ", " ", "dim")
    lines += wrap_text(
        "Known to the simulation alone, not on the bus: watts now, and sums of one sample a minute.",
        width, " ", " ", "strong",
    )  # fmt: skip
    span = scene.balance.span_us
    when = f"last {span_words(span)}" if span >= MIN_SPAN_US else ""
    blocks = [_account_lines(scene, account, when) for account in scene.balance.accounts()]
    if not when:
        lines.append(plain_line(f"   {_SOON}"))
    if width >= MIN_COLUMNS_FOR_TWO:
        return lines + _two_columns(blocks, width)
    return lines + [line for block in blocks for line in block]


def _two_columns(blocks: Sequence[list[Line]], width: int) -> list[Line]:
    """Return blocks of lines in two columns, the first as high as it takes for half of the lines."""
    half = sum(map(len, blocks)) / 2
    left: list[Line] = []
    right: list[Line] = []
    for block in blocks:
        (left if len(left) + len(block) / 2 <= half and not right else right).extend(block)
    column = width // 2
    return [(*fit_width(one, column), *other) for one, other in zip_longest(left, right, fillvalue=())]


# Measured on the bus.


def _measured_lines(scene: Scene, width: int) -> Iterator[Line]:
    """Yield a row for each device that tells of energy, by subject."""
    devices = [device for device in scene.devices() if device.last_heard is not None]
    for subject, functions in _SUBJECTS:
        rows = [row for device in devices for row in _function_rows(scene, device, dict(functions), width)]
        if subject == "mains":
            rows += [row for device in devices for row in _mains_rows(scene, device, width)]
        for number, row in enumerate(rows):
            yield ((f" {subject if number == 0 else '':<{SUBJECT_COLUMNS}}", "dim"), *row)


def _function_rows(scene: Scene, device: RollCallLine, wanted: dict[str, str], width: int) -> Iterator[Line]:
    for name, title, found in scene.sent.titled(device):
        if name not in wanted or not found.sentence:
            continue
        text = summary_text(scene, found) + trend_text(scene, device.device, title, found.rails)
        rails = [rail for rail in found.rails if rail.title == wanted[name]] or list(found.rails)
        drawn = rail_text(scene, device.device, title, rails[0], _rail_columns(width)) if rails else ""
        yield _measured_row(device, text, drawn, width)


class _Mains(NamedTuple):
    """The readings of one page of alternating current."""

    direction: Reading
    volts: Reading
    amps: Reading


def _mains_rows(scene: Scene, device: RollCallLine, width: int) -> Iterator[Line]:
    """Yield a row for each input and output of the mains that a device reports."""
    for last in scene.watch.last_frames(device.device):
        if last.spec is None or last.topic.message not in _MAINS_MESSAGES or scene.sent.is_old(last):
            continue
        found = _mains_of(last)
        if found is None:
            continue
        is_input = found.direction.raw == _INPUT
        amps, limit = found.amps.value, scene.mains_limit_amps(device.device, is_input=is_input)
        sentence = f"{'takes' if is_input else 'gives'} {scene.units.render(found.amps.brief)} AC"
        drawn = ""
        if limit is not None:
            over = ", over its limit" if amps is not None and amps > limit else ""
            sentence += over
            rail = draw_rail(None if amps is None else float(amps), None, 0.0, limit, _rail_columns(width))
            drawn = f"{0:>4} {rail} {scene.units.quantity(figure(round(limit, 1), 'A'))}"
        origin = weakest(last.spec.origin, found.direction.origin, found.amps.origin)
        yield _measured_row(device, sentence + mark((origin,)), drawn, width)


def _mains_of(last: LastFrame) -> _Mains | None:
    if last.spec is None:
        return None
    readings = {reading.field.name: reading for reading in last.spec.decode(last.frame.data)}
    names = ("input_output", "rms_voltage", "rms_current")
    return _Mains(*(readings[name] for name in names)) if all(name in readings for name in names) else None


def _rail_columns(width: int) -> int:
    return RAIL_COLUMNS if width >= MIN_COLUMNS_FOR_RAILS else NARROW_RAIL_COLUMNS


def _measured_row(device: RollCallLine, text: str, drawn: str, width: int) -> Line:
    """Return who reports, the sentence, and the rail where there is room; an old value says so."""
    if device.state is Presence.SILENT:
        text, drawn = f"silent; last: {text}", ""
    name = fit_width(plain_line(device.device), NAME_COLUMNS - 1)
    row: Line = (*name, (" ", "plain"), (text, "plain"))
    columns = TEXT_COLUMNS if width >= MIN_COLUMNS_FOR_RAILS else 0
    at = max(NAME_COLUMNS + columns, len(text_of(row)) + 1, 0 if columns else width - SUBJECT_COLUMNS - 22)
    if not drawn or 1 + SUBJECT_COLUMNS + at + len(drawn) > width:
        return row
    return (*fit_width(row, at), (drawn, "dim"))


# The balance of a simulation.


def _account_lines(scene: Scene, account: Account, when: str) -> list[Line]:
    """Return one part of the balance: its title with the rail of its stock, who gives, who takes, what is left."""
    head = account.what[0].upper() + account.what[1:]
    lines: list[Line] = [((f"   {head}", "strong"), (f"  {_stock_text(scene, account)}", "plain"))]
    given, taken = _worth_a_row(account, account.given), _worth_a_row(account, account.taken)
    if not given and not taken:
        return lines
    day = _unit(scene, account.day_unit) if when else ""
    heading = f"{'':{5 + WORD_COLUMNS + WHO_COLUMNS}}{f'now, {_unit(scene, account.unit)}':>{NUMBER_COLUMNS}}"
    lines.append(((f"{heading}{day:>{NUMBER_COLUMNS}}  {when}".rstrip(), "dim"),))
    left_day, left_now = account.left_of_day, account.left_now
    most = max([share.day for share in (*given, *taken)] + [abs(left_day)])
    for word, shares in (("given", given), ("taken", taken)):
        for number, share in enumerate(shares):
            lines.append(_share_line(scene, account, word if number == 0 else "", share, most))
    if account.keeps:
        way = left_day if is_shown(left_day, account.day_unit) else left_now
        sign = 1 if way >= 0 else -1
        share = Share(way_words(account, way), sign * left_now, sign * left_day)
        lines.append(_share_line(scene, account, "left", share, most))
    return lines


def _worth_a_row(account: Account, shares: Sequence[Share]) -> list[Share]:
    """Return the parts that are more than nothing with the decimals that are shown."""
    return [
        share
        for share in without_small(shares)
        if is_shown(share.now, account.unit) or is_shown(share.day, account.day_unit)
    ]


def _share_line(scene: Scene, account: Account, word: str, share: Share, most: float) -> Line:
    """Return one row: a word, who, the figure now, the sum, and a bar of the sum."""
    now = scene.units.quantity(amount(share.now, account.unit, names_unit=False))
    day = scene.units.quantity(amount_of_day(share.day, account.day_unit, names_unit=False))
    bar = "═" * (round(BAR_COLUMNS * share.day / most) if most > 0 else 0)
    text = f"     {word:<{WORD_COLUMNS}}{share.who:<{WHO_COLUMNS}.{WHO_COLUMNS}}{now:>{NUMBER_COLUMNS}}"
    return plain_line(f"{text}{day:>{NUMBER_COLUMNS}}  {bar}".rstrip())


def _stock_text(scene: Scene, account: Account) -> str:
    """Return what is there as a figure and on its rail, where ▒ is what was there before."""
    stock = account.stock
    if stock is None:
        return "no source" if account.unit == "W" else ""
    now = scene.units.quantity(amount(stock.value, stock.unit))
    rail = draw_rail(stock.value, account.stock_before, stock.low, stock.high, RAIL_COLUMNS)
    low = scene.units.quantity(figure(stock.low, stock.unit, names_unit=False))
    high = scene.units.quantity(
        amount(stock.high, stock.unit) if stock.unit in _COUNTED else figure(stock.high, stock.unit)
    )
    over = ", at its limit" if stock.unit == "A" and stock.value >= 0.999 * stock.high else ""
    return f"{stock.title} {now}{over}  {low} {rail} {high}"


def _unit(scene: Scene, unit: str) -> str:
    """Return the name of a unit as it is shown."""
    return scene.units.conversion_of(amount(0.0, unit)).unit
