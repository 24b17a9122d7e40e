"""The last reading of a field of a topic, and whether it still counts.

Knows: that a reading which is flagged itself has no value for a comparison, and that a reading is fresh until its
message is late. Does not know any rule.
"""

from rvsim.watch.identity.records import TopicRecord
from rvsim.wire.fields import FieldSpec, Reading, State


def reading_of(record: TopicRecord, name: str) -> Reading:
    """Return the last reading of a field that the message of the topic has."""
    assert record.layout.spec is not None
    field = record.layout.spec.by_name[name]
    raw = field.raw_in(record.frame.data)
    return Reading(field, raw, field.state(raw))


def value_of(record: TopicRecord, name: str) -> float | None:
    """Return the value of a field; None where it has none, or the reading is flagged."""
    spec = record.layout.spec
    if spec is None or name not in spec.by_name or (record.values is not None and record.values.is_flagged(name)):
        return None
    return reading_of(record, name).value


def raw_of(record: TopicRecord, field: FieldSpec) -> int | None:
    """Return the raw value of a field; None where it has no value, or the reading is flagged."""
    raw = field.raw_in(record.frame.data)
    if raw is None or field.state(raw) is not State.VALUE:
        return None
    return None if record.values is not None and record.values.is_flagged(field.name) else raw


def is_fresh(record: TopicRecord, now: int) -> bool:
    """Return whether the last frame of a topic is not late at ``now`` (bus time)."""
    return record.device.is_heard and now - record.rhythm.times[-1] <= record.rhythm.limit()
