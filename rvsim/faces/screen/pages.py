"""The pages as rows: a device on the trunk is put into words only when its row is shown.

Knows: the arrangement of every page; open devices and the pages of one device are made whole. Does not know Textual;
whoever asks for a row holds the run's lock.
"""

from collections.abc import Callable, Mapping
from fractions import Fraction
from functools import partial

from rvsim.faces.screen.bus_page import access_lines, promise_lines, trouble_lines
from rvsim.faces.screen.flag_page import flag_lines
from rvsim.faces.screen.keys import hint, keys
from rvsim.faces.screen.ledger_page import ledger_lines
from rvsim.faces.screen.lines import (
    MARKS,
    Line,
    Row,
    Span,
    ago,
    beside,
    cut,
    joined,
    made,
    plain,
    rail,
    tag,
    text_of,
    with_tag,
    wrapped,
)
from rvsim.faces.screen.scene import Mode, Page, Scene, Target
from rvsim.faces.screen.tape import opened, pieces, running
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.flags import group_flags, tags
from rvsim.faces.text.marks import LEGEND, mark
from rvsim.faces.text.spell_fields import ORIGIN_WORDS
from rvsim.watch.flag import Flag
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Rail, Summary
from rvsim.watch.transitions import Presence
from rvsim.watch.watch import LastFrame
from rvsim.wire import texts
from rvsim.wire.fields import State, weakest
from rvsim.wire.quantity_text import Quantity

RAIL_COLUMN, RAIL_WIDTH, TAGS_WIDTH = 71, 34, 7
"""Where rails begin on wide screens, unless a sentence is longer, and how wide they and the tags after them are."""
MOST_DEED_LINES = 3
MOST_MESSAGES = 6
"""Messages that are named in place of a device that nobody has words for."""
_TREND_STEP = Fraction(1, 10)
"""What a trend is told to, in °C a minute."""
WIDE = 120
"""From this width on every device has its first rail beside it, and ledger and tape stand below."""


def foot(scene: Scene, width: int) -> list[Line]:
    """Return the lines at the bottom: what was done last, the tape, the keys."""
    lines = []
    if width >= WIDE and scene.page is Page.ABOARD:
        lines += [*ledger_lines(scene, width), *tape_lines(scene, width)]
    elif scene.page is Page.ABOARD:
        lines += _short_tape(scene, width)
    for text in scene.broken[-2:]:
        lines += [cut(line, width) for line in wrapped(text, width, style="fault")]
    if not scene.deed and scene.mode is Mode.BENCH and scene.page in (Page.ABOARD, Page.SAYS, Page.TAPE):
        lines.append(cut(_reading_line(scene), width))
    elif scene.deed or scene.page is not Page.KEYS:
        deed = scene.units.render(scene.deed)
        lines += [cut(line, width) for line in wrapped(deed, width, style="plain")[:MOST_DEED_LINES]]
    return [*lines, cut(((hint(scene.mode, width), "dim"),), width)]


def _reading_line(scene: Scene) -> Line:
    """Say which reading hold and corrupt act on."""
    choices, target = scene.readings(), scene.target()
    if target is None:
        return ()
    places = {choice.target: number for number, choice in enumerate(choices)}
    if scene.page is Page.TAPE or target not in places:
        return ((" For h and x: ", "dim"), (target.field.replace("_", " "), "plain"))
    reading = choices[places[target]].reading
    which = f" Reading {places[target] + 1} of {len(choices)} (← →) for h and x: "
    return ((which, "dim"), (f"{reading.field.title} {reading.brief}", "plain"), (f", {target.message}", "dim"))


def _short_tape(scene: Scene, width: int) -> list[Line]:
    told = scene.spelled()
    if told is None:
        return [cut(plain(" Tape  nothing heard of it yet"), width), cut((), width)]
    chosen = None if scene.piece is None else _within(told, scene.piece)
    spelled = "".join(text for text, _ in running(told.spec, told.frame.data, chosen, scene.units))
    text = f"{told.topic} at {ago(told.frame.time)}: {spelled}"
    lines = wrapped(text, width - 1, " Tape  ", "       ")
    if len(lines) > 2:
        lines[1] = (*lines[1], ("…", "dim"))
    return [cut(line, width) for line in (*lines, ())[:2]]


def body(scene: Scene, width: int) -> tuple[list[Row], tuple[int, int]]:
    """Return the rows of the page, and the first and last row of what is chosen."""
    if scene.page is Page.ABOARD:
        return _aboard(scene, width)
    lines = _PAGES[scene.page](scene, width)
    marked = [number for number, line in enumerate(lines) if any(style == "chosen" for _, style in line)]
    return [made(cut(line, width)) for line in lines], (marked[0], marked[-1]) if marked else (0, 0)


# Aboard.


def _aboard(scene: Scene, width: int) -> tuple[list[Row], tuple[int, int]]:
    devices = scene.devices()
    name = min(22, max((len(one.device) for one in devices), default=8))
    ohms = ", 120 ohm" if scene.mode is Mode.BENCH else ""
    rows: list[Row] = [made(cut(((f" Ω  one end of the trunk{ohms}", "dim"),), width))]
    rows += [made(cut(line, width)) for line in _of_the_bus(scene, devices, width)]
    chosen = (0, 0)
    flags = scene.flags_by_subject()
    for device in devices:
        first = len(rows)
        own = flags.get(device.device, [])
        rows.append(Row(partial(_device, scene, device, own, name, width), tag(own[0]) if own else None))
        if device.device in scene.opened:
            rows += [made(cut(line, width)) for line in _in_place(scene, device, width)]
        if device.device == scene.chosen:
            chosen = (first, len(rows) - 1)
    rows.append(made(cut(((f" Ω  the other end{ohms}", "dim"),), width)))
    return rows, chosen


def _of_the_bus(scene: Scene, devices: list[RollCallLine], width: int) -> list[Line]:
    """Return the flags that stand for no device: those of the whole bus."""
    names = {one.device for one in devices}
    lines: list[Line] = []
    for cause in scene.account().causes:
        head = tags(cause.flags)
        text = f"{head} cause since {ago(cause.since)}: {scene.units.render(cause.text)}"
        wrapped_text = wrapped(text, width, " ║ ", " ║   ", str(cause.severity))
        lines += with_tag(wrapped_text, head, f"{cause.severity}-tag")
        lines += wrapped(f"Try next: {cause.advice}", width, " ║ ", " ║   ")
    flags = [flag for flag in scene.watch.flags if flag.subject not in names]
    return lines + _flags_in_place(flags, scene.units, width, " ║ ")


def _flags_in_place(flags: list[Flag], units: DisplayUnits, width: int, edge: str) -> list[Line]:
    """Return flags with the next step; those of one kind stand together."""
    lines: list[Line] = []
    for group in group_flags(flags):
        first = group[0]
        signs = tags(group)
        for number, flag in enumerate(group):
            head = f"{signs} {first.severity} since {ago(first.since)}: " if number == 0 else ""
            found = wrapped(head + units.render(flag.text), width, edge, edge + "  ", str(first.severity))
            lines += with_tag(found, signs, tag(first)[1]) if number == 0 else found
        lines += wrapped(f"Try next: {first.advice}", width, edge, edge + "  ")
    return lines


def _device(scene: Scene, device: RollCallLine, flags: list[Flag], name: int, width: int) -> Line:
    """Return the row of a device: what is as planned is quiet, an exception is painted as its worst flag."""
    is_chosen = device.device == scene.chosen
    state = str(device.state) if device.state is not None else "awaited"
    is_as_planned = device.state in (Presence.PRESENT, Presence.ASLEEP, None)
    worst = str(flags[0].severity) if flags else "dim" if is_as_planned else "strong"
    shown = device.device[:name]
    left: Line = (
        ("►" if is_chosen else " ", "strong"),
        (MARKS[device.state], worst),
        (" ", "plain"),
        (shown, "chosen" if is_chosen else "plain"),
        (" " * (name - len(shown) + 2), "plain"),
        (f"{state:<10} ", worst),
        ("by hand: " if scene.by_hand(device.device) else "", "strong"),
        (_sentence(scene, device), "plain"),
    )
    signs: list[Span] = [span for flag in flags[:2] for span in ((" ", "plain"), tag(flag))]
    if width < WIDE:
        return beside(left, tuple(signs), width)
    return _with_rail(left, _first_rail(scene, device), tuple(signs), width)


def _with_rail(left: Line, drawn: str, signs: Line, width: int) -> Line:
    """Return a wide row: the rail in its column, or after a sentence that needs more room, and then the tags."""
    at = max(RAIL_COLUMN, len(text_of(left)) + 2)
    if drawn and at + RAIL_WIDTH + TAGS_WIDTH <= width:
        left = (*cut(left, at), (f"{drawn:<{RAIL_WIDTH}}", "dim"))
    tags_at = max(RAIL_COLUMN + RAIL_WIDTH, len(text_of(left)))
    if tags_at + len(text_of(signs)) <= width:
        return cut((*cut(left, tags_at), *signs), width)
    return beside(left, signs, width)


def _sentence(scene: Scene, device: RollCallLine) -> str:
    if device.state is Presence.SILENT:
        return f"last heard at {ago(device.last_heard)}" if device.last_heard is not None else "never heard"
    if device.state is Presence.UNPLANNED:
        return "not in the rig" + (f"; speaks as {joined(device.functions)}" if device.functions else "")
    if device.state is None:
        return "not heard yet"
    words = [_words(scene, w) + _trend(scene, device.device, title, w.rails) for title, w in scene.sayings(device)]
    said = "; ".join(word for word in words if word) or _counted(scene, device)
    late = scene.overdue(device.device) if device.state is Presence.LATE else None
    return said + (f", next was due {ago(late)} ago" if late is not None else "")


def _words(scene: Scene, said: Summary) -> str:
    """Return what a function says, with the mark of its weakest part."""
    return scene.units.render(said.sentence) + mark((said.origin,)) if said.sentence else ""


def _counted(scene: Scene, device: RollCallLine) -> str:
    """Say what can be said of a device that speaks for no function that has words here."""
    told = list(scene.watch.last_frames(device.device))
    unknown = sum(one.spec is None for one in told)
    messages = f"{len(told)} message{'' if len(told) == 1 else 's'}"
    return messages + (f", {unknown} without a definition here" if unknown else "")


def _trend(scene: Scene, device: str, title: str, rails: tuple[Rail, ...]) -> str:
    """Say where an air temperature is going, in words."""
    if not rails or rails[0].reading.field.name != "ambient_temperature":
        return ""
    change = scene.a_minute(device, title, rails[0])
    if change is None or rails[0].reading.state is not State.VALUE:
        return ""
    if abs(change) < 0.05:
        return ", steady"
    field = rails[0].reading.field
    amount = Quantity(
        Fraction(abs(change)), _TREND_STEP, field.unit, f"{abs(change):.1f} {field.spoken_unit}", is_difference=True
    )
    return f", {'rising' if change > 0 else 'falling'} {scene.units.quantity(amount)} a minute"


def _first_rail(scene: Scene, device: RollCallLine) -> str:
    for title, words in scene.sayings(device):
        if words.rails:
            return _rail_text(scene, device.device, title, words.rails[0], 18)
    return ""


def _rail_text(scene: Scene, device: str, title: str, of: Rail, width: int) -> str:
    low, high = scene.limits(device, of)
    value = of.reading.value
    drawn = rail(None if value is None else float(value), scene.past(device, title, of), low, high, width)
    field = of.reading.field
    first = scene.units.quantity(field.figure(low, names_unit=False))
    return f"{first:>4} {drawn} {scene.units.quantity(field.figure(high))}"


def _in_place(scene: Scene, device: RollCallLine, width: int) -> list[Line]:
    """Return the lines under an open device: its flags with the next step, what it says on rails, who commands it."""
    lines = _flags_in_place(scene.flags_of(device.device), scene.units, width, " ║ │  ")
    silent = device.state is Presence.SILENT and device.last_heard is not None
    sayings = scene.sayings(device)
    target = scene.target() if device.device == scene.chosen and scene.mode is Mode.BENCH else None
    if sayings:
        said = f"It last said, at {ago(device.last_heard or 0)}:" if silent else "It says:"
        lines.append(((" ║ │  ", "dim"), (said, "plain")))
    else:
        lines += [((" ║ │  ", "dim"), (text, "plain")) for text in _messages(scene, device)]
    for title, words in sayings:
        lines.append(((" ║ │    ", "dim"), (f"{title}: {_words(scene, words)}", "plain")))
        for of in words.rails:
            drawn = _rail_text(scene, device.device, title, of, max(12, min(30, width - 54)))
            number = f"{scene.units.render(of.reading.brief):>12}{mark((of.origin,)):<3}"
            is_chosen = target == Target(of.message, of.reading.field.name)
            name: Line = ((of.title, "chosen" if is_chosen else "plain"), (" " * (12 - len(of.title)), "plain"))
            lines.append(((" ║ │      ", "dim"), *name, (f"{number} ", "plain"), (drawn, "dim")))
    if device.product is not None:
        lines.append(((" ║ │  ", "dim"), (f"Product: {device.product}{mark((texts.ORIGIN,))}", "plain")))
    if device.name is not None:
        claim = device.name
        claimed = f"NAME: manufacturer code {claim.manufacturer_code}, serial number {claim.serial_number}."
        lines.append(((" ║ │  ", "dim"), (claimed, "plain")))
    waiting = scene.waiting(device)
    last = f"Commanded by: {joined(waiting)}." if waiting else "No commands to it heard."
    lines.append(((" ║ │  ", "dim"), (last, "plain")))
    lines[0] = ((" ║ ┌─ ", "dim"), *lines[0][1:])
    lines[-1] = ((" ║ └─ ", "dim"), *lines[-1][1:])
    return lines


def _messages(scene: Scene, device: RollCallLine) -> list[str]:
    """Say which messages come of a device that speaks for no function that has words here."""
    told = list(scene.watch.last_frames(device.device))
    texts = [f"{one.topic}" + (f", every {one.gap / 1e6:.1f} s" if one.gap else "") for one in told[:MOST_MESSAGES]]
    return texts + ([f"and {len(told) - MOST_MESSAGES} more"] if len(told) > MOST_MESSAGES else [])


# The other pages.


def says_lines(scene: Scene, _: int) -> list[Line]:
    """Return all that the chosen device says: message by message, field by field, with where the layout comes from."""
    lines: list[Line] = []
    target = scene.target() if scene.mode is Mode.BENCH else None
    for told in scene.topics():
        gap = f", every {told.gap / 1e6:.1f} s" if told.gap else ""
        lines.append(((f" {told.topic}, {ago(max(0, scene.now - told.frame.time))} ago{gap}", "strong"),))
        if told.spec is None or not told.spec.fields:
            why = "which has no definition here" if told.spec is None else "known by name only"
            lines.append(plain(f"   {told.frame.data.hex(' ').upper()}, {why}"))
            continue
        for reading in told.spec.decode(told.frame.data):
            style = "dim" if reading.state in (State.NO_DATA, State.MISSING) else "plain"
            origin = ORIGIN_WORDS[weakest(told.spec.origin, reading.origin)]
            is_chosen = target == Target(told.spec.name, reading.field.name)
            name: Line = (
                ("►" if is_chosen else " ", "strong" if is_chosen else style),
                (" ", style),
                (reading.field.title, "chosen" if is_chosen else style),
                (" " * max(0, 30 - len(reading.field.title)), style),
            )
            lines.append((*name, (f" {scene.units.render(reading.brief):<22} {origin}", style)))
    return lines or [plain(f"{scene.chosen} has said nothing yet")]


def tape_lines(scene: Scene, width: int) -> list[Line]:
    """Return the chosen message byte by byte, and the arithmetic of the open byte."""
    told = scene.spelled()
    first, later = (" ", "  ") if scene.page is Page.TAPE else ("Tape  ", "      ")
    if told is None:
        return [plain(f"{first}nothing heard of it yet")]
    identifier = told.frame.identifier
    origin = f"{identifier:08X}: priority {identifier >> 26}, DGN {told.topic.dgn:05X}, from {told.topic.source:02X}"
    lines = wrapped(f"{told.topic}, {origin} ({told.device}), at {ago(told.frame.time)}", width, first, later)
    chosen = None if scene.piece is None else _within(told, scene.piece)
    spelled = "".join(text for text, _ in running(told.spec, told.frame.data, chosen, scene.units))
    lines += wrapped(spelled, width, later, later)
    if told.spec is not None and told.spec.fields and chosen is not None:
        for text in opened(told.spec, told.frame.data, chosen, scene.units):
            lines += wrapped(text, width, later, later + "  ")
    if scene.page is Page.TAPE:
        lines += wrapped(LEGEND, width, later, later, "dim")
    if scene.page is Page.TAPE and chosen is None:
        lines.append(((f"{later}← → opens a byte, n goes to the next of {len(scene.topics())} messages", "dim"),))
    return lines


def _within(told: LastFrame, piece: int) -> int:
    return min(piece, max(0, len(pieces(told.spec, told.frame.data)) - 1))


def key_lines(scene: Scene, width: int) -> list[Line]:
    """Return the keys."""
    lines: list[Line] = wrapped(LEGEND, width, "", "", "dim")
    for key, does in keys(scene.mode):
        lines += wrapped(does, width, f"  {key:<10}", " " * 12)
    lines += wrapped("rvsim about --words explains the words.", width, "", "", "dim")
    return lines


def wire_lines(scene: Scene, width: int) -> list[Line]:
    """Return what went wrong on the bus, one turn on it bit by bit, and what was computed from the plan."""
    wires, named = scene.watch.wires, scene.named
    lines = trouble_lines(wires, width) + access_lines(scene.access(), named, width)
    return lines + promise_lines(wires, named, width)


_PAGES: Mapping[Page, Callable[[Scene, int], list[Line]]] = {
    Page.SAYS: says_lines,
    Page.TAPE: tape_lines,
    Page.LEDGER: ledger_lines,
    Page.FLAGS: flag_lines,
    Page.WIRES: wire_lines,
    Page.KEYS: key_lines,
}
