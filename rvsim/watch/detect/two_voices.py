"""Two units on one address that claim nothing: an address that speaks with two voices.

Knows: messages that come twice as often as they kept to, and messages that only another function sends.
``value_trains`` finds the third sign, two values in turn. Does not know NAMEs: where two claim the address, the contest
is told instead. Needs the first frame of each topic, and which said something new; the rest is looked at every 20 s by
the rhythm.

Twice as often, by our decision: a message with a broadcast gap whose own gap is known; its last thirteen frames say
the same; each comes one own gap (to a fifth) after the last but one; they fall into two trains whose distance is steady
to a tenth of the gap and not half the gap (to a tenth), which one unit at double rate would keep. Not: a heartbeat
while a lamp is on, the first minute after a restart.

Another function, by our decision: its status, and its heartbeat where it has a default source address, begin more than
a minute after the address was first heard, four times each or more, while a function that was there from the start goes
on; not where the two are often combined in one device.

It is over when no sign was seen for a minute.
"""

from collections.abc import Callable
from itertools import pairwise
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

LOOK_US = 20 * SECOND_US
CALM_US = 60 * SECOND_US
FRAMES = 13
"""So many frames make six repeats of each of two trains."""
SAME_GAP, SAME_SPLIT, HALF = 0.2, 0.1, 0.1
BEGINS_LATER_US = 60 * SECOND_US
FRAMES_OF_A_FUNCTION = 4
SLOWEST_STATUS_US = 15 * SECOND_US
"""A status that comes less often than this tells too late that its function was there."""
COMBINED = (
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


class _Address:
    """What is known of the voices of one address. Times are bus time."""

    def __init__(self, node: AddressRecord, now: int) -> None:
        self.node = node
        self.first = now
        self.functions: dict[str, int] = {}
        """When each function was first heard."""
        self.kept: dict[TopicRecord, int] = {}
        """The gap that each message kept when it was first known."""
        self.seen = 0
        """When a sign was seen last."""
        self.sign: tuple[TwoSendersSign, str, str, Frame] | None = None
        self.found: TwoSenders | None = None


class Voices:
    """Every address of a bus."""

    def __init__(
        self, roll_call: RollCall, deadlines: Deadlines, emit: Emit, restarts: Restarts, told: Callable[[int], bool]
    ) -> None:
        """Take what knows restarts, and who tells whether an address is told to be shared already."""
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._restarts = restarts
        self._told = told
        self._looking = DeadlineKind(47, self._look, self._seen)
        self._calm = DeadlineKind(48, self._calm_due, self._end)
        self._addresses: dict[int, _Address] = {}

    def observe(self, part: TopicRecord, now: int) -> None:
        """Take in the first frame of a topic."""
        node = part.node
        if node.address >= NULL_ADDRESS:
            return
        address = self._addresses.get(node.address)
        if address is None:
            address = self._addresses[node.address] = _Address(node, now)
            self._deadlines.schedule(now + LOOK_US, self._looking, node.address, address)
        name = _function(part)
        if name is not None:
            address.functions.setdefault(name, now)

    def begin_anew(self, node: AddressRecord, now: int) -> None:
        """Forget an address: another unit speaks there now."""
        address = self._addresses.get(node.address)
        if address is not None:
            address.first, address.functions, address.kept = now, {}, {}

    def note_trains(self, part: TopicRecord, what: str, figures: str, time: int, now: int) -> None:
        """Take in that a message was found to carry two trains of values."""
        address = self._addresses[part.node.address]
        address.sign = TwoSendersSign.TWO_VALUE_TRAINS, what, figures, part.frame
        self._tell(address, time, time, now)

    # What is due.

    def _look(self, address: _Address, passed: int) -> int:
        """Look for signs; the deadline is now where there is one.

        Signs only fade while nothing is heard, so what was looked at twice is not looked at again within a silence.
        """
        address.sign = self._twice_as_often(address, passed) or self._other_function(address, passed)
        address.seen = passed if address.sign is not None else address.seen
        if address.sign is not None:
            return passed
        silent = address.node.last_heard() < passed - LOOK_US
        return passed + LOOK_US * (max(1, -((passed - self._deadlines.checked_until) // LOOK_US)) if silent else 1)

    def _seen(self, address: _Address, time: int, since: int) -> None:
        now = address.seen
        self._tell(address, time, since, now)
        self._deadlines.schedule(now + LOOK_US, self._looking, address.node.address, address)

    def _tell(self, address: _Address, time: int, since: int, now: int) -> None:
        address.seen = now
        source = address.node.address
        if address.sign is None or self._told(source):
            return
        device = (self._roll_call.planned_device_at(address.node) or address.node.unassigned).name
        if address.found is not None:
            device, since = address.found.device, address.found.since
        address.found = TwoSenders(time, since, device, source, *address.sign)
        self._deadlines.schedule(now + CALM_US, self._calm, source, address)
        self._emit(address.found)

    def _calm_due(self, address: _Address, passed: int) -> int:
        return max(passed, address.seen + CALM_US)

    def _end(self, address: _Address, time: int, _since: int) -> None:
        if address.found is not None:
            self._emit(Ended(time, address.found.problem_key))
            address.found = None

    # Twice as often.

    def _twice_as_often(self, address: _Address, now: int) -> tuple[TwoSendersSign, str, str, Frame] | None:
        for part in sorted(address.node.topics, key=_number):
            times = part.rhythm.times
            if part.layout.gap is None or len(times) < FRAMES:
                continue
            kept = address.kept.get(part)
            if kept is None:
                steps = sorted(map(sub, list(times)[1:], times))
                address.kept[part] = steps[len(steps) // 2]
            elif times[-1] - times[-FRAMES] < FRAMES * 0.6 * kept and self._are_two_trains(part, kept, now):
                share = (times[-1] - times[-FRAMES]) / (FRAMES - 1) / SECOND_US
                figures = f"every {share:.3g} s on average instead of {kept / SECOND_US:.3g} s, and says the same"
                return TwoSendersSign.TWICE_AS_OFTEN, str(part.topic), figures, part.frame
        return None

    def _are_two_trains(self, part: TopicRecord, kept: int, now: int) -> bool:
        times = list(part.rhythm.times)[-FRAMES:]
        if part.changed_at > times[0] or now - times[-1] > 2 * kept:
            return False
        if self._restarts.recent(part.node.address, times[-1]) or _lamp_is_on(part):
            return False
        if any(abs(time - before - kept) > SAME_GAP * kept for before, time in zip(times, times[2:], strict=False)):
            return False
        steps = [time - before for before, time in pairwise(times)]
        steady = all(abs(step - before) <= SAME_SPLIT * kept for before, step in zip(steps, steps[2:], strict=False))
        return steady and abs(2 * steps[-1] - kept) > 2 * HALF * kept

    # Another function.

    def _other_function(self, address: _Address, now: int) -> tuple[TwoSendersSign, str, str, Frame] | None:
        later = [name for name, first in address.functions.items() if first > address.first + BEGINS_LATER_US]
        early = [name for name in address.functions if name not in later]
        for name in later:
            if not early or any(_are_combined(name, one) for one in early):
                continue
            own = _going_on(address.node, name, now)
            others = [part for one in early for part in _going_on(address.node, one, now)]
            if _is_complete(name, own) and any(part.rhythm.times[-1] > own[0].rhythm.times[0] for part in others):
                title = FUNCTIONS[name].title
                figures = f"beside {' and '.join(FUNCTIONS[one].title for one in early)}, which it was from the start"
                return TwoSendersSign.OTHER_FUNCTION, title, figures, own[0].frame
        return None


def _function(part: TopicRecord) -> str | None:
    """Return the function whose status or heartbeat this is; None where it is none, or shared by design."""
    function = part.function
    if function is None and part.topic.dsa is not None:
        function = by_dsa(part.topic.dsa)
    return function.name if function is not None and not function.shared else None


def _going_on(node: AddressRecord, name: str, now: int) -> list[TopicRecord]:
    """Return the topics of a function that come again and again up to now."""
    own = (part for part in sorted(node.topics, key=_number) if _function(part) == name)
    return [
        part
        for part in own
        if part.layout.gap is not None
        and len(part.rhythm.times) >= FRAMES_OF_A_FUNCTION
        and now - part.rhythm.times[-1] <= MIN_SILENCE_LIMIT_US
    ]


def _is_complete(name: str, own: list[TopicRecord]) -> bool:
    """Tell whether a function shows itself by its status, and by its heartbeat where it has an address of its own."""
    status = any(part.function is not None and (part.layout.gap or 0) <= SLOWEST_STATUS_US for part in own)
    return status and (not FUNCTIONS[name].dsas or any(part.topic.dsa is not None for part in own))


def _are_combined(one: str, other: str) -> bool:
    return one == other or any({one, other} <= group for group in COMBINED)


def _lamp_is_on(part: TopicRecord) -> bool:
    """Tell whether a heartbeat reports a fault: then it may come more often."""
    spec = part.layout.spec
    if part.topic.message != HEARTBEAT or spec is None:
        return False
    lamps = ("red_lamp_status", "yellow_lamp_status")
    return any(spec.by_name[lamp].raw_in(part.frame.data) == 1 for lamp in lamps if lamp in spec.by_name)
