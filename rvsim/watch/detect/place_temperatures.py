"""Temperatures of one place that two other sensors there exclude.

Needs each change of the sensors of which a rig has at least three in one zone.

Knows: that two sensors which agree outvote a third one. Does not know where in its zone a sensor is.
"""

from collections import Counter
from collections.abc import Callable
from functools import partial
from itertools import combinations
from typing import TYPE_CHECKING

from rvsim.watch.detect.last_readings import reading_of, value_of
from rvsim.watch.detect.lasting import Lasting, LastingConditions
from rvsim.watch.detect.places import OUTDOORS, ambient_places
from rvsim.watch.identity.records import TopicRecord
from rvsim.watch.traffic import Deadlines
from rvsim.watch.transitions import ReadingsContradict, Transition
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

MESSAGES = frozenset({"THERMOSTAT_AMBIENT_STATUS"})
_FIELD = "ambient_temperature"
MIN_SENSORS = 3
MAX_AGREEING_K, MAX_DIFFERENCE_K = 5.0, 20.0
"""How near two sensors are that agree, and by how much a third one may differ from both: in a cold cabin the floor is
colder than the roof by less. Common practice, no source."""
MIN_APART_US = 600 * SECOND_US
"""How long it must differ: a door that was opened cools one sensor for minutes. Common practice, no source."""


class PlaceTemperatures:
    """Compares the temperatures of sensors in one zone."""

    def __init__(self, rig: "Rig | None", deadlines: Deadlines, emit: Callable[[Transition], None]) -> None:
        places = ambient_places(rig)
        counts = Counter(places.values())
        self._place_of = {
            instance: zone
            for instance, zone in places.items()
            if counts[zone] >= MIN_SENSORS and zone != OUTDOORS  # the sun shines on one side of a vehicle
        }
        self._conditions = LastingConditions(28, deadlines, emit)
        self._sensors: dict[TopicRecord, Lasting] = {}

    @property
    def is_used(self) -> bool:
        """Whether the rig has a zone with enough sensors."""
        return bool(self._place_of)

    def observe(self, record: TopicRecord) -> None:
        """Take in a frame of a sensor."""
        if not self.needs_each_change(record):
            return
        if record not in self._sensors:
            assert record.layout.spec is not None
            fields = [(record, record.layout.spec.by_name[_FIELD])]
            self._sensors[record] = self._conditions.add(MIN_APART_US, fields, partial(self._problem, record))
        self._compare(record.topic.instance, record.frame.time, record.rhythm.times[-1])

    def needs_each_change(self, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic is needed."""
        spec = record.layout.spec
        return (
            record.topic.message in MESSAGES
            and record.topic.instance in self._place_of
            and spec is not None
            and _FIELD in spec.by_name
        )

    def forget(self, record: TopicRecord, time: int) -> None:
        """Forget a topic whose device is silent."""
        condition = self._sensors.pop(record, None)
        if condition is not None:
            self._conditions.remove(condition, time)
            self._compare(record.topic.instance, time, record.rhythm.times[-1])

    def resume_listening(self, now: int) -> None:
        """Note that nobody listened up to ``now``."""
        self._conditions.resume_listening(now)

    def _compare(self, instance: int | None, time: int, now: int) -> None:
        """Compare all sensors again that are in the zone of one."""
        zone = self._place_of.get(-1 if instance is None else instance)
        sensors = [each for each in self._sensors.items() if self._place_of.get(each[0].topic.instance or 0) == zone]
        known = [value for record, _ in sensors if (value := value_of(record, _FIELD)) is not None]
        may_exclude = bool(known) and max(known) - min(known) > MAX_DIFFERENCE_K  # never in a healthy zone
        for record, condition in sensors:
            holds = may_exclude and self._excluding(record) is not None
            self._conditions.update(condition, time, now, holds=holds)

    def _excluding(self, record: TopicRecord) -> TopicRecord | None:
        """Return the nearer one of two sensors that agree with each other and not with a third one."""
        celsius = value_of(record, _FIELD)
        if celsius is None:
            return None
        zone = self._place_of.get(record.topic.instance or 0)
        others = [
            (value, other)
            for other in self._sensors
            if other is not record
            and self._place_of.get(other.topic.instance or 0) == zone
            and (value := value_of(other, _FIELD)) is not None
        ]
        for (first, one), (second, two) in combinations(others, 2):
            nearest = min((abs(celsius - first), one.number, one), (abs(celsius - second), two.number, two))
            if abs(first - second) <= MAX_AGREEING_K and nearest[0] > MAX_DIFFERENCE_K:
                return nearest[2]
        return None

    def _problem(self, record: TopicRecord, time: int, since: int) -> ReadingsContradict:
        other = self._excluding(record) or record
        reading, other_reading = reading_of(record, _FIELD), reading_of(other, _FIELD)
        return ReadingsContradict(
            time, since, record.device.name, record.topic, reading, other.device.name, other.topic, other_reading,
            "the sensors of its zone", record.frame,
        )  # fmt: skip
