"""An inverter that makes mains from a battery, and passes other mains through where there are any.

Messages: sends INVERTER_STATUS, INVERTER_AC_STATUS_1 for its output and its input, INVERTER_DC_STATUS and
INVERTER_TEMPERATURE_STATUS; obeys INVERTER_COMMAND. Messages are published, the places of most fields are from memory.
The temperature of the control board and generator support are unsure: no data, and not obeyed.

Knows: what it takes from the battery for what it gives, that it stops at a low or a high voltage and at an overload,
and when it hands its loads over to other mains and takes them back. Does not know the loads, nor the other source.

While it inverts beside other mains, everything on the mains is behind it: chargers wait until it passes them through.
The hand-over to the battery takes 6 ms, 10 at most (an inverter-charger maker's manual): less than a step of the
physics, so loads do not notice it.
"""

from collections.abc import Callable
from math import sqrt
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, Volts, commanded
from rvsim.devices.lost_heat import LostHeat
from rvsim.devices.mains_messages import INPUT, MAINS_CAUTION, OUTPUT, ac_status
from rvsim.devices.settings_order import check_order
from rvsim.rig.climate import FIRST_ZONE
from rvsim.rig.table import OneLineText
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US
from rvsim.world.mains import BATTERY_RANK

DISABLED, INVERTS, PASSES, SENSES, WAITS = 0, 1, 2, 4, 5
"""Codes of INVERTER_STATUS; numbers from memory."""
LOW_VOLTS_FAULT, HIGH_VOLTS_FAULT, OVERLOAD_FAULT, HOT_FAULT = (
    ReportedFault(2300, 18), ReportedFault(2300, 16), ReportedFault(2301, 6), ReportedFault(2302, 16)
)  # fmt: skip
"""The SPNs are invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
_LOSS_CURVE = (0.0162, 0.9858, 0.0059)
"""Part-load curve of the PVWatts model, as in an open library of solar models."""
_CURVE_NOMINAL = 0.9637
HEAT_LAG = 1 / 300
"""Its parts come 63 % nearer to their temperature in this many seconds. Common practice, no source."""

_Seconds = Annotated[float, Field(ge=0, le=3600)]
_Percent = Annotated[float, Field(ge=30, le=100)]


class InverterSettings(Settings):
    """Size, voltages and times."""

    rated_w: Annotated[float, Field(gt=0, le=20_000)] = 1500.0
    """Power that it gives for ever. Invented; the figures of an inverter maker's 1500 W type follow."""
    surge_percent: Annotated[float, Field(ge=100, le=400)] = 200.0
    """What it gives for a moment. Common practice, no source."""
    overload_s: _Seconds = 5.0
    """How long it gives more than it is rated for. Common practice, no source."""
    nominal_efficiency_percent: _Percent = 95.0
    """Efficiency at its rating; the part-load curve of an open library of solar models follows from it."""
    no_load_w: Annotated[float, Field(ge=0, le=500)] = 20.0
    """Least that it takes while it inverts. A maker: under 2 A for 1500 W; a public page measured 11.8 W for 700 W."""
    sense_w: Annotated[float, Field(ge=0, le=100)] = 2.0
    """What it takes while it senses for loads. Common practice, no source: a tenth."""
    sense_threshold_w: Annotated[float, Field(ge=0, le=500)] = 20.0
    """Loads below this do not wake it from sensing. Common practice, no source."""
    standby_amps: Amps = 0.05
    """Current of the electronics, always. Common practice, no source."""
    alarm_volts: Volts = 11.0
    """Below this voltage it warns. An inverter maker's manual: 10.5 to 11.5."""
    stop_volts: Volts = 10.5
    """Below this one it stops. The same manual: 10.0 to 11.0."""
    stop_delay_s: _Seconds = 3.0
    """How long the voltage has to be low. Common practice, no source: a motor's start does not stop it."""
    restart_volts: Volts = 12.5
    """Above this one it starts again. Common practice, no source."""
    high_stop_volts: Volts = 15.5
    """Above this one it stops. The same manual: 15.0 to 16.3."""
    high_restart_volts: Volts = 14.8
    """Below this one it starts again. Common practice, no source."""
    back_to_shore_s: _Seconds = 5.0
    """How long other mains are good before its loads go over to them. An inverter-charger maker's manual: 5 s; another
    model: 15 s."""
    stop_above_c: Annotated[float, Field(ge=40, le=150)] = 90.0
    """Temperature of its transistors at which it stops; 15 K less to start again. Common practice, no source."""
    zone: OneLineText = FIRST_ZONE
    """The zone in which it stands: its air counts, and its losses warm it."""
    hot_above_air_k: Annotated[float, Field(ge=0, le=120)] = 45.0
    """How much hotter than the air around it its transistors are at its rating. Common practice, no source."""
    enabled: bool = True
    """Whether it inverts after its first start."""
    load_sense: bool = False
    """Whether it senses for loads after its first start, and sleeps without."""
    ac_status_gap_s: Annotated[float, Field(ge=0.05, le=5)] = 0.1
    """How often it sends its AC status. Two makers: 100 ms."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        check_order(
            self,
            ("stop_volts", "alarm_volts"),
            ("stop_volts", "restart_volts"),
            ("restart_volts", "high_restart_volts"),
            ("high_restart_volts", "high_stop_volts"),
        )
        return self


def input_watts(output_w: float, rated_w: float, nominal: float = 0.95) -> float:
    """Return what an inverter takes from the battery for what it gives; ``rated_w`` is what it gives at its rating.

    The part-load curve is solved for the input: output = input x efficiency(input / rated input).
    """
    if output_w <= 0:
        return 0.0
    rated_input = rated_w / nominal
    square, slope, constant = _LOSS_CURVE
    wanted = output_w / rated_input / (nominal / _CURVE_NOMINAL)
    root = slope * slope - 4 * square * (constant + wanted)
    share = (slope - sqrt(max(0.0, root))) / (2 * square)
    return share * rated_input


class Inverter(Device):
    """Sends the status of its state, both mains, battery side and temperatures; obeys INVERTER_COMMAND."""

    kind = "inverter"
    caution: ClassVar[str] = MAINS_CAUTION
    Settings = InverterSettings
    settings: InverterSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("inverter")
        self._status, self._command = self.specs("INVERTER_STATUS", "INVERTER_COMMAND")
        settings, memory = self.settings, self.memory
        self._enabled = int(memory.setdefault("enabled", float(settings.enabled)))
        self._senses = int(memory.setdefault("load_sense", float(settings.load_sense)))
        self._passes = int(memory.setdefault("pass_through", 1.0))
        self._lost_heat = LostHeat(self, settings.zone)
        self.state = DISABLED
        self.input_w = 0.0
        """What it takes from the battery."""
        self._good_since: int | None = None
        self._low_since: int | None = None
        self._over_since: int | None = None
        self._stopped_by: ReportedFault | None = None
        self._warns = False
        self._hot_k = 0.0

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {"INVERTER_COMMAND": self._obey}

    def on_start(self) -> None:
        """Follow battery and mains each second; send its states at their gaps."""
        if self.world.mains_rank() > BATTERY_RANK:
            self._good_since = self.now - round(self.settings.back_to_shore_s * SECOND_US)  # they were there before it
        self.every(SECOND_US, self._step)
        self.broadcast("INVERTER_STATUS", self._build_status)
        spec, gap_us = self.catalogue.by_name("INVERTER_AC_STATUS_1"), round(self.settings.ac_status_gap_s * SECOND_US)
        for direction, watts in ((OUTPUT, self._output_w), (INPUT, self._passed_w)):
            page = ac_status(spec, self.world, self._instance, direction, watts)
            self.broadcast(spec.name, page, key=f"{spec.name} {direction}", gap_us=gap_us)
        self.broadcast("INVERTER_DC_STATUS", self._dc_status())
        self.broadcast("INVERTER_TEMPERATURE_STATUS", self._temperature_status())

    def is_powered(self) -> bool:
        """Return whether the battery or other mains feed it."""
        return self.world.mains_rank(self.name) > BATTERY_RANK or super().is_powered()

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether it gives mains from the battery."""
        return self.state in (INVERTS, SENSES)

    # Commands.

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._instance:
            return
        self._enabled = given.get("inverter_enable", self._enabled)
        self._senses = given.get("load_sense_enable", self._senses)
        self._passes = given.get("pass_through_enable", self._passes)
        for name, key in (
            ("inverter_enable_on_start_up", "enabled"),
            ("load_sense_enable_on_start_up", "load_sense"),
            ("pass_through_enable_on_start_up", "pass_through"),
        ):
            if name in given:
                self.memory[key] = float(given[name])
        if given.get("inverter_enable") == 0 and self._stopped_by in (OVERLOAD_FAULT, HOT_FAULT):
            self._clear_stop()
        self._step()

    # What it does.

    def _step(self) -> None:
        """Decide its state for the second that begins, and take its power from the battery."""
        world, settings, now = self.world, self.settings, self.now
        before = self.state, self._warns
        gave = world.mains_watts(self.name) if self.state == INVERTS and world.mains_source() == self.name else 0.0
        self._protect(gave)
        self._good_since = self._since(self._good_since, is_so=world.mains_rank(self.name) > BATTERY_RANK)
        good = self._good_since is not None and now - self._good_since >= settings.back_to_shore_s * SECOND_US
        may_invert = bool(self._enabled) and self._stopped_by is None
        if good and self._passes:
            self.state = PASSES
        elif may_invert:
            is_small = self._senses and world.mains_wanted_watts() < settings.sense_threshold_w
            self.state = SENSES if is_small else INVERTS
        else:
            self.state = WAITS if self._enabled else DISABLED
        is_held = self.state == INVERTS and self._good_since is not None
        ready_w = settings.rated_w * settings.surge_percent / 100 if may_invert and self.state != SENSES else 0.0
        world.set_mains_source(self.name, ready_w, BATTERY_RANK, is_held=is_held)
        self._take()
        if (self.state, self._warns) != before:
            self.send_now("INVERTER_STATUS")

    def _since(self, since: int | None, *, is_so: bool) -> int | None:
        """Return since when something is so, None where it is not."""
        if not is_so:
            return None
        return self.now if since is None else since

    def _protect(self, gave: float) -> None:
        """Stop at a low or high voltage, at an overload and when hot; start again when that is over."""
        settings, now, volts = self.settings, self.now, self.world.volts_at(self.name)
        self._hot_k += HEAT_LAG * (settings.hot_above_air_k * (gave / settings.rated_w) ** 2 - self._hot_k)
        fet_c = self._lost_heat.air_c + self._hot_k
        self._warns = volts < settings.alarm_volts
        self._low_since = self._since(self._low_since, is_so=volts < settings.stop_volts)
        self._over_since = self._since(self._over_since, is_so=gave > settings.rated_w)
        stopped = self._stopped_by
        if stopped is None:
            if self._low_since is not None and now - self._low_since >= settings.stop_delay_s * SECOND_US:
                self._stop(LOW_VOLTS_FAULT)
            elif volts > settings.high_stop_volts:
                self._stop(HIGH_VOLTS_FAULT)
            elif self._over_since is not None and now - self._over_since >= settings.overload_s * SECOND_US:
                self._stop(OVERLOAD_FAULT)
            elif fet_c > settings.stop_above_c:
                self._stop(HOT_FAULT)
        elif (
            (stopped is LOW_VOLTS_FAULT and volts > settings.restart_volts)
            or (stopped is HIGH_VOLTS_FAULT and volts < settings.high_restart_volts)
            or (stopped is HOT_FAULT and fet_c < settings.stop_above_c - 15)
        ):
            self._clear_stop()

    def _stop(self, fault: ReportedFault) -> None:
        self._stopped_by = fault
        self.report_fault("inverter", fault, red=True)

    def _clear_stop(self) -> None:
        if self._stopped_by is not None:
            self.withdraw_fault("inverter", self._stopped_by)
            self._stopped_by = self._over_since = None

    def _take(self) -> None:
        """Take from the battery what the present state needs."""
        world, settings = self.world, self.settings
        taken = gives = 0.0
        if self.state == INVERTS:
            gives = world.mains_watts(self.name)
            nominal = settings.nominal_efficiency_percent / 100
            taken = max(settings.no_load_w, input_watts(gives, settings.rated_w, nominal))
        elif self.state == SENSES:
            taken = settings.sense_w
        self.input_w = taken
        self._lost_heat.set(taken - gives)
        world.set_load_watts(self.name, taken)
        world.set_load(self.name, settings.standby_amps)

    # Status.

    def _output_w(self) -> float | None:
        """Return what its output carries, from the battery or passed through; None without voltage."""
        if self.state == INVERTS:
            return self.world.mains_watts(self.name)
        return self._passed_w() if self.state == PASSES else None

    def _passed_w(self) -> float | None:
        """Return what comes in from other mains; None where there are none."""
        if self._good_since is None:
            return None
        source = self.world.mains_source()
        return self.world.mains_watts(source) if self.state == PASSES and source is not None else 0.0

    def _build_status(self) -> bytes:
        return self._status.pack(
            instance=self._instance,
            status=self.state,
            battery_temperature_sensor_present=0,
            load_sense_enabled=self._senses,
            inverter_enabled=self._enabled,
            pass_through_enabled=self._passes,
        )

    def _dc_status(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("INVERTER_DC_STATUS")
        volts, amps = (spec.by_name[name].sensor_raw for name in ("dc_voltage", "dc_current"))
        pack = spec.packer("dc_voltage", "dc_current", instance=self._instance)

        def build() -> bytes:
            at = self.world.volts_at(self.name)
            return pack(dc_voltage=volts(at), dc_current=amps(self.input_w / at if at > 1 else 0.0))

        return build

    def _temperature_status(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("INVERTER_TEMPERATURE_STATUS")
        names = ("fet_temperature", "transformer_temperature")
        fet, transformer = (spec.by_name[name].sensor_raw for name in names)
        pack = spec.packer(*names, instance=self._instance)

        def build() -> bytes:
            air = self._lost_heat.air_c
            return pack(
                fet_temperature=fet(air + self._hot_k), transformer_temperature=transformer(air + self._hot_k / 2)
            )

        return build
