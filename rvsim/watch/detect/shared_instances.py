"""One function and instance from two devices.

Knows: who speaks as which function and instance, by address. Functions that devices share by design do not count. Does
not know who is planned. Needs the first frame of each topic, and one more of each where two speak for the same; the end
is found by the rhythm.

It is told when the first one goes on after the second began: else it may be a replacement. Under one NAME it is told
only where the first goes on for longer than queued frames would. It is over when one of both has said nothing as that
function for three heartbeats, or three of its slowest gap. Our decisions.
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


class Voice:
    """One address that speaks as one function and instance. Times are bus time."""

    def __init__(self, node: AddressRecord, role: FunctionInstance, now: int) -> None:
        self.node = node
        self.role = role
        self.begun = now
        """When it began, or began again after it was silent."""
        self.name: Name | None = node.name
        """The NAME under which it spoke last."""
        self.parts: dict[Topic, TopicRecord] = {}

    def last(self) -> int:
        """Return when it spoke last."""
        return max(part.rhythm.times[-1] for part in self.parts.values())

    def silent_from(self) -> int:
        """Return from when on it counts as silent."""
        return self.last() + silence_limit(self.parts.values())

    def listen(self) -> None:
        """Have its next frames looked at, even if they say the same."""
        for part in self.parts.values():
            part.examine_next()

    @property
    def part(self) -> TopicRecord:
        """One of its topics."""
        return next(iter(self.parts.values()))


class _Pair:
    """Two addresses that speak for the same; the one that began first stands first."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.roles: dict[FunctionInstance, tuple[Voice, Voice]] = {}
        self.found: InstanceShared | None = None


class SharedInstances:
    """Every function and instance of a bus.

    ``is_its_own`` tells whether an entry is planned to have a function and instance; ``tell`` is told of each entry
    that speaks for what another one speaks for; ``begins`` of each voice that begins, with the NAME before if it has
    changed.
    """

    def __init__(
        self,
        deadlines: Deadlines,
        emit: Emit,
        is_its_own: Callable[[DeviceRecord, FunctionInstance], bool],
        tell: Callable[[DeviceRecord, InstanceShared], None],
        begins: Callable[[Voice, Name | None, int], None],
    ) -> None:
        self._deadlines = deadlines
        self._emit = emit
        self._is_its_own = is_its_own
        self._tell_of = tell
        self._begins = begins
        self._silence = DeadlineKind(49, self._silence_due, self._end)
        self._voices: dict[FunctionInstance, dict[AddressRecord, Voice]] = {}
        self._pairs: dict[frozenset[int], _Pair] = {}

    def observe(self, part: TopicRecord, time: int, now: int) -> bool:
        """Take in a frame, when it is known who sent it; return whether the same frame again could change nothing."""
        role = part.exclusive_function
        if role is None:
            return True
        voices = self._voices.setdefault(role, {})
        known = voices.get(part.node)
        begins = known is None or _was_silent(known, part, now)
        voice = voices[part.node] = Voice(part.node, role, now) if known is None else known
        voice.parts[part.topic] = part
        if begins:
            self._begin(voice, time, now)
        elif part.node.name is not None:
            voice.name = part.node.name
        if len(voices) == 1:
            return True
        settled = True
        for other in self.others(voice, now):
            if begins:
                other.listen()
            settled = self._weigh(voice, other, time) and settled
        return settled

    def others(self, voice: Voice, now: int) -> list[Voice]:
        """Return who else speaks as a function and instance up to now."""
        return [one for one in self.speakers(voice.role, now) if one.node is not voice.node]

    def speakers(self, role: FunctionInstance, now: int) -> Iterator[Voice]:
        """Yield who speaks as a function and instance up to now, in the order of first hearing."""
        return (one for one in self._voices.get(role, {}).values() if now <= one.silent_from())

    def _begin(self, voice: Voice, time: int, now: int) -> None:
        before, voice.begun = voice.name, now
        voice.name = voice.node.name if voice.node.name is not None else before
        self._begins(voice, before if before != voice.name else None, time)

    def _weigh(self, voice: Voice, other: Voice, time: int) -> bool:
        """Tell of two that both go on; return whether nothing is open between them."""
        key = frozenset((voice.node.address, other.node.address))
        pair = self._pairs.get(key)
        if pair is not None and voice.role in pair.roles:
            return True
        first, second = (voice, other) if voice.begun < other.begun else (other, voice)
        name = first.node.name
        queued = MAX_QUEUED_US if name is not None and name == second.node.name else 0
        if first.last() <= second.begun + queued:
            return False
        if pair is None:
            pair = self._pairs[key] = _Pair(256 * min(key) + max(key))
        pair.roles[voice.role] = first, second
        self._tell(pair, time)
        self._deadlines.schedule(self._silent_from(pair), self._silence, pair.number, pair)
        return True

    def _tell(self, pair: _Pair, time: int) -> None:
        (role, (first, second)), *_ = pair.roles.items()
        stranger = first if self._is_its_own(second.part.device, role) else second
        since = pair.found.since if pair.found is not None else time
        pair.found = InstanceShared(
            time,
            since,
            stranger.part.device.name,
            tuple(one.part.function_text for one, _ in pair.roles.values()),
            _place(first),
            _place(second),
            (first.node.address, second.node.address),
            max((first.part.frame, second.part.frame), key=lambda frame: frame.time),
        )
        self._emit(pair.found)
        self._tell_of(stranger.part.device, pair.found)

    # What is due.

    @staticmethod
    def _silent_from(pair: _Pair) -> int:
        return max(min(one.silent_from(), other.silent_from()) for one, other in pair.roles.values())

    def _silence_due(self, pair: _Pair, passed: int) -> int:
        return max(passed, self._silent_from(pair))

    def _end(self, pair: _Pair, time: int, _since: int) -> None:
        if pair.found is not None:
            self._emit(Ended(time, pair.found.problem_key))
            del self._pairs[frozenset(pair.found.sources)]
        for voice in (voice for both in pair.roles.values() for voice in both):
            voice.listen()


def _was_silent(voice: Voice, part: TopicRecord, now: int) -> bool:
    """Tell whether an address had not spoken as this for its limit, before the frame of ``part`` that came now."""
    times = part.rhythm.times
    if len(times) > 1 and now - times[-2] <= MIN_SILENCE_LIMIT_US:
        return False
    before = [one.rhythm.times[-1] for one in voice.parts.values() if one is not part]
    if len(times) > 1:
        before.append(times[-2])
    return bool(before) and now - max(before) > silence_limit(voice.parts.values())


def _place(voice: Voice) -> str:
    """Say who speaks, and from where."""
    entry = voice.part.device
    return f"{entry.name} (address {voice.node.address:02X} hex)" if entry.plan is not None else entry.name
