"""The state of the screen: what it shows and what is chosen in it.

Knows: the devices in the chosen order, the chosen device, the open devices, the summary of each device, and the
message and byte on the tape. Does not know Textual, keys, colours or drawing. It reads the watch, so the caller holds
the lock of the run.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import StrEnum
from typing import NamedTuple, assert_never

from rvsim.devices.registry import kinds_by_name
from rvsim.faces.screen.day_energy import DayEnergy
from rvsim.faces.screen.device_summaries import DeviceSummaries
from rvsim.faces.screen.draft import Draft
from rvsim.faces.screen.fault_targets import Choice, Target, fault_choices, first_value
from rvsim.faces.screen.lines import elapsed_text
from rvsim.faces.screen.shown_turn import ShownTurn
from rvsim.faces.screen.tape import pieces
from rvsim.faces.screen.terminals import PlannedTerminals, TerminalKey, TerminalRow, Terminals
from rvsim.faces.screen.touches import Touches
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import ExplainedFlags, explain_flags
from rvsim.faces.text.touch_text import TouchNames
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import battery_by_branch
from rvsim.rig.functions import FUNCTIONS, by_command
from rvsim.rig.model import Rig
from rvsim.runs.log_search import has_text
from rvsim.runs.terminal_states import ModuleState
from rvsim.watch.flag import WORST_FIRST, Flag
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.watch import LastFrame, Watch
from rvsim.wire.ident import dgn_of
from rvsim.world.balance import Balance

BETWEEN = "dc_dc_charger"
"""The kind that takes from the battery of its branch and charges another."""
IDENTIFIER_PIECE = -1
"""The number of the identifier where pieces of the tape are counted."""


class Page(StrEnum):
    """The pages of the screen; a value is the name in the title."""

    ABOARD = "Aboard"
    READINGS = "It says"
    TAPE = "Tape"
    LEDGER = "Ledger"
    ENERGY = "Energy"
    FLAGS = "Flags"
    WIRES = "Wires"
    MOVED = "Moved"
    KEYS = "Keys"


class Mode(StrEnum):
    """Where the frames come from; a value is the text in the first line."""

    BENCH = "all simulated"
    LOG = "from a log"
    BUS = "listening only, nothing is sent"


class Order(StrEnum):
    """The orders of the devices on the trunk; a value is the text in the second line."""

    PLANNED = "as the rig lists them"
    ZONE = "by zone"
    TROUBLE = "trouble first"


class DraftSource(NamedTuple):
    """The frame on the tape that a draft was copied from, in words."""

    device: str
    topic: str
    text: str


def _caution_sentences(plan: DevicePlan | None) -> list[str]:
    """Return what a person has to know before a planned device is commanded, by its kind; empty where nothing."""
    kind = kinds_by_name().get(plan.kind) if plan is not None and plan.kind else None
    return re.split(r"(?<=\.) (?=[A-Z])", kind.caution) if kind is not None and kind.caution else []


def _on_other_batteries(rig: Rig | None) -> frozenset[str]:
    if rig is None:
        return frozenset()
    vehicle = rig.vehicle
    feeding = battery_by_branch(vehicle.batteries, vehicle.branches)
    batteries = {device: feeding[branch] for device, branch in vehicle.branch_by_device.items()}
    batteries |= vehicle.battery_by_device
    return frozenset(device for device, battery in batteries.items() if battery != vehicle.battery.name)


def _charging_others(rig: Rig | None, on_others: frozenset[str]) -> frozenset[str]:
    """Return the devices that charge another battery than the house battery; some charge from one into another."""
    between = (
        {plan.name: plan.settings.get("to_battery") for plan in rig.devices if plan.kind == BETWEEN} if rig else {}
    )
    house = rig.vehicle.battery.name if rig else ""
    return (on_others - between.keys()) | {name for name, to in between.items() if to not in (None, house)}


class Scene:
    """The state of the screen over one watch. Times are in microseconds."""

    def __init__(
        self,
        name: str,
        watch: Watch,
        rig: Rig | None,
        problems: Sequence[str] = (),
        mode: Mode = Mode.BENCH,
        units: DisplayUnits = METRIC,
    ) -> None:
        self.name, self.mode, self.units, self.watch = name, mode, units, watch
        self.plans: Mapping[str, DevicePlan] = {plan.name: plan for plan in rig.devices} if rig else {}
        self.on_other_batteries = _on_other_batteries(rig)
        """The planned devices that another battery than the house battery feeds."""
        self.charging_others = _charging_others(rig, self.on_other_batteries)
        """The planned devices that charge another battery than the house battery."""
        self.sent = DeviceSummaries(watch, self.plans, lambda: self.now)
        """What the devices send, in words and numbers."""
        self.energy = DayEnergy()
        self.touches, self.touch_names = Touches(), TouchNames(rig)
        """What moved and which moments were marked, and what the rig calls it."""
        self._roll_call: Sequence[RollCallLine] | None = None
        self.page = Page.ABOARD
        self.order = Order.PLANNED
        self.open_devices: set[str] = set()
        self.chosen: str | None = next(iter(self.plans), None)
        self.row: TerminalKey | None = None
        """The chosen output, switch or key of the chosen device, which is open; None for the device itself."""
        self.planned_terminals = PlannedTerminals(rig)
        self.module_state: Callable[[str], ModuleState | None] = lambda _: None
        """Returns what a simulated module or keypad does at its terminals."""
        self.topic_index = 0
        self.piece_index: int | None = None
        """The open piece of the tape; `IDENTIFIER_PIECE` is the identifier, None: nothing is open."""
        self.draft: Draft | None = None
        """The copy of a frame that is on the tape in its place."""
        self.draft_source: DraftSource | None = None
        self._draft_put_away: tuple[Draft, DraftSource] | None = None
        self.turns = ShownTurn(watch)
        """Which turn of the bus is shown."""
        self.reading: Target | None = None
        """The chosen reading; None means the first of ``readings``."""
        self.status_text = ""
        """The text at the bottom: the result of the last key."""
        self.problems = problems
        """A sentence for each simulated device that failed and was taken out, or for each problem of the adapter."""
        self.now = 0
        self.speed = 1.0
        self.paused = False
        self.ended = ""
        """How the run ended; empty while it runs."""
        self.mark: int | None = None
        """The time that was marked in a log; None without a mark."""
        self.has_manual_fault: Callable[[str], bool] = lambda _: False
        """Tells whether a device has a manual fault."""
        self.balance: Balance | None = None
        """Who gives and who takes in the simulated vehicle; None for a log or a bus."""
        self._told_cautions: set[str] = set()
        self._shore = rig.vehicle.shore if rig else None

    def observe_by(self, watch: Watch) -> None:
        """Show another watch from now on: the run has gone back. What is chosen stays."""
        self.watch = watch
        self.energy = DayEnergy()
        self.turns = ShownTurn(watch)
        self.sent = DeviceSummaries(watch, self.plans, lambda: self.now)

    def find(self, text: str) -> Target | str | None:
        """Choose the first device, message or reading with a text in its name, among those known now.

        Returns:
            The device, or message and field of the reading that is chosen; None where nothing has the text.
        """
        for device in self.devices():
            if has_text(text, device.device, str(device.product or "")):
                self.choose(device.device)
                return device.device
        for last in self.watch.last_frames():
            names = [field.name for field in last.spec.fields] if last.spec is not None else []
            if has_text(text, str(last.topic), *names):
                field = next((name for name in names if has_text(text, name)), "")
                self.show_message(last.device, last.topic.message, field)
                return Target(str(last.topic), field)
        return None

    def show_message(self, device: str, message: str | None, field: str | None) -> None:
        """Choose a device, its message on the tape, and the byte of a field there, as far as they are known."""
        if all(line.device != device for line in self.roll_call):
            return
        self.choose(device)
        self.put_draft_away()
        for topic_index, last in enumerate(self.chosen_frames()):
            if message is None or last.topic.message != message:
                continue
            self.topic_index, self.piece_index = topic_index, None
            for piece_index, piece in enumerate(pieces(last.spec, last.frame.data)):
                if field and any(reading.field.name == field for reading in piece.readings):
                    self.piece_index = piece_index
                    return
            return

    # Devices.

    @property
    def roll_call(self) -> Sequence[RollCallLine]:
        """The roll call of the watch."""
        return self.watch.roll_call if self._roll_call is None else self._roll_call

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """Take the roll call once for all that is asked in the block; nothing may be observed meanwhile."""
        self._roll_call = self.watch.roll_call
        try:
            yield
        finally:
            self._roll_call = None

    def devices(self) -> list[RollCallLine]:
        """Return all devices in the chosen order; by zone, those that are not in the rig come last."""
        listed = list(self.roll_call)
        if self.chosen is None and listed:
            self.chosen = listed[0].device
        match self.order:
            case Order.PLANNED:
                return listed
            case Order.ZONE:
                return sorted(listed, key=lambda device: (not device.planned, self._zone(device.device)))
            case Order.TROUBLE:
                ranks = self._worst_severity_ranks()
                return sorted(listed, key=lambda device: ranks.get(device.device, len(WORST_FIRST)))
            case _:
                assert_never(self.order)

    def _zone(self, device: str) -> tuple[bool, str]:
        zone = self.plans[device].zone if device in self.plans else ""
        return not zone, zone or ""

    def _worst_severity_ranks(self) -> Mapping[str, int]:
        return {subject: WORST_FIRST.index(flags[0].severity) for subject, flags in self.flags_by_subject().items()}

    def flags_of(self, device: str) -> list[Flag]:
        """Return the standing flags of a device, the worst first."""
        return self.flags_by_subject().get(device, [])

    def flags_by_subject(self) -> Mapping[str, list[Flag]]:
        """Return the standing flags by their subject, the worst first."""
        found: dict[str, list[Flag]] = {}
        for flag in sorted(self.watch.flags, key=lambda flag: WORST_FIRST.index(flag.severity)):
            found.setdefault(flag.subject, []).append(flag)
        return found

    def account(self) -> ExplainedFlags:
        """Return the standing flags, grouped under their causes."""
        flags = self.watch.flags
        standing = {flag.number for flag in flags}
        lasting = [cause for cause in self.watch.causes if standing.issuperset(flag.number for flag in cause.flags)]
        return explain_flags(flags, lasting)

    @property
    def order_text(self) -> str:
        """The order in words; without a rig, devices are listed as they were first heard."""
        return "as first heard" if self.order is Order.PLANNED and not self.plans else str(self.order)

    def step(self, by: int) -> None:
        """Choose what is ``by`` places further down the list, at most the last and at least the first.

        On Aboard the terminals of an open device are places of the list.
        """
        places = self._places()
        if not places:
            return
        here = (self.chosen, self.row)
        at = next((n for n, place in enumerate(places) if place == here), None)
        if at is None:
            at = next((n for n, (device, _) in enumerate(places) if device == self.chosen), 0)
        device, row = places[min(len(places) - 1, max(0, at + by))]
        self.choose(device)
        self.choose_row(row)

    def _places(self) -> list[tuple[str, TerminalKey | None]]:
        places: list[tuple[str, TerminalKey | None]] = []
        for device in self.devices():
            places.append((device.device, None))
            if self.page is Page.ABOARD and device.device in self.open_devices:
                places += [(device.device, row.key) for row in self.terminals(device).rows]
        return places

    def choose(self, device: str) -> None:
        """Choose a device; the tape shows its first message."""
        if device != self.chosen:
            self.chosen, self.topic_index, self.piece_index, self.reading = device, 0, None, None
            self.row = None
            self.put_draft_away()

    def choose_row(self, key: TerminalKey | None) -> None:
        """Choose an output, switch or key of the chosen device, and its message on the tape; None: the device."""
        self.row = key
        row = self.chosen_row()
        if row is None:
            return
        statuses = FUNCTIONS[row.function].statuses if row.function is not None else ()
        for topic_index, last in enumerate(self.chosen_frames()):
            if last.topic.message in statuses and last.topic.instance == row.instance:
                self.topic_index, self.piece_index, self.reading = topic_index, None, None
                return

    # The terminals of a module.

    def terminals(self, device: RollCallLine) -> Terminals:
        """Return the outputs and inputs of a module, or the keys of a keypad; empty for any other device."""
        plan = self.plans.get(device.device)
        return self.planned_terminals.of(device.device, plan.functions if plan is not None else device.functions)

    def chosen_row(self) -> TerminalRow | None:
        """Return the chosen output, switch or key, None where a device is chosen as such."""
        if self.row is None or self.chosen not in self.open_devices:
            return None
        device = next((line for line in self.roll_call if line.device == self.chosen), None)
        rows = () if device is None else self.terminals(device).rows
        return next((row for row in rows if row.key == self.row), None)

    def toggle(self) -> None:
        """Open or close the chosen device in its place."""
        if self.chosen is not None:
            self.open_devices ^= {self.chosen}
            self.row = None

    def next_order(self) -> None:
        """Go to the next order."""
        orders = list(Order)
        self.order = orders[(orders.index(self.order) + 1) % len(orders)]

    def untold_caution(self, devices: Iterable[str]) -> str:
        """Return the cautions of the kinds of devices that a person acts on, each sentence once in a run."""
        sentences = [text for device in devices for text in _caution_sentences(self.plans.get(device))]
        untold = [text for text in dict.fromkeys(sentences) if text not in self._told_cautions]
        self._told_cautions.update(untold)
        return f" Caution, though it is only simulated here. {' '.join(untold)}" if untold else ""

    def mains_limit_amps(self, device: str, *, is_input: bool) -> float | None:
        """Return the planned limit of a device's alternating current; None without a rig.

        It is what its settings say, its rated power at the vehicle's mains voltage, or what the shore socket gives.
        """
        if self._shore is None:
            return None
        settings = self.plans[device].settings if device in self.plans else {}
        limit, rated = settings.get("input_limit_amps"), settings.get("rated_w")
        if is_input:
            return float(limit) if isinstance(limit, int | float) else float(self._shore.amps)
        return rated / self._shore.volts if isinstance(rated, int | float) else float(self._shore.amps)

    # What the devices send.

    def commanders(self, device: RollCallLine) -> list[str]:
        """Return the devices that sent a command to a function of ``device``."""
        plan = self.plans.get(device.device)
        functions = plan.functions if plan is not None else device.functions
        commanders: dict[str, None] = {}
        for last in self.watch.last_frames():
            command = by_command(last.topic.message) if last.topic.message else None
            if command is not None and last.topic.instance in functions.get(command.name, ()):
                commanders[last.device] = None
        return [name for name in commanders if name != device.device]

    def overdue(self, device: str) -> int | None:
        """Return by how much the most overdue periodic message of a device is late, in microseconds."""
        due = [
            self.now - last.frame.time - last.gap_us
            for last in self.watch.last_frames(device)
            if last.gap_us is not None
        ]
        return max((late for late in due if late > 0), default=None)

    def named(self, identifier: int) -> str:
        """Return the device that sends frames with an identifier and the message that they carry, in words."""
        dgn, source = dgn_of(identifier), identifier & 0xFF
        for last in self.watch.last_frames():
            if (last.topic.dgn, last.topic.source) == (dgn, source):
                return f"{last.device}, {last.topic}"
        return f"address {source:02X} hex, DGN {dgn:05X} hex"

    # The tape.

    def chosen_frames(self) -> list[LastFrame]:
        """Return the last frame of each topic of the chosen device, its status messages first."""
        frames = list(self.watch.last_frames(self.chosen)) if self.chosen is not None else []
        plan = self.plans.get(self.chosen or "")
        functions = plan.functions if plan is not None else {}
        statuses = [message for name in functions for message in FUNCTIONS[name].statuses]

        def rank(last: LastFrame) -> int:
            message = last.topic.message
            return statuses.index(message) if message in statuses else len(statuses)

        return sorted(frames, key=rank)

    def tape_frame(self) -> LastFrame | None:
        """Return the frame on the tape."""
        frames = self.chosen_frames()
        return frames[self.topic_index % len(frames)] if frames else None

    def next_message(self) -> str:
        """Put the next message of the device on the tape; return what ``put_draft_away`` returns."""
        self.topic_index += 1
        self.piece_index = None
        return self.put_draft_away()

    def step_piece(self, by: int) -> None:
        """Open the next piece of the frame on the tape, or the one before; before the first byte is the identifier."""
        if self.piece_index is None:
            self.piece_index = 0 if by > 0 else IDENTIFIER_PIECE
        else:
            self.piece_index = max(IDENTIFIER_PIECE, self.piece_index + by)

    def take_draft(self) -> str:
        """Copy the frame on the tape, or take the copy of that message again; return what was done as a sentence."""
        last = self.tape_frame()
        if last is None:
            return "There is no frame to copy: nothing was received from it yet."
        kept = self._draft_put_away
        if kept is not None and kept[1][:2] == (last.device, str(last.topic)):
            (self.draft, self.draft_source), self._draft_put_away = kept, None
            return "Your copy as you left it; b makes it the frame as heard again."
        data = last.frame.data
        byte = None
        if data and self.piece_index != IDENTIFIER_PIECE:
            found = pieces(last.spec, data)
            byte = found[min(self.piece_index or 0, len(found) - 1)].first
        self.draft = Draft(last.frame, self.watch.catalogue, byte)
        text = f"{last.topic}, from {last.device}, at {elapsed_text(last.frame.time)}"
        self.draft_source = DraftSource(last.device, str(last.topic), text)
        return ""

    def put_draft_away(self) -> str:
        """Go back from a draft to the frame; return that a draft with changes can be taken again, "" without one."""
        kept_text = ""
        if self.draft is not None and self.draft_source is not None and self.draft.changed_bits:
            self._draft_put_away = self.draft, self.draft_source
            kept_text = f"Your changes are kept: d takes the copy again on {self.draft_source.topic}."
        self.draft = self.draft_source = None
        return kept_text

    @property
    def is_drafting(self) -> bool:
        """Whether a draft is on the page that is shown."""
        return self.draft is not None and self.page is Page.TAPE

    def readings(self) -> list[Choice]:
        """Return the readings of the chosen device that hold and corrupt can act on, those with a rail first.

        Readings without data and messages of the protocol are not among them.
        """
        device = next((line for line in self.roll_call if line.device == self.chosen), None)
        rails = [rail for _, entry in self.sent.of(device) for rail in entry.rails] if device is not None else []
        return fault_choices(self.chosen_frames(), rails)

    def step_reading(self, by: int) -> None:
        """Choose the reading ``by`` places further in ``readings``; the tape opens its byte."""
        choices = self.readings()
        if choices:
            targets = [choice.target for choice in choices]
            at = targets.index(self.reading) if self.reading in targets else 0
            chosen = choices[min(len(choices) - 1, max(0, at + by))]
            self.reading, self.topic_index, self.piece_index = chosen.target, chosen.topic_index, chosen.piece_index

    def target(self, choices: Sequence[Choice] | None = None) -> Target | None:
        """Return the reading that a manual fault acts on: on the tape its open byte, else the chosen reading.

        ``choices`` are those of ``readings``, where the caller has them.
        """
        last = self.tape_frame()
        if self.page is Page.TAPE and last is not None and last.spec is not None:
            found = first_value(last, max(0, self.piece_index or 0))
            if found is not None:
                return found
        targets = [choice.target for choice in (self.readings() if choices is None else choices)]
        return self.reading if self.reading in targets else next(iter(targets), None)
