"""A generator: an engine that starts by a command and gives mains.

Messages, all from memory: sends GENERATOR_STATUS_1, GENERATOR_STATUS_2 and GENERATOR_AC_STATUS_1; obeys
GENERATOR_COMMAND (start and stop; its other two codes are uncertain and are not obeyed). They have no instance: a
vehicle has one generator (rv-c.com/node/581).

Knows: preheating, cranking with its current on the starter battery, several tries, warming up before it takes load,
cooling down without load, fuel by load, and running for exercise. Does not know who starts it or why. A generator that
starts with nobody looking kills by its exhaust where it is real: the caution is told wherever it is used.
"""

from collections.abc import Callable
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, Volts, commanded
from rvsim.devices.mains_messages import MAINS_CAUTION, OUTPUT, ac_status
from rvsim.devices.settings_order import check_order
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US
from rvsim.world.mains import SHORE_RANK

STOPPED, PREHEAT, CRANKING, RUNNING, FAULT = 0, 1, 2, 3, 5
"""Codes of GENERATOR_STATUS_1; numbers from memory."""
STOP, START = 0, 1
RANK_BELOW_SHORE, RANK_ABOVE_SHORE = SHORE_RANK - 5, SHORE_RANK + 5
NO_START, NO_FUEL, OVERLOAD = ReportedFault(2320, 7), ReportedFault(2321, 1), ReportedFault(2322, 6)
"""The SPNs are invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
CAUTION = (
    "A real generator that starts by a command does so with nobody looking: its exhaust kills, and a number on the bus "
    "never replaces a listed CO alarm."
)
WARM_C, WARM_LAG = 85.0, 1 / 400
"""Temperature of the coolant when warm, and how it comes there each second. Common practice, no source."""
OIL_KPA = 300.0
"""Oil pressure while it runs. Common practice, no source."""

_Seconds = Annotated[float, Field(ge=0, le=3600)]


class GeneratorSettings(Settings):
    """Size, times, fuel and supply of a small diesel generator."""

    rated_w: Annotated[float, Field(gt=0, le=50_000)] = 3500.0
    """Power that it gives. Invented."""
    above_shore: bool = True
    """Whether its loads come to it while there is shore power, too. Common practice, no source: a transfer switch
    prefers the generator."""
    preheat_s: _Seconds = 8.0
    """Preheating before each try. Common practice, no source."""
    preheat_amps: Amps = 15.0
    """Current of the glow plug. Common practice, no source."""
    crank_amps: Amps = 120.0
    """Current of the starter. Common practice, no source: 1.4 kW."""
    crank_s: _Seconds = 3.0
    """How long it cranks until it runs. Common practice, no source."""
    max_crank_s: _Seconds = 10.0
    """How long it cranks at most in one try. Common practice, no source."""
    min_crank_volts: Volts = 8.0
    """Below this voltage while cranking it does not start. Common practice, no source."""
    rest_s: _Seconds = 15.0
    """Rest between two tries. Common practice, no source."""
    tries: Annotated[int, Field(ge=1, le=10)] = 3
    """After so many tries it gives up. Common practice, no source."""
    warm_up_s: _Seconds = 15.0
    """How long it runs before it takes load. Common practice, no source."""
    cool_down_s: _Seconds = 60.0
    """How long it runs without load before it stops. Common practice, no source."""
    overload_s: _Seconds = 10.0
    """How long it gives more than it is rated for before its breaker opens. Common practice, no source."""
    idle_litres_per_h: Annotated[float, Field(ge=0, le=20)] = 0.4
    """Fuel without load. Common practice, no source."""
    full_litres_per_h: Annotated[float, Field(ge=0, le=50)] = 1.4
    """Fuel at its rating. Common practice, no source: 0.35 to 0.4 L for each kWh."""
    engine_rpm: Annotated[float, Field(ge=500, le=6000)] = 3000.0
    """Speed of its engine. Common practice, no source: two poles, 50 Hz."""
    electronics_amps: Amps = 0.02
    """Current of the electronics, always. Common practice, no source."""
    running_amps: Amps = 1.5
    """Current of fuel pump and control while it runs. Common practice, no source."""
    exercise_every_hours: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """It runs by itself so often, if nobody has started it since; if omitted, never."""
    exercise_min: Annotated[float, Field(gt=0, le=600)] = 20.0
    """How long it then runs. Common practice, no source."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        check_order(
            self,
            ("crank_s", "max_crank_s"),
            ("idle_litres_per_h", "full_litres_per_h"),
        )
        return self


class Generator(Device):
    """Sends GENERATOR_STATUS_1 and _2 and its AC status; obeys GENERATOR_COMMAND."""

    kind = "generator"
    caution: ClassVar[str] = f"{CAUTION} {MAINS_CAUTION}"
    Settings = GeneratorSettings
    settings: GeneratorSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.instance("generator")
        self._command = self.catalogue.by_name("GENERATOR_COMMAND")
        self.state = STOPPED
        self._phase: Callable[[], None] = self._stand
        self._since = 0
        self._tries = 0
        self._gives = False
        self._over_since: int | None = None
        self._stop_wanted = False
        self._exercise_until: int | None = None
        self._last_run = 0
        self._run_us = round(self.memory.setdefault("run_min", 0.0) * 60 * SECOND_US)
        self._coolant_c = self.world.outdoor_c

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"GENERATOR_COMMAND": self._obey}

    def on_start(self) -> None:
        """Go through its sequence second by second; send its states at the gaps."""
        self._last_run = self.now
        self.every(SECOND_US, self._step)
        self.broadcast("GENERATOR_STATUS_1", self._status_1())
        self.broadcast("GENERATOR_STATUS_2", self._status_2())
        spec = self.catalogue.by_name("GENERATOR_AC_STATUS_1")
        self.broadcast(spec.name, ac_status(spec, self.world, 1, OUTPUT, self._watts))

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether it runs or is about to."""
        return self.state not in (STOPPED, FAULT)

    def _watts(self) -> float | None:
        return self.world.mains_watts(self.name) if self._gives else None

    # Commands.

    def _obey(self, data: bytes) -> None:
        wanted = commanded(self._command, data).get("command")
        if wanted == START:
            self._exercise_until = None
            self._start()
        elif wanted == STOP:
            self._exercise_until = None
            self._stop()

    def _start(self) -> None:
        self._stop_wanted = False
        if self.state in (STOPPED, FAULT):
            self.withdraw_fault("generator")
            self._tries = 0
            self._enter(PREHEAT, self._preheat)

    def _stop(self) -> None:
        if self.state in (PREHEAT, CRANKING):
            self._enter(STOPPED, self._stand)
        elif self.state == RUNNING and not self._stop_wanted:
            self._stop_wanted = True
            self._give(on=False)
            self._since = self.now
        elif self.state == FAULT:
            self.withdraw_fault("generator")
            self._enter(STOPPED, self._stand)

    # The sequence.

    def _enter(self, state: int, phase: Callable[[], None]) -> None:
        changed = state != self.state
        self.state, self._phase, self._since = state, phase, self.now
        if state != RUNNING:
            self._give(on=False)
            self._stop_wanted = False
        self._take()
        if changed:
            self.send_now("GENERATOR_STATUS_1")
            self.send_now("GENERATOR_STATUS_2")

    def _has_lasted(self, seconds: float) -> bool:
        return self.now - self._since >= seconds * SECOND_US

    def _step(self) -> None:
        target = WARM_C if self.state == RUNNING else self.world.outdoor_c
        self._coolant_c += WARM_LAG * (target - self._coolant_c)
        self._phase()
        self._take()

    def _stand(self) -> None:
        every = self.settings.exercise_every_hours
        if every is not None and self.state == STOPPED and self.now - self._last_run >= every * 3600 * SECOND_US:
            self._exercise_until = self.now + round(self.settings.exercise_min * 60 * SECOND_US)
            self._start()

    def _preheat(self) -> None:
        if self._has_lasted(self.settings.preheat_s):
            self._tries += 1
            self._enter(CRANKING, self._crank)

    def _crank(self) -> None:
        settings = self.settings
        can_start = self.world.volts_at(self.name) >= settings.min_crank_volts and self.world.fuel_litres > 0
        if can_start and self._has_lasted(settings.crank_s):
            self._enter(RUNNING, self._run)
        elif self._has_lasted(settings.max_crank_s):
            if self._tries >= settings.tries:
                self._fail(NO_START)
            else:
                self._enter(PREHEAT, self._rest)

    def _rest(self) -> None:
        if self._has_lasted(self.settings.rest_s):
            self._enter(PREHEAT, self._preheat)

    def _run(self) -> None:
        settings, world = self.settings, self.world
        self._run_us += SECOND_US
        self._last_run = self.now
        self.memory["run_min"] = self._run_us / (60 * SECOND_US)
        if world.fuel_litres <= 0:
            self._fail(NO_FUEL)
        elif self._stop_wanted:
            if self._has_lasted(settings.cool_down_s):
                self._enter(STOPPED, self._stand)
        elif self._exercise_until is not None and self.now >= self._exercise_until:
            self._exercise_until = None
            self._stop()
        elif not self._gives and self._has_lasted(settings.warm_up_s):
            self._give(on=True)
        elif self._gives:
            self._watch_load()

    def _watch_load(self) -> None:
        settings = self.settings
        is_over = self.world.mains_source() == self.name and self.world.mains_wanted_watts() > settings.rated_w
        if not is_over:
            self._over_since = None
        elif self._over_since is None:
            self._over_since = self.now
        elif self.now - self._over_since >= settings.overload_s * SECOND_US:
            self._fail(OVERLOAD)

    def _fail(self, fault: ReportedFault) -> None:
        self.report_fault("generator", fault, red=True)
        self._enter(FAULT, self._stand)

    def _give(self, *, on: bool) -> None:
        self._gives, self._over_since = on, None
        rank = RANK_ABOVE_SHORE if self.settings.above_shore else RANK_BELOW_SHORE
        self.world.set_mains_source(self.name, self.settings.rated_w if on else 0.0, rank)

    def _take(self) -> None:
        """Take the current and the fuel of the present state."""
        settings, amps = self.settings, self.settings.electronics_amps
        if self.state == PREHEAT and self._phase == self._preheat:
            amps += settings.preheat_amps
        elif self.state == CRANKING:
            amps += settings.crank_amps
        elif self.state == RUNNING:
            amps += settings.running_amps
        self.world.set_load(self.name, amps)
        self.world.set_fuel(self.name, self._litres_per_h())

    def _litres_per_h(self) -> float:
        if self.state != RUNNING:
            return 0.0
        settings = self.settings
        return settings.idle_litres_per_h + (settings.full_litres_per_h - settings.idle_litres_per_h) * self._load()

    def _load(self) -> float:
        """Return its load as a share of its rating."""
        return min(1.0, self.world.mains_watts(self.name) / self.settings.rated_w) if self._gives else 0.0

    # Status.

    def _status_1(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("GENERATOR_STATUS_1")
        volts = spec.by_name["start_battery_voltage"].sensor_raw
        pack = spec.packer("status", "engine_run_time", "engine_load", "start_battery_voltage")
        return lambda: pack(
            status=self.state,
            engine_run_time=self._run_us // (60 * SECOND_US),
            engine_load=round(200 * self._load()),
            start_battery_voltage=volts(self.world.volts_at(self.name)),
        )

    def _status_2(self) -> Callable[[], bytes]:
        spec, settings = self.catalogue.by_name("GENERATOR_STATUS_2"), self.settings
        names = ("engine_coolant_temperature", "engine_oil_pressure", "engine_speed", "fuel_rate")
        celsius, kpa, rpm, rate = (spec.by_name[name].sensor_raw for name in names)
        pack = spec.packer(
            *names,
            "caution_light",
            temperature_shutdown_switch=0,
            oil_pressure_shutdown_switch=0,
            oil_level_switch=0,
        )
        speeds = {RUNNING: settings.engine_rpm, CRANKING: 200.0}
        return lambda: pack(
            engine_coolant_temperature=celsius(self._coolant_c),
            engine_oil_pressure=kpa(OIL_KPA if self.state == RUNNING else 0.0),
            engine_speed=rpm(speeds.get(self.state, 0.0)),
            fuel_rate=rate(self._litres_per_h()),
            caution_light=int(self.state == FAULT),
        )
