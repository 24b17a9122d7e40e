"""Momentary switches and keys that stay on: stuck, shorted, or something lies on them.

Needs the frames with which a position or a configuration changes.

Knows: that a momentary switch is on only while somebody holds it, which its status itself says (a keypad maker's
integrator guide). Does not judge a switch that keeps its position, such as an ignition or a door, nor one whose status
does not say what it is. Positions come on change: one stands until the next, as long as the device is heard.
"""

from collections.abc import Callable, Iterator
from functools import partial

from rvsim.watch.detect.last_readings import reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, Need
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import KeyHeld, Transition
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

MESSAGES = frozenset({"DIGITAL_INPUT_STATUS"})
_POSITION, _CONFIGURATION = "switch_position", "configuration"
_ON, _MOMENTARY = 1, 1
MIN_HELD_US = 180 * SECOND_US
"""How long it must be on: longer than an awning or a slide takes while a person holds its key. Our decision."""


class HeldKeys:
    """Finds momentary switches that stay on."""

    def __init__(self, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._conditions = LastingConditions(35, deadlines, emit)
        self._keys: dict[TopicRecord, Lasting] = {}

    def observe(self, record: TopicRecord) -> None:
        """Take in the status of a switch or key."""
        spec = record.layout.spec
        if spec is None or not {_POSITION, _CONFIGURATION} <= spec.by_name.keys():
            return
        condition = self._keys.get(record)
        if condition is None:
            fields = [(record, spec.by_name[_POSITION])]
            condition = self._keys[record] = self._conditions.add(MIN_HELD_US, fields, partial(_problem, record))
        is_momentary = value_of(record, _CONFIGURATION) == _MOMENTARY
        holds = is_momentary and value_of(record, _POSITION) == _ON
        self._conditions.update(condition, record.frame.time, record.rhythm.times[-1], holds=holds)

    @staticmethod
    def needs(spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        if spec.name in MESSAGES and {_POSITION, _CONFIGURATION} <= spec.by_name.keys():
            yield Crossing(_POSITION, (_ON,))
            yield Crossing(_CONFIGURATION, (_MOMENTARY,))

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return self._conditions.needed_fields(record)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        condition = self._keys.pop(record, None)
        if condition is not None:
            self._conditions.remove(condition, time)

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``: a release in that time was not seen."""
        self._conditions.resume_listening(now)


def _problem(record: TopicRecord, time: int, since: int) -> KeyHeld:
    reading = reading_of(record, _POSITION)
    return KeyHeld(time, since, record.device.name, record.topic, reading, MIN_HELD_US, record.frame)
