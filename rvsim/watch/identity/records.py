"""Who is there, as records: one topic, one source address, one device.

Knows: what is kept of each and the few questions that follow from it alone. Does not know how a source is told
to be a planned device, nor when anybody is late; ``roll_call`` does. All ages are in bus time.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from rvsim.rig.functions import FUNCTIONS, Function, by_dsa, by_status
from rvsim.rig.model import DevicePlan
from rvsim.watch.decode import Layout
from rvsim.watch.traffic import MISSED_IN_A_ROW, Rhythm
from rvsim.watch.transitions import FellSilent, GapExceeded, LengthWrong, Presence, Replaced, Topic, UnplannedDevice
from rvsim.watch.values import Values
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name
from rvsim.wire.texts import Product

MIN_SILENCE_LIMIT_US = 15 * SECOND_US
"""Three heartbeats of at most 5 s each (rv-c.com/node/82); three is our decision."""

MAX_QUEUED_US = 2 * SECOND_US
"""So long a unit's old address may go on after it has claimed another: frames that stood in a queue. Our decision."""

FunctionInstance = tuple[str, int]
"""A function by its name, and an instance."""


class TopicRecord:
    """One topic of one source: its frames, its rhythm, its values, and the device it is counted to.

    ``data`` is what the last frame said, None where the next frame has to be looked at even if it says the same.
    ``time_only`` says that only the time of the next frame counts: it has no definition, and that was told.
    """

    __slots__ = (
        "changed",
        "data",
        "device",
        "frame",
        "function",
        "key",
        "late",
        "layout",
        "node",
        "number",
        "rhythm",
        "said",
        "spoken",
        "time_only",
        "topic",
        "values",
    )

    def __init__(self, number: int, node: "AddressRecord", key: bytes, layout: Layout, frame: Frame) -> None:
        self.number = number
        self.node = node
        self.key = key
        self.layout = layout
        self.frame = frame
        self.topic: Topic = layout.topic(node.address, frame.data)
        self.function: Function | None = None
        """The function that this topic is the status of."""
        self.spoken = ""
        """That function with its instance, as it is spoken: ``furnace 1``."""
        function = by_status(self.topic.message or "")
        if function is not None and self.topic.instance is not None:
            self.function, self.spoken = function, function.spoken(self.topic.instance)
        self.data: bytes | None = None
        self.time_only = False
        self.said: bytes | None = None
        """What the last frame said that was listened to, whether it could matter again or not."""
        self.changed = 0
        """When it said something else than before, in bus time."""
        self.rhythm = Rhythm(layout.gap_is_known, layout.gap)
        self.values: Values | None = None
        self.device: DeviceRecord = node.nobody
        self.late: GapExceeded | None = None
        node.topics.add(self)

    @property
    def identifies_device(self) -> bool:
        """Tell whether this topic can show which planned device speaks."""
        return self.function is not None or self.topic.dsa is not None

    @property
    def exclusive_function(self) -> FunctionInstance | None:
        """The function and instance that it speaks for alone; None where it speaks for none, or shares it by design."""
        if self.function is None or self.function.shared or self.topic.instance is None:
            return None
        return self.function.name, self.topic.instance

    def listen(self) -> None:
        """Have the next frame looked at, even if it says the same."""
        self.data, self.time_only = None, False


class AddressRecord:
    """One source address that was heard."""

    def __init__(self, address: int) -> None:
        self.address = address
        self.name: Name | None = None
        self.claimed_at = 0
        self.left: int | None = None
        """When its NAME was claimed at another address, in bus time; None where it was not, or claimed here since."""
        self.product: Product | None = None
        self.software: tuple[str, ...] | None = None
        self.claimant: DeviceRecord | None = None
        """The planned device whose NAME it claims."""
        self.topics: set[TopicRecord] = set()
        """Its topics, whoever they are counted to."""
        self.nobody = DeviceRecord(-1, f"address {address:02X} hex", None)
        """Whom a topic is counted to before anybody else."""
        self.wrong_instance_functions: set[str] = set()
        """Functions that it speaks for under an instance that it may not have."""
        self.stranger: DeviceRecord | None = None
        """Whom its topics are counted to as long as no planned device is heard from it."""
        self.awaited: set[int] = set()
        """The DGNs whose next frame is looked at, even if it says the same as before: they are asked for again."""

    def last(self) -> int:
        """Return when it was heard last, in bus time."""
        return max((part.rhythm.times[-1] for part in self.topics), default=0)

    def has_left(self) -> bool:
        """Tell whether its unit has moved to another address: since then only frames that waited were heard."""
        return self.left is not None and self.last() <= self.left + MAX_QUEUED_US

    def silence_limit(self) -> int:
        """Return how long it may say nothing: three heartbeats, or three of its slowest gap."""
        return silence_limit(self.topics)


def silence_limit(parts: Iterable[TopicRecord]) -> int:
    """Return how long nothing may be heard of these topics: three heartbeats, or three of the slowest gap."""
    slowest = max((part.rhythm.gap() or 0 for part in parts), default=0)
    return max(MIN_SILENCE_LIMIT_US, MISSED_IN_A_ROW * slowest)


class MessageRecord:
    """What one source sends under one DGN, whatever the priority and destination."""

    __slots__ = (
        "apart",
        "detectors",
        "is_packet",
        "layout",
        "length",
        "node",
        "reports",
        "right_lengths_in_a_row",
        "topics",
    )

    def __init__(
        self,
        layout: Layout,
        node: AddressRecord,
        reports: bool,
        is_packet: bool,
        detectors: Sequence[Callable[[TopicRecord], bool]],
    ) -> None:
        self.layout = layout
        self.apart = layout.apart
        self.node = node
        self.reports = reports
        self.is_packet = is_packet
        self.detectors = detectors
        self.topics: dict[bytes, TopicRecord] = {}
        self.length: LengthWrong | None = None
        self.right_lengths_in_a_row = 0


class DeviceRecord:
    """One planned device, or one source that is none (yet)."""

    def __init__(self, number: int, name: str, plan: DevicePlan | None, planned_gap: int | None = None) -> None:
        self.number = number
        self.name = name
        self.plan = plan
        self.planned_gap = planned_gap
        """The slowest gap of the status messages of its planned functions."""
        self.node: AddressRecord | None = None
        self.unsure = False
        """Whether it is taken to be where it is heard by its heartbeat or its address alone."""
        self.state: Presence | None = None
        self.is_heard = False
        """Whether it is being heard: from its first frame until it is found silent."""
        self.topics: list[TopicRecord] = []
        self.since = 0
        """When it was first heard, or came back (frame time)."""
        self.waiting_from = 0
        """The moment from which it is waited for: with its first frame, or with a word about who it is."""
        self.late = 0
        """How many of its topics are late."""
        self.silence: FellSilent | None = None
        self.strange: dict[str | None, UnplannedDevice] = {}
        """The strange functions that stand open, by their spoken name; None is the whole source."""
        self.replaced: Replaced | None = None
        """What is told of it instead of its silence: another unit speaks for it."""
        self.replacement: DeviceRecord | None = None
        """That other unit, as long as it is not taken for the device itself."""
        self.merged = False
        """Whether it turned out to be a planned device, which has taken over its topics."""

    @property
    def is_silent(self) -> bool:
        """Tell whether it was found silent."""
        return not self.is_heard and self.state is not None

    def last(self) -> int:
        """Return the moment from which its silence counts."""
        return max((part.rhythm.last for part in self.topics), default=self.waiting_from)

    def last_frame(self) -> Frame | None:
        """Return the last frame that is known to be its own."""
        return max((part.frame for part in self.topics), key=lambda frame: frame.time, default=None)

    def slowest_gap(self) -> int | None:
        """Return the slowest gap of what it sends periodically, or is planned to; None where nothing is."""
        gaps = [self.planned_gap, *(part.rhythm.gap() for part in self.topics)]
        return max((gap for gap in gaps if gap is not None), default=None)

    def fastest_gap(self) -> int | None:
        """Return the fastest gap of what it sends periodically; None where nothing is."""
        return min((gap for part in self.topics if (gap := part.rhythm.gap()) is not None), default=None)

    def silence_limit(self) -> int:
        """Return how long it may say nothing."""
        return max(MIN_SILENCE_LIMIT_US, MISSED_IN_A_ROW * (self.slowest_gap() or 0))

    def functions(self) -> Mapping[str, tuple[int, ...]]:
        """Return the functions it was heard to speak for; none has instances that is known by its DSA alone."""
        heard: dict[str, set[int]] = {}
        for part in self.topics:
            if part.function is not None and part.topic.instance is not None:
                heard.setdefault(part.function.name, set()).add(part.topic.instance)
            elif part.topic.dsa is not None and (known := by_dsa(part.topic.dsa)):
                heard.setdefault(known.name, set())
        return {name: tuple(sorted(instances)) for name, instances in heard.items()}

    def expected_functions(self) -> Iterator[str]:
        """Yield the functions it is planned to have, as they are spoken."""
        for name, instances in (self.plan.functions if self.plan else {}).items():
            yield f"{FUNCTIONS[name].title} {', '.join(map(str, instances))}"


class RollCallLine(NamedTuple):
    """One line of the roll call.

    ``device`` is the planned name, or ``address 9C hex``. ``source`` and ``last_heard`` (microseconds) are None for
    a planned device that was not heard yet; so is ``state`` until its heartbeat limit has passed, and for a source
    that has not said what it is yet. ``functions`` is what it was heard to speak for, with instances.
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
    """Return an entry as a record."""
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
