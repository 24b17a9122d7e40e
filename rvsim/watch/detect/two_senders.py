"""Two units that send from one address and claim nothing.

Knows: two signs, messages that come twice as often as before and messages that only another function sends.
``value_trains`` finds the third sign, two alternating values. Does not know NAMEs: where two units claim the address,
the address conflict is reported instead. Needs the first frame of each topic, and when its data last changed; the later
frames are checked every 20 s by their rhythm.

Twice as often means (our decision): the message has a broadcast gap, and its measured gap is known; its last thirteen
frames have the same data; each frame comes one measured gap (within 20 %) after the frame before the last; the distance
between the two series varies by less than 10 % of the gap, and differs from half the gap by more than 10 % of it, since
one unit at double rate would keep half the gap. Not counted: a heartbeat while a lamp is on, and the first minute after
a restart.

Another function means (our decision): its status, and its heartbeat where it has a default source address, start more
than a minute after the address was first heard, with four frames each or more, while a function that was there from the
start continues. Not counted where the two functions are often combined in one device.

The problem ends when no sign was found for a minute.
"""

from collections.abc import Callable, Mapping
from itertools import pairwise
from math import gcd
from operator import attrgetter, sub

from rvsim.rig.functions import FUNCTIONS, by_dsa
from rvsim.watch.decode import HEARTBEAT
from rvsim.watch.detect.restarts import Restarts
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, AddressRecord, TopicRecord
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Emit, Ended, TwoSenders, TwoSendersSign
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import NULL_ADDRESS

CHECK_EVERY_US = 20 * SECOND_US
MAX_UNCHECKED_US = 1000 * CHECK_EVERY_US
"""How long an address is not checked for which nothing is known to come: one without periodic messages in a log that is
held as columns, or one with an address conflict."""
CLEAR_AFTER_US = 60 * SECOND_US
"""How long after the last sign the problem ends. Our decision."""
COMPARED_FRAMES = 13
"""How many frames are compared: six repetitions in each of two trains."""
MAX_GAP_DEVIATION, MAX_DISTANCE_DEVIATION, MIN_HALF_DEVIATION = 0.2, 0.1, 0.1
"""Shares of the own gap: how far a gap may differ from it, how far the distance of the two trains may vary, and how far
that distance must be from half the gap. Our decision."""
MIN_LATER_US = 60 * SECOND_US
"""How long after the first frame of its address another function must start. Our decision."""
MIN_FUNCTION_FRAMES = 4
"""How many frames the status and the heartbeat of a function must have. Our decision."""
MAX_STATUS_GAP_US = 15 * SECOND_US
"""A status with a longer gap shows too late that its function is present."""
COMBINED_FUNCTIONS = (
    {"furnace", "water_heater", "floor_heat", "circulation_pump", "ambient_sensor", "thermostat"},
    {"thermostat", "air_conditioner", "heat_pump", "furnace", "floor_heat", "roof_fan", "ambient_sensor"},
    {"inverter", "charger", "transfer_switch", "battery_monitor", "solar_controller", "dc_disconnect", "ac_load"},
    {"generator", "generator_start", "transfer_switch"},
    {"tank", "water_pump", "autofill", "waste_dump", "gas_sensor"},
    {"control_panel", "keypad", "thermostat", "tank", "generator_start", "ambient_sensor", "gas_sensor"},
    {"dc_dimmer", "dc_load", "ac_load", "keypad", "awning", "window_shade", "lock", "slide", "water_pump", "tank"}
    | {"control_panel", "autofill", "waste_dump", "roof_fan", "generator_start", "dc_disconnect", "thermostat"},
)
"""Functions that one device often has together: heaters, climate, power, gensets, water, panels, body controllers.
Common practice, no source."""
_number = attrgetter("number")


class _AddressSenders:
    """What is known of the senders at one address. Times are bus time."""

    def __init__(self, node: AddressRecord, now: int) -> None:
        self.node = node
        self.first_heard = now
        self.next_check = now + CHECK_EVERY_US
        self.functions: dict[str, int] = {}
        """When each function was first heard."""
        self.usual_gaps: dict[TopicRecord, int] = {}
        """The gap of each message when it was first known."""
        self.sign_at = 0
        """When a sign was last found."""
        self.sign: tuple[TwoSendersSign, str, str, Frame] | None = None
        self.reported: TwoSenders | None = None


class TwoSendersDetector:
    """Finds the addresses of a bus that two units send from."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        restarts: Restarts,
        is_conflict: Callable[[int], bool],
    ) -> None:
        """Take the detector of restarts, and the function that returns whether an address conflict is reported."""
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._restarts = restarts
        self._is_conflict = is_conflict
        self._check = DeadlineKind(47, self._check_due, self._report_sign)
        self._clear_deadline = DeadlineKind(48, self._clear_due, self._clear)
        self._addresses: dict[int, _AddressSenders] = {}

    def observe(self, record: TopicRecord, now: int) -> None:
        """Take in the first frame of a topic."""
        node = record.node
        if node.address >= NULL_ADDRESS:
            return
        address = self._addresses.get(node.address)
        if address is None:
            address = self._addresses[node.address] = _AddressSenders(node, now)
            self._deadlines.schedule(address.next_check, self._check, node.address, address)
        name = _function(record)
        if name is not None:
            address.functions.setdefault(name, now)
        self._hasten(address, now)

    def _hasten(self, address: _AddressSenders, now: int) -> None:
        """Have an address checked at the next of its moments, where it would have been checked later."""
        due = address.next_check - max(0, (address.next_check - now) // CHECK_EVERY_US) * CHECK_EVERY_US
        self._deadlines.hasten(due, self._check, address.node.address, address)

    def restart(self, node: AddressRecord, now: int) -> None:
        """Forget what was known of an address: another unit sends from it now."""
        address = self._addresses.get(node.address)
        if address is not None:
            address.first_heard, address.functions, address.usual_gaps = now, {}, {}
            self._hasten(address, now)

    def resume(self, node: AddressRecord) -> None:
        """Check an address again: two NAMEs are no longer reported to share it."""
        if node.address in self._addresses:
            self._hasten(self._addresses[node.address], node.last_heard())

    def report_trains(self, record: TopicRecord, what: str, figures: str, time: int, now: int) -> None:
        """Take in that a field alternates between two trains of values."""
        address = self._addresses[record.node.address]
        address.sign = TwoSendersSign.TWO_VALUE_TRAINS, what, figures, record.frame
        self._report(address, time, time, now)

    # Deadlines.

    def _check_due(self, address: _AddressSenders, passed: int) -> int:
        """Return the moment of the next check: ``passed`` itself where a sign is found.

        No new sign comes while nothing is received, so there are no further checks within a silence. While an address
        conflict is reported instead, no sign is looked for.
        """
        if self._is_conflict(address.node.address):
            address.next_check = passed + MAX_UNCHECKED_US
            return address.next_check
        address.sign = self._twice_as_often(address, passed) or self._other_function(address, passed)
        address.sign_at = passed if address.sign is not None else address.sign_at
        if address.sign is not None:
            return passed
        silent = address.node.last_heard() < passed - CHECK_EVERY_US
        known_until = max(self._deadlines.checked_until if silent else 0, self._no_sign_until(address, passed))
        address.next_check = passed + CHECK_EVERY_US * max(1, -((passed - known_until) // CHECK_EVERY_US))
        return address.next_check

    def _no_sign_until(self, address: _AddressSenders, passed: int) -> int:
        """Return a moment up to which it is known that no sign can be found: 0 on a live bus."""
        if any(record.column is None for record in address.node.topics) or self._later_functions(address)[0]:
            return 0
        moments = (_no_train_until(record, address.usual_gaps) for record in address.node.topics)
        return min((moment for moment in moments if moment is not None), default=passed + MAX_UNCHECKED_US)

    def _report_sign(self, address: _AddressSenders, time: int, since: int) -> None:
        now = address.sign_at
        self._report(address, time, since, now)
        address.next_check = now + CHECK_EVERY_US
        self._deadlines.schedule(address.next_check, self._check, address.node.address, address)

    def _report(self, address: _AddressSenders, time: int, since: int, now: int) -> None:
        address.sign_at = now
        source = address.node.address
        if address.sign is None or self._is_conflict(source):
            return
        device = (self._roll_call.planned_device_at(address.node) or address.node.unassigned).name
        if address.reported is not None:
            device, since = address.reported.device, address.reported.since
        address.reported = TwoSenders(time, since, device, source, *address.sign)
        self._deadlines.schedule(now + CLEAR_AFTER_US, self._clear_deadline, source, address)
        self._emit(address.reported)

    def _clear_due(self, address: _AddressSenders, passed: int) -> int:
        return max(passed, address.sign_at + CLEAR_AFTER_US)

    def _clear(self, address: _AddressSenders, time: int, _since: int) -> None:
        if address.reported is not None:
            self._emit(Ended(time, address.reported.problem_key))
            address.reported = None

    # Twice as often.

    def _twice_as_often(self, address: _AddressSenders, now: int) -> tuple[TwoSendersSign, str, str, Frame] | None:
        for record in sorted(address.node.topics, key=_number):
            times = record.rhythm.times
            if record.layout.gap is None or len(times) < COMPARED_FRAMES:
                continue
            usual_gap = address.usual_gaps.get(record)
            if usual_gap is None:
                steps = sorted(map(sub, list(times)[1:], times))
                address.usual_gaps[record] = steps[len(steps) // 2]
            elif times[-1] - times[-COMPARED_FRAMES] < _max_train_us(usual_gap) and self._are_two_trains(
                record, usual_gap, now
            ):
                mean_gap = (times[-1] - times[-COMPARED_FRAMES]) / (COMPARED_FRAMES - 1) / SECOND_US
                figures = (
                    f"every {mean_gap:.3g} s on average instead of {usual_gap / SECOND_US:.3g} s, with the same data"
                )
                return TwoSendersSign.TWICE_AS_OFTEN, str(record.topic), figures, record.frame
        return None

    def _are_two_trains(self, record: TopicRecord, usual_gap: int, now: int) -> bool:
        times = list(record.rhythm.times)[-COMPARED_FRAMES:]
        if record.changed_at > times[0] or now - times[-1] > 2 * usual_gap:
            return False
        if self._restarts.restarted_recently(record.node.address, times[-1]) or _lamp_is_on(record):
            return False
        if any(
            abs(time - before - usual_gap) > MAX_GAP_DEVIATION * usual_gap
            for before, time in zip(times, times[2:], strict=False)
        ):
            return False
        steps = [time - before for before, time in pairwise(times)]
        if 2 * gcd(*steps) >= usual_gap:
            return False
        steady = all(
            abs(step - before) <= MAX_DISTANCE_DEVIATION * usual_gap
            for before, step in zip(steps, steps[2:], strict=False)
        )
        return steady and abs(2 * steps[-1] - usual_gap) > 2 * MIN_HALF_DEVIATION * usual_gap

    # Another function.

    @staticmethod
    def _later_functions(address: _AddressSenders) -> tuple[list[str], list[str]]:
        """Return the functions that started later and are not combined with the early ones, and the early ones."""
        late_from = address.first_heard + MIN_LATER_US
        later = [name for name, first_heard in address.functions.items() if first_heard > late_from]
        early = [name for name in address.functions if name not in later]
        if not early:
            return [], early
        return [name for name in later if not any(_are_combined(name, other) for other in early)], early

    def _other_function(self, address: _AddressSenders, now: int) -> tuple[TwoSendersSign, str, str, Frame] | None:
        later, early = self._later_functions(address)
        for name in later:
            own = _periodic_topics(address.node, name, now)
            others = [record for other in early for record in _periodic_topics(address.node, other, now)]
            if _is_complete(name, own) and any(record.rhythm.times[-1] > own[0].rhythm.times[0] for record in others):
                title = FUNCTIONS[name].title
                figures = f"at first only as {' and '.join(FUNCTIONS[other].title for other in early)}"
                return TwoSendersSign.OTHER_FUNCTION, title, figures, own[0].frame
        return None


def _max_train_us(usual_gap: int) -> float:
    """Return how long the compared frames take at most where they come twice as often as usual."""
    return COMPARED_FRAMES * 0.6 * usual_gap


def _no_train_until(record: TopicRecord, usual_gaps: Mapping[TopicRecord, int]) -> int | None:
    """Return a moment up to which a message is known not to come twice as often as usual, nor to get a usual gap.

    Returns None where it has no gap.
    """
    if record.layout.gap is None:
        return None
    if record not in usual_gaps:
        return record.rhythm.fewer_until(COMPARED_FRAMES)
    return record.rhythm.sparse_until(COMPARED_FRAMES, _max_train_us(usual_gaps[record]))


def _function(record: TopicRecord) -> str | None:
    """Return the function of a status or a heartbeat; None where there is none, or devices share it by design."""
    function = record.function
    if function is None and record.topic.dsa is not None:
        function = by_dsa(record.topic.dsa)
    return function.name if function is not None and not function.shared else None


def _periodic_topics(node: AddressRecord, name: str, now: int) -> list[TopicRecord]:
    """Return the topics of a function that are sent periodically up to now."""
    own = (record for record in sorted(node.topics, key=_number) if _function(record) == name)
    return [
        record
        for record in own
        if record.layout.gap is not None
        and len(record.rhythm.times) >= MIN_FUNCTION_FRAMES
        and now - record.rhythm.times[-1] <= MIN_SILENCE_LIMIT_US
    ]


def _is_complete(name: str, own: list[TopicRecord]) -> bool:
    """Return whether a function has a status, and a heartbeat where it has a default source address."""
    status = any(record.function is not None and (record.layout.gap or 0) <= MAX_STATUS_GAP_US for record in own)
    return status and (not FUNCTIONS[name].dsas or any(record.topic.dsa is not None for record in own))


def _are_combined(function: str, other: str) -> bool:
    """Return whether one device often has both functions."""
    return function == other or any({function, other} <= group for group in COMBINED_FUNCTIONS)


def _lamp_is_on(record: TopicRecord) -> bool:
    """Return whether a heartbeat has a lamp on; such a heartbeat may come more often."""
    spec = record.layout.spec
    if record.topic.message != HEARTBEAT or spec is None:
        return False
    lamps = ("red_lamp_status", "yellow_lamp_status")
    return any(spec.by_name[lamp].raw_in(record.frame.data) == 1 for lamp in lamps if lamp in spec.by_name)
