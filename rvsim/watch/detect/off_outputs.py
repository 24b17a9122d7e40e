"""Outputs that are off by their status and draw current all the same: a welded contact, a shorted switch.

Needs the frames with which the level or the current of an output passes a limit.

Knows: that a load which was switched off takes no current after some seconds. Does not judge the opposite, an output
that is on and draws nothing: a load with a thermostat of its own does that, and a module that measures nothing may
report zero.
"""

from collections.abc import Callable, Iterator
from functools import partial

from rvsim.watch.detect.last_readings import reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.needs import Crossing, Need
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import OffOutputDraws, Transition
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec

MESSAGES = frozenset({"DC_LOAD_STATUS", "AC_LOAD_STATUS"})
_LEVEL, _AMPS = "operating_status", "present_current"
_MIN_LEVEL = 0.25
"""Percent between off and the lowest level, a step of 0.5."""
MIN_AMPS = 1.0
"""A lower current may be an offset of the measurement, or the leakage of a switch. Common practice, no source."""
MIN_DRAWN_US = 15 * SECOND_US
"""How long it must be so: three frames of the usual gap, longer than a motor runs down. Our decision."""


class OffOutputs:
    """Finds outputs that draw current while they are off."""

    def __init__(self, deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        self._conditions = LastingConditions(34, deadlines, emit)
        self._outputs: dict[TopicRecord, Lasting] = {}

    def observe(self, record: TopicRecord) -> None:
        """Take in the status of an output."""
        spec = record.layout.spec
        if spec is None or not {_LEVEL, _AMPS} <= spec.by_name.keys():
            return
        condition = self._outputs.get(record)
        if condition is None:
            fields = [(record, spec.by_name[name]) for name in (_LEVEL, _AMPS)]
            condition = self._outputs[record] = self._conditions.add(MIN_DRAWN_US, fields, partial(_problem, record))
        level, amps = value_of(record, _LEVEL), value_of(record, _AMPS)
        holds = level == 0 and amps is not None and abs(amps) >= MIN_AMPS
        self._conditions.update(condition, record.frame.time, record.rhythm.times[-1], holds=holds)

    @staticmethod
    def needs(spec: MessageSpec) -> Iterator[Need]:
        """Yield what is needed of the topics of a message."""
        if spec.name in MESSAGES and {_LEVEL, _AMPS} <= spec.by_name.keys():
            yield Crossing(_LEVEL, (_MIN_LEVEL,))
            yield Crossing(_AMPS, (-MIN_AMPS, MIN_AMPS))

    def needed_fields(self, record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a topic of which each change is needed at present: those that are reported."""
        return self._conditions.needed_fields(record)

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        condition = self._outputs.pop(record, None)
        if condition is not None:
            self._conditions.remove(condition, time)

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``."""
        self._conditions.resume_listening(now)


def _problem(record: TopicRecord, time: int, since: int) -> OffOutputDraws:
    readings = reading_of(record, _AMPS), reading_of(record, _LEVEL)
    return OffOutputDraws(time, since, record.device.name, record.topic, *readings, record.frame)
