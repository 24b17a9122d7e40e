"""The roll call: which devices are present, late, silent or asleep, by the ages of their messages.

Knows: when a message is late and a device silent, and what the return of a device changes. Does not know how a source
is identified as a planned device (``identity`` does), nor flags: it emits transitions. Needs the rhythm.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from rvsim.rig.functions import FUNCTIONS
from rvsim.watch.identity.records import (
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    RollCallLine,
    TopicRecord,
    roll_call_line,
)
from rvsim.watch.traffic import MIN_LATE_LIMIT_US, MISSED_IN_A_ROW, DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, FellSilent, GapExceeded, Presence, PresenceChanged
from rvsim.wire.catalogue import Catalogue

if TYPE_CHECKING:
    from rvsim.rig.device_plan import DevicePlan
    from rvsim.rig.model import Rig

SAME_MOMENT_US = 100_000
"""A message that becomes late this shortly before its device is silent is not reported apart: the gaps of one device
differ by its jitter. Our decision."""


class RollCall:
    """All devices that are planned or were heard. Ages are in bus time."""

    def __init__(self, rig: "Rig | None", catalogue: Catalogue, start: int, deadlines: Deadlines, emit: Emit) -> None:
        self._with_rig = rig is not None
        self._deadlines = deadlines
        self._emit = emit
        self._silence = DeadlineKind(0, self._silence_due, self._fall_silent)
        self._lateness = DeadlineKind(1, self._lateness_due, self._report_late)
        self._page_lateness = DeadlineKind(6, self._page_due, self._report_late_page)
        self.judges = True
        """Whether devices are found late, silent or unidentified by the time that has passed."""
        self.on_silence: Callable[[DeviceRecord, int, int], bool] = lambda _entry, _time, _since: False
        """Called when a device falls silent; returns whether another problem is reported instead of its silence."""
        self.on_arrival: Callable[[DeviceRecord, int], None] = lambda _entry, _time: None
        """Called when a device is heard, for the first time or again."""
        self.entries: list[DeviceRecord] = []
        self._by_name: dict[str, list[DeviceRecord]] = {}
        for plan in rig.devices if rig else ():
            entry = self.add(plan.name, plan, _slowest_status(plan, catalogue))
            entry.waiting_from = start
            self.arm_silence(entry)

    def add(self, name: str, plan: "DevicePlan | None" = None, planned_gap: int | None = None) -> DeviceRecord:
        """Add a planned device, or a source that is not identified as one."""
        entry = DeviceRecord(len(self.entries), name, plan, planned_gap)
        self.entries.append(entry)
        self._by_name.setdefault(name, []).append(entry)
        return entry

    @property
    def records(self) -> tuple[RollCallLine, ...]:
        """The planned devices in the order of the rig, then all others in the order of their first frames."""
        return tuple(roll_call_line(entry) for entry in self.entries if not entry.merged)

    def named(self, name: str) -> Sequence[DeviceRecord]:
        """Return the devices of a name, merged ones too, in the order in which they were added."""
        return self._by_name.get(name, ())

    def planned_device_at(self, node: AddressRecord) -> DeviceRecord | None:
        """Return the planned device that is heard from an address; of several the first in the rig."""
        at_node = (entry for entry in self.entries if entry.node is node and entry.plan is not None)
        return next((entry for entry in at_node if entry.is_heard), None)

    def resume_listening(self, now: int) -> None:
        """Count all ages from ``now`` on (bus time): nobody listened before it."""
        for entry in self.entries:
            entry.waiting_from = max(entry.waiting_from, now)
            for record in entry.topics:
                record.rhythm.restart(now)

    # Devices that appear and disappear.

    def arrive(self, entry: DeviceRecord, time: int, now: int) -> None:
        """Note that a device is heard, for the first time or again; the ages of its messages restart."""
        if entry.is_heard:
            return
        entry.is_heard = True
        entry.since = time
        for record in entry.topics:
            record.rhythm.restart(now)
            self.arm_lateness(record)
        self.arm_silence(entry)
        known = entry.plan is not None or not self._with_rig
        self._enter(entry, time, Presence.PRESENT if known else None)
        if entry.silence is not None:
            self._emit(Ended(time, entry.silence.problem_key))
            entry.silence = None
        self.on_arrival(entry, time)

    def _enter(self, entry: DeviceRecord, time: int, state: Presence | None) -> None:
        entry.state = state
        if state is not None:
            self._emit(PresenceChanged(time, entry.name, entry.node.address if entry.node else None, state))

    def arm_silence(self, entry: DeviceRecord) -> None:
        """Schedule the check for silence of a device."""
        if not self._deadlines.has(self._silence, entry.number):
            self._deadlines.schedule(entry.last_heard() + MIN_SILENCE_LIMIT_US, self._silence, entry.number, entry)

    def hasten_silence(self, entry: DeviceRecord) -> None:
        """Check for silence of a device that has lost messages as early as the others require."""
        self._deadlines.hasten(entry.last_heard() + MIN_SILENCE_LIMIT_US, self._silence, entry.number, entry)

    def stop_judging(self) -> None:
        """Report no lateness and no silence from now on: the times of the log are wrong."""
        self.judges = False

    def _silence_due(self, entry: DeviceRecord, passed: int) -> int | None:
        if entry.merged or not self.judges:
            return None
        earliest = entry.heard_until(MIN_SILENCE_LIMIT_US) + MIN_SILENCE_LIMIT_US
        return earliest if earliest > passed else entry.last_heard() + entry.silence_limit()

    def _fall_silent(self, entry: DeviceRecord, time: int, since: int) -> None:
        for record in entry.topics:
            record.examine_next()
        if not self._with_rig and entry.slowest_gap() is None:
            return  # none of its messages is periodic: it is not known when it should send
        late = tuple(record.lateness for record in entry.topics if record.lateness is not None)
        for one in late:
            self._emit(Ended(time, one.problem_key))
        for record in entry.topics:
            record.lateness = None
        for stranger in entry.open_unplanned.values():
            self._emit(Ended(time, stranger.problem_key))
        entry.open_unplanned.clear()
        entry.late_count = 0
        entry.is_heard = False
        sleeps = entry.plan is not None and entry.plan.sleeps
        self._enter(entry, time, Presence.ASLEEP if sleeps else Presence.SILENT)
        if not self.on_silence(entry, time, since) and (entry.plan is not None or not self._with_rig):
            self.report_silence(entry, time, since, late)

    def report_silence(self, entry: DeviceRecord, time: int, since: int, late: tuple[GapExceeded, ...] = ()) -> None:
        """Report that a device is silent, unless it is planned to sleep; ``late`` are the messages that were late
        before.
        """
        if entry.plan is not None and entry.plan.sleeps:
            return
        entry.silence = FellSilent(
            time,
            since,
            entry.name,
            tuple(entry.expected_functions()),
            entry.slowest_gap(),
            entry.silence_limit(),
            entry.last_frame(),
            late,
            fastest_gap_us=entry.fastest_gap(),
        )
        self._emit(entry.silence)

    # Late and on time.

    def arm_lateness(self, record: TopicRecord) -> None:
        """Schedule the check for lateness of a periodic message."""
        earliest = record.rhythm.min_limit
        if earliest is not None:
            self._deadlines.schedule(record.rhythm.last + earliest, self._lateness, record.number, record)
        elif record.layout.is_page_without_gap:
            self._deadlines.schedule(record.rhythm.last + MIN_LATE_LIMIT_US, self._page_lateness, record.number, record)

    def _lateness_due(self, record: TopicRecord, passed: int) -> int | None:
        entry, earliest = record.device, record.rhythm.min_limit
        judged = self.judges and entry.is_heard and (entry.plan is not None or not self._with_rig)
        if earliest is None:
            return None
        known_until = record.rhythm.unbroken_until(earliest)
        if known_until + earliest > passed:
            return known_until + earliest
        if not judged or record.node.has_left() or not record.rhythm.is_periodic:
            if record.time_only:
                record.examine_next()  # the next frame schedules the check again
            return None
        due = known_until + record.rhythm.limit()
        if entry.plan is not None and entry.plan.sleeps and entry.last_heard() <= due:
            # It may be falling asleep: a message is late only if it is missing while the device continues to send.
            return max(due, entry.last_heard() + entry.silence_limit())
        silent_from = entry.last_heard() + entry.silence_limit()
        return silent_from if due < silent_from <= due + SAME_MOMENT_US else due

    def _report_late(self, record: TopicRecord, time: int, since: int) -> None:
        record.examine_next()
        if not self._is_replaced_by_other(record):
            self._note_late(record, time, since, record.rhythm.gap() or 0, record.rhythm.limit())

    def _note_late(self, record: TopicRecord, time: int, since: int, gap: int, limit: int) -> None:
        record.device.late_count += 1
        if record.device.state is Presence.PRESENT:
            self._enter(record.device, time, Presence.LATE)
        record.lateness = GapExceeded(time, since, record.device.name, record.topic, gap, limit, record.frame)
        self._emit(record.lateness)

    def _page_due(self, record: TopicRecord, passed: int) -> int | None:
        """Return when a page that kept a rhythm is late, though its gap is not established."""
        entry = record.device
        known_until = record.rhythm.unbroken_until(MIN_LATE_LIMIT_US)
        if known_until + MIN_LATE_LIMIT_US > passed:
            return known_until + MIN_LATE_LIMIT_US
        judged = self.judges and entry.is_heard and (entry.plan is not None or not self._with_rig)
        limit = record.rhythm.kept_limit() if judged and not record.node.has_left() else None
        if limit is None:
            record.examine_next()  # the next frame schedules the check again
            return None
        due = known_until + limit
        return record.rhythm.next_check(due) if due > passed else due

    def _report_late_page(self, record: TopicRecord, time: int, since: int) -> None:
        """Report a page as late while another page of the same unit comes: if none comes, there may be no mains."""
        record.examine_next()
        limit = record.rhythm.kept_limit()
        page = record.topic.dgn, record.topic.instance
        others = (other for other in record.node.topics if (other.topic.dgn, other.topic.instance) == page)
        if limit is None:
            return
        gap = limit // MISSED_IN_A_ROW
        if any(since - other.rhythm.last <= gap + gap // 2 for other in others):
            self._note_late(record, time, since, gap, limit)

    def _is_replaced_by_other(self, record: TopicRecord) -> bool:
        """Return whether another node now sends this topic, in a function that devices share by design."""
        if record.function is None or not record.function.shared:
            return False
        about = record.topic.dgn, record.topic.instance
        return any(
            (other.topic.dgn, other.topic.instance) == about and other.rhythm.last > record.rhythm.last
            for entry in self.entries
            if entry.is_heard
            for other in entry.topics
            if other is not record
        )

    def on_time(self, record: TopicRecord, time: int) -> None:
        """Note that a message was received; if it was late, it is no longer."""
        if record.lateness is not None:
            self._emit(Ended(time, record.lateness.problem_key))
            record.lateness = None
            record.device.late_count -= 1
            if not record.device.late_count and record.device.state is Presence.LATE:
                self._enter(record.device, time, Presence.PRESENT)
        self.arm_lateness(record)

    def turn_unplanned(self, entry: DeviceRecord, time: int) -> None:
        """Note that a source is not in the rig."""
        self._enter(entry, time, Presence.UNPLANNED)


def _slowest_status(plan: "DevicePlan", catalogue: Catalogue) -> int | None:
    """Return the slowest gap of the status messages of a device's functions that are defined; None without one."""
    statuses = {message for function in plan.functions for message in FUNCTIONS[function].statuses}
    gaps = [catalogue.by_name(message).gap_us for message in sorted(statuses.intersection(catalogue.names))]
    return max((gap for gap in gaps if gap is not None), default=None)
