"""Manual actions on a running bench: faults of devices, and a higher or lower set point.

Knows: that a manual fault is the same fault that a scenario plans, and that a manual command is a frame on the bus from
the address of a service tool. Does not know keys or screens. Each action returns the sentence that describes it.
"""

from rvsim.runs.bench import BenchRun
from rvsim.shakedown.faults.bench_effects import Effect
from rvsim.shakedown.faults.fault_plans import OutOfRangePlan, SilentPlan, StuckPlan, WrongValuePlan
from rvsim.shakedown.script_runner import BENCH_ADDRESS
from rvsim.watch.limits import expected
from rvsim.wire.fields import State
from rvsim.wire.quantity_text import compose

MIN_SET_POINT_C, MAX_SET_POINT_C = 5.0, 30.0
"""Set points of a room thermostat, from frost protection up. Common practice, no source."""


class ManualFaults:
    """Manual actions on one run; to be called by the run's own thread, or while the run is paused."""

    def __init__(self, run: BenchRun) -> None:
        self._run = run
        self._faults: dict[str, dict[tuple[str, ...], list[Effect]]] = {}
        self._requested: dict[int, tuple[int, float]] = {}
        """The last manual command to each zone: its time and its set point."""

    def has_fault(self, device: str) -> bool:
        """Tell whether a device has a manual fault."""
        return bool(self._faults.get(device))

    def silence(self, device: str) -> str:
        """Keep all frames of a device off the bus."""
        return self._apply(SilentPlan.model_validate({"fault": "silent", "device": device, "from": "0s"}), "silenced")

    def restore(self, device: str) -> str:
        """Remove every manual fault of a device."""
        faults = self._faults.pop(device, {}).values()
        if not faults:
            return f"{device}: no manual fault to remove"
        for effect in (effect for effects in faults for effect in effects):
            effect.remove(self._run.bench)
        return f"{device}: manual faults removed"

    def hold(self, device: str, message: str, field: str) -> str:
        """Make a reading repeat the value that it sends next, until the device is restored."""
        plan = {"fault": "stuck", "device": device, "message": message, "field": field, "from": "0s"}
        return self._apply(StuckPlan.model_validate(plan), f"holds its {self._title(message, field)}")

    def corrupt(self, device: str, message: str, field: str) -> str:
        """Make a reading report an impossible value: the highest of its field, or "out of range" if that is plausible.

        A field that has no code for "out of range" reports its highest value in any case.
        """
        spec = self._run.catalogue.by_name(message).by_name[field]
        top = spec.raw_limits[1]
        plan = {"device": device, "message": message, "field": field, "from": "0s"}
        if (
            self._is_plausible(device, message, field, float(spec.value(top)))
            and spec.code(State.OUT_OF_RANGE) is not None
        ):
            broken = OutOfRangePlan.model_validate({"fault": "out_of_range", **plan})
            return self._apply(broken, f"reports a corrupted {self._title(message, field)}: out of range")
        corrupted = WrongValuePlan.model_validate({"fault": "wrong_value", "value": float(spec.value(top)), **plan})
        text = compose(f"reports a corrupted {self._title(message, field)}: ", spec.brief(top))
        return self._apply(corrupted, text)

    def _is_plausible(self, device: str, message: str, field: str, value: float) -> bool:
        """Tell whether a value is within the limits of the watch."""
        spec = self._run.catalogue.by_name(message)
        known = expected(spec, self._run.plans.get(device), twelve_volts=True)
        limits = known[spec.fields.index(spec.by_name[field])].limits
        return limits is None or limits.low <= value <= limits.high

    def _title(self, message: str, field: str) -> str:
        return self._run.catalogue.by_name(message).by_name[field].title

    def _apply(self, fault: SilentPlan | StuckPlan | OutOfRangePlan | WrongValuePlan, text: str) -> str:
        if fault.device not in self._run.bench.outgoing_gates:
            return f"{fault.device} is not simulated here"
        key = (fault.fault, getattr(fault, "message", ""), getattr(fault, "field", ""))
        if key not in self._faults.setdefault(fault.device, {}):
            effects = self._faults[fault.device][key] = list(self._run.script.maker.effects(fault))
            for effect in effects:
                effect.apply(self._run.bench)
        return compose(f"{fault.device} ", text)

    def change_set_point(self, kelvin: float) -> str:
        """Command the first thermostat to a set point ``kelvin`` above its present one; below, if negative."""
        for last in self._run.watch.last_frames():
            zone, spec = last.topic.instance, last.spec
            if last.topic.message == "THERMOSTAT_STATUS_1" and spec is not None and zone is not None:
                field = spec.by_name["set_point_temperature_heat"]
                raw = field.raw_in(last.frame.data)
                if field.state(raw) is State.VALUE and raw is not None:
                    reported = float(field.value(raw))
                    commanded_at, commanded = self._requested.get(zone, (-1, reported))
                    is_newer = last.frame.time > commanded_at  # two quick presses are two steps
                    return self._command_set_point(zone, (reported if is_newer else commanded) + kelvin)
        return "no thermostat has reported a set point yet"

    def _command_set_point(self, zone: int, celsius: float) -> str:
        command = self._run.catalogue.by_name("THERMOSTAT_COMMAND_1")
        field = command.by_name["set_point_temperature_heat"]
        celsius = min(MAX_SET_POINT_C, max(MIN_SET_POINT_C, celsius))
        raw = field.raw(celsius)
        self._requested[zone] = (self._run.time, celsius)
        self._run.send(command.identifier(BENCH_ADDRESS), command.pack(instance=zone, set_point_temperature_heat=raw))
        return compose(f"thermostat {zone} is commanded to ", field.brief(raw))
