"""A watch over one bus: frames and the time go in, events come out.

Knows: how hearing, roll call and rules are put together, and when a deadline can be decided. Does not know a clock:
the time is that of the frames, or it is told. The events do not depend on how frames and told times are batched.

When a deadline passes while nothing is heard, it may be one device that is missing or the whole bus that is quiet.
As long as both are possible nothing is decided: the next frame decides it, or the silence grows beyond what is
normal for the bus; then ages stand still from the last frame on.
"""

from collections.abc import Iterator, Mapping
from functools import cache
from math import inf
from operator import attrgetter

from rvsim.rig.model import Rig
from rvsim.watch.bus.overload import Overload
from rvsim.watch.bus.pauses import Pauses
from rvsim.watch.bus.quiet_bus import Quiet, QuietBus
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.bus.worst_case import worst_case
from rvsim.watch.causes import Cause, causes
from rvsim.watch.decode import Decoder
from rvsim.watch.detect.detectors import Detectors
from rvsim.watch.detect.lengths import LengthChecks
from rvsim.watch.detect.transfers import PACKETS, Transfers
from rvsim.watch.flag import Flag, FlagCleared, FlagKind, FlagRaised
from rvsim.watch.identity.identity import Identity
from rvsim.watch.identity.records import AddressRecord, MessageRecord, RollCallLine, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.limits import expected
from rvsim.watch.queries import DecodedFrame, LastFrame, WatchStatistics
from rvsim.watch.reports import HEEDED, Reports
from rvsim.watch.rules import Rules
from rvsim.watch.traffic import SECOND, Agenda, Silences
from rvsim.watch.transitions import (
    NameMissing,
    NodeDescribed,
    Presence,
    PresenceChanged,
    ReadingChanged,
    Transition,
)
from rvsim.watch.values import Values
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.wire.spec import MessageSpec

__all__ = [
    "DecodedFrame",
    "Event",
    "FlagCleared",
    "FlagRaised",
    "LastFrame",
    "NodeDescribed",
    "Presence",
    "PresenceChanged",
    "ReadingChanged",
    "Watch",
    "WatchStatistics",
]

Event = PresenceChanged | ReadingChanged | NodeDescribed | FlagRaised | FlagCleared


class Watch:
    """Hears one bus. Times are integer microseconds and never go backwards: an older one counts as now.

    Args:
        catalogue: the message definitions.
        rig: what is planned to be there; without it nothing is unplanned.
        start: the time from which planned devices are waited for.
        readings: whether it is told which readings have changed; what is wrong with them is in any case.
    """

    def __init__(self, catalogue: Catalogue, rig: Rig | None = None, start: int = 0, *, readings: bool = True) -> None:
        self._tells_readings = readings
        self._with_rig = rig is not None
        self._decoder = Decoder(catalogue)
        self._rules = Rules(rig.accepted if rig else ())
        self._agenda = Agenda()
        self._events: list[Event] = []
        self._roll_call = RollCall(rig, catalogue, start, self._agenda, self._emit)
        self._identity = Identity(rig, self._roll_call, self._agenda, self._emit, self._forget)
        transfers = Transfers(self._emit, self._agenda, self.device_at, lambda dgn: self._decoder.layout(dgn).name)
        self._reports = Reports(self._emit, transfers, self._identity.command)
        self._lengths = LengthChecks(self._emit)
        self._detectors = Detectors(catalogue, rig, self._agenda, self._emit, self.device_at, self._parts_of)
        self._streams: dict[int, MessageRecord] = {}
        self._by_sender: dict[tuple[int, int], MessageRecord] = {}
        self._nodes: dict[int, AddressRecord] = {}
        self._silences = Silences()
        self._quiet = QuietBus(self._silences, rig.longest_pause if rig else 0, self._emit)
        self.pauses = Pauses(self._agenda, self._all_parts)
        """How the bus went on after each time that it was quiet."""
        self._busyness = Overload(self._emit, self.device_at)
        self.load = self._busyness.load
        """How busy the pair is."""
        self._present_second = self.load.frames
        promised = cache(lambda: worst_case(rig, catalogue) if rig is not None else None)
        self.wires = WireProblems(
            self._emit, self._identity.is_contested, promised, self.load, lambda: self._frames, self._doubt_times
        )
        """What the pair has told beside frames."""
        self.trusts_times = True
        """Whether times are believed; where those of a log run back nothing is judged by them."""
        self._explained: tuple[tuple[int, int], tuple[Cause, ...]] = ((-1, -1), ())
        self._frame: Frame | None = None
        self._now = self._last = start
        self._still = 0
        self._frames = self._unknown = self._steps_back = self._parts = 0
        self._alarm: float = inf

    # What goes in.

    def observe(self, frame: Frame) -> list[Event]:
        """Take the next frame and return what it, and the time up to it, have changed."""
        time, identifier, data = frame
        if time < self._now:
            self._steps_back += 1
            time = self._now
            frame = Frame(time, identifier, data)
        if self.wires.heeds:
            self._pass_wires(time)
        if time > self._alarm or time - self._last > SECOND:
            self._settle(time, arriving=True)
        if time >= self.load.end:
            self._busyness.pass_seconds(time)
        if self.wires.heeds:
            self.wires.observe_source(time, identifier & 0xFF)
        self._present_second.append(frame)
        self._now = self._last = time
        self._frame = frame
        self._frames += 1
        self._silences.times.append(time)
        stream = self._streams.get(identifier)
        if stream is not None:
            part = stream.topics.get(data[stream.apart])
            if part is not None and (part.data == data or part.unheeded):
                part.frame = frame
                part.rhythm.times.append(time - self._still)
                if part.unheeded:
                    self._unknown += 1
                return self._handed_over() if self._events else []
        self._listen(frame, stream or self._stream(identifier))
        return self._handed_over()

    def observe_own(self, frame: Frame) -> list[Event]:
        """Take a frame of the person at the bench: nobody who could be present or absent, but it uses the pair and
        may ask others for something.
        """
        self._pass_wires(frame.time)
        self._pass(frame.time)
        self._present_second.append(frame)
        self._identity.observe_request(frame, self._now - self._still)
        return self._handed_over()

    def advance(self, to: int) -> list[Event]:
        """Learn that nothing with a time before ``to`` is still to come; return what follows from that."""
        self._pass_wires(to)
        self._pass(to)
        return self._handed_over()

    def observe_event(self, event: LineEvent) -> list[Event]:
        """Take what has happened beside frames, on the pair or in its log, in the order of time with them."""
        self._pass_wires(event.time)
        self._pass(event.time)
        self.wires.observe_event(event)
        return self._handed_over()

    def _doubt_times(self, time: int) -> None:
        """Judge nothing by times from now on."""
        self.trusts_times = False
        self._roll_call.stop_judging()
        self._busyness.stop_judging()
        self._events += self._rules.doubt_times(time)

    # What can be asked.

    @property
    def flags(self) -> tuple[Flag, ...]:
        """The flags that stand, by number, with their figures as they are now."""
        return self._rules.standing(self._now)

    @property
    def all_flags(self) -> tuple[Flag, ...]:
        """Every flag that was raised so far, by number; a cleared one has ``until``."""
        return self._rules.all_flags(self._now)

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What the flags so far come to: each cause with the flags that it explains, the most far-reaching first."""
        asked = self._rules.changes, self._now // SECOND
        if self._explained[0] != asked:
            self._explained = asked, causes(self._rules.findings(self._now), self.pauses.resumptions)
        return self._explained[1]

    @property
    def accepted(self) -> Mapping[tuple[FlagKind, str], int]:
        """How many flags of each kind and subject the rig's accepted trouble has kept back."""
        return self._rules.accepted

    @property
    def roll_call(self) -> tuple[RollCallLine, ...]:
        """Planned devices in the rig's order, then all others that were heard."""
        return self._roll_call.records

    @property
    def statistics(self) -> WatchStatistics:
        """What was taken in so far."""
        return WatchStatistics(
            self._frames,
            self._unknown,
            self._steps_back,
            len(self._nodes),
            self._parts,
            sum(self._rules.accepted.values()),
        )

    def last_frames(self, device: str | None = None) -> Iterator[LastFrame]:
        """Yield what each device, or one of them, said last of each of its topics, in the order of first hearing."""
        for entry in self._roll_call.entries:
            if device is None or entry.name == device:
                for part in entry.topics:
                    yield LastFrame(entry.name, part.topic, part.layout.spec, part.frame, part.rhythm.gap())

    def readings(self, frame: Frame) -> DecodedFrame | None:
        """Return everything that a frame says, changed or not; None where its message has no definition.

        The device is the one that its topic is counted to now, so ask after ``hear``.
        """
        dgn, source = dgn_of(frame.identifier), frame.identifier & 0xFF
        layout = self._decoder.layout(dgn)
        if layout.spec is None:
            return None
        stream = self._by_sender.get((dgn, source))
        part = stream.topics.get(frame.data[stream.apart]) if stream else None
        topic = layout.topic(source, frame.data)
        return DecodedFrame(
            frame.time,
            part.device.name if part else f"address {source:02X} hex",
            source,
            layout.spec,
            topic.instance,
            layout.spec.decode(frame.data)[1 if layout.instance else 0 :],
            topic.dsa,
        )

    # Hearing.

    def _stream(self, identifier: int) -> MessageRecord:
        dgn, source = dgn_of(identifier), identifier & 0xFF
        stream = self._by_sender.get((dgn, source))
        if stream is None:
            node, layout = self._nodes.setdefault(source, AddressRecord(source)), self._decoder.layout(dgn)
            detectors = self._detectors.observers_of(layout)
            stream = MessageRecord(layout, node, layout.dgn in HEEDED, layout.dgn in PACKETS, detectors)
            self._by_sender[dgn, source] = stream
        self._streams[identifier] = stream
        return stream

    def _all_parts(self) -> Iterator[TopicRecord]:
        """Yield every topic of the bus."""
        for stream in self._by_sender.values():
            yield from stream.topics.values()

    def _part(self, stream: MessageRecord, frame: Frame) -> TopicRecord:
        key = frame.data[stream.apart]
        part = stream.topics.get(key)
        if part is None:
            part = stream.topics[key] = TopicRecord(self._parts, stream.node, key, stream.layout, frame)
            part.rhythm.begun = frame.time - self._still
            self._parts += 1
            self._quiet.awaited.add(part)
        part.frame = frame
        part.rhythm.times.append(frame.time - self._still)
        return part

    def _listen(self, frame: Frame, stream: MessageRecord) -> None:
        """Take a frame that may say something new."""
        part = self._part(stream, frame)
        plain = self._identity.observe(part, frame.time)
        if part.topic.dgn == ADDRESS_CLAIM:
            self.pauses.claim(frame.time, part.topic.source)
        spec = stream.layout.spec
        self._roll_call.on_time(part, frame.time)
        if spec is None:
            self._note_unknown(part)
            part.unheeded = plain
        else:
            if spec.fields and not stream.is_packet:
                plain = self._read(frame, stream, part, spec) and plain
            part.data = frame.data if plain else None
        if (stream.reports or stream.layout.dgn in stream.node.awaited) and not self._reports.observe(part, spec):
            part.data, part.unheeded = None, False
        for observe in stream.detectors:
            if not observe(part):
                part.data = None
        self._set_alarm()

    def _read(self, frame: Frame, stream: MessageRecord, part: TopicRecord, spec: MessageSpec) -> bool:
        """Read what a frame says; return whether the same frame again could change nothing."""
        values = part.values
        if values is None:
            known = expected(spec, part.device.plan, self._with_rig)
            values = part.values = Values(
                spec, part.topic, stream.layout.instance, known, self._emit, self._tells_readings
            )
        if stream.length is not None or len(frame.data) != 8 or spec.length != 8:
            self._lengths.check(stream, spec, part, values)
        values.observe(frame, part.device.name, frame.time - part.device.since >= SECOND)
        return not values.unsettled and stream.length is None

    def _note_unknown(self, part: TopicRecord) -> None:
        self._unknown += 1
        if part.topic.message is None:
            self._emit(NameMissing(part.frame.time, part.device.name, part.topic, part.frame))

    def _parts_of(self, message: str) -> Iterator[TopicRecord]:
        return (part for part in self._all_parts() if part.layout.name == message)

    def _forget(self, part: TopicRecord, time: int) -> None:
        """Drop a topic that was given up: should it be heard again, it is a new one."""
        self._detectors.forget(part, time)
        self._by_sender[part.topic.dgn, part.topic.source].topics.pop(part.key, None)
        part.node.topics.discard(part)

    # The time.

    def _pass(self, to: int) -> None:
        if to > self._now:
            if to > self._alarm or to - self._last > SECOND:
                self._settle(to, arriving=False)
            if to >= self.load.end:
                self._busyness.pass_seconds(to)
            self._now = to

    def _pass_wires(self, to: int) -> None:
        """Decide what is due about the pair, each at its time among what else is due."""
        while (due := self.wires.due) is not None and due < to:
            self._pass(due + 1)
            self.wires.settle(due + 1)

    def _settle(self, time: int, arriving: bool) -> None:
        """Decide what can be decided now that the bus was silent from the last frame up to ``time``.

        ``arriving`` says that a frame comes at ``time``, which ends the silence.
        """
        while (due := self._agenda.due_before(time - self._still)) is not None:
            since = due + self._still
            quiet = self._quiet_from() if since >= self._last else None
            if quiet is None:
                self._agenda.expire(max(since, self._last), since)
            elif time > quiet.moment or not arriving:
                break
            else:
                self._agenda.expire(time, since)
        quiet = self._quiet_from() if time - self._last > SECOND else None
        if quiet is not None and time > quiet.moment:
            self._quiet.fall(quiet, time, self._last, self._frame)
            if arriving:
                if self._quiet.end(time):
                    self.pauses.end(time, time - self._last, self._last - self._still)
                self._still += time - self._last
        self._set_alarm()

    def _quiet_from(self) -> Quiet | None:
        return self._quiet.since(self._frames, self._last, self._still)

    def _set_alarm(self) -> None:
        """Note the first time after which something may be due."""
        first = self._agenda.first
        self._alarm = inf if first is None else first + self._still

    # What comes out.

    def _emit(self, transition: Transition) -> None:
        if isinstance(transition, PresenceChanged | ReadingChanged | NodeDescribed):
            self._events.append(transition)
            return
        event = self._rules.follow(transition)
        if event is not None:
            self._events.append(event)

    def _handed_over(self) -> list[Event]:
        events, self._events = self._events, []
        if len(events) > 1:
            events.sort(key=attrgetter("time"))  # the end of a second and a deadline may have come out of their order
        return events

    def device_at(self, source: int) -> str:
        """Return what the device at an address is called: its planned name, or ``address 9C hex``."""
        node = self._nodes.get(source)
        entry = None if node is None else self._roll_call.observe_address(node)
        return entry.name if entry is not None else f"address {source:02X} hex"
