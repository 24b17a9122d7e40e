"""The terminals of a module, or the keys of a keypad, in words: one line each, amperes on a rail to the limit.

Knows: how outputs, switches, ladders and keys read, and which of it a message carries and which the simulation alone
knows. Does not know which terminals there are (`terminals`), nor what happens at a key of the keyboard.

What stands in the column of the state was reported on the bus. On a bench amperes, resistances and why an output is off
are those of the simulation; elsewhere the amperes are those that loads report.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from rvsim.faces.screen.lines import Line, draw_rail, list_text, text_of, wrap_text
from rvsim.faces.screen.scene import Mode, Scene
from rvsim.faces.screen.terminals import ContactRow, OutputRow, TerminalRow, Terminals
from rvsim.faces.text.marks import mark
from rvsim.rig.contact_plans import ContactPlan
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.ladder import Ladder, ohm_at
from rvsim.runs.terminal_states import ModuleState, OutputState
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Summary

EDGE = " ║ │ "
WIDE_COLUMNS = 120
MIN_STATE_COLUMNS, MAX_STATE_COLUMNS = 12, 40
NUMBER_COLUMNS, AMPS_COLUMNS, LIMIT_COLUMNS = 4, 8, 7
"""The columns of the mark with the number of a terminal, of a current, and of the limit at the end of a rail."""
POSITION_COLUMNS = 15
"""The columns of a switch's position."""
MAX_NAMED = 4
"""So many outputs or switches that are on are named in the row of the device; more are counted."""
MAX_AMPS_DECIMALS_BELOW = 100.0


class _Columns(NamedTuple):
    """The columns of a row: the name, what hangs on it, its state, the rail."""

    name: int
    on_it: int
    state: int
    rail: int


def _columns(width: int) -> _Columns:
    name, on_it, rail = (22, 17, 24) if width >= WIDE_COLUMNS else (17, 12, 8)
    taken = len(EDGE) + NUMBER_COLUMNS + 1 + name + 1 + on_it + 1 + AMPS_COLUMNS + 1 + rail + LIMIT_COLUMNS
    return _Columns(name, on_it, min(MAX_STATE_COLUMNS, max(MIN_STATE_COLUMNS, width - taken)), rail)


class _Strip:
    """The terminals of one device at one moment."""

    def __init__(self, scene: Scene, device: RollCallLine) -> None:
        self.scene = scene
        self.terminals: Terminals = scene.terminals(device)
        self.summaries: Mapping[tuple[str, int], Summary] = scene.sent.of_terminals(device)
        self.state: ModuleState | None = scene.module_state(device.device)

    def summary(self, row: TerminalRow) -> Summary | None:
        """Return what a row reports, None where it is not on the network or has sent nothing."""
        if row.function is None or row.instance is None:
            return None
        return self.summaries.get((row.function, row.instance))

    def simulated(self, row: OutputRow) -> OutputState | None:
        """Return what an output does in the simulation."""
        return None if self.state is None else self.state.outputs.get(row.name)

    def text(self, row: TerminalRow) -> str:
        """Return the state of a row in words, with the mark of its weakest origin."""
        found = self.summary(row)
        if row.function is None:
            return "not on the bus"
        if found is None:
            return "not heard yet"
        return self.scene.units.render(found.sentence) + mark((found.origin,))

    def output_text(self, row: OutputRow) -> str:
        """Return the state of an output: as reported, and why it is off or not as commanded."""
        state = self.simulated(row)
        if state is None:
            return self.text(row)
        words = self.text(row)
        if row.function is None:
            words = f"{_level_text(state.level)}, not on the bus"
        if state.because and state.because not in words:
            words = words.replace(", over-current", "") + f", {state.because}"
        if state.override is not None:
            words = words.replace(", by hand", "") + f", {state.override} by hand"
        return words

    def amps(self, row: OutputRow) -> float | None:
        """Return the current of an output: on a bench that of its load, else what it reports; None: unknown."""
        state, found = self.simulated(row), self.summary(row)
        if state is not None:
            return state.amps
        if found is None or not found.rails or (row.plan is not None and row.plan.relay is not None):
            return None  # what a module reports of an output with a relay is the current of the coil
        value = found.rails[0].reading.value
        return None if value is None else float(value)

    @property
    def known_outputs(self) -> Sequence[OutputRow]:
        """The outputs of which it is known whether they are on."""
        outputs = self.terminals.outputs
        return [row for row in outputs if self.simulated(row) is not None or self.summary(row) is not None]

    def is_on(self, row: TerminalRow) -> bool:
        """Return whether a row is on: by the simulation, else as reported."""
        if isinstance(row, OutputRow) and (state := self.simulated(row)) is not None:
            return state.level > 0
        found = self.summary(row)
        return found is not None and not found.sentence.startswith(("off", "level "))


def terminals_text(scene: Scene, device: RollCallLine) -> str:
    """Return what a module or a keypad does in one sentence; empty for any other device."""
    strip = _Strip(scene, device)
    outputs, contacts = strip.known_outputs, strip.terminals.contacts
    if not strip.summaries and strip.state is None:
        return ""
    parts = []
    if outputs:
        on = [row.label for row in outputs if strip.is_on(row)]
        named = f": {list_text(on)}" if 0 < len(on) <= MAX_NAMED else ""
        parts.append(f"{len(on)} of {len(outputs)} outputs on{_sum_text(strip)}{named}")
    if contacts:
        on = [row.name if outputs else row.label for row in contacts if strip.is_on(row)]
        what = _contacts_word(contacts)
        if not on:
            parts.append(f"no {what} on")
        else:
            parts.append(f"{list_text(on)} on" if len(on) <= MAX_NAMED else f"{len(on)} of {len(contacts)} {what} on")
    return "; ".join(parts)


def _contacts_word(contacts: tuple[ContactRow, ...]) -> str:
    return "key" if all(row.terminal is None and row.plan is not None for row in contacts) else "switch"


def _sum_text(strip: _Strip) -> str:
    if strip.state is not None:
        return f", {_amps_text(strip.state.amps)} A"
    known = [amps for row in strip.terminals.outputs if (amps := strip.amps(row)) is not None]
    return f", loads report {_amps_text(sum(known))} A" if known else ""


def _amps_text(amps: float) -> str:
    return f"{amps:.1f}" if abs(amps) < MAX_AMPS_DECIMALS_BELOW else f"{amps:.0f}"


def _level_text(level: float) -> str:
    return "off" if level <= 0 else "on" if level >= 100 else f"{level:.0f} %"


def strip_lines(scene: Scene, device: RollCallLine, width: int) -> list[Line]:
    """Return the terminals of a module, or the keys of a keypad, as lines of ``width``; none for any other device."""
    strip = _Strip(scene, device)
    columns = _columns(width)
    lines: list[Line] = []
    if strip.terminals.outputs:
        lines += _total_lines(strip, width)
        for row in strip.terminals.outputs:
            lines += _output_lines(strip, row, columns, width)
    contacts = strip.terminals.contacts
    if contacts:
        what = "Keys" if _contacts_word(contacts) == "key" else "Inputs"
        known = ", ohms as simulated" if strip.state is not None else ""
        lines.append(((EDGE, "dim"), (f" {what}{known}:", "plain")))
        shown: set[str] = set()
        for contact in contacts:
            if contact.plan is not None and contact.plan.ladder is not None and contact.input not in shown:
                lines += _ladder_lines(strip, contact, contact.plan.ladder, columns, width)
            lines.append(_contact_line(strip, contact, columns, is_first=contact.input not in shown))
            shown.add(contact.input)
    return lines


def _total_lines(strip: _Strip, width: int) -> list[Line]:
    """Return the head of the outputs: how many are on, and their current on a rail to the module's limit."""
    outputs, limit = strip.known_outputs, strip.terminals.limit_amps
    on = sum(strip.is_on(row) for row in outputs)
    head = f" Outputs, {on} of {len(outputs)} on"
    if strip.state is None:
        return [((EDGE, "dim"), (f"{head}{_sum_text(strip)}:", "plain"))]
    head += f", amperes as simulated, {_amps_text(strip.state.amps)} A together"
    if limit is None:
        return [((EDGE, "dim"), (f"{head}:", "plain"))]
    rail_columns = 24 if width >= WIDE_COLUMNS else 8
    style = "fault" if strip.state.amps > limit else "dim"
    drawn = f"  {draw_rail(strip.state.amps, None, 0.0, limit, rail_columns)} {limit:g} A"
    return [((EDGE, "dim"), (head, "plain"), (drawn, style))]


def _name_spans(scene: Scene, row: TerminalRow, name: str, columns: int) -> Line:
    is_chosen = scene.row == row.key
    shown = _cut(name, columns)
    shown_name = shown.rstrip()
    return ((shown_name, "chosen" if is_chosen else "plain"), (shown[len(shown_name) :], "plain"))


def _cut(text: str, columns: int) -> str:
    """Return a text of so many columns: cut and ended with "…", or filled with spaces."""
    return f"{text:<{columns}}" if len(text) <= columns else text[: columns - 1] + "…"


def _limit_text(amps: float) -> str:
    """Return a limit in at most four columns: that of a relay's contact is a share of its class, 6.67 of 40 A."""
    return f"{round(amps, 2 if amps < 10 else 1 if amps < 100 else 0):g}"


def _number_span(scene: Scene, row: TerminalRow, number: int | None) -> tuple[str, str]:
    sign = "►" if scene.row == row.key else " "
    return (f"{sign}{'' if number is None else number:>{NUMBER_COLUMNS - 1}} ", "strong" if sign == "►" else "dim")


def _output_lines(strip: _Strip, row: OutputRow, columns: _Columns, width: int) -> Iterator[Line]:
    scene = strip.scene
    text, amps = strip.output_text(row), strip.amps(row)
    limit = row.limit_amps
    is_over = amps is not None and limit is not None and amps > limit
    is_tripped = "over-current" in text or "tripped" in text or "shed" in text
    state_style = "fault" if is_tripped else "strong" if strip.is_on(row) else "plain"
    fits = len(text) <= columns.state
    first, _, rest = text.partition(", ")
    shown = text if fits else first
    rail = "" if limit is None else draw_rail(amps, None, 0.0, limit, columns.rail)
    limit_text = "" if limit is None else f" {_limit_text(limit)} A"
    yield (
        (EDGE, "dim"),
        _number_span(scene, row, row.terminal),
        *_name_spans(scene, row, row.label, columns.name),
        (f" {_cut(row.on_it, columns.on_it)} ", "dim"),
        (_cut(shown, columns.state), state_style),
        (f"{'' if amps is None else _amps_text(amps) + ' A':>{AMPS_COLUMNS}} ", "plain"),
        (f"{rail:<{columns.rail}}{limit_text}", "fault" if is_over else "dim"),
    )
    if not fits:
        indent = EDGE + " " * (NUMBER_COLUMNS + 1 + columns.name + 1 + columns.on_it)
        yield from wrap_text(rest, width, indent + " ", indent + " ", state_style)


def _ladder_lines(strip: _Strip, row: ContactRow, ladder: Ladder, columns: _Columns, width: int) -> Iterator[Line]:
    """Yield the lines of a ladder: how many switches, and on a bench its ohms, counts and what that is read as."""
    head: Line = (
        (EDGE, "dim"),
        (f"{'' if row.terminal is None else row.terminal:>{NUMBER_COLUMNS}} ", "dim"),
        (f"{_cut(row.input, columns.name)} ", "plain"),
        (f"{'ladder of ' + str(len(ladder.rungs)):<{columns.on_it}.{columns.on_it}} ", "dim"),
    )
    reading = None if strip.state is None else strip.state.inputs.get(row.input)
    text, style = "", "plain"
    if reading is not None:
        text = "open"
        if not math.isinf(reading.ohm):
            read = "none" if reading.switch is None else reading.switch.rung or reading.switch.name
            within = ladder.within(ladder.share_of(reading.ohm))
            where = f"read as {read}" + ("" if within == read else ", in no band")
            style = "plain" if within == read else "warning"
            text = f"{_ohm_text(reading.ohm)}, {reading.counts}/{ladder.counts} counts, {where}"
    indent = EDGE + " " * (len(text_of(head)) - len(EDGE))
    (_, first), *more = wrap_text(text, width, indent, indent, style)
    yield (*head, first)
    yield from more


def _contact_line(strip: _Strip, row: ContactRow, columns: _Columns, *, is_first: bool) -> Line:
    """Return the line of a switch or key: its position as reported, and what it is."""
    scene, plan = strip.scene, row.plan
    rung = plan is not None and plan.rung is not None
    label = f"  {row.label}" if rung else row.label
    text = strip.text(row)
    kind = "" if plan is None else "maintained" if plan.is_maintained else "momentary"
    return (
        (EDGE, "dim"),
        _number_span(scene, row, None if rung or not is_first else row.terminal),
        *_name_spans(scene, row, label, columns.name),
        (f" {kind:<{columns.on_it}.{columns.on_it}} ", "dim"),
        (f"{_cut(text, min(columns.state, POSITION_COLUMNS))} ", "strong" if strip.is_on(row) else "plain"),
        (_contact_text(strip, row, plan), "dim"),
    )


def _contact_text(strip: _Strip, row: ContactRow, plan: ContactPlan | None) -> str:
    """Return the resistance of a switch, or the band of one of a ladder, and what it switches by itself."""
    parts = []
    if plan is not None and plan.ladder is not None and plan.rung is not None:
        band = plan.ladder.bands.get(plan.rung)
        if band is not None:
            low, high = (ohm_at(part, plan.ladder.pull_up_ohm) for part in (band.low, band.high))
            parts.append(f"{low:.0f} to {_ohm_text(high)}")
    elif strip.state is not None and (reading := strip.state.inputs.get(row.input)) is not None:
        parts.append("open" if math.isinf(reading.ohm) else _ohm_text(reading.ohm))
    if row.does:
        parts.append(row.does)
    return ", ".join(parts)


def _ohm_text(ohm: float) -> str:
    return f"{ohm:.2f} ohm" if ohm < 10 else f"{ohm:.0f} ohm"


def row_line(scene: Scene, row: TerminalRow) -> Line:
    """Return the line that names the chosen terminal on the network, and the keys that act on it."""
    where = "not on the bus"
    if row.function is not None and row.instance is not None:
        where = FUNCTIONS[row.function].label(row.instance)
    if isinstance(row, OutputRow) and row.plan is not None and row.plan.groups:
        groups = [str(group) for group in sorted(row.plan.groups)]
        where += f", group{'s' if len(groups) > 1 else ''} {list_text(groups)}"
    line: Line = ((" ", "dim"), (row.name, "plain"), (f", {where}", "dim"))
    if scene.mode is not Mode.BENCH:
        return line
    if isinstance(row, OutputRow):
        keys = "by hand: 1 on  0 off  u as commanded"
    elif row.plan is not None and row.plan.is_maintained:
        keys = "space change over  1 on  0 off"
    else:
        keys = "space press  1 hold  0 release"
    return (*line, (f".  {keys}", "dim"))


def has_strip(scene: Scene, device: RollCallLine) -> bool:
    """Tell whether a device has terminals or keys."""
    return bool(scene.terminals(device).rows)
