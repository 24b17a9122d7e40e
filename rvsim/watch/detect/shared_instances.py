"""One function and instance that two devices send.

Knows: which addresses send as which function and instance. Functions that devices share by design do not count. Does
not know the plan. Needs the first frame of each topic, and one more of each where two addresses send the same; the end
is found by the rhythm.

It is reported when the first sender continues after the second has started; otherwise the second may be a replacement.
Under one NAME it is reported only where the first continues for longer than queued frames would. It ends when one of
the two was silent as that function for three heartbeats, or three of its slowest gap. Our decisions.
"""

from collections.abc import Callable, Iterator

from rvsim.watch.identity.records import (
    MAX_QUEUED_US,
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    FunctionInstance,
    TopicRecord,
    silence_limit,
)
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, InstanceShared, Topic
from rvsim.wire.name import Name


class FunctionSender:
    """One address that sends as one function and instance. Times are bus time."""

    def __init__(self, node: AddressRecord, function_instance: FunctionInstance, now: int) -> None:
        self.node = node
        self.function_instance = function_instance
        self.started_at = now
        """When it started, or started again after a silence."""
        self.name: Name | None = node.name
        """The NAME under which it last sent."""
        self.records: dict[Topic, TopicRecord] = {}

    def last_sent(self) -> int:
        """Return when it last sent."""
        return max(record.rhythm.times[-1] for record in self.records.values())

    def silent_from(self) -> int:
        """Return the moment from which it counts as silent."""
        return self.last_sent() + silence_limit(self.records.values())

    def is_sending(self, now: int) -> bool:
        """Return whether it is not silent at ``now``."""
        last = self.last_sent()
        return now <= last + MIN_SILENCE_LIMIT_US or now <= last + silence_limit(self.records.values())

    def known_until(self) -> int:
        """Return the last moment up to which it is known not to be silent."""
        sent = max(record.rhythm.sent_until(MIN_SILENCE_LIMIT_US) for record in self.records.values())
        return sent + MIN_SILENCE_LIMIT_US

    def examine_next(self) -> None:
        """Have its next frames examined, even if they are the same."""
        for record in self.records.values():
            record.examine_next()

    @property
    def record(self) -> TopicRecord:
        """Its first topic."""
        return next(iter(self.records.values()))


class _SenderPair:
    """Two addresses that send the same functions and instances; in each, the one that started first is first."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.function_instances: dict[FunctionInstance, tuple[FunctionSender, FunctionSender]] = {}
        self.reported: InstanceShared | None = None


class SharedInstances:
    """The senders of every function and instance of a bus.

    Args:
        deadlines: takes its deadlines.
        emit: takes the problems and their ends.
        is_planned_for: returns whether a device is planned to have a function and instance.
        report_shared: takes each device that sends a function and instance of another one, with that problem.
        sender_started: takes each sender that starts, the NAME before if that has changed, and the time.
    """

    def __init__(
        self,
        deadlines: Deadlines,
        emit: Emit,
        is_planned_for: Callable[[DeviceRecord, FunctionInstance], bool],
        report_shared: Callable[[DeviceRecord, InstanceShared], None],
        sender_started: Callable[[FunctionSender, Name | None, int], None],
    ) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._is_planned_for = is_planned_for
        self._report_shared = report_shared
        self._sender_started = sender_started
        self._silence_deadline = DeadlineKind(49, self._silence_due, self._clear)
        self._senders: dict[FunctionInstance, dict[AddressRecord, FunctionSender]] = {}
        self._pairs: dict[frozenset[int], _SenderPair] = {}

    def observe(self, record: TopicRecord, time: int, now: int) -> bool:
        """Take in a frame of a known device; return whether the same frame again would change nothing."""
        function_instance = record.exclusive_function
        if function_instance is None:
            return True
        senders = self._senders.setdefault(function_instance, {})
        known = senders.get(record.node)
        is_start = known is None or _was_silent(known, record, now)
        sender = senders[record.node] = FunctionSender(record.node, function_instance, now) if known is None else known
        sender.records[record.topic] = record
        if is_start:
            self._start(sender, time, now)
        elif record.node.name is not None:
            sender.name = record.node.name
        if len(senders) == 1:
            return True
        settled = True
        for other in self.other_senders(sender, now):
            if is_start:
                other.examine_next()
            settled = self._compare(sender, other, time) and settled
        return settled

    def has_one_sender(self, record: TopicRecord) -> bool:
        """Return whether only one address ever sent the function and instance of a topic, or it has none."""
        function_instance = record.exclusive_function
        return function_instance is None or len(self._senders.get(function_instance, ())) <= 1

    def other_senders(self, sender: FunctionSender, now: int) -> list[FunctionSender]:
        """Return the other senders of the same function and instance that are not silent."""
        return [other for other in self.senders_of(sender.function_instance, now) if other.node is not sender.node]

    def senders_of(self, function_instance: FunctionInstance, now: int) -> Iterator[FunctionSender]:
        """Yield the senders of a function and instance that are not silent, in the order of their first frames."""
        return (sender for sender in self._senders.get(function_instance, {}).values() if sender.is_sending(now))

    def _start(self, sender: FunctionSender, time: int, now: int) -> None:
        before, sender.started_at = sender.name, now
        sender.name = sender.node.name if sender.node.name is not None else before
        self._sender_started(sender, before if before != sender.name else None, time)

    def _compare(self, sender: FunctionSender, other: FunctionSender, time: int) -> bool:
        """Report two senders if both continue; return whether that is decided."""
        key = frozenset((sender.node.address, other.node.address))
        pair = self._pairs.get(key)
        if pair is not None and sender.function_instance in pair.function_instances:
            return True
        first, second = (sender, other) if sender.started_at < other.started_at else (other, sender)
        name = first.node.name
        queued = MAX_QUEUED_US if name is not None and name == second.node.name else 0
        if first.last_sent() <= second.started_at + queued:
            return False
        if pair is None:
            pair = self._pairs[key] = _SenderPair(256 * min(key) + max(key))
        pair.function_instances[sender.function_instance] = first, second
        self._report(pair, time)
        self._deadlines.schedule(self._silent_from(pair), self._silence_deadline, pair.number, pair)
        return True

    def _report(self, pair: _SenderPair, time: int) -> None:
        (function_instance, (first, second)), *_ = pair.function_instances.items()
        unplanned = first if self._is_planned_for(second.record.device, function_instance) else second
        since = pair.reported.since if pair.reported is not None else time
        pair.reported = InstanceShared(
            time,
            since,
            unplanned.record.device.name,
            tuple(sender.record.function_text for sender, _ in pair.function_instances.values()),
            _sender_text(first),
            _sender_text(second),
            (first.node.address, second.node.address),
            max((first.record.frame, second.record.frame), key=lambda frame: frame.time),
        )
        self._emit(pair.reported)
        self._report_shared(unplanned.record.device, pair.reported)

    # Deadlines.

    @staticmethod
    def _silent_from(pair: _SenderPair) -> int:
        return max(min(first.silent_from(), second.silent_from()) for first, second in pair.function_instances.values())

    def _silence_due(self, pair: _SenderPair, passed: int) -> int:
        pairs = pair.function_instances.values()
        known_until = max(min(first.known_until(), second.known_until()) for first, second in pairs)
        return known_until if known_until > passed else max(passed, self._silent_from(pair))

    def _clear(self, pair: _SenderPair, time: int, _since: int) -> None:
        if pair.reported is not None:
            self._emit(Ended(time, pair.reported.problem_key))
            del self._pairs[frozenset(pair.reported.sources)]
        for sender in (sender for both in pair.function_instances.values() for sender in both):
            sender.examine_next()


def _was_silent(sender: FunctionSender, record: TopicRecord, now: int) -> bool:
    """Return whether an address was silent as this function for its limit, before the last frame of ``record``."""
    times = record.rhythm.times
    if len(times) > 1 and now - times[-2] <= MIN_SILENCE_LIMIT_US:
        return False
    before = [other.rhythm.times[-1] for other in sender.records.values() if other is not record]
    if len(times) > 1:
        before.append(times[-2])
    return bool(before) and now - max(before) > silence_limit(sender.records.values())


def _sender_text(sender: FunctionSender) -> str:
    """Return the name of the device of a sender, with its address."""
    entry = sender.record.device
    return f"{entry.name} (address {sender.node.address:02X} hex)" if entry.plan is not None else entry.name
