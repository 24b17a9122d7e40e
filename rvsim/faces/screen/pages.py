"""The pages as rows, and the lines at the bottom.

Knows: the layout of every page. The row of a device on Aboard is rendered only when it is shown; open devices and the
other pages are rendered completely. Does not know Textual. The caller holds the lock of the run.
"""

from functools import partial
from typing import Literal, assert_never

from rvsim.faces.screen.bus_page import problem_lines, turn_lines, worst_case_lines
from rvsim.faces.screen.draft_page import command_text, draft_lines
from rvsim.faces.screen.energy_page import energy_lines
from rvsim.faces.screen.fault_targets import Target
from rvsim.faces.screen.flag_page import flag_lines
from rvsim.faces.screen.keys import draft_hint_line, draft_key_texts, hint_line, key_texts
from rvsim.faces.screen.ledger_page import ledger_lines
from rvsim.faces.screen.lines import (
    MARKS,
    Line,
    Row,
    Span,
    elapsed_text,
    fit_width,
    fixed_row,
    interval_text,
    list_text,
    paint_tag,
    plain_line,
    tag_span,
    text_of,
    with_right_edge,
    wrap_text,
)
from rvsim.faces.screen.moved_page import moved_lines
from rvsim.faces.screen.rails import rail_text, summary_text, trend_text
from rvsim.faces.screen.scene import IDENTIFIER_PIECE, Mode, Page, Scene
from rvsim.faces.screen.tape import arithmetic_lines, pieces, spelled_line, titled
from rvsim.faces.screen.terminal_strip import has_strip, row_line, strip_lines, terminals_text
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.flags import group_flags, tags
from rvsim.faces.text.marks import LEGEND, mark
from rvsim.faces.text.spell import identifier_lines
from rvsim.faces.text.spell_fields import ORIGIN_WORDS
from rvsim.watch.flag import Flag
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.transitions import Presence
from rvsim.watch.watch import LastFrame
from rvsim.wire import texts
from rvsim.wire.fields import State, weakest

RAIL_COLUMN, RAIL_WIDTH, TAGS_WIDTH = 71, 34, 7
"""On wide screens: the column of the rails unless a sentence is longer, and the widths of rails and tags."""
MAX_PROBLEMS_SHOWN, MAX_STATUS_LINES = 2, 5
MAX_NAME_WIDTH = 22
MAX_TAGS_SHOWN = 2
"""Tags at the end of the row of a device."""
MAX_MESSAGES_NAMED = 6
"""Messages that are named under an open device without a summary."""
MIN_WIDE_COLUMNS = 120
"""From this width on every device has its first rail beside it, and ledger and tape are below the page."""


_OtherPage = Literal[Page.READINGS, Page.TAPE, Page.LEDGER, Page.ENERGY, Page.FLAGS, Page.WIRES, Page.MOVED, Page.KEYS]
"""Every page but Aboard."""


def foot_lines(scene: Scene, width: int) -> list[Line]:
    """Return the lines at the bottom: the tape, problems, the result of the last key, the keys."""
    lines = []
    if width >= MIN_WIDE_COLUMNS and scene.page is Page.ABOARD:
        lines += [*ledger_lines(scene, width), *tape_lines(scene, width)]
    elif scene.page is Page.ABOARD:
        lines += _short_tape_lines(scene, width)
    for text in scene.problems[-MAX_PROBLEMS_SHOWN:]:
        lines += [fit_width(line, width) for line in wrap_text(text, width, style="fault")]
    row = scene.chosen_row() if scene.page is Page.ABOARD else None
    if row is not None and not scene.status_text:
        lines.append(fit_width(row_line(scene, row), width))
    elif not scene.status_text and not scene.is_drafting and _has_chosen_reading(scene):
        lines.append(fit_width(_chosen_reading_line(scene), width))
    elif scene.status_text or scene.page is not Page.KEYS:
        text = scene.units.render(scene.status_text)
        lines += [fit_width(line, width) for line in wrap_text(text, width, style="plain")[:MAX_STATUS_LINES]]
    hints = draft_hint_line(width) if scene.is_drafting else hint_line(scene.mode, width)
    return [*lines, fit_width(((hints, "dim"),), width)]


def _has_chosen_reading(scene: Scene) -> bool:
    return scene.mode is Mode.BENCH and scene.page in (Page.ABOARD, Page.READINGS, Page.TAPE)


def _chosen_reading_line(scene: Scene) -> Line:
    """Return the line that names the reading that hold and corrupt act on."""
    choices = scene.readings()
    target = scene.target(choices)
    if target is None:
        return ()
    places = {choice.target: number for number, choice in enumerate(choices)}
    if scene.page is Page.TAPE or target not in places:
        return ((" For h and x: ", "dim"), (target.field.replace("_", " "), "plain"))
    reading = choices[places[target]].reading
    which = f" Reading {places[target] + 1} of {len(choices)} (← →) for h and x: "
    return ((which, "dim"), (titled(reading.field.title, reading.brief), "plain"), (f", {target.message}", "dim"))


def _short_tape_lines(scene: Scene, width: int) -> list[Line]:
    last = scene.tape_frame()
    if last is None:
        return [fit_width(plain_line(" Tape  nothing received from it yet"), width), fit_width((), width)]
    chosen = _piece_number(last, scene.piece_index)
    spelled = "".join(text for text, _ in spelled_line(last.spec, last.frame.data, chosen, scene.units))
    text = f"{last.topic} at {elapsed_text(last.frame.time)}: {spelled}"
    lines = wrap_text(text, width - 1, " Tape  ", "       ")
    if len(lines) > 2:
        lines[1] = (*lines[1], ("…", "dim"))
    return [fit_width(line, width) for line in (*lines, ())[:2]]


def page_rows(scene: Scene, width: int) -> tuple[list[Row], tuple[int, int]]:
    """Return the rows of the page, and the numbers of the first and last row of what is chosen."""
    if scene.page is Page.ABOARD:
        return _aboard_rows(scene, width)
    lines = _page_lines(scene, scene.page, width)
    marked = [number for number, line in enumerate(lines) if any(style == "chosen" for _, style in line)]
    return [fixed_row(fit_width(line, width)) for line in lines], (marked[0], marked[-1]) if marked else (0, 0)


def _page_lines(scene: Scene, page: _OtherPage, width: int) -> list[Line]:
    match page:
        case Page.READINGS:
            return readings_lines(scene)
        case Page.TAPE:
            return tape_lines(scene, width)
        case Page.LEDGER:
            return ledger_lines(scene, width)
        case Page.ENERGY:
            return energy_lines(scene, width)
        case Page.FLAGS:
            return flag_lines(scene, width)
        case Page.WIRES:
            return wire_lines(scene, width)
        case Page.MOVED:
            return moved_lines(scene, width)
        case Page.KEYS:
            return key_lines(scene, width)
        case _:
            assert_never(page)


# Aboard.


def _aboard_rows(scene: Scene, width: int) -> tuple[list[Row], tuple[int, int]]:
    devices = scene.devices()
    name = min(MAX_NAME_WIDTH, max((len(device.device) for device in devices), default=8))
    ohms = ", 120 ohm" if scene.mode is Mode.BENCH else ""
    rows: list[Row] = [fixed_row(fit_width(((f" Ω  one end of the trunk{ohms}", "dim"),), width))]
    rows += [fixed_row(fit_width(line, width)) for line in _bus_flag_lines(scene, devices, width)]
    chosen = (0, 0)
    flags = scene.flags_by_subject()
    for device in devices:
        first = len(rows)
        own = flags.get(device.device, [])
        rows.append(Row(partial(_device_line, scene, device, own, name, width), tag_span(own[0]) if own else None))
        if device.device in scene.open_devices:
            rows += [fixed_row(fit_width(line, width)) for line in _open_device_lines(scene, device, width)]
        if device.device == scene.chosen:
            chosen = (first, len(rows) - 1)
            if scene.chosen_row() is not None:
                chosen = _row_place(rows, first + 1)
    rows.append(fixed_row(fit_width(((f" Ω  the other end{ohms}", "dim"),), width)))
    return rows, chosen


def _row_place(rows: list[Row], first: int) -> tuple[int, int]:
    """Return the place of the chosen terminal among the rows of its open device, which begin at ``first``."""
    for number, row in enumerate(rows[first:], start=first):
        if any(style == "chosen" for _, style in row.line()):
            return number, min(number + 1, len(rows) - 1)  # with what does not fit in its line
    return first, len(rows) - 1


def _bus_flag_lines(scene: Scene, devices: list[RollCallLine], width: int) -> list[Line]:
    """Return the causes, and the standing flags of the whole bus rather than of a device."""
    names = {device.device for device in devices}
    lines: list[Line] = []
    for cause in scene.account().causes:
        head = tags(cause.flags)
        text = f"{head} cause since {elapsed_text(cause.since)}: {scene.units.render(cause.text)}"
        wrapped_text = wrap_text(text, width, " ║ ", " ║   ", str(cause.severity))
        lines += paint_tag(wrapped_text, head, f"{cause.severity}-tag")
        lines += wrap_text(f"Try next: {cause.advice}", width, " ║ ", " ║   ")
    flags = [flag for flag in scene.watch.flags if flag.subject not in names]
    return lines + _flag_lines(flags, scene.units, width, " ║ ")


def _flag_lines(flags: list[Flag], units: DisplayUnits, width: int, edge: str) -> list[Line]:
    """Return flags with what to try next; flags of one kind share it."""
    lines: list[Line] = []
    for group in group_flags(flags):
        first = group[0]
        signs = tags(group)
        for number, flag in enumerate(group):
            head = f"{signs} {first.severity} since {elapsed_text(first.since)}: " if number == 0 else ""
            found = wrap_text(head + units.render(flag.text), width, edge, edge + "  ", str(first.severity))
            lines += paint_tag(found, signs, tag_span(first)[1]) if number == 0 else found
        lines += wrap_text(f"Try next: {first.advice}", width, edge, edge + "  ")
    return lines


def _device_line(scene: Scene, device: RollCallLine, flags: list[Flag], name: int, width: int) -> Line:
    """Return the row of a device: dim where it is as planned, otherwise in the style of its worst flag."""
    is_chosen = device.device == scene.chosen
    unknown = "awaited" if device.last_heard is None else "heard"
    state = str(device.state) if device.state is not None else unknown
    is_as_planned = device.state in (Presence.PRESENT, Presence.ASLEEP, None)
    worst = str(flags[0].severity) if flags else "dim" if is_as_planned else "strong"
    shown = device.device[:name]
    left: Line = (
        ("►" if is_chosen and scene.row is None else " ", "strong"),
        (MARKS[device.state], worst),
        (" ", "plain"),
        (shown, "chosen" if is_chosen and scene.row is None else "plain"),
        (" " * (name - len(shown) + 2), "plain"),
        (f"{state:<10} ", worst),
        ("by hand: " if scene.has_manual_fault(device.device) else "", "strong"),
        (_device_text(scene, device), "plain"),
    )
    signs: list[Span] = [span for flag in flags[:MAX_TAGS_SHOWN] for span in ((" ", "plain"), tag_span(flag))]
    if width < MIN_WIDE_COLUMNS:
        return with_right_edge(left, tuple(signs), width)
    return _with_rail(left, _first_rail_text(scene, device), tuple(signs), width)


def _with_rail(left: Line, drawn: str, signs: Line, width: int) -> Line:
    """Return a wide row: the rail in its column, or after a longer sentence, and then the tags."""
    at = max(RAIL_COLUMN, len(text_of(left)) + 2)
    if drawn and at + RAIL_WIDTH + TAGS_WIDTH <= width:
        left = (*fit_width(left, at), (f"{drawn:<{RAIL_WIDTH}}", "dim"))
    tags_at = max(RAIL_COLUMN + RAIL_WIDTH, len(text_of(left)))
    if tags_at + len(text_of(signs)) <= width:
        return fit_width((*fit_width(left, tags_at), *signs), width)
    return with_right_edge(left, signs, width)


def _device_text(scene: Scene, device: RollCallLine) -> str:
    if device.state is Presence.SILENT:
        return f"last heard at {elapsed_text(device.last_heard)}" if device.last_heard is not None else "never heard"
    if device.state is Presence.UNPLANNED:
        return "not in the rig" + (f"; speaks as {list_text(device.functions)}" if device.functions else "")
    if device.state is None:
        return "not heard yet" if device.last_heard is None else "not identified yet"
    summaries = [
        summary_text(scene, w) + trend_text(scene, device.device, title, w.rails) for title, w in scene.sent.of(device)
    ]
    summaries.append(terminals_text(scene, device))
    text = "; ".join(part for part in summaries if part) or _message_count_text(scene, device)
    late = scene.overdue(device.device) if device.state is Presence.LATE else None
    return text + (f", next was due {elapsed_text(late)} ago" if late is not None else "")


def _message_count_text(scene: Scene, device: RollCallLine) -> str:
    """Return how many messages a device without a summary sends."""
    frames = list(scene.watch.last_frames(device.device))
    unknown = sum(last.spec is None for last in frames)
    messages = f"{len(frames)} message{'' if len(frames) == 1 else 's'}"
    if unknown == len(frames) > 0:
        return f"{messages} without a definition here"
    return messages + (f", {unknown} without a definition here" if unknown else "")


def _first_rail_text(scene: Scene, device: RollCallLine) -> str:
    for title, found in scene.sent.of(device):
        if found.rails:
            return rail_text(scene, device.device, title, found.rails[0], 18)
    return ""


def _open_device_lines(scene: Scene, device: RollCallLine, width: int) -> list[Line]:
    """Return the lines under an open device: its flags, its summaries with rails, its product, who commands it."""
    lines = _flag_lines(scene.flags_of(device.device), scene.units, width, " ║ │  ")
    silent = device.state is Presence.SILENT and device.last_heard is not None
    summaries = scene.sent.of(device)
    is_target = device.device == scene.chosen and scene.mode is Mode.BENCH and scene.row is None
    target = scene.target() if is_target else None
    if summaries or has_strip(scene, device):
        text = f"Last reported at {elapsed_text(device.last_heard or 0)}:" if silent else "Reports:"
        lines.append(((" ║ │  ", "dim"), (text, "plain")))
    else:
        lines += [((" ║ │  ", "dim"), (text, "plain")) for text in _message_texts(scene, device)]
    for title, found in summaries:
        lines.append(((" ║ │    ", "dim"), (f"{title}: {summary_text(scene, found)}", "plain")))
        for of in found.rails:
            drawn = rail_text(scene, device.device, title, of, max(12, min(30, width - 54)))
            number = f"{scene.units.render(of.reading.brief):>12}{mark((of.origin,)):<3}"
            is_chosen = target == Target(of.message, of.reading.field.name)
            name: Line = ((of.title, "chosen" if is_chosen else "plain"), (" " * (12 - len(of.title)), "plain"))
            lines.append(((" ║ │      ", "dim"), *name, (f"{number} ", "plain"), (drawn, "dim")))
    lines += strip_lines(scene, device, width)
    if device.product is not None:
        lines.append(((" ║ │  ", "dim"), (f"Product: {device.product}{mark((texts.TEXT_ORIGIN,))}", "plain")))
    if device.name is not None:
        claim = device.name
        claimed = f"NAME: manufacturer code {claim.manufacturer_code}, serial number {claim.serial_number}."
        lines.append(((" ║ │  ", "dim"), (claimed, "plain")))
    commanders = scene.commanders(device)
    last = f"Commanded by: {list_text(commanders)}." if commanders else "No commands to it heard."
    lines.append(((" ║ │  ", "dim"), (last, "plain")))
    lines[0] = ((" ║ ┌─ ", "dim"), *lines[0][1:])
    lines[-1] = ((" ║ └─ ", "dim"), *lines[-1][1:])
    return lines


def _message_texts(scene: Scene, device: RollCallLine) -> list[str]:
    """Return the messages of a device without a summary, with their intervals."""
    frames = list(scene.watch.last_frames(device.device))
    named = [
        f"{last.topic}" + (f", every {interval_text(last.gap_us)}" if last.gap_us else "")
        for last in frames[:MAX_MESSAGES_NAMED]
    ]
    return named + ([f"and {len(frames) - MAX_MESSAGES_NAMED} more"] if len(frames) > MAX_MESSAGES_NAMED else [])


# The other pages.


def readings_lines(scene: Scene) -> list[Line]:
    """Return everything that the chosen device sends: each message, each field, and the origin of the layout."""
    lines: list[Line] = []
    target = scene.target() if scene.mode is Mode.BENCH else None
    for last in scene.chosen_frames():
        gap = f", every {interval_text(last.gap_us)}" if last.gap_us else ""
        lines.append(((f" {last.topic}, {elapsed_text(max(0, scene.now - last.frame.time))} ago{gap}", "strong"),))
        if last.spec is None or not last.spec.fields:
            why = "without a definition here" if last.spec is None else "known by name only"
            lines.append(plain_line(f"   {last.frame.data.hex(' ').upper()}, {why}"))
            continue
        for reading in last.spec.decode(last.frame.data):
            style = "dim" if reading.state in (State.NO_DATA, State.MISSING) else "plain"
            origin = ORIGIN_WORDS[weakest(last.spec.origin, reading.origin)]
            is_chosen = target == Target(last.spec.name, reading.field.name)
            name: Line = (
                ("►" if is_chosen else " ", "strong" if is_chosen else style),
                (" ", style),
                (reading.field.title, "chosen" if is_chosen else style),
                (" " * max(0, 30 - len(reading.field.title)), style),
            )
            lines.append((*name, (f" {scene.units.render(reading.brief):<22} {origin}", style)))
    return lines or [plain_line(f"{scene.chosen} has sent nothing yet")]


def tape_lines(scene: Scene, width: int) -> list[Line]:
    """Return the frame on the tape byte by byte, and the arithmetic of the open byte; or the draft in its place."""
    if scene.is_drafting and scene.draft is not None and scene.draft_source is not None:
        return draft_lines(scene.draft, scene.draft_source.text, scene.units, width=width)
    last = scene.tape_frame()
    first, later = (" ", "  ") if scene.page is Page.TAPE else ("Tape  ", "      ")
    if last is None:
        return [plain_line(f"{first}nothing received from it yet")]
    identifier = last.frame.identifier
    is_open = scene.piece_index == IDENTIFIER_PIECE
    number = f"[{identifier:08X}]" if is_open else f"{identifier:08X}"
    origin = f"{number}: priority {identifier >> 26}, DGN {last.topic.dgn:05X}, from {last.topic.source:02X}"
    lines = wrap_text(
        f"{last.topic}, {origin} ({last.device}), at {elapsed_text(last.frame.time)}", width, first, later
    )
    chosen = _piece_number(last, scene.piece_index)
    spelled = "".join(text for text, _ in spelled_line(last.spec, last.frame.data, chosen, scene.units))
    lines += wrap_text(spelled, width, later, later)
    if last.spec is not None and last.spec.fields and chosen is not None:
        for text in arithmetic_lines(last.spec, last.frame.data, chosen, scene.units):
            lines += wrap_text(text, width, later, later + "  ")
    if is_open:
        for text in list(identifier_lines(identifier, last.spec))[1:]:
            lines += wrap_text(text, width, later, later)
    if scene.page is Page.TAPE:
        lines += wrap_text(LEGEND, width, later, later, "dim")
        if chosen is None and not is_open:
            keys = f"← → opens a byte, n goes to the next of {len(scene.chosen_frames())} messages"
            lines += wrap_text(f"{keys}, d copies the frame to change it", width, later, later, "dim")
        lines += wrap_text(command_text(last.frame), width, later, later + "  ", "dim")
    return lines


def _piece_number(last: LastFrame, piece: int | None) -> int | None:
    """Return the number of the open piece of the data; None where nothing is open, or the identifier."""
    if piece is None or piece == IDENTIFIER_PIECE:
        return None
    return min(piece, max(0, len(pieces(last.spec, last.frame.data)) - 1))


def key_lines(scene: Scene, width: int) -> list[Line]:
    """Return the page of keys."""
    lines: list[Line] = wrap_text(LEGEND, width, "", "", "dim")
    if scene.draft is not None:
        lines += wrap_text("In the copy on the tape (t goes back to it):", width)
        for key, does in draft_key_texts():
            lines += wrap_text(does, width, f"  {key:<10}", " " * 12)
        lines += wrap_text("Everywhere else:", width)
    for key, does in key_texts(scene.mode):
        lines += wrap_text(does, width, f"  {key:<10}", " " * 12)
    lines += wrap_text("rvsim about --words explains the words.", width, "", "", "dim")
    return lines


def wire_lines(scene: Scene, width: int) -> list[Line]:
    """Return the problems of the bus, one turn on it bit by bit, and what was computed from the plan."""
    wires, sender_text = scene.watch.wire_problems, scene.named
    turn = scene.turns.turn()
    lines = problem_lines(wires, width) + turn_lines(turn, sender_text, width)
    if turn is not None:
        held = scene.turns.held
        which = (
            "The last turn with a frame that waited, else the last of all; ← shows the turn before it."
            if held is None
            else f"Turn {held.place + 1} of {len(held.frames)}, which stays: ← the turn before, → the next; behind the "
            "last one the page follows the bus again."
        )
        lines += wrap_text(which, width, "  ", "  ", "dim")
        against = f" --against {turn.waiting[0].frame.identifier:08X}" if turn.waiting else ""
        lines += wrap_text(f"{command_text(turn.frame)} --wire{against}", width, "  ", "    ", "dim")
    return lines + worst_case_lines(wires, sender_text, width)
