"""A compressor fridge: its cold box, its compressor, and the guard of its battery.

Messages: its heartbeat only, with its reported faults. The standard has messages of a refrigerator, but neither their
numbers nor their layouts are known here, so that it sends none and obeys none. A device of one's own can stand in where
another network has such messages (`devices/own`).

Knows: how often the compressor runs in warm and in cold air, the heat that it brings into the zone around it, and when
the guard stops it. Does not know its battery but by the voltage at its own terminals. Its door is opened by nobody but
a scenario's heat in it; what is put into it is not modelled.
"""

from collections.abc import Iterator
from math import exp
from typing import Annotated

from pydantic import Field, model_validator

from rvsim.devices.device import Amps, Device, DeviceContext, Settings
from rvsim.errors import InputError
from rvsim.rig.climate import OUTDOORS, unknown_zone
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

STEP_S = 5
"""The box advances in steps of this many seconds. Our choice."""
DUTY_AIR_C = 25.0
"""The air at which ``duty_percent`` and ``cycle_min`` hold."""
LOW_VOLTS, WARM = ReportedFault(2190, 4), ReportedFault(2191, 0)
"""The SPNs are invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
_INSIDE = "inside_c"
GuardVolts = Annotated[float, Field(ge=6, le=32)]


class FridgeSettings(Settings):
    """The box, the compressor, and its battery guard."""

    zone: OneLineText = "cabin"
    """The zone that it stands in, or "outdoors"."""
    set_c: Annotated[float, Field(ge=-30, le=15)] = 5.0
    """The mean temperature inside. Common practice, no source."""
    band_k: Annotated[float, Field(ge=0.2, le=10)] = 2.0
    """The temperature inside swings by this much. Common practice, no source."""
    compressor_w: Annotated[float, Field(ge=5, le=1000)] = 45.0
    """Power while the compressor runs. A fridge seller's article: 45 W on the label."""
    duty_percent: Annotated[float, Field(ge=1, le=95)] = 35.0
    """The share of the time that it runs in air of 25 C. A fridge seller's article: 60 to 70 % below its label."""
    cycle_min: Annotated[float, Field(ge=1, le=240)] = 20.0
    """Time from one start to the next in air of 25 C. Common practice, no source."""
    cop: Annotated[float, Field(ge=0.3, le=5)] = 1.5
    """Heat taken out of the box by the compressor's power. Common practice, no source."""
    guard_off_volts: GuardVolts = 10.4
    """The guard stops the compressor below this, at its own terminals. Four manuals of two makers: 10.4 V, 22.8 V."""
    guard_on_volts: GuardVolts = 11.7
    """It starts again above this. Four manuals of two makers: 11.7 V, 24.2 V."""
    guard_wait_s: Annotated[float, Field(ge=0, le=3600)] = 60.0
    """How long it stays off at least after the guard has stopped it. A maker's manual: it tries again each minute."""
    rest_s: Annotated[float, Field(ge=0, le=3600)] = 60.0
    """How long the compressor rests at least between two runs. Common practice, no source."""
    warm_k: Annotated[float, Field(ge=1, le=40)] = 8.0
    """It reports that it is too warm when it is so far above ``set_c``. Common practice, no source."""
    start_c: Annotated[float, Field(ge=-40, le=60)] | None = None
    """Temperature inside at the start; if omitted, ``set_c``."""
    electronics_amps: Amps = 0.03
    """Current of the electronics, always. Common practice, no source."""

    @model_validator(mode="after")
    def _guard_has_a_band(self) -> "FridgeSettings":
        if self.guard_on_volts <= self.guard_off_volts:
            raise ValueError(
                f"guard_on_volts, {self.guard_on_volts:g}, is not above guard_off_volts, {self.guard_off_volts:g}: "
                "the compressor would start as soon as it has stopped"
            )
        return self


class Fridge(Device):
    """A fridge with a compressor and a battery guard; on the network only its heartbeat."""

    kind = "fridge"
    Settings = FridgeSettings
    settings: FridgeSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance("refrigerator")
        plan, zones = self.settings, [*self.world.zone_names, OUTDOORS]
        if plan.zone not in zones:
            raise InputError(f'device "{self.name}": {unknown_zone(plan.zone, zones)}')
        duty = plan.duty_percent / 100
        self._cooling_w = plan.compressor_w * plan.cop
        self._loss_w_per_k = duty * self._cooling_w / (DUTY_AIR_C - plan.set_c)
        self._j_per_k = self._heat_capacity(duty)
        start_c = plan.set_c if plan.start_c is None else plan.start_c
        self.inside_c = self.memory.get(_INSIDE, start_c)
        """Temperature inside, degrees Celsius; without power it stays as it is, which is right for minutes."""
        self._is_running = self._is_guarded = False
        self._may_start = 0
        self._guarded_until = 0
        self._was_warm = self.inside_c > plan.set_c + plan.warm_k
        """It is no fault that it is still warm after it was switched on."""
        self._faults: frozenset[ReportedFault] = frozenset()
        self._seconds = 0

    def _heat_capacity(self, duty: float) -> float:
        """Return the J/K with which duty and length of a cycle are those of the settings."""
        plan = self.settings
        loss_w = duty * self._cooling_w
        return plan.cycle_min * 60 / plan.band_k / (1 / loss_w + 1 / (self._cooling_w - loss_w))

    def on_start(self) -> None:
        """Watch the voltage each second, and the temperature inside every few."""
        self.every(SECOND_US, self._update)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether the compressor runs."""
        return self._is_running

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear its reported faults; those that last are reported again."""
        super().reset(faults=faults, reboot=reboot)
        if faults:
            self._faults = frozenset()

    @property
    def _air_c(self) -> float:
        zone = self.settings.zone
        return self.world.outdoor_c if zone == OUTDOORS else self.world.air_celsius(zone)

    def _update(self) -> None:
        self._watch_voltage()
        if self._seconds % STEP_S == 0:
            self._step_box(STEP_S if self._seconds else 0)
        self._seconds += 1
        self._control()
        self._set_faults(frozenset(self._present_faults()))

    def _watch_voltage(self) -> None:
        """Let the guard stop the compressor, or end that."""
        plan, volts = self.settings, self.world.volts_at(self.name)
        if not self._is_guarded and volts < plan.guard_off_volts:
            self._is_guarded, self._guarded_until = True, self.now + round(plan.guard_wait_s * SECOND_US)
        elif self._is_guarded and volts > plan.guard_on_volts and self.now >= self._guarded_until:
            self._is_guarded = False

    def _step_box(self, seconds: int) -> None:
        """Let the box warm or cool for some seconds, and give the zone what comes out of it."""
        air_c, cooling_w = self._air_c, self._cooling_w if self._is_running else 0.0
        ends_c = air_c - cooling_w / self._loss_w_per_k
        kept = exp(-seconds * self._loss_w_per_k / self._j_per_k)
        self.inside_c = ends_c + (self.inside_c - ends_c) * kept
        self.memory[_INSIDE] = self.inside_c
        self.world.set_inside(self.name, self.inside_c)
        self._warm_zone()

    def _warm_zone(self) -> None:
        """Give the zone the compressor's power and the heat out of the box, less what goes back into the box."""
        zone, plan = self.settings.zone, self.settings
        if zone != OUTDOORS:
            given_w = plan.compressor_w + self._cooling_w if self._is_running else 0.0
            taken_w = self._loss_w_per_k * (self._air_c - self.inside_c)
            self.world.set_heat(self.name, given_w - taken_w, zone)

    def _control(self) -> None:
        """Run the compressor between its two temperatures, unless the guard or its rest forbids it."""
        plan = self.settings
        half = plan.band_k / 2
        wanted = self.inside_c > (plan.set_c - half if self._is_running else plan.set_c + half)
        runs = wanted and not self._is_guarded and (self._is_running or self.now >= self._may_start)
        if self._is_running and not runs:
            self._may_start = self.now + round(plan.rest_s * SECOND_US)
        if runs != self._is_running or self._seconds == 1:
            self._is_running = runs
            volts = max(plan.guard_off_volts / 2, self.world.volts_at(self.name))
            self.world.set_load_watts(self.name, plan.electronics_amps * volts + (plan.compressor_w if runs else 0.0))
            self._warm_zone()

    def _present_faults(self) -> Iterator[ReportedFault]:
        plan = self.settings
        if self._is_guarded:
            yield LOW_VOLTS
        is_warm = self.inside_c > plan.set_c + plan.warm_k
        self._was_warm = self._was_warm and is_warm
        if is_warm and not self._was_warm:
            yield WARM

    def _set_faults(self, faults: frozenset[ReportedFault]) -> None:
        if faults == self._faults:
            return
        before, self._faults = self._faults, faults
        for fault in (LOW_VOLTS, WARM):  # in this order, so that one seed gives one run
            if fault in faults - before:
                self.report_fault("refrigerator", fault, red=False)
            elif fault in before - faults:
                self.withdraw_fault("refrigerator", fault)
