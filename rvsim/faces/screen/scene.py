"""What the screen shows, and what is chosen in it; everything but the drawing.

Knows: the devices in the chosen order, which of them is chosen, which are open, what each of them says, and the
topic and byte that the tape spells. Does not know Textual, keys or colours. It reads the watch: whoever calls holds
the run's lock.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import NamedTuple

from rvsim.faces.screen.tape import pieces
from rvsim.faces.screen.trends import Trends
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import ExplainedFlags, explain_flags
from rvsim.rig.functions import FUNCTIONS, Function, by_command
from rvsim.rig.model import DevicePlan, Rig
from rvsim.watch.bus.turn import Turn, latest_access
from rvsim.watch.flag import WORST_FIRST, Flag
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Rail, Said, Summary, summary
from rvsim.watch.watch import LastFrame, Watch
from rvsim.wire.fields import Reading, State
from rvsim.wire.ident import dgn_of

_WITHOUT_VALUE = frozenset({State.NO_DATA, State.MISSING, State.UNCHANGED})
LEFT_AFTER_US = 2_000_000
"""A shared function that a device has not spoken for so long (or three gaps) is spoken for by another."""


class Page(StrEnum):
    """What fills the screen."""

    ABOARD = "Aboard"
    SAYS = "It says"
    TAPE = "Tape"
    LEDGER = "Ledger"
    FLAGS = "Flags"
    WIRES = "Wires"
    KEYS = "Keys"


class Mode(StrEnum):
    """Where the frames come from, as the first line says it."""

    BENCH = "all simulated"
    LOG = "from a log"
    BUS = "listening only, nothing is sent"


class Order(StrEnum):
    """In which order the devices stand on the trunk."""

    PLANNED = "as the rig lists them"
    ZONE = "by zone"
    TROUBLE = "trouble first"


class Target(NamedTuple):
    """The reading that a manual fault acts on."""

    message: str
    field: str


class Choice(NamedTuple):
    """A reading of the chosen device that can be chosen, and where the tape has it."""

    target: Target
    topic: int
    """Its place in ``Scene.topics``."""
    piece: int
    """Its place among the pieces of that message."""
    reading: Reading


class Scene:
    """The state of the screen over one watch."""

    def __init__(
        self,
        name: str,
        watch: Watch,
        rig: Rig | None,
        broken: Sequence[str] = (),
        mode: Mode = Mode.BENCH,
        units: DisplayUnits = METRIC,
    ) -> None:
        self.name = name
        self.mode = mode
        self.units = units
        self.watch = watch
        self.plans: Mapping[str, DevicePlan] = {plan.name: plan for plan in rig.devices} if rig else {}
        self.trends = Trends()
        self.page = Page.ABOARD
        self.order = Order.PLANNED
        self.opened: set[str] = set()
        self.chosen: str | None = next(iter(self.plans), None)
        self.topic = 0
        self.piece: int | None = None
        self.reading: Target | None = None
        """The reading that was chosen; None means the first of ``readings``."""
        self.deed = ""
        """What was done last by hand."""
        self.broken = broken
        """A sentence for each simulated device that raised and was taken out, or for what is wrong with the bus."""
        self.now = 0
        self.speed = 1.0
        self.paused = False
        self.ended = ""
        self.by_hand: Callable[[str], bool] = lambda _: False
        """Whether a device is disturbed by hand."""

    # Devices.

    def devices(self) -> list[RollCallLine]:
        """Return everybody in the chosen order; those that are not in the rig come last."""
        listed = list(self.watch.roll_call)
        if self.chosen is None and listed:
            self.chosen = listed[0].device
        if self.order is Order.ZONE:
            return sorted(listed, key=lambda one: (not one.planned, self._zone(one.device)))
        if self.order is Order.TROUBLE:
            worst = self._worst()
            return sorted(listed, key=lambda one: worst.get(one.device, 9))
        return listed

    def _zone(self, device: str) -> tuple[bool, str]:
        zone = self.plans[device].zone if device in self.plans else ""
        return not zone, zone or ""

    def _worst(self) -> Mapping[str, int]:
        return {subject: WORST_FIRST.index(flags[0].severity) for subject, flags in self.flags_by_subject().items()}

    def flags_of(self, device: str) -> list[Flag]:
        """Return the flags that stand for a device, the worst first."""
        return self.flags_by_subject().get(device, [])

    def flags_by_subject(self) -> Mapping[str, list[Flag]]:
        """Return the flags that stand, by what they are about, the worst first."""
        found: dict[str, list[Flag]] = {}
        for flag in sorted(self.watch.flags, key=lambda flag: WORST_FIRST.index(flag.severity)):
            found.setdefault(flag.subject, []).append(flag)
        return found

    def account(self) -> ExplainedFlags:
        """Return the flags that stand, put under their causes."""
        flags = self.watch.flags
        standing = {flag.number for flag in flags}
        lasting = [cause for cause in self.watch.causes if standing.issuperset(flag.number for flag in cause.flags)]
        return explain_flags(flags, lasting)

    @property
    def order_words(self) -> str:
        """Say the order; without a rig nobody lists devices but the bus."""
        return "as first heard" if self.order is Order.PLANNED and not self.plans else str(self.order)

    def step(self, by: int) -> None:
        """Choose the next device, or the one before."""
        names = [one.device for one in self.devices()]
        if names:
            at = names.index(self.chosen) if self.chosen in names else 0
            self.choose(names[min(len(names) - 1, max(0, at + by))])

    def choose(self, device: str) -> None:
        """Choose a device; the tape goes to its main message."""
        if device != self.chosen:
            self.chosen, self.topic, self.piece, self.reading = device, 0, None, None

    def toggle(self) -> None:
        """Open or close the chosen device in its place."""
        if self.chosen is not None:
            self.opened ^= {self.chosen}

    def turn(self) -> None:
        """Go to the next order."""
        orders = list(Order)
        self.order = orders[(orders.index(self.order) + 1) % len(orders)]

    # What they say.

    def sayings(self, device: RollCallLine) -> list[tuple[str, Summary]]:
        """Return what each function of a device says, with the function's title and instance."""
        return [(FUNCTIONS[name].spoken(instance), words) for name, instance, words in self._spoken(device)]

    def by_function(self, device: RollCallLine) -> Mapping[str, Summary]:
        """Return what each function of a device says, by the function's name; the first instance speaks for all."""
        said: dict[str, Summary] = {}
        for name, _, words in self._spoken(device):
            said.setdefault(name, words)
        return said

    def _spoken(self, device: RollCallLine) -> Iterator[tuple[str, int, Summary]]:
        plan = self.plans.get(device.device)
        functions = plan.functions if plan is not None else device.functions
        topics = list(self.watch.last_frames(device.device))
        for name, instances in functions.items():
            for instance in instances:
                said = self._said(topics, FUNCTIONS[name], instance)
                if said:
                    numbers = {told.spec.name: told.spec.origin for told in topics if told.spec is not None}
                    words = summary(FUNCTIONS[name], said, numbers)
                    self._follow(device.device, FUNCTIONS[name].spoken(instance), words.rails)
                    yield name, instance, words

    def is_old(self, told: LastFrame) -> bool:
        """Tell whether a periodic word was not said again: its device fell silent, or left it to a higher priority."""
        return told.gap is not None and self.now - told.frame.time > max(LEFT_AFTER_US, 3 * told.gap)

    def _said(self, topics: Sequence[LastFrame], function: Function, instance: int) -> Said:
        """Return the last readings of a function by message and field.

        What a device has left to a speaker of higher priority is not its word any more.
        """
        said: dict[str, dict[str, Reading]] = {}
        for told in topics:
            spec, left = told.spec, function.shared and self.is_old(told)
            if spec is not None and spec.name in function.statuses and told.topic.instance == instance and not left:
                said[spec.name] = {reading.field.name: reading for reading in spec.decode(told.frame.data)}
        return said

    def _follow(self, device: str, title: str, rails: Sequence[Rail]) -> None:
        """Note the numbers on rails; one that is flagged has no trend until its flag is cleared, and then a new one."""
        flagged = {(flag.message, flag.field) for flag in self.flags_of(device) if flag.field is not None}
        for rail in rails:
            name, value = rail.reading.field.name, rail.reading.value
            key = device, title, rail.message, name
            if (rail.message, name) in flagged:
                self.trends.drop(key)
            elif value is not None:
                self.trends.note(key, self.now, value)

    def past(self, device: str, title: str, rail: Rail) -> float | None:
        """Return where a number on a rail came from."""
        return self.trends.past(self._key(device, title, rail))

    def a_minute(self, device: str, title: str, rail: Rail) -> float | None:
        """Return how much a number on a rail changes in a minute."""
        return self.trends.a_minute(self._key(device, title, rail))

    def _key(self, device: str, title: str, rail: Rail) -> tuple[object, ...]:
        return device, title, rail.message, rail.reading.field.name

    def limits(self, device: str, rail: Rail) -> tuple[float, float]:
        """Return the ends of a rail: what the rig plans, else what is usual."""
        plan, name = self.plans.get(device), rail.reading.field.name
        limits = plan.limits if plan is not None else {}
        low, high = limits.get(f"{rail.message}.{name}") or limits.get(name) or (rail.low, rail.high)
        return float(low), float(high)

    def waiting(self, device: RollCallLine) -> list[str]:
        """Return who was heard to command a function of the device."""
        plan = self.plans.get(device.device)
        functions = plan.functions if plan is not None else device.functions
        waiting: dict[str, None] = {}
        for told in self.watch.last_frames():
            command = by_command(told.topic.message) if told.topic.message else None
            if command is not None and told.topic.instance in functions.get(command.name, ()):
                waiting[told.device] = None
        return [name for name in waiting if name != device.device]

    def overdue(self, device: str) -> int | None:
        """Return for how long the most overdue periodic message of a device has been due, in microseconds."""
        due = [self.now - told.frame.time - told.gap for told in self.watch.last_frames(device) if told.gap is not None]
        return max((late for late in due if late > 0), default=None)

    def access(self) -> Turn | None:
        """Return the last access of the pair that others waited for, else the last one of the last two seconds."""
        load = self.watch.load
        latest, contested = latest_access(load.recent), latest_access(load.crowded)
        return contested if contested and contested.waiting and not (latest and latest.waiting) else latest

    def named(self, identifier: int) -> str:
        """Say who sends frames with an identifier, and which message they are."""
        dgn, source = dgn_of(identifier), identifier & 0xFF
        for told in self.watch.last_frames():
            if (told.topic.dgn, told.topic.source) == (dgn, source):
                return f"{told.device}, {told.topic}"
        return f"address {source:02X} hex, DGN {dgn:05X} hex"

    # The tape.

    def topics(self) -> list[LastFrame]:
        """Return what the chosen device said last of each topic, its status messages first."""
        topics = list(self.watch.last_frames(self.chosen)) if self.chosen is not None else []
        plan = self.plans.get(self.chosen or "")
        functions = plan.functions if plan is not None else {}
        statuses = [message for name in functions for message in FUNCTIONS[name].statuses]

        def rank(told: LastFrame) -> int:
            message = told.topic.message
            return statuses.index(message) if message in statuses else len(statuses)

        return sorted(topics, key=rank)

    def spelled(self) -> LastFrame | None:
        """Return what the tape spells."""
        topics = self.topics()
        return topics[self.topic % len(topics)] if topics else None

    def readings(self) -> list[Choice]:
        """Return the readings of the chosen device that hold and corrupt can act on, those with a rail first.

        What has no data and what belongs to the protocol is none of them.
        """
        found: dict[Target, Choice] = {}
        for topic, told in enumerate(self.topics()):
            if told.spec is None or told.spec.is_protocol or not told.spec.fields:
                continue
            for number, piece in enumerate(pieces(told.spec, told.frame.data)):
                for reading in piece.readings:
                    name = reading.field.name
                    if reading.state in _WITHOUT_VALUE or name.endswith("instance") or name not in told.spec.by_name:
                        continue
                    target = Target(told.spec.name, name)
                    found.setdefault(target, Choice(target, topic, number, reading))
        device = next((one for one in self.watch.roll_call if one.device == self.chosen), None)
        rails = [rail for _, words in self.sayings(device) for rail in words.rails] if device is not None else []
        first = dict.fromkeys(Target(rail.message, rail.reading.field.name) for rail in rails)
        ranks = {target: rank for rank, target in enumerate(first)}
        return sorted(found.values(), key=lambda choice: ranks.get(choice.target, len(ranks)))

    def step_reading(self, by: int) -> None:
        """Choose the next reading of the chosen device, or the one before; the tape goes to its byte."""
        choices = self.readings()
        if choices:
            targets = [choice.target for choice in choices]
            at = targets.index(self.reading) if self.reading in targets else 0
            chosen = choices[min(len(choices) - 1, max(0, at + by))]
            self.reading, self.topic, self.piece = chosen.target, chosen.topic, chosen.piece

    def target(self) -> Target | None:
        """Return the reading that a manual fault acts on: the tape's open byte, else the chosen reading."""
        told = self.spelled()
        if self.page is Page.TAPE and told is not None and told.spec is not None:
            found = _first_value(told, self.piece or 0)
            if found is not None:
                return found
        targets = [choice.target for choice in self.readings()]
        return self.reading if self.reading in targets else next(iter(targets), None)


def _first_value(told: LastFrame, piece: int) -> Target | None:
    """Return the first reading of a piece of the tape, or of what follows it, that has a value and no instance."""
    for part in pieces(told.spec, told.frame.data)[piece:]:
        for reading in part.readings:
            name = reading.field.name
            is_number = reading.state is State.VALUE and not name.endswith("instance")
            if is_number and told.spec is not None and name in told.spec.by_name:
                return Target(told.spec.name, name)
    return None
