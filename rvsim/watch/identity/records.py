"""Records of topics, source addresses and devices.

Knows: the state of each, the queries that need only that state, and how long a device may send nothing before it is
silent. Does not know how a source is identified as a
planned device (``identity`` does), nor when a device is late (``roll_call`` does). All ages are in bus time.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from rvsim.rig.functions import FUNCTIONS, Function, by_dsa, by_status
from rvsim.watch.decode import Layout
from rvsim.watch.traffic import MISSED_IN_A_ROW, Rhythm, TopicColumn
from rvsim.watch.transitions import FellSilent, GapExceeded, LengthWrong, Presence, Replaced, Topic, UnplannedDevice
from rvsim.watch.values import Values
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name
from rvsim.wire.texts import Product

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan

MIN_SILENCE_LIMIT_US = 15 * SECOND_US
"""The shortest time without a frame after which a device is silent: three heartbeats of at most 5 s each
(rv-c.com/node/82); three is our decision."""

MAX_QUEUED_US = 2 * SECOND_US
"""How long frames may still come from the old address of a unit that has claimed another: they were in a queue.
Our decision."""

FunctionInstance = tuple[str, int]
"""A function by its name, and an instance."""


class TopicRecord:
    """One topic of one source: its last frame, its rhythm, its values, and the device that it is assigned to.

    ``data`` is the data of the last frame, None where the next frame must be examined even if it is the same.
    ``time_only`` is whether only the time of the next frame counts: it has no definition, and that was reported.
    """

    __slots__ = (
        "changed_at",
        "column",
        "device",
        "function",
        "function_text",
        "key",
        "last_data",
        "lateness",
        "layout",
        "node",
        "number",
        "rhythm",
        "settled_data",
        "stored_frame",
        "time_only",
        "topic",
        "values",
        "values_only",
    )

    def __init__(self, number: int, node: "AddressRecord", key: bytes, layout: Layout, frame: Frame) -> None:
        self.number = number
        self.node = node
        self.key = key
        self.layout = layout
        self.stored_frame = frame
        """The last frame that was entered; ``frame`` first enters those that were passed over."""
        self.column: TopicColumn | None = None
        """The frames of the topic in a log that is held as columns; None on a live bus."""
        self.topic: Topic = layout.topic(node.address, frame.data)
        self.function: Function | None = None
        """The function that this topic is the status of."""
        self.function_text = ""
        """That function with its instance, as text: ``furnace 1``."""
        function = by_status(self.topic.message or "")
        if function is not None and self.topic.instance is not None:
            self.function, self.function_text = function, function.label(self.topic.instance)
        self.settled_data: bytes | None = None
        self.time_only = False
        self.last_data: bytes | None = None
        """The data of the last frame that a detector examined."""
        self.values_only = False
        """Whether nothing was open about its sender when a frame was last examined, and nothing has changed since."""
        self.changed_at = 0
        """When the data changed last, in bus time."""
        self.rhythm = Rhythm(layout.gap, is_defined=layout.gap_is_known)
        self.values: Values | None = None
        self.device: DeviceRecord = node.unassigned
        self.lateness: GapExceeded | None = None
        node.topics.add(self)

    @property
    def identifies_device(self) -> bool:
        """Whether this topic can show which planned device sends it."""
        return self.function is not None or self.topic.dsa is not None

    @property
    def exclusive_function(self) -> FunctionInstance | None:
        """The function and instance of which it is the only status; None where it is none, or devices share it by
        design.
        """
        if self.function is None or self.function.shared or self.topic.instance is None:
            return None
        return self.function.name, self.topic.instance

    @property
    def frame(self) -> Frame:
        """The last frame."""
        if self.column is not None:
            self.column.catch_up()
        return self.stored_frame

    def examine_next(self) -> None:
        """Have the next frame examined, even if it is the same."""
        if self.column is not None:
            self.column.refresh()
            self.column.choose_again()
        self.settled_data, self.time_only = None, False

    def choose_again(self) -> None:
        """Note that each frame with new data may have to be examined from now on."""
        if self.column is not None:
            self.column.choose_again()

    def need_less(self) -> None:
        """Note that less is needed of the values of its frames from now on."""
        if self.column is not None:
            self.column.need_less()

    def refresh(self) -> None:
        """Have what is kept of values be that of the last frame."""
        if self.column is not None:
            self.column.refresh()

    def hold(self, column: TopicColumn | None) -> None:
        """Take the frames of a log that is held as columns, None at its end."""
        self.column = self.rhythm.column = column


class AddressRecord:
    """One source address that was heard."""

    def __init__(self, address: int) -> None:
        self.address = address
        self.name: Name | None = None
        self.claimed_at = 0
        self.left_at: int | None = None
        """When its NAME was claimed at another address, in bus time; None where it was not, or was claimed here
        since."""
        self.product: Product | None = None
        self.software: tuple[str, ...] | None = None
        self.claimed_device: DeviceRecord | None = None
        """The planned device whose NAME it claims."""
        self.topics: set[TopicRecord] = set()
        """Its topics, whichever device they are assigned to."""
        self.unassigned = DeviceRecord(-1, f"address {address:02X} hex", None)
        """The device that a new topic is assigned to first."""
        self.wrong_instance_functions: set[str] = set()
        """Functions that it sends with an instance that it may not have."""
        self.unplanned: DeviceRecord | None = None
        """The device that its topics are assigned to as long as no planned device is heard from it."""
        self.awaited_dgns: set[int] = set()
        """The DGNs whose next frame is examined even if it is the same as before: they were requested again."""

    def doubt_senders(self) -> None:
        """Have the next frame with new data of each topic examined: something about its sender has changed."""
        for record in self.topics:
            record.values_only = False
            record.choose_again()

    def last_heard(self) -> int:
        """Return the time of its last frame, in bus time."""
        return max((record.rhythm.times[-1] for record in self.topics), default=0)

    def sends_until(self, longest: int) -> int:
        """Return the last moment up to which one of its messages is known to come within ``longest`` microseconds."""
        return max((record.rhythm.sent_until(longest) for record in self.topics), default=0)

    def has_left(self) -> bool:
        """Return whether its unit has moved to another address: since then only queued frames were received."""
        return self.left_at is not None and self.last_heard() <= self.left_at + MAX_QUEUED_US

    def silence_limit(self) -> int:
        """Return how long it may be silent, in microseconds: three heartbeats, or three of its slowest gap."""
        return silence_limit(self.topics)


def silence_limit(records: Iterable[TopicRecord]) -> int:
    """Return how long these topics may be silent, in microseconds: three heartbeats, or three of the slowest gap."""
    slowest = max((record.rhythm.gap() or 0 for record in records), default=0)
    return max(MIN_SILENCE_LIMIT_US, MISSED_IN_A_ROW * slowest)


class MessageRecord:
    """All frames of one source and DGN, whatever the priority and destination."""

    __slots__ = (
        "detectors",
        "has_reports",
        "is_packet",
        "key_slice",
        "layout",
        "node",
        "right_lengths_in_a_row",
        "topics",
        "wrong_length",
    )

    def __init__(
        self,
        layout: Layout,
        node: AddressRecord,
        detectors: Sequence[Callable[[TopicRecord], bool]],
        *,
        has_reports: bool,
        is_packet: bool,
    ) -> None:
        self.layout = layout
        self.key_slice = layout.key_slice
        self.node = node
        self.has_reports = has_reports
        self.is_packet = is_packet
        self.detectors = detectors
        self.topics: dict[bytes, TopicRecord] = {}
        self.wrong_length: LengthWrong | None = None
        self.right_lengths_in_a_row = 0


class DeviceRecord:
    """One planned device, or one source that is not identified as one."""

    def __init__(self, number: int, name: str, plan: "DevicePlan | None", planned_gap: int | None = None) -> None:
        self.number = number
        self.name = name
        self.plan = plan
        self.planned_gap = planned_gap
        """The slowest gap of the status messages of its planned functions."""
        self.node: AddressRecord | None = None
        self.is_tentative = False
        """Whether it is identified by its heartbeat or its address alone."""
        self.state: Presence | None = None
        self.is_heard = False
        """Whether it is heard: from its first frame until it is found silent."""
        self.topics: list[TopicRecord] = []
        self.since = 0
        """When it was first heard, or came back (frame time)."""
        self.waiting_from = 0
        """The moment (bus time) from which its first frame, or a frame that identifies it, is expected."""
        self.late_count = 0
        """The number of its topics that are late."""
        self.silence: FellSilent | None = None
        self.open_unplanned: dict[str | None, UnplannedDevice] = {}
        """The open problems with unplanned functions, by the text of the function; None is the whole source."""
        self.replaced: Replaced | None = None
        """The problem that is reported instead of its silence: another unit sends as it."""
        self.replacement: DeviceRecord | None = None
        """That other unit, as long as it is not identified as the device itself."""
        self.merged = False
        """Whether it was identified as a planned device, which has taken over its topics."""

    @property
    def is_silent(self) -> bool:
        """Whether it was found silent."""
        return not self.is_heard and self.state is not None

    def last_heard(self) -> int:
        """Return the moment from which its silence is counted."""
        return max((record.rhythm.last for record in self.topics), default=self.waiting_from)

    def heard_until(self, longest: int) -> int:
        """Return the last moment up to which one of its messages is known to come within ``longest`` microseconds."""
        return max((record.rhythm.unbroken_until(longest) for record in self.topics), default=self.waiting_from)

    def last_frame(self) -> Frame | None:
        """Return its last frame, None where there is none."""
        if len(self.topics) == 1:
            return self.topics[0].frame
        return max((record.frame for record in self.topics), key=lambda frame: frame.time, default=None)

    def slowest_gap(self) -> int | None:
        """Return the slowest gap of its periodic messages, sent or planned; None where it has none."""
        gaps = [self.planned_gap, *(record.rhythm.gap() for record in self.topics)]
        return max((gap for gap in gaps if gap is not None), default=None)

    def fastest_gap(self) -> int | None:
        """Return the fastest gap of its periodic messages; None where it has none."""
        return min((gap for record in self.topics if (gap := record.rhythm.gap()) is not None), default=None)

    def silence_limit(self) -> int:
        """Return how long it may be silent, in microseconds."""
        return max(MIN_SILENCE_LIMIT_US, MISSED_IN_A_ROW * (self.slowest_gap() or 0))

    def functions(self) -> Mapping[str, tuple[int, ...]]:
        """Return the functions that it sends, with instances; a function known by its DSA alone has none."""
        if len(self.topics) == 1 and (only := self.topics[0]).function is not None and only.topic.instance is not None:
            return {only.function.name: (only.topic.instance,)}  # what many sensors are
        heard: dict[str, set[int]] = {}
        for record in self.topics:
            if record.function is not None and record.topic.instance is not None:
                heard.setdefault(record.function.name, set()).add(record.topic.instance)
            elif record.topic.dsa is not None and (known := by_dsa(record.topic.dsa)):
                heard.setdefault(known.name, set())
        return {name: tuple(sorted(instances)) for name, instances in heard.items()}

    def expected_functions(self) -> Iterator[str]:
        """Yield the planned functions, as text with their instances."""
        for name, instances in (self.plan.functions if self.plan else {}).items():
            yield f"{FUNCTIONS[name].title} {', '.join(map(str, instances))}"


class RollCallLine(NamedTuple):
    """One line of the roll call.

    ``device`` is the planned name, or ``address 9C hex``. ``source`` and ``last_heard`` (microseconds) are None for
    a planned device that was not heard yet; so is ``state`` until its heartbeat limit has passed, and for a source
    that is not identified yet. ``functions`` are those that it sends, with instances.
    """

    device: str
    planned: bool
    source: int | None
    name: Name | None
    functions: Mapping[str, tuple[int, ...]]
    state: Presence | None
    last_heard: int | None
    product: Product | None = None
    software: tuple[str, ...] | None = None


def roll_call_line(entry: DeviceRecord) -> RollCallLine:
    """Return the line of a device."""
    node, frame = entry.node, entry.last_frame()
    return RollCallLine(
        entry.name,
        entry.plan is not None,
        node.address if node else None,
        node.name if node else None,
        entry.functions(),
        entry.state,
        frame.time if frame else None,
        node.product if node else None,
        node.software if node else None,
    )
