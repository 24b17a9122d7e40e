"""What the devices send, in words and numbers: the summary of each function, and how its numbers change.

Knows: the last readings of the watch, which of them still count, and the limits of the rig. Does not know what is
chosen, nor drawing. It reads the watch, so the caller holds the lock of the run. Times are in microseconds.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence

from rvsim.faces.screen.terminals import TERMINAL_FUNCTIONS
from rvsim.faces.screen.trends import Trends
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS, Function, by_status
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import LastReadings, Rail, Summary, summary
from rvsim.watch.watch import LastFrame, Watch
from rvsim.wire.fields import Origin, Reading

HANDOVER_US = 2_000_000
"""After this time without a message of a shared function, or three gaps if longer, another device sends it."""


class DeviceSummaries:
    """The summaries of the devices of one watch.

    Args:
        watch: what is asked.
        plans: the planned devices by name.
        now: returns the time that is shown.
    """

    def __init__(self, watch: Watch, plans: Mapping[str, DevicePlan], now: Callable[[], int]) -> None:
        self._watch, self._plans, self._now = watch, plans, now
        self._trends = Trends()

    def of_terminals(self, device: RollCallLine) -> Mapping[tuple[str, int], Summary]:
        """Return what each output, switch and key reports, by its function and instance."""
        readings: dict[tuple[str, int], dict[str, dict[str, Reading]]] = {}
        origins: dict[str, Origin] = {}
        for last in self._watch.last_frames(device.device):
            function = None if last.spec is None else by_status(last.spec.name)
            instance = last.topic.instance
            if function is None or last.spec is None or instance is None or function.name not in TERMINAL_FUNCTIONS:
                continue
            origins[last.spec.name] = last.spec.origin
            received = {reading.field.name: reading for reading in last.spec.decode(last.frame.data)}
            readings.setdefault((function.name, instance), {})[last.spec.name] = received
        return {key: summary(FUNCTIONS[key[0]], received, origins) for key, received in readings.items()}

    def of(self, device: RollCallLine) -> list[tuple[str, Summary]]:
        """Return the summary of each function of a device, with the title of the function and its instance."""
        return [(FUNCTIONS[name].label(instance), found) for name, instance, found in self._function_summaries(device)]

    def titled(self, device: RollCallLine) -> list[tuple[str, str, Summary]]:
        """Return each function of a device by its name, the title of function and instance, and the summary."""
        return [
            (name, FUNCTIONS[name].label(instance), found) for name, instance, found in self._function_summaries(device)
        ]

    def by_function(self, device: RollCallLine) -> Mapping[str, Summary]:
        """Return the summary of each function of a device by the name of the function; the first instance counts."""
        summaries: dict[str, Summary] = {}
        for name, _, found in self._function_summaries(device):
            summaries.setdefault(name, found)
        return summaries

    def _function_summaries(self, device: RollCallLine) -> Iterator[tuple[str, int, Summary]]:
        plan = self._plans.get(device.device)
        functions = plan.functions if plan is not None else device.functions
        frames = list(self._watch.last_frames(device.device))
        for name, instances in functions.items():
            for instance in () if name in TERMINAL_FUNCTIONS else instances:  # those are rows of their own
                readings = self._last_readings(frames, FUNCTIONS[name], instance)
                if readings:
                    number_origins = {last.spec.name: last.spec.origin for last in frames if last.spec is not None}
                    found = summary(FUNCTIONS[name], readings, number_origins)
                    self._note_rails(device.device, FUNCTIONS[name].label(instance), found.rails)
                    yield name, instance, found

    def is_old(self, last: LastFrame) -> bool:
        """Tell whether a periodic message has stopped: its device is silent, or one of higher priority sends it now."""
        return last.gap_us is not None and self._now() - last.frame.time > max(HANDOVER_US, 3 * last.gap_us)

    def _last_readings(self, frames: Sequence[LastFrame], function: Function, instance: int) -> LastReadings:
        """Return the last readings of a function by message and field.

        A message of a shared function that another device sends now does not count.
        """
        readings: dict[str, dict[str, Reading]] = {}
        for last in frames:
            spec, is_handed_over = last.spec, function.shared and self.is_old(last)
            if spec is None or spec.name not in function.statuses or last.topic.instance != instance:
                continue
            if not is_handed_over:
                readings[spec.name] = {reading.field.name: reading for reading in spec.decode(last.frame.data)}
        return readings

    def _note_rails(self, device: str, title: str, rails: Sequence[Rail]) -> None:
        """Add the numbers on rails to the trends; a flagged number has no trend until its flag is cleared."""
        flagged = {
            (flag.message, flag.field)
            for flag in self._watch.flags
            if flag.subject == device and flag.field is not None
        }
        for rail in rails:
            name, value = rail.reading.field.name, rail.reading.value
            key = device, title, rail.message, name
            if (rail.message, name) in flagged:
                self._trends.clear(key)
            elif value is not None:
                self._trends.add(key, self._now(), value)

    def past_value(self, device: str, title: str, rail: Rail) -> float | None:
        """Return the oldest kept value of a number on a rail: where it came from."""
        return self._trends.oldest(self._key(device, title, rail))

    def change_per_minute(self, device: str, title: str, rail: Rail) -> float | None:
        """Return the change of a number on a rail per minute, in the unit of its field."""
        return self._trends.change_per_minute(self._key(device, title, rail))

    def _key(self, device: str, title: str, rail: Rail) -> tuple[object, ...]:
        return device, title, rail.message, rail.reading.field.name

    def limits(self, device: str, rail: Rail) -> tuple[float, float]:
        """Return the ends of a rail: the limits in the rig, else the usual ones."""
        plan, name = self._plans.get(device), rail.reading.field.name
        limits = plan.limits if plan is not None else {}
        low, high = limits.get(f"{rail.message}.{name}") or limits.get(name) or (rail.low, rail.high)
        return float(low), float(high)
