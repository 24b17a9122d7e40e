"""The watch of one bus: frames and times go in, events come out.

Knows: how detectors, roll call and rules work together, and when a deadline can be decided. Does not know a clock:
the time is that of the frames, or is given by ``advance``. Events do not depend on how frames and times are batched.

When a deadline passes while no frame comes, either one device is missing or the whole bus is quiet. As long as both are
possible nothing is decided: the next frame decides it, or the silence becomes longer than is normal for the bus; then
ages stop at the last frame.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from math import inf
from operator import attrgetter
from typing import TYPE_CHECKING

from rvsim.watch.bus.overload import Overload
from rvsim.watch.bus.pauses import Pauses
from rvsim.watch.bus.quiet_bus import QuietBus, QuietMoment
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.watch.bus.worst_case import worst_case
from rvsim.watch.cause import Cause
from rvsim.watch.causes import causes
from rvsim.watch.decode import HEARTBEAT, Decoder, Layout
from rvsim.watch.detect.addresses import AddressDetectors
from rvsim.watch.detect.detectors import Detectors
from rvsim.watch.detect.lengths import LengthChecks
from rvsim.watch.detect.transfers import PACKETS, Transfers
from rvsim.watch.flag import Flag, FlagCleared, FlagKind, FlagRaised
from rvsim.watch.identity.identity import Identity
from rvsim.watch.identity.records import AddressRecord, MessageRecord, RollCallLine, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.limits import expected
from rvsim.watch.needs import EACH_CHANGE, LastChange, Need, PassedChange, Rest
from rvsim.watch.queries import DecodedFrame, LastFrame, WatchStatistics
from rvsim.watch.reports import REPORT_DGNS, Reports
from rvsim.watch.rules import Rules
from rvsim.watch.traffic import Deadlines, Silences
from rvsim.watch.transitions import (
    ListeningGap,
    MessageUndefined,
    MomentMarked,
    NodeDescribed,
    Presence,
    PresenceChanged,
    ReadingChanged,
    Transition,
)
from rvsim.watch.values import Values
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import JoinedMessage, LineEvent, ListeningResumed, Marked
from rvsim.wire.spec import MessageSpec

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

__all__ = [
    "DecodedFrame",
    "Event",
    "FlagCleared",
    "FlagRaised",
    "LastFrame",
    "ListeningGap",
    "MomentMarked",
    "NodeDescribed",
    "Presence",
    "PresenceChanged",
    "ReadingChanged",
    "Watch",
    "WatchStatistics",
]

SETTLING_US = SECOND_US
"""How long after a device was first heard its values are not judged."""
Event = PresenceChanged | ReadingChanged | NodeDescribed | FlagRaised | FlagCleared | ListeningGap | MomentMarked
MAX_LISTENING_GAPS = 1_000
"""The largest number of gaps of the listening, and of marked moments, that are kept; the oldest are removed first."""


class Watch:
    """Observes one bus. Times are integer microseconds and never go backwards: an earlier one counts as now.

    Args:
        catalogue: the message definitions.
        rig: the planned devices; without it no device is unplanned.
        start: the time from which planned devices are expected (microseconds).
        readings: whether each change of a reading is an event; flags are events in any case.
    """

    def __init__(
        self, catalogue: Catalogue, rig: "Rig | None" = None, start: int = 0, *, readings: bool = True
    ) -> None:
        self._emits_readings = readings
        self.rig = rig
        """The planned devices; None without a rig."""
        self.catalogue = catalogue
        """The message definitions."""
        self._decoder = Decoder(catalogue)
        self._rules = Rules(rig.accepted if rig else ())
        self._deadlines = Deadlines()
        self._events: list[Event] = []
        self._roll_call = RollCall(rig, catalogue, start, self._deadlines, self._emit)
        self._identity = Identity(rig, self._roll_call, self._deadlines, self._emit, self._forget)
        self._transfers = Transfers(
            self._emit, self._deadlines, self.device_at, lambda dgn: self._decoder.layout(dgn).name
        )
        self._reports = Reports(self._emit, self._transfers, self._identity.command)
        self._lengths = LengthChecks(self._emit)
        self._detectors = Detectors(catalogue, rig, self._deadlines, self._emit, self.device_at, self._topics_of)
        self._by_identifier: dict[int, MessageRecord] = {}
        self._by_sender: dict[tuple[int, int], MessageRecord] = {}
        self._nodes: dict[int, AddressRecord] = {}
        self._silences = Silences()
        self._quiet_bus = QuietBus(self._silences, rig.longest_pause if rig else 0, self._emit, self.catch_up)
        self._holds_columns = False
        self.pauses = Pauses(self._deadlines, self._all_topics)
        """How the bus resumed after each time that it was quiet."""
        self.overload = Overload(self._emit, self.device_at)
        """The judgement of the bus load."""
        self.bus_load = self.overload.bus_load
        self._second_frames = self.bus_load.frames
        planned = cache(lambda: worst_case(rig, catalogue) if rig is not None else None)
        self.wire_problems = WireProblems(
            self._emit, self._identity.is_contested, planned, self.bus_load, lambda: self._frames, self._doubt_times
        )
        """Errors, collisions, missing acknowledgements and delays."""
        self.listening_gaps: deque[ListeningGap] = deque(maxlen=MAX_LISTENING_GAPS)
        """When nobody listened; nothing is judged by that time."""
        self.markers: deque[MomentMarked] = deque(maxlen=MAX_LISTENING_GAPS)
        """The moments that the person who listened marked."""
        self.times_are_valid = True
        """Whether the times can be used; False once those of a log were found wrong: then nothing is judged by them."""
        self._cached_causes: tuple[tuple[int, int], tuple[Cause, ...]] = ((-1, -1), ())
        self._frame: Frame | None = None
        self._now = self._last = start
        self.paused_us = 0
        """The sum of all pauses so far, by which bus time is behind the time of the frames."""
        self._frames = self._joined = self._unknown = self._steps_back = self._topic_count = 0
        self._next_due: float = inf

    # Input.

    def observe(self, frame: Frame) -> list[Event]:
        """Take in the next frame; return the events that follow from it and from the time up to it."""
        time = frame[0]
        if time < self._now:
            self._steps_back += 1
            time = self._now
            frame = frame._replace(time=time)
        if (
            time > self._next_due
            or time - self._last > SECOND_US
            or time >= self.bus_load.end
            or self.wire_problems.needs_frames
        ):
            self.await_frame(time)
        self._second_frames.append(frame)
        self._silences.times.append(time)
        self.take_in(frame)
        return self.take_events() if self._events else []

    # The parts of ``observe``, for a log that is held as columns.

    def await_frame(self, time: int, *, may_resume: bool = True) -> None:
        """Decide what follows from a frame's coming at ``time``, not before the last one, and none before it.

        ``may_resume`` is whether the bus may have been quiet before it.
        """
        if self.wire_problems.needs_frames:
            self._advance_wires(time)
        if time > self._next_due or time - self._last > SECOND_US:
            self._decide_until(time, arriving=True, may_be_quiet=may_resume)
        if time >= self.bus_load.end:
            self.overload.pass_seconds(time)

    def take_in(self, frame: Frame) -> None:
        """Take in the frame that was awaited, except for the bus load and the usual silence."""
        time, identifier, data = frame
        if self.wire_problems.needs_frames:
            self.wire_problems.observe_source(time, identifier & 0xFF)
        self._now = self._last = time
        self._frame = frame
        self._frames += 1
        message = self._by_identifier.get(identifier)
        if message is not None:
            record = message.topics.get(data[message.key_slice])
            if record is not None and (record.settled_data == data or record.time_only):
                record.stored_frame = frame
                record.rhythm.stored.append(time - self.paused_us)
                if record.time_only:
                    self._unknown += 1
                return
        self._examine(frame, message or self._message_record(identifier))

    def pass_over(self, frames: int, last: Frame) -> None:
        """Note a number of frames that change nothing; their columns enter them into the records of their topics."""
        self._now = self._last = last.time
        self._frame = last
        self._frames += frames

    def count_undefined(self, frames: int) -> None:
        """Count frames of a message without a definition among those that were passed over."""
        self._unknown += frames

    @property
    def next_due(self) -> float:
        """The first time after which something may be due, in microseconds; infinite for none."""
        due = self.wire_problems.due
        return self._next_due if due is None else min(due, self._next_due)

    def topic_record(self, identifier: int, data: bytes) -> TopicRecord | None:
        """Return the record of the topic of a frame; None where no frame of it was examined with this identifier."""
        message = self._by_identifier.get(identifier)
        return None if message is None else message.topics.get(data[message.key_slice])

    def frames_without_column(self) -> list[Frame]:
        """Return the last frame of each topic whose frames are not held as columns, in the order of their times."""
        frames = [record.stored_frame for record in self._all_topics() if record.column is None]
        return sorted(frames, key=attrgetter("time"))

    @property
    def assignments(self) -> int:
        """How often the values of a topic were given other limits, since its sender was identified."""
        return self._identity.assignments

    def needs(self, record: TopicRecord) -> Iterator[Need]:
        """Yield what is needed of the frames of a topic, where its sender is not in question.

        Beside that each frame is needed with which a field becomes or ceases to be a special code, an alarm, or to be
        outside of ``expected`` limits, or with which the length of the frame changes.
        """
        layout = record.layout
        if layout.spec is None or (layout.dgn in REPORT_DGNS and layout.name != HEARTBEAT):
            yield EACH_CHANGE
        yield from self._detectors.needs(layout)
        yield from AddressDetectors.needs(layout.spec)

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic is needed at present."""
        message = self._by_sender.get((record.topic.dgn, record.topic.source))
        return (
            message is None
            or self._identity.is_in_question(record)
            or self._lengths.needs_each_change(message, record)
            or record.topic.dgn in record.node.awaited_dgns
            or self._reports.carries_fault(record)
            or self._detectors.needs_each_change(record)
        )

    def layout_of(self, dgn: int) -> Layout:
        """Return the layout of a message."""
        return self._decoder.layout(dgn)

    def has_differences(self) -> bool:
        """Return whether two voltages of one battery differ at present."""
        return self._detectors.has_differences()

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present, beside its needs."""
        return self._detectors.needed_fields(record) + self._reports.needed_fields(record)

    def rest(self, record: TopicRecord, field: str) -> Rest | None:
        """Return since when a value with neighbours has been constant; None where it is not known."""
        return self._detectors.rest(record, field)

    def enter(self, record: TopicRecord, changes: Sequence[PassedChange], last_change: LastChange) -> None:
        """Take in the last frames with new data that were passed over: one, or the last two of several."""
        self._identity.enter(record, changes)
        if record.values is not None:
            last = Frame(changes[-1].time, record.stored_frame.identifier, changes[-1].data)
            record.values.observe(last, record.device.name, settled=last.time - record.device.since >= SETTLING_US)
        self._detectors.enter(record, last_change)

    def latest_times(self) -> list[int]:
        """Return the times of the latest frames, by which the usual silence is known."""
        return list(self._silences.times)

    def use_silences(self, times: Callable[[], Sequence[int]] | None) -> None:
        """Take what returns the times of the latest frames; None where they are observed one by one from now on."""
        self._holds_columns = times is not None
        self._silences.use(times)

    def catch_up(self) -> None:
        """Enter all frames that were passed over into the records of their topics."""
        if self._holds_columns:
            for record in self._all_topics():
                if record.column is not None:
                    record.column.catch_up()

    def _refresh(self) -> None:
        """Enter all frames that were passed over, with their values: bus time is about to stop."""
        if self._holds_columns:
            for record in self._all_topics():
                record.refresh()

    def observe_own(self, frame: Frame) -> list[Event]:
        """Take in a frame that the person at the bench sent: it belongs to no device of the roll call, but it adds to
        the bus load and may be a request.
        """
        self._advance_wires(frame.time)
        self._advance_to(frame.time)
        self._second_frames.append(frame)
        self._identity.observe_request(frame, self._now - self.paused_us)
        return self.take_events()

    def advance(self, to: int) -> list[Event]:
        """Note that no frame before ``to`` (microseconds) is still to come; return the events that follow from that."""
        self._advance_wires(to)
        self._advance_to(to)
        return self.take_events()

    def observe_event(self, event: LineEvent) -> list[Event]:
        """Take in an event of the bus or of its log that is no frame, in the order of time with the frames."""
        if isinstance(event, ListeningResumed):
            self._resume_listening(event)
        elif isinstance(event, JoinedMessage):
            self._advance_wires(event.time)
            self._observe_joined(event)
            return self.take_events()
        else:
            self._advance_wires(event.time)
            self._advance_to(event.time)
            if isinstance(event, Marked):
                self._mark(event)
        self.wire_problems.observe_event(event)
        return self.take_events()

    def _observe_joined(self, event: JoinedMessage) -> None:
        """Take in a long message that a log has in one entry; its first eight bytes stand for it as evidence."""
        time = max(event.time, self._now)
        frame = Frame(time, event.identifier, event.data[:8])
        self.await_frame(time)
        if self.wire_problems.needs_frames:
            self.wire_problems.observe_source(time, event.identifier & 0xFF)
        self._now = self._last = time
        self._frame = frame
        self._joined += 1
        self._silences.times.append(time)
        record = self._topic_record(self._message_record(event.identifier), frame)
        record.settled_data, record.time_only = None, False
        self._identity.observe(record, time)
        self._roll_call.on_time(record, time)
        self._reports.observe_joined(event.data, record)
        self._plan_next_due()

    def _resume_listening(self, event: ListeningResumed) -> None:
        """Pass over a time in which nobody listened: bus time stands still, and every age is counted from its end."""
        since = max(self._now, min(event.since, event.time))
        time = max(since, event.time)
        self._advance_wires(since)
        self._advance_to(since)
        now = since - self.paused_us
        self._quiet_bus.interrupt(since)
        self.pauses.interrupt()
        self._roll_call.resume_listening(now)
        self._identity.resume_listening(time, now, gap_us=time - since)
        self._detectors.resume_listening(time, now)
        self._transfers.resume_listening()
        self.paused_us += time - since
        self._now = self._last = time
        if time >= self.bus_load.end:
            self.overload.pass_seconds(time)
        self._plan_next_due()
        gap = ListeningGap(time, since, event.about)
        self.listening_gaps.append(gap)
        self._events.append(gap)

    def _mark(self, event: Marked) -> None:
        marked = MomentMarked(event.time, event.note)
        self.markers.append(marked)
        self._events.append(marked)

    def _doubt_times(self, time: int) -> None:
        """Stop judging by times."""
        self.times_are_valid = False
        self._roll_call.stop_judging()
        self.overload.stop_judging()
        self._events += self._rules.doubt_times(time)

    # Queries.

    @property
    def flags(self) -> tuple[Flag, ...]:
        """The flags that stand, by number, with their present figures."""
        self._detectors.refresh_reported()
        return self._rules.standing(self._now)

    @property
    def all_flags(self) -> tuple[Flag, ...]:
        """Every flag that was raised so far, by number; cleared ones have ``until``."""
        self._detectors.refresh_reported()
        return self._rules.all_flags(self._now)

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The causes behind the flags so far, each with the flags that it explains, the worst first."""
        self._detectors.refresh_reported()
        requested = self._rules.changes, self._now // SECOND_US
        if self._cached_causes[0] != requested:
            findings, pauses = self._rules.findings(self._now), self.pauses.resumptions
            heard = {line.device for line in self.roll_call if line.last_heard is not None}
            self._cached_causes = requested, causes(findings, pauses, self.rig, heard)
        return self._cached_causes[1]

    @property
    def accepted(self) -> Mapping[tuple[FlagKind, str], int]:
        """How many flags of each kind and subject were not raised because the rig accepts them."""
        return self._rules.accepted

    @property
    def roll_call(self) -> tuple[RollCallLine, ...]:
        """The planned devices in the order of the rig, then all others that were heard."""
        return self._roll_call.records

    @property
    def statistics(self) -> WatchStatistics:
        """Counts of what was observed so far."""
        self.catch_up()
        return WatchStatistics(
            self._frames,
            self._unknown,
            self._steps_back,
            len(self._nodes),
            self._topic_count,
            sum(self._rules.accepted.values()),
        )

    def last_frames(self, device: str | None = None) -> Iterator[LastFrame]:
        """Yield the last frame of each topic of all devices, or of one, in the order of first reception."""
        for entry in self._roll_call.entries if device is None else self._roll_call.named(device):
            for record in entry.topics:
                yield LastFrame(entry.name, record.topic, record.layout.spec, record.frame, record.rhythm.gap())

    def readings(self, frame: Frame) -> DecodedFrame | None:
        """Return all readings of a frame, changed or not; None where its message has no definition.

        The device is the one that its topic is assigned to now, so call this after ``observe``.
        """
        dgn, source = dgn_of(frame.identifier), frame.identifier & 0xFF
        layout = self._decoder.layout(dgn)
        if layout.spec is None:
            return None
        message = self._by_sender.get((dgn, source))
        record = message.topics.get(frame.data[message.key_slice]) if message else None
        topic = layout.topic(source, frame.data)
        return DecodedFrame(
            frame.time,
            record.device.name if record else f"address {source:02X} hex",
            source,
            layout.spec,
            topic.instance,
            layout.spec.decode(frame.data)[1 if layout.instance else 0 :],
            topic.dsa,
        )

    # Examination of a frame.

    def _message_record(self, identifier: int) -> MessageRecord:
        dgn, source = dgn_of(identifier), identifier & 0xFF
        message = self._by_sender.get((dgn, source))
        if message is None:
            node, layout = self._nodes.setdefault(source, AddressRecord(source)), self._decoder.layout(dgn)
            detectors = self._detectors.observers_of(layout)
            message = MessageRecord(
                layout, node, detectors, has_reports=layout.dgn in REPORT_DGNS, is_packet=layout.dgn in PACKETS
            )
            self._by_sender[dgn, source] = message
        self._by_identifier[identifier] = message
        return message

    def _all_topics(self) -> Iterator[TopicRecord]:
        """Yield every topic of the bus."""
        for message in self._by_sender.values():
            yield from message.topics.values()

    def _topic_record(self, message: MessageRecord, frame: Frame) -> TopicRecord:
        key = frame.data[message.key_slice]
        record = message.topics.get(key)
        if record is None:
            record = message.topics[key] = TopicRecord(self._topic_count, message.node, key, message.layout, frame)
            record.rhythm.first_at = frame.time - self.paused_us
            self._topic_count += 1
            self._quiet_bus.awaited.add(record)
        record.stored_frame = frame
        record.rhythm.stored.append(frame.time - self.paused_us)
        return record

    def _examine(self, frame: Frame, message: MessageRecord) -> None:
        """Examine a frame that may contain something new."""
        record = self._topic_record(message, frame)
        repeatable = self._identity.observe(record, frame.time)
        if record.topic.dgn == ADDRESS_CLAIM:
            self.pauses.observe_claim(frame.time, record.topic.source)
        spec = message.layout.spec
        self._roll_call.on_time(record, frame.time)
        if spec is None:
            self._note_unknown(record)
            record.time_only = repeatable
        else:
            if spec.fields and not message.is_packet:
                repeatable = self._read(frame, message, record, spec) and repeatable
            record.settled_data = frame.data if repeatable else None
        is_report = message.has_reports or message.layout.dgn in message.node.awaited_dgns
        if is_report and not self._reports.observe(record, spec):
            record.examine_next()
        for observe in message.detectors:
            if not observe(record):
                record.settled_data = None
        self._plan_next_due()

    def _read(self, frame: Frame, message: MessageRecord, record: TopicRecord, spec: MessageSpec) -> bool:
        """Read the fields of a frame; return whether the same frame again would change nothing."""
        values = record.values
        if values is None:
            known = expected(spec, record.device.plan, twelve_volts=self.rig is not None)
            values = record.values = Values(
                spec, record.topic, message.layout.instance, known, self._emit, emit_readings=self._emits_readings
            )
        if message.wrong_length is not None or len(frame.data) != 8 or spec.length != 8:
            self._lengths.check(message, spec, record, values)
        values.observe(frame, record.device.name, settled=frame.time - record.device.since >= SETTLING_US)
        return not values.unsettled and self._lengths.is_settled(message)

    def _note_unknown(self, record: TopicRecord) -> None:
        self._unknown += 1
        if record.topic.message is None:
            self._emit(MessageUndefined(record.frame.time, record.device.name, record.topic, record.frame))

    def _topics_of(self, message: str) -> Iterator[TopicRecord]:
        return (record for record in self._all_topics() if record.layout.name == message)

    def _forget(self, record: TopicRecord, time: int) -> None:
        """Drop a topic; if it is received again it is a new one."""
        self._detectors.forget(record, time)
        self._by_sender[record.topic.dgn, record.topic.source].topics.pop(record.key, None)
        record.node.topics.discard(record)
        if record.column is not None:
            record.column.release()

    # Time.

    def _advance_to(self, to: int) -> None:
        if to > self._now:
            if to > self._next_due or to - self._last > SECOND_US:
                self._decide_until(to, arriving=False)
            if to >= self.bus_load.end:
                self.overload.pass_seconds(to)
            self._now = to

    def _advance_wires(self, to: int) -> None:
        """Decide what is due in ``wire_problems``, in the order of time with everything else that is due."""
        while (due := self.wire_problems.due) is not None and due < to:
            self._advance_to(due + 1)
            self.wire_problems.settle(due + 1)

    def _decide_until(self, time: int, *, arriving: bool, may_be_quiet: bool = True) -> None:
        """Decide what can be decided, given that no frame came from the last one up to ``time``.

        ``arriving`` is whether a frame comes at ``time``, which ends the silence; ``may_be_quiet`` is False where it is
        known that the silence up to ``time`` is no quiet bus.
        """
        while (due := self._deadlines.due_before(time - self.paused_us)) is not None:
            since = due + self.paused_us
            if since >= self._last and arriving and time - self._last <= SECOND_US:
                # no bus is quiet after so short a silence: only whether one could be matters
                known = self._quiet_bus.can_be_quiet(self._last, self.paused_us)
                self._deadlines.expire_first(time if known else since, since)
                continue
            quiet = self._quiet_from() if since >= self._last else None
            if quiet is None:
                self._deadlines.expire_first(max(since, self._last), since)
            elif time > quiet.moment or not arriving:
                break
            else:
                self._deadlines.expire_first(time, since)
        quiet = self._quiet_from() if may_be_quiet and time - self._last > SECOND_US else None
        if quiet is not None and time > quiet.moment:
            self._quiet_bus.fall(quiet, time, self._last, self._frame)
            if arriving:
                if self._quiet_bus.end(time):
                    self.pauses.end(time, time - self._last, self._last - self.paused_us)
                self._refresh()
                self.paused_us += time - self._last
        self._plan_next_due()

    def _quiet_from(self) -> QuietMoment | None:
        return self._quiet_bus.since(self._frames + self._joined, self._last, self.paused_us)

    def _plan_next_due(self) -> None:
        """Note the first time after which something may be due."""
        first = self._deadlines.earliest
        self._next_due = inf if first is None else first + self.paused_us

    # Output.

    def _emit(self, transition: Transition) -> None:
        if isinstance(transition, PresenceChanged | ReadingChanged | NodeDescribed):
            self._events.append(transition)
            return
        event = self._rules.process(transition)
        if event is not None:
            self._events.append(event)

    def take_events(self) -> list[Event]:
        """Return the events since they were last taken."""
        events, self._events = self._events, []
        if len(events) > 1:
            events.sort(key=attrgetter("time"))  # the end of a second and a deadline may come out of order
        return events

    def devices_at(self, sources: Iterable[int]) -> dict[int, str]:
        """Return the names of the devices at addresses, as `device_at` has them: one look at the roll call for all."""
        planned: dict[int, str] = {}
        for entry in self._roll_call.entries:
            node = entry.node
            if node is not None and entry.is_heard and entry.plan is not None and self._nodes.get(node.address) is node:
                planned.setdefault(node.address, entry.name)
        return {source: planned.get(source) or self.device_at(source) for source in sources}

    def device_at(self, source: int) -> str:
        """Return the name of the device at an address: its planned name, or ``address 9C hex``."""
        node = self._nodes.get(source)
        entry = None if node is None else self._roll_call.planned_device_at(node)
        return entry.name if entry is not None else f"address {source:02X} hex"
