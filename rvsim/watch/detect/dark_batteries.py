"""Batteries that report no voltage, although they had one: something has taken them off what they feed.

Needs the frames with which a voltage passes one of two levels.

Knows: that no battery of a vehicle falls to nothing while its monitor goes on: a protection, a switch or a fuse has
opened. A source that never had a voltage is not reported, nor one frame without. Does not know which of them it was.
"""

from collections.abc import Callable, Iterator
from functools import partial

from rvsim.watch.detect.last_readings import reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, Need
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import BatteryDark, Transition
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

MESSAGES = frozenset({"DC_SOURCE_STATUS_1"})
_VOLTS = "dc_voltage"
MAX_DARK_VOLTS = 2.0
"""Below this voltage a source is dark: an engine that cranks leaves a battery of 12 V more than 6 V. Common practice,
no source."""
MIN_LIT_VOLTS = 8.0
"""From this voltage on a source has one. Common practice, no source."""
MIN_DARK_US = 2 * SECOND_US
"""How long it must be dark: four frames of the usual gap of 0.5 s. Our decision."""


class DarkBatteries:
    """Finds sources whose voltage has gone."""

    def __init__(self, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._conditions = LastingConditions(33, deadlines, emit)
        self._lit: dict[TopicRecord, Lasting] = {}
        """The condition of each source that has had a voltage."""

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame with the voltage of a source."""
        volts = value_of(record, _VOLTS)
        condition = self._lit.get(record)
        if condition is None:
            spec = record.layout.spec
            if volts is None or volts < MIN_LIT_VOLTS or spec is None:
                return
            condition = self._lit[record] = self._conditions.add(
                MIN_DARK_US, [(record, spec.by_name[_VOLTS])], partial(_problem, record)
            )
        is_dark = volts is not None and volts < MAX_DARK_VOLTS
        self._conditions.update(condition, record.frame.time, record.rhythm.times[-1], holds=is_dark)

    @staticmethod
    def needs(spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        if spec.name in MESSAGES and _VOLTS in spec.by_name:
            yield Crossing(_VOLTS, (MAX_DARK_VOLTS, MIN_LIT_VOLTS))

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return self._conditions.needed_fields(record)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        condition = self._lit.pop(record, None)
        if condition is not None:
            self._conditions.remove(condition, time)

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``."""
        self._conditions.resume_listening(now)


def _problem(record: TopicRecord, time: int, since: int) -> BatteryDark:
    return BatteryDark(time, since, record.device.name, record.topic, reading_of(record, _VOLTS), record.frame)
