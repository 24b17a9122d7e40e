"""The roll call: who is present, late, silent or asleep, by the ages of what they say.

Knows: when a message is late and a device silent, and what a device's return changes. Does not know how a source is
told to be a planned device (``identity`` does), nor flags: it emits transitions. Needs the rhythm.
"""

from collections.abc import Callable

from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import DevicePlan, Rig
from rvsim.watch.identity.records import (
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    RollCallLine,
    TopicRecord,
    roll_call_line,
)
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Ended, FellSilent, GapExceeded, Presence, PresenceChanged, Transition
from rvsim.wire.catalogue import Catalogue

Emit = Callable[[Transition], None]


class RollCall:
    """Everyone who is planned or was heard. Ages are in bus time."""

    def __init__(self, rig: Rig | None, catalogue: Catalogue, start: int, deadlines: Deadlines, emit: Emit) -> None:
        self._with_rig = rig is not None
        self._deadlines = deadlines
        self._emit = emit
        self._silence = DeadlineKind(0, self._silence_due, self._fall_silent)
        self._lateness = DeadlineKind(1, self._lateness_due, self._miss)
        self.judges = True
        """Whether anybody is found late or silent, or found to be nobody known, by the time that has passed."""
        self.on_silence: Callable[[DeviceRecord, int, int], bool] = lambda _entry, _time, _since: False
        """Asked when a device falls silent: whether something else is told than its silence."""
        self.on_arrival: Callable[[DeviceRecord, int], None] = lambda _entry, _time: None
        """Told when a device is heard, for the first time or again."""
        self.entries: list[DeviceRecord] = []
        for plan in rig.devices if rig else ():
            entry = self.add(plan.name, plan, _slowest_status(plan, catalogue))
            entry.waiting_from = start
            self.arm_silence(entry)

    def add(self, name: str, plan: DevicePlan | None = None, planned_gap: int | None = None) -> DeviceRecord:
        """Add a planned device, or a source that is none."""
        entry = DeviceRecord(len(self.entries), name, plan, planned_gap)
        self.entries.append(entry)
        return entry

    @property
    def records(self) -> tuple[RollCallLine, ...]:
        """The planned devices in the rig's order, then all others that were heard, in the order of hearing."""
        return tuple(roll_call_line(entry) for entry in self.entries if not entry.merged)

    def observe_address(self, node: AddressRecord) -> DeviceRecord | None:
        """Return the planned device that is heard from a node; of several the first in the rig."""
        at_node = (entry for entry in self.entries if entry.node is node and entry.plan is not None)
        return next((entry for entry in at_node if entry.is_heard), None)

    # Coming and going.

    def arrive(self, entry: DeviceRecord, time: int, now: int) -> None:
        """Note that a device is heard, for the first time or again; the ages of its messages restart."""
        if entry.is_heard:
            return
        entry.is_heard = True
        entry.since = time
        for part in entry.topics:
            part.rhythm.restart(now)
            self.arm_lateness(part)
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
        """See to it that the device's silence is noticed."""
        if not self._deadlines.has(self._silence, entry.number):
            self._deadlines.put(entry.last() + MIN_SILENCE_LIMIT_US, self._silence, entry.number, entry)

    def stop_judging(self) -> None:
        """Find nobody late or silent from now on: the times of the log are wrong."""
        self.judges = False

    def _silence_due(self, entry: DeviceRecord, passed: int) -> int | None:
        if entry.merged or not self.judges:
            return None
        soonest = entry.last() + MIN_SILENCE_LIMIT_US
        return soonest if soonest > passed else entry.last() + entry.silence_limit()

    def _fall_silent(self, entry: DeviceRecord, time: int, since: int) -> None:
        for part in entry.topics:
            part.data, part.time_only = None, False
        if not self._with_rig and entry.slowest_gap() is None:
            return  # nothing that it has sent is to be repeated: there is no telling when it should speak
        late = tuple(part.late for part in entry.topics if part.late is not None)
        for one in late:
            self._emit(Ended(time, one.problem_key))
        for part in entry.topics:
            part.late = None
        for stranger in entry.strange.values():
            self._emit(Ended(time, stranger.problem_key))
        entry.strange.clear()
        entry.late = 0
        entry.is_heard = False
        sleeps = entry.plan is not None and entry.plan.sleeps
        self._enter(entry, time, Presence.ASLEEP if sleeps else Presence.SILENT)
        if not self.on_silence(entry, time, since) and (entry.plan is not None or not self._with_rig):
            self.report_silence(entry, time, since, late)

    def report_silence(self, entry: DeviceRecord, time: int, since: int, late: tuple[GapExceeded, ...] = ()) -> None:
        """Tell that a device is silent, unless it is planned to sleep; ``late`` is what was late before."""
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
            fastest=entry.fastest_gap(),
        )
        self._emit(entry.silence)

    # Late and on time.

    def arm_lateness(self, part: TopicRecord) -> None:
        """See to it that the lateness of a periodic message is noticed."""
        soonest = part.rhythm.min_limit
        if soonest is not None:
            self._deadlines.put(part.rhythm.last + soonest, self._lateness, part.number, part)

    def _lateness_due(self, part: TopicRecord, passed: int) -> int | None:
        entry, soonest = part.device, part.rhythm.min_limit
        judged = self.judges and entry.is_heard and (entry.plan is not None or not self._with_rig)
        if soonest is None or not judged or part.node.has_left():
            part.time_only = False  # the next frame is listened to, and looked after again
            return None
        last = part.rhythm.last
        if last + soonest > passed:
            return last + soonest
        if not part.rhythm.is_periodic:
            part.time_only = False
            return None
        due = last + part.rhythm.limit()
        if entry.plan is not None and entry.plan.sleeps and entry.last() <= due:
            # It may be falling asleep: late is only what stays away while the device goes on speaking.
            return max(due, entry.last() + entry.silence_limit())
        return due

    def _miss(self, part: TopicRecord, time: int, since: int) -> None:
        part.data, part.time_only = None, False
        if self._yields(part):
            return
        part.device.late += 1
        if part.device.state is Presence.PRESENT:
            self._enter(part.device, time, Presence.LATE)
        rhythm = part.rhythm
        part.late = GapExceeded(
            time, since, part.device.name, part.topic, rhythm.gap() or 0, rhythm.limit(), part.frame
        )
        self._emit(part.late)

    def _yields(self, part: TopicRecord) -> bool:
        """Tell whether another node now speaks for what this one spoke for, in a function that is shared by design."""
        if part.function is None or not part.function.shared:
            return False
        about = part.topic.dgn, part.topic.instance
        return any(
            (other.topic.dgn, other.topic.instance) == about and other.rhythm.last > part.rhythm.last
            for entry in self.entries
            if entry.is_heard
            for other in entry.topics
            if other is not part
        )

    def on_time(self, part: TopicRecord, time: int) -> None:
        """Note that a message has come; one that was late is so no more."""
        if part.late is not None:
            self._emit(Ended(time, part.late.problem_key))
            part.late = None
            part.device.late -= 1
            if not part.device.late and part.device.state is Presence.LATE:
                self._enter(part.device, time, Presence.PRESENT)
        self.arm_lateness(part)

    def turn_unplanned(self, entry: DeviceRecord, time: int) -> None:
        """Note that a source is known not to be in the rig."""
        self._enter(entry, time, Presence.UNPLANNED)


def _slowest_status(plan: DevicePlan, catalogue: Catalogue) -> int | None:
    """Return the slowest gap of the status messages of a device's functions, of those that are defined."""
    statuses = {message for function in plan.functions for message in FUNCTIONS[function].statuses}
    gaps = [catalogue.by_name(message).gap_us for message in sorted(statuses.intersection(catalogue.names))]
    return max((gap for gap in gaps if gap is not None), default=None)
