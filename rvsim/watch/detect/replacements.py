"""Units that were replaced: what a device speaks for comes from another NAME, address or instance.

Knows: who could speak in place of a device that is not heard, planned or learnt. Does not know ages: the roll call
tells when a device falls silent, and ``identity`` when one is found. Needs changes only: silences, first frames of
topics, claims, and who is taken for whom.

Decisions of ours:
- nothing is said before the device itself has passed its silence limit: then the silence turns into the replacement;
- another instance counts where the rig has no such instance, exactly one planned device of the function is not heard,
  and that one had not gone on after the other began;
- a planned device that is first heard from another address has 15 s for the claim that says who it is;
- without a rig the other unit has to speak for everything that the silent one spoke for;
- at an address that is told to be shared nobody was replaced: that is told instead;
- a unit that only moved, by the NAME that was seen at the old address or by a commanded address, was not replaced.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from rvsim.rig.functions import FUNCTIONS, by_dsa
from rvsim.watch.detect.asked import Asked
from rvsim.watch.detect.shared_instances import SharedInstances, Voice
from rvsim.watch.detect.shared_names import SharedNames
from rvsim.watch.identity.records import (
    MIN_SILENCE_LIMIT_US,
    AddressRecord,
    DeviceRecord,
    FunctionInstance,
    TopicRecord,
)
from rvsim.watch.identity.roll_call import RollCall
from rvsim.watch.traffic import DeadlineKind, Deadlines
from rvsim.watch.transitions import Difference, Emit, Ended, Presence, Replaced
from rvsim.wire.name import Name

_GONE = (Presence.SILENT, Presence.ASLEEP)


class _Other(NamedTuple):
    """Who speaks in place of a device, as a topic, and in what it differs."""

    part: TopicRecord
    difference: Difference


class Replacements:
    """Every device of a bus that another unit speaks for."""

    def __init__(
        self,
        roll_call: RollCall,
        deadlines: Deadlines,
        emit: Emit,
        owners: Mapping[FunctionInstance, DeviceRecord] | None,
        asked: Asked,
        names: SharedNames,
        is_contested: Callable[[int], bool],
    ) -> None:
        """Take who is planned to speak as what, None without a rig; and who tells of addresses that are shared."""
        self._with_rig = owners is not None
        self._roll_call = roll_call
        self._deadlines = deadlines
        self._emit = emit
        self._owners = owners or {}
        self._asked = asked
        self._names = names
        self._is_contested = is_contested
        self._placing = DeadlineKind(50, self._placing_due, self._placed)
        self.instances: SharedInstances
        """Who speaks as what; set once, by whoever makes both."""
        roll_call.on_silence = self.fell_silent
        roll_call.on_arrival = self.arrived

    # A device falls silent or comes back.

    def fell_silent(self, entry: DeviceRecord, time: int, since: int) -> bool:
        """Note that a device is not heard any more; return whether something else is told than its silence."""
        self._no_replacement(entry, time, since)
        self._over(entry, time)
        if entry.plan is None and self._with_rig:
            return False
        if self._has_moved(entry):
            return True
        other = self._other_for(entry)
        if other is None:
            return False
        self._replace(entry, other, time, since)
        return True

    def arrived(self, entry: DeviceRecord, time: int) -> None:
        """Note that a device is heard again: but for one that goes on where its replacement was, that is over."""
        found = entry.replaced
        same = found is not None and entry.node is not None and found.source == entry.node.address
        if found is not None and not (same and found.difference is Difference.ADDRESS):
            self._over(entry, time)
        entry.replacement = None

    def _no_replacement(self, entry: DeviceRecord, time: int, since: int) -> None:
        """Where the unit that falls silent spoke for another, that one is silent again."""
        for one in self._roll_call.entries:
            if one.replacement is entry and one.replaced is not None:
                self._over(one, time)
                if one.plan is not None:
                    self._roll_call.report_silence(one, time, since)

    def _over(self, entry: DeviceRecord, time: int) -> None:
        if entry.replaced is not None:
            self._emit(Ended(time, entry.replaced.problem_key))
        entry.replaced = entry.replacement = None

    @staticmethod
    def _has_moved(entry: DeviceRecord) -> bool:
        """Tell whether the unit of an address that nobody planned has claimed another address since."""
        return entry.plan is None and entry.node is not None and entry.node.has_left()

    # Who speaks instead.

    def _other_for(self, entry: DeviceRecord) -> _Other | None:
        if entry.plan is None:
            return self._learnt(entry)
        return self._same_instance(entry) or self._other_instance(entry) or self._same_heartbeat(entry)

    def _learnt(self, entry: DeviceRecord) -> _Other | None:
        """Find who speaks for all that an address spoke for."""
        roles = _roles(entry)
        if not roles or entry.node is None:
            return None
        now = self._now(entry)
        speakers = [
            {one.node: one for one in self.instances.speakers(role, now) if one.node is not entry.node}
            for role in roles
        ]
        common = [node for node in speakers[0] if all(node in others for others in speakers[1:])]
        return _Other(speakers[0][common[0]].part, Difference.ADDRESS) if common else None

    def _now(self, entry: DeviceRecord) -> int:
        """Return the latest bus time that is known: that of whoever was heard last, or of the silence that ended."""
        heard = (part.rhythm.times[-1] for one in self._roll_call.entries for part in one.topics)
        return max(heard, default=entry.last_heard())

    def _same_instance(self, entry: DeviceRecord) -> _Other | None:
        now = self._now(entry)
        for role in _planned_roles(entry):
            for voice in self.instances.speakers(role, now):
                part = voice.part
                if part.device is entry or voice.node.claimed_device not in (None, entry):
                    continue
                if _is_other_unit(entry, voice.node):
                    return _Other(part, Difference.NAME) if part.device.plan is None else None
                return _Other(part, Difference.ADDRESS)
        return None

    def _other_instance(self, entry: DeviceRecord) -> _Other | None:
        for one in self._roll_call.entries:
            if one.is_heard and one.plan is None and not one.merged:
                for part in one.topics:
                    if self._may_be(entry, part) and self._absent(part) == [entry]:
                        return _Other(part, Difference.INSTANCE)
        return None

    def _same_heartbeat(self, entry: DeviceRecord) -> _Other | None:
        """Find another unit with a function that has no status, such as a panel's, which nobody else is planned for."""
        for one in self._roll_call.entries:
            if one.is_heard and one.plan is None and not one.merged:
                for part in one.topics:
                    if _beats_as(entry, part) and _is_other_unit(entry, part.node) and self._having(part) == [entry]:
                        return _Other(part, Difference.NAME)
        return None

    def _having(self, part: TopicRecord) -> list[DeviceRecord]:
        """Return the planned devices with the function of a heartbeat."""
        return [one for one in self._roll_call.entries if _beats_as(one, part)]

    def _may_be(self, entry: DeviceRecord, part: TopicRecord) -> bool:
        """Tell whether a topic can be the function of a device under an instance that the rig does not have."""
        role = part.exclusive_function
        if role is None or role in self._owners or entry.plan is None or role[0] not in entry.plan.functions:
            return False
        return not entry.topics or entry.last_heard() <= (part.rhythm.first_at or 0)

    def _absent(self, part: TopicRecord) -> list[DeviceRecord]:
        """Return the planned devices with the function of a topic that are not heard."""
        function = part.function.name if part.function is not None else ""
        having = dict.fromkeys(one for (name, _), one in self._owners.items() if name == function)
        return [one for one in having if not one.is_heard]

    # Somebody speaks for what a rig gives to another, or to nobody.

    def explains(self, entry: DeviceRecord, part: TopicRecord, holder: DeviceRecord | None, time: int) -> bool:
        """Tell whether a source that objects to the rig is, or may yet turn out to be, a replacement.

        A device that falls silent later asks for itself; one that is silent already is replaced now.
        """
        if entry.plan is not None or part.exclusive_function is None:
            return False
        absent = [holder] if holder is not None else self._absent(part)
        if any(one.replacement is entry for one in absent):
            return True
        gone = [one for one in absent if one.state in _GONE]
        if holder is None and len(absent) == len(gone) != 1:
            return False
        if len(absent) == 1 == len(gone):
            if gone[0].replaced is not None or (holder is None and not self._may_be(gone[0], part)):
                return False
            difference = Difference.INSTANCE if holder is None else Difference.NAME
            self._turn(gone[0], _Other(part, difference), time)
        return True

    def stays_unknown(self, entry: DeviceRecord, time: int) -> bool:
        """Note that a source has not said what it is in time; return whether it is told as a replacement."""
        for one in self._roll_call.entries:
            if one.plan is not None and one.silence is not None:
                other = self._same_heartbeat(one)
                if other is not None and other.part.device is entry:
                    self._turn(one, other, time)
        return any(one.replacement is entry for one in self._roll_call.entries)

    def begins(self, voice: Voice, before: Name | None, time: int) -> None:
        """Note that an address begins to speak as something; ``before`` is the other NAME that spoke so from there."""
        entry = voice.part.device
        if before is not None and (entry.plan is None or entry.plan.claimed_name is None):
            self._begins_as_another(voice, before, time)
        if self._with_rig:
            return
        for one in self._roll_call.entries:
            if (
                one.plan is None
                and one.silence is not None
                and one.node is not voice.node
                and voice.role in _roles(one)
            ):
                other = self._learnt(one)
                if other is not None:
                    self._turn(one, other, time)

    def _begins_as_another(self, voice: Voice, before: Name, time: int) -> None:
        entry, part = voice.part.device, voice.part
        if entry.replaced is not None or (entry.plan is None and self._with_rig):
            return
        self._tell(entry, _Other(part, Difference.NAME), time, time, before)

    def _turn(self, entry: DeviceRecord, other: _Other, time: int) -> None:
        """Tell of the replacement in place of a silence that is told."""
        since = time
        if entry.silence is not None:
            since = entry.silence.since
            self._emit(Ended(time, entry.silence.problem_key))
            entry.silence = None
        self._replace(entry, other, time, since)

    def _replace(self, entry: DeviceRecord, other: _Other, time: int, since: int) -> None:
        speaker = other.part.device
        entry.replacement = speaker
        if speaker.plan is None and self._with_rig:
            explained = {None, *(part.function_text for part in speaker.topics if _is_of(entry, part))}
            for key, one in tuple(speaker.open_unplanned.items()):
                if one.function in explained:
                    del speaker.open_unplanned[key]
                    self._emit(Ended(time, one.problem_key))
            if speaker.state is not Presence.UNPLANNED and other.difference is not Difference.ADDRESS:
                self._roll_call.turn_unplanned(speaker, time)
        self._tell(entry, other, time, since, entry.plan.claimed_name if entry.plan is not None else None)

    def _tell(self, entry: DeviceRecord, other: _Other, time: int, since: int, before: Name | None) -> None:
        part, plan = other.part, entry.plan
        place = (
            plan.address if plan is not None else entry.node.address if entry.node is not None else part.node.address
        )
        learnt = entry.node.name if plan is None and entry.node is not None and entry.node is not part.node else None
        entry.replaced = Replaced(
            time,
            since,
            entry.name,
            other.difference,
            part.function_text or _title(part) or entry.name,
            part.node.address,
            part.node.name,
            place,
            before or learnt,
            plan is not None,
            " and ".join(_spoken(_planned_roles(entry, part.function.name if part.function else None))),
            part.frame,
        )
        self._emit(entry.replaced)

    # A planned device speaks from another address.

    def bound(
        self, entry: DeviceRecord, before: AddressRecord | None, part: TopicRecord, was_silent: bool, time: int
    ) -> None:
        """Note that a planned device was found at an address; ``before`` is where it was heard before."""
        if not self._is_elsewhere(entry):
            if entry.replaced is not None and entry.replaced.difference is Difference.ADDRESS:
                self._over(entry, time)
        elif before is not None and was_silent and entry.replaced is None:
            self._tell(entry, _Other(part, Difference.ADDRESS), time, time, None)
        else:
            self._deadlines.schedule(part.rhythm.times[-1] + MIN_SILENCE_LIMIT_US, self._placing, entry.number, entry)

    def named(self, entry: DeviceRecord, time: int) -> None:
        """Note that the NAME of a planned device was claimed: it may be known now."""
        found = entry.replaced
        if found is not None and found.difference is Difference.ADDRESS and not self._is_elsewhere(entry):
            self._over(entry, time)

    def _is_elsewhere(self, entry: DeviceRecord) -> bool:
        """Tell whether a device is heard from an address of which nothing shows that the same unit is there."""
        node, plan = entry.node, entry.plan
        if node is None or plan is None or plan.dynamic or node.address == plan.address:
            return False
        if self._is_contested(node.address):
            return False
        name = node.name
        return name is None or not (
            name == plan.claimed_name
            or self._names.was_at(name, plan.address)
            or self._asked.commanded_to(name) == node.address
        )

    def _placing_due(self, entry: DeviceRecord, passed: int) -> int | None:
        return passed if entry.is_heard and entry.replaced is None and self._is_elsewhere(entry) else None

    def _placed(self, entry: DeviceRecord, time: int, since: int) -> None:
        parts = [part for part in entry.topics if part.exclusive_function is not None] or entry.topics
        if parts:
            self._tell(entry, _Other(parts[0], Difference.ADDRESS), time, since, None)


def _roles(entry: DeviceRecord) -> set[FunctionInstance]:
    """Return what a device was heard to speak for, but for what devices share by design."""
    return {role for part in entry.topics if (role := part.exclusive_function) is not None}


def _planned_roles(entry: DeviceRecord, only: str | None = None) -> list[FunctionInstance]:
    """Return what a device is planned to speak for, of one function or of all."""
    functions = entry.plan.functions if entry.plan is not None else {}
    return [
        (name, instance)
        for name, instances in functions.items()
        if not FUNCTIONS[name].shared and only in (None, name)
        for instance in instances
    ]


def _spoken(roles: Iterable[FunctionInstance]) -> list[str]:
    return [FUNCTIONS[name].label(instance) for name, instance in roles]


def _is_of(entry: DeviceRecord, part: TopicRecord) -> bool:
    """Tell whether a topic is the status of a function that a device is planned to have."""
    return entry.plan is not None and part.function is not None and part.function.name in entry.plan.functions


def _title(part: TopicRecord) -> str:
    """Return the function of a heartbeat, as it is spoken."""
    function = by_dsa(part.topic.dsa) if part.topic.dsa is not None else None
    return function.title if function is not None else ""


def _beats_as(entry: DeviceRecord, part: TopicRecord) -> bool:
    """Tell whether a heartbeat is that of a function of a device, of those that have no status."""
    function = by_dsa(part.topic.dsa) if part.topic.dsa is not None else None
    if function is None or function.statuses or entry.plan is None:
        return False
    return function.name in entry.plan.functions


def _is_other_unit(entry: DeviceRecord, node: AddressRecord) -> bool:
    planned = entry.plan.claimed_name if entry.plan is not None else None
    return planned is not None and node.name is not None and node.name != planned
