"""The pages as rows: a device on the trunk is put into words only when its row is shown.

Knows: the arrangement of every page; open devices and the pages of one device are made whole. Does not know Textual;
whoever asks for a row holds the run's lock.
"""

from collections.abc import Callable, Mapping
from functools import partial

from rvsim.faces.screen.bus_page import access_lines, promise_lines, trouble_lines
from rvsim.faces.screen.flag_page import flag_lines
from rvsim.faces.screen.keys import hint, keys
from rvsim.faces.screen.ledger import ledger
from rvsim.faces.screen.lines import MARKS, Line, ago, beside, cut, joined, plain, rail, tag, wrapped
from rvsim.faces.screen.scene import Mode, Page, Scene
from rvsim.faces.screen.tape import opened, pieces, running
from rvsim.faces.text.flags import Account, gathered, tags
from rvsim.faces.text.marks import LEGEND, mark
from rvsim.faces.text.spell_fields import ORIGIN_WORDS
from rvsim.watch.bus.bus_load import MAX_POSSIBLE_PERCENT
from rvsim.watch.flag import Flag
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Rail, Summary
from rvsim.watch.transitions import Presence
from rvsim.watch.watch import LastFrame
from rvsim.wire import texts
from rvsim.wire.fields import State, weakest

Row = Callable[[], Line]
RAIL_WIDTH, TAGS_WIDTH = 34, 7
LEDGER_WIDTH = 88
"""From this width on the sums of the ledger stand beside its columns, below it under them."""
SMALL_AMPS = 0.1
"""What takes less is gathered in one line of the ledger."""
MOST_DEED_LINES = 3
MOST_MESSAGES = 6
"""Messages that are named in place of a device that nobody has words for."""
WIDE = 120
"""From this width on every device has its first rail beside it, and ledger and tape stand below."""


def head(scene: Scene, busy: tuple[float, float], width: int) -> list[Line]:
    """Return the two lines at the top."""
    load = f"Pair {_percent(busy[0])} % busy, {_percent(busy[1])} % at worst."
    brief = f"Pair {_percent(busy[0])} % busy."
    if not scene.watch.times_are_valid:
        load = brief = "Times run back: no load."
    elif busy[1] > MAX_POSSIBLE_PERCENT:
        load = f"Pair {_percent(busy[0])} % busy, {_percent(busy[1])} % at worst: impossible."
    still = ", standing still" if scene.paused and not scene.ended else ""
    still = f", {scene.speed:g} x" + still if scene.speed != 1 else still
    long, shorter = f"{still}, {scene.mode}", f"{still}, {scene.mode.partition(',')[0]}"
    loads = (load, load, load, brief)
    firsts = [
        f"{scene.name}, {ago(scene.now)} in{more}.   {scene.ended or busy_words}"
        for more, busy_words in zip((long, shorter, still, still), loads, strict=True)
    ]
    first = next((one for one in firsts if len(one) <= width), firsts[-1])
    planned = [one for one in scene.watch.roll_call if one.planned]
    known = planned or scene.watch.roll_call
    here = sum(one.state in (Presence.PRESENT, Presence.LATE) for one in known)
    counts = _counts(scene.account())
    by_hand = sum(scene.by_hand(one.device) for one in planned)
    hands = f"; {by_hand} disturbed by hand" if by_hand else ""
    whose = "planned" if planned else "heard"
    second = f"{here} of {len(known)} {whose} present; {counts}{hands}.   Order: {scene.order_words}."
    return [cut(((first, "strong"),), width), cut(((second, "strong"),), width)]


def _percent(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"


def _counts(found: Account) -> str:
    """Count causes, and flags that no cause explains."""
    severities = [str(cause.severity) for cause in found.causes] + [str(flag.severity) for flag in found.top]
    counted = []
    for word in ("fault", "warning", "notice"):
        number = severities.count(word)
        if number:
            counted.append(f"{number} {word}{'s' if number > 1 else ''}")
    return ", ".join(counted) or "no flag"


def foot(scene: Scene, width: int) -> list[Line]:
    """Return the lines at the bottom: what was done last, the tape, the keys."""
    lines = []
    if width >= WIDE and scene.page is Page.ABOARD:
        lines += [*ledger_lines(scene, width), *tape_lines(scene, width)]
    elif scene.page is Page.ABOARD:
        lines += _short_tape(scene, width)
    for text in scene.broken[-2:]:
        lines += [cut(line, width) for line in wrapped(text, width, style="fault")]
    lines += [cut(line, width) for line in wrapped(scene.deed, width, style="strong")[:MOST_DEED_LINES]]
    return [*lines, cut(((hint(scene.mode, width), "dim"),), width)]


def _short_tape(scene: Scene, width: int) -> list[Line]:
    told = scene.spelled()
    if told is None:
        return [cut(plain(" Tape  nothing heard of it yet"), width), cut((), width)]
    spelled = "".join(text for text, _ in running(told.spec, told.frame.data))
    text = f"{told.topic} at {ago(told.frame.time)}: {spelled}"
    lines = wrapped(text, width - 1, " Tape  ", "       ")
    if len(lines) > 2:
        lines[1] = (*lines[1], ("…", "dim"))
    return [cut(line, width) for line in (*lines, ())[:2]]


def body(scene: Scene, width: int) -> tuple[list[Row], tuple[int, int]]:
    """Return the rows of the page, and the first and last row of what is chosen."""
    if scene.page is Page.ABOARD:
        return _aboard(scene, width)
    return [partial(cut, line, width) for line in _PAGES[scene.page](scene, width)], (0, 0)


# Aboard.


def _aboard(scene: Scene, width: int) -> tuple[list[Row], tuple[int, int]]:
    devices = scene.devices()
    name = min(22, max((len(one.device) for one in devices), default=8))
    ohms = ", 120 ohm" if scene.mode is Mode.BENCH else ""
    rows: list[Row] = [partial(cut, ((f" Ω  one end of the trunk{ohms}", "dim"),), width)]
    rows += [partial(cut, line, width) for line in _of_the_bus(scene, devices, width)]
    chosen = (0, 0)
    for device in devices:
        first = len(rows)
        rows.append(partial(_device, scene, device, name, width))
        if device.device in scene.opened:
            rows += [partial(cut, line, width) for line in _in_place(scene, device, width)]
        if device.device == scene.chosen:
            chosen = (first, len(rows) - 1)
    rows.append(partial(cut, ((f" Ω  the other end{ohms}", "dim"),), width))
    return rows, chosen


def _of_the_bus(scene: Scene, devices: list[RollCallLine], width: int) -> list[Line]:
    """Return the flags that stand for no device: those of the whole bus."""
    names = {one.device for one in devices}
    lines: list[Line] = []
    for cause in scene.account().causes:
        text = f"{tags(cause.flags)} cause since {ago(cause.since)}: {cause.text}"
        lines += wrapped(text, width, " ║ ", " ║   ", str(cause.severity))
        lines += wrapped(f"Try next: {cause.advice}", width, " ║ ", " ║   ")
    return lines + _flags_in_place([flag for flag in scene.watch.flags if flag.subject not in names], width, " ║ ")


def _flags_in_place(flags: list[Flag], width: int, edge: str) -> list[Line]:
    """Return flags with the next step; those of one kind stand together."""
    lines: list[Line] = []
    for group in gathered(flags):
        first = group[0]
        style = tag(first)[1]
        for number, flag in enumerate(group):
            head = f"{tags(group)} {first.severity} since {ago(first.since)}: " if number == 0 else ""
            lines += wrapped(head + flag.text, width, edge, edge + "  ", style)
        lines += wrapped(f"Try next: {first.advice}", width, edge, edge + "  ")
    return lines


def _device(scene: Scene, device: RollCallLine, name: int, width: int) -> Line:
    flags = scene.flags_of(device.device)
    chosen = device.device == scene.chosen
    state = str(device.state) if device.state is not None else "awaited"
    worst = tag(flags[0])[1] if flags else "plain"
    left: Line = (
        ("►" if chosen else " ", "chosen" if chosen else "plain"),
        (MARKS[device.state], worst),
        (f" {device.device[:name]:<{name}}  ", "chosen" if chosen else "plain"),
        (f"{state:<10} ", worst),
        ("by hand: " if scene.by_hand(device.device) else "", "strong"),
        (_sentence(scene, device), "plain"),
    )
    right = [(f"  {_first_rail(scene, device):<{RAIL_WIDTH}}", "dim")] if width >= WIDE else []
    tags = [tag(flag) for flag in flags[:2]]
    right += [(" ", "plain"), *tags] if tags or width >= WIDE else []
    room = TAGS_WIDTH - sum(len(text) for text, _ in tags)
    if width >= WIDE and room > 0:
        right.append((" " * room, "plain"))
    return beside(left, tuple(right), width)


def _sentence(scene: Scene, device: RollCallLine) -> str:
    if device.state is Presence.SILENT:
        return f"last heard at {ago(device.last_heard)}" if device.last_heard is not None else "never heard"
    if device.state is Presence.UNPLANNED:
        return "not in the rig" + (f"; speaks as {joined(device.functions)}" if device.functions else "")
    if device.state is None:
        return "not heard yet"
    words = [_words(w) + _trend(scene, device.device, title, w.rails) for title, w in scene.sayings(device)]
    said = "; ".join(word for word in words if word) or _counted(scene, device)
    late = scene.overdue(device.device) if device.state is Presence.LATE else None
    return said + (f", next was due {ago(late)} ago" if late is not None else "")


def _words(said: Summary) -> str:
    """Return what a function says, with the mark of its weakest part."""
    return said.sentence + mark((said.origin,)) if said.sentence else ""


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
    return f", {'rising' if change > 0 else 'falling'} {abs(change):.1f} °C a minute"


def _first_rail(scene: Scene, device: RollCallLine) -> str:
    for title, words in scene.sayings(device):
        if words.rails:
            return _rail_text(scene, device.device, title, words.rails[0], 18)
    return ""


def _rail_text(scene: Scene, device: str, title: str, of: Rail, width: int) -> str:
    low, high = scene.limits(device, of)
    value = of.reading.value
    drawn = rail(None if value is None else float(value), scene.past(device, title, of), low, high, width)
    return f"{low:>4g} {drawn} {high:g} {of.reading.field.spoken_unit}".rstrip()


def _in_place(scene: Scene, device: RollCallLine, width: int) -> list[Line]:
    """Return the lines under an open device: its flags with the next step, what it says on rails, who waits on it."""
    lines = _flags_in_place(scene.flags_of(device.device), width, " ║ │  ")
    silent = device.state is Presence.SILENT and device.last_heard is not None
    sayings = scene.sayings(device)
    if sayings:
        said = f"It last said, at {ago(device.last_heard or 0)}:" if silent else "It says:"
        lines.append(((" ║ │  ", "dim"), (said, "plain")))
    else:
        lines += [((" ║ │  ", "dim"), (text, "plain")) for text in _messages(scene, device)]
    for title, words in sayings:
        lines.append(((" ║ │    ", "dim"), (f"{title}: {_words(words)}", "plain")))
        for of in words.rails:
            drawn = _rail_text(scene, device.device, title, of, max(12, min(30, width - 54)))
            number = f"{of.reading.brief:>12}{mark((of.origin,)):<3}"
            lines.append(((" ║ │      ", "dim"), (f"{of.title:<12}{number} {drawn}", "plain")))
    if device.product is not None:
        lines.append(((" ║ │  ", "dim"), (f"It is: {device.product}{mark((texts.ORIGIN,))}", "plain")))
    if device.name is not None:
        name = device.name
        claimed = f"Its NAME: maker {name.manufacturer_code}, serial number {name.serial_number}."
        lines.append(((" ║ │  ", "dim"), (claimed, "plain")))
    waiting = scene.waiting(device)
    last = f"Waiting on it: {joined(waiting)}." if waiting else "Nobody was heard to command it."
    lines.append(((" ║ │  ", "dim"), (last, "plain")))
    lines[0] = ((" ║ ┌─ ", "dim"), *lines[0][1:])
    lines[-1] = ((" ║ └─ ", "dim"), *lines[-1][1:])
    return lines


def _messages(scene: Scene, device: RollCallLine) -> list[str]:
    """Say which messages come of a device that speaks for no function that has words here."""
    told = list(scene.watch.last_frames(device.device))
    texts = [
        f"{one.topic}" + (f", every {one.gap_us / 1e6:.1f} s" if one.gap_us else "") for one in told[:MOST_MESSAGES]
    ]
    return texts + ([f"and {len(told) - MOST_MESSAGES} more"] if len(told) > MOST_MESSAGES else [])


# The other pages.


def says_lines(scene: Scene, _: int) -> list[Line]:
    """Return all that the chosen device says: message by message, field by field, with where the layout comes from."""
    lines: list[Line] = [((f"{scene.chosen} says", "strong"),)]
    for told in scene.topics():
        gap = f", every {told.gap_us / 1e6:.1f} s" if told.gap_us else ""
        lines.append(((f" {told.topic}, {ago(max(0, scene.now - told.frame.time))} ago{gap}", "strong"),))
        if told.spec is None or not told.spec.fields:
            why = "which has no definition here" if told.spec is None else "known by name only"
            lines.append(plain(f"   {told.frame.data.hex(' ').upper()}, {why}"))
            continue
        for reading in told.spec.decode(told.frame.data):
            style = "dim" if reading.state in (State.NO_DATA, State.MISSING) else "plain"
            origin = ORIGIN_WORDS[weakest(told.spec.origin, reading.origin)]
            text = f"  {reading.field.title:<30} {reading.brief:<22} {origin}"
            lines.append(((text, style),))
    return lines if len(lines) > 1 else [plain(f"{scene.chosen} has said nothing yet")]


def tape_lines(scene: Scene, width: int) -> list[Line]:
    """Return the chosen message byte by byte, and the arithmetic of the open byte."""
    told = scene.spelled()
    if told is None:
        return [plain("Tape  nothing heard of it yet")]
    identifier = told.frame.identifier
    origin = f"{identifier:08X}: priority {identifier >> 26}, DGN {told.topic.dgn:05X}, from {told.topic.source:02X}"
    lines = wrapped(f"{told.topic}, {origin} ({told.device}), at {ago(told.frame.time)}", width, "Tape  ", "      ")
    chosen = None if scene.piece is None else _within(told, scene.piece)
    spelled = "".join(text for text, _ in running(told.spec, told.frame.data, chosen))
    lines += wrapped(spelled, width, "      ", "      ")
    if told.spec is not None and told.spec.fields and chosen is not None:
        for text in opened(told.spec, told.frame.data, chosen):
            lines += wrapped(text, width, "      ", "        ")
    if scene.page is Page.TAPE:
        lines += wrapped(LEGEND, width, "      ", "      ", "dim")
    if scene.page is Page.TAPE and chosen is None:
        lines.append(((f"      ← → opens a byte, n goes to the next of {len(scene.topics())} messages", "dim"),))
    return lines


def _within(told: LastFrame, piece: int) -> int:
    return min(piece, max(0, len(pieces(told.spec, told.frame.data)) - 1))


def ledger_lines(scene: Scene, width: int) -> list[Line]:
    """Return the ledger in three columns, and what silent devices may still take."""
    sums = ledger(scene)
    given = [f"{name:<18}{amps:6.1f}" for name, amps in sums.given]
    small = [amps for _, amps in sums.taken if amps < SMALL_AMPS]
    taken = [f"{name:<18}{amps:6.1f}" for name, amps in sums.taken if amps >= SMALL_AMPS]
    if small:
        taken.append(f"{f'{len(small)} small ones':<18}{sum(small):6.1f}")
    counted, missing = _amps(sums.counted), _amps(sums.missing)
    right = [
        f"left for the battery {sums.left:9.1f}",
        f"the battery counts   {counted}",
        f"not accounted for    {missing}",
    ]
    lines: list[Line] = [(("Ledger, house battery, amps", "strong"),), ((f"  {'given':<26}{'taken':<26}", "dim"),)]
    beside_them = right if width >= LEDGER_WIDTH else []
    for n in range(max(len(given), len(taken), len(beside_them))):
        columns = [column[n] if n < len(column) else "" for column in (given, taken, beside_them)]
        lines.append(plain(f"  {columns[0]:<26}{columns[1]:<26}{columns[2]}"))
    if not beside_them:
        lines += [plain(f"  {text}") for text in right]
    for name, amps in sums.silent:
        if amps < SMALL_AMPS:
            continue
        lines += wrapped(
            f"The {name} took {amps:.1f} A before it fell silent: it may still be running.", width, "  ", "  "
        )
    if sums.unknown:
        lines += wrapped(f"No figure in the rig for {joined(sums.unknown)}.", width, "  ", "  ", "dim")
    return lines


def _amps(amps: float | None) -> str:
    """Write a sum of the ledger; nothing is 0.0, not -0.0."""
    return "no figure" if amps is None else f"{round(amps, 1) + 0.0:9.1f}"


def key_lines(scene: Scene, width: int) -> list[Line]:
    """Return the keys."""
    lines: list[Line] = [(("Keys", "strong"), (f"   {LEGEND}", "dim"))]
    for key, does in keys(scene.mode):
        lines += wrapped(does, width, f"  {key:<10}", " " * 12)
    return lines


def wire_lines(scene: Scene, width: int) -> list[Line]:
    """Return what went wrong on the pair, one access of it bit by bit, and what the plan promises."""
    wires, named = scene.watch.wire_problems, scene.named
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
