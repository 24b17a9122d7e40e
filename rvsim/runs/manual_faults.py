"""What a person at the bench can do to it while it runs: faults by hand, and a warmer or cooler set point.

Knows: that a fault by hand is the same fault that a scenario plans, and that a command by hand is a frame on the
wires from a service tool's address. Does not know keys or screens. Each deed returns the sentence that tells it.
"""

from rvsim.runs.bench import BenchRun
from rvsim.shakedown.faults.fault_effects import Effect
from rvsim.shakedown.faults.fault_plans import OutOfRangePlan, SilentPlan, StuckPlan, WrongValuePlan
from rvsim.shakedown.script_runner import BENCH_ADDRESS
from rvsim.watch.limits import expected
from rvsim.wire.fields import State
from rvsim.wire.quantity_text import compose

COLDEST_C, WARMEST_C = 5.0, 30.0
"""Set points that a room thermostat takes, from frost guard up. Common practice, no source."""


class ManualFaults:
    """Deeds on one run; to be called by the run's own thread, or while it stands still."""

    def __init__(self, run: BenchRun) -> None:
        self._run = run
        self._faults: dict[str, dict[tuple[str, ...], list[Effect]]] = {}
        self._asked: dict[int, tuple[int, float]] = {}

    def has_fault(self, device: str) -> bool:
        """Tell whether a device has a manual fault."""
        return bool(self._faults.get(device))

    def silence(self, device: str) -> str:
        """Keep everything that a device sends off the wires."""
        return self._put(SilentPlan.model_validate({"fault": "silent", "device": device, "from": "0s"}), "silenced")

    def restore(self, device: str) -> str:
        """Remove every manual fault of a device."""
        faults = self._faults.pop(device, {}).values()
        if not faults:
            return f"{device}: no manual fault to remove"
        for effect in (effect for effects in faults for effect in effects):
            effect.remove(self._run.bench)
        return f"{device}: manual faults removed"

    def hold(self, device: str, message: str, field: str) -> str:
        """Let a reading repeat the value that it sends next, until it is restored."""
        plan = {"fault": "stuck", "device": device, "message": message, "field": field, "from": "0s"}
        return self._put(StuckPlan.model_validate(plan), f"holds its {self._title(message, field)}")

    def corrupt(self, device: str, message: str, field: str) -> str:
        """Let a reading report what cannot be: the highest value of its field if that is beyond belief, else its code.

        A field that has no code for "out of range" says its highest value all the same.
        """
        spec = self._run.catalogue.by_name(message).by_name[field]
        top = spec.raw_limits[1]
        plan = {"device": device, "message": message, "field": field, "from": "0s"}
        if self._believed(device, message, field, float(spec.value(top))) and spec.code(State.OUT_OF_RANGE) is not None:
            broken = OutOfRangePlan.model_validate({"fault": "out_of_range", **plan})
            return self._put(broken, f"reports a corrupted {self._title(message, field)}: out of range")
        corrupted = WrongValuePlan.model_validate({"fault": "wrong_value", "value": float(spec.value(top)), **plan})
        text = compose(f"reports a corrupted {self._title(message, field)}: ", spec.brief(top))
        return self._put(corrupted, text)

    def _believed(self, device: str, message: str, field: str, value: float) -> bool:
        """Tell whether the watch would take a value for true."""
        spec = self._run.catalogue.by_name(message)
        known = expected(spec, self._run.plans.get(device), twelve_volts=True)
        limits = known[spec.fields.index(spec.by_name[field])].limits
        return limits is None or limits.low <= value <= limits.high

    def _title(self, message: str, field: str) -> str:
        return self._run.catalogue.by_name(message).by_name[field].title

    def _put(self, fault: SilentPlan | StuckPlan | OutOfRangePlan | WrongValuePlan, said: str) -> str:
        if fault.device not in self._run.bench.outgoing_gates:
            return f"{fault.device} is not simulated here"
        key = (fault.fault, getattr(fault, "message", ""), getattr(fault, "field", ""))
        if key not in self._faults.setdefault(fault.device, {}):
            effects = self._faults[fault.device][key] = list(self._run.script.maker.effects(fault))
            for effect in effects:
                effect.apply(self._run.bench)
        return compose(f"{fault.device} ", said)

    def warmer(self, kelvin: float) -> str:
        """Command the first thermostat to a set point so much higher than it says now (lower, below 0)."""
        for told in self._run.watch.last_frames():
            if (
                told.topic.message == "THERMOSTAT_STATUS_1"
                and told.spec is not None
                and told.topic.instance is not None
            ):
                field = told.spec.by_name["set_point_temperature_heat"]
                raw = field.raw_in(told.frame.data)
                if field.state(raw) is State.VALUE and raw is not None:
                    said = float(field.value(raw))
                    when, asked = self._asked.get(told.topic.instance, (-1, said))
                    answered = told.frame.time > when  # two quick presses are two steps
                    return self._set_point(told.topic.instance, (said if answered else asked) + kelvin)
        return "no thermostat has said its set point yet"

    def _set_point(self, zone: int, celsius: float) -> str:
        command = self._run.catalogue.by_name("THERMOSTAT_COMMAND_1")
        field = command.by_name["set_point_temperature_heat"]
        celsius = min(WARMEST_C, max(COLDEST_C, celsius))
        raw = field.raw(celsius)
        self._asked[zone] = (self._run.time, celsius)
        self._run.send(command.identifier(BENCH_ADDRESS), command.pack(instance=zone, set_point_temperature_heat=raw))
        return compose(f"thermostat {zone} is asked for ", field.brief(raw))
