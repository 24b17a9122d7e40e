"""A device that charges a battery: its stages, its command, and the messages of a charger.

Knows: CHARGER_STATUS, CHARGER_STATUS_2 and CHARGER_COMMAND, and what every charger does each second. Does not know
where the power comes from: a kind says when it can charge and how much it can give.
"""

from collections.abc import Callable
from typing import ClassVar

from rvsim.devices.charging.battery_requests import BatteryRequests
from rvsim.devices.charging.stages import FORCED_FLOAT, NOT_FORCED, OFF, Stages, StageSettings
from rvsim.devices.device import Device, DeviceContext, commanded
from rvsim.devices.named_battery import check_dc_source
from rvsim.errors import InputError
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.fields import Special
from rvsim.wire.frame import SECOND_US
from rvsim.world.bus_bar import BusBar

DISABLE, ENABLE = 0, 1
MAX_BATTERY_VOLTS = 16.0
"""Above this voltage at its terminals it reports a fault. Common practice, no source."""
HIGH_VOLTS_FAULT = ReportedFault(2330, 3)
"""The SPN is invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
CAUTION = (
    "Lithium: no charging below 0 °C cell temperature; the protection may open at any time. Lead-acid: hydrogen, "
    "ventilation."
)


class ChargingDevice(Device):
    """Sends CHARGER_STATUS and CHARGER_STATUS_2; obeys CHARGER_COMMAND, and the requests of the battery's monitor.

    A kind calls ``charge_into`` once, and overrides ``can_charge``, ``most`` and what else is its own.
    """

    caution: ClassVar[str] = CAUTION
    settings: StageSettings
    charger_priority: ClassVar[int | None] = None
    """Its device priority as a charger; None where no priority is established for its kind."""
    status_message: ClassVar[str] = "CHARGER_STATUS"
    command_message: ClassVar[str] = "CHARGER_COMMAND"
    function: ClassVar[str] = "charger"

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.charger_instance = self.instance(self.function)
        self._charger_command = self.catalogue.by_name(self.command_message)
        self._enabled = self._auto_recharge = self._default_state = 1
        self._ramp = 0.0
        self._measured_volts = 0.0
        """The voltage at its own terminals when it last decided."""
        self._fault: ReportedFault | None = None
        self._was_paused = self._is_off = False
        """Whether it paused in the last second, and whether the physics know that it is off."""

    def charge_into(self, battery: BusBar, source: int, battery_ah: float) -> None:
        """Set the battery that it charges, with its DC source instance and its capacity."""
        self.charged, self._charged_source = battery, source
        self.stages = Stages(self.settings, battery_ah, battery.chemistry)
        self.requests = BatteryRequests(self.catalogue, source, lambda: self.now)

    # What a kind says.

    def measure(self) -> None:
        """Measure what the decisions of this second need, before any of them."""

    def starts_alone(self) -> bool:
        """Return whether it can start where the battery gives nothing; a kind that can overrides this."""
        return False

    def is_powered(self) -> bool:
        """Return whether its supply is high enough for it to run, or it needs none from an empty battery."""
        if super().is_powered():
            return True
        can_feed = self.world.has_collapsed(self.name) and not self.charged.is_cut_off(self.name)
        return can_feed and self.starts_alone()

    def can_charge(self) -> bool:
        """Return whether it has the power to charge, beside being enabled and allowed to."""
        return True

    def is_paused(self) -> bool:
        """Return whether it gives nothing for a moment, and goes on in the same stage."""
        return False

    def most(self) -> tuple[float, float | None]:
        """Return the amperes that it can give now, and the watts where they are the lower limit."""
        return self.settings.full_amps, None

    def case_c(self) -> float:
        """Return the temperature of its case."""
        return self.world.cabin_c

    def own_fault(self) -> ReportedFault | None:
        """Return the fault that it has now, None for none."""
        return HIGH_VOLTS_FAULT if self._measured_volts > MAX_BATTERY_VOLTS else None

    def after_update(self) -> None:
        """Take the power for the second that begins from where it comes from."""

    # What every charger does.

    def source_instance(self, given: int | None, battery: BusBar) -> int:
        """Return the DC source instance of the battery that it charges: as its settings give it, or as the rig has it.

        Raises:
            InputError: the rig leaves it open, or says otherwise.
        """
        if given is not None:
            check_dc_source(self, given, battery)
            return given
        own = self.world.dc_source(battery.name)
        if own is None:
            raise InputError(
                f'device "{self.name}": the rig does not say which DC source battery {battery.name} is; write '
                "dc_source = 3, or its number, in its table [[battery]]"
            )
        return own

    @property
    def stage(self) -> int:
        """Its stage, as its status has it."""
        return self.stages.stage

    @property
    def amps(self) -> float:
        """The current that it gives."""
        return self.charged.charge_amps(self.name)

    @property
    def volts(self) -> float:
        """The voltage at its own terminals."""
        return self.charged.volts_at(self.name)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command, and what the battery's monitor asks for."""
        requests: dict[str, Callable[[bytes], None]] = {}
        if self.settings.follows_battery:
            requests = {"DC_SOURCE_STATUS_4": self._on_desired, "DC_SOURCE_STATUS_6": self._on_limits}
        return {**super().receives(), **requests, self.command_message: self._obey}

    def _on_desired(self, data: bytes) -> None:
        self.requests.on_desired(data)

    def _on_limits(self, data: bytes) -> None:
        self.requests.on_limits(data)

    def on_start(self) -> None:
        """Control the charge each second; send its state at the gaps."""
        self.every(SECOND_US, self.update)
        self.broadcast(self.status_message, self._status())
        self.send_details()
        super().on_start()

    def send_details(self) -> None:
        """Send its second message at the gap."""
        self.broadcast("CHARGER_STATUS_2", self._status_2())

    def active(self, function: str) -> bool:
        """Return whether the charger charges; what else it is stays active."""
        return function != self.function or self.stages.stage != OFF

    def _obey(self, data: bytes) -> None:
        given = commanded(self._charger_command, data)
        if given.get("instance") != self.charger_instance:
            return
        if given.get("status") in (DISABLE, ENABLE):
            self._enabled = given["status"]
        self._auto_recharge = given.get("auto_recharge_enable", self._auto_recharge)
        self._default_state = given.get("default_state_on_power_up", self._default_state)
        forced = given.get("force_charge")
        if forced is not None and NOT_FORCED <= forced <= FORCED_FLOAT:
            self.stages.force(forced)
        self.update()
        if "auto_recharge_enable" in given or "default_state_on_power_up" in given or forced is not None:
            self.send_now(self.status_message)

    def update(self) -> None:
        """Decide the stage, and give what it asks for."""
        stages, requests, name, charged, now = self.stages, self.requests, self.name, self.charged, self.now
        volts = self._measured_volts = charged.volts_at(name)
        self.measure()
        fault = self.own_fault()
        if fault is not self._fault:
            self._change_fault(fault)
        allowed = self.can_charge() and bool(self._enabled) and requests.allows(now)
        if not allowed and stages.stage == OFF and self._is_off:
            self.after_update()
            return
        is_paused = allowed and self.is_paused()
        changed = False
        if not (allowed and (is_paused or self._was_paused)):  # what was measured in a pause says nothing
            amps = charged.charge_amps(name)
            changed = stages.advance(now, can_charge=allowed, volts=volts, amps=amps, battery_c=charged.celsius)
        self._was_paused = is_paused
        self._is_off = stages.stage == OFF
        limit_volts = stages.limit_volts
        if self._is_off or is_paused:
            self._ramp = 0.0
            charged.set_charge(name, limit_volts, 0.0)
        else:
            if self._ramp < 1.0:
                ramp_s = self.settings.ramp_s
                self._ramp = min(1.0, self._ramp + 1 / ramp_s) if ramp_s else 1.0
            most_amps, watts = self.most()
            asked = requests.max_amps(now)
            amps = self._ramp * (most_amps if asked is None else min(most_amps, asked))
            if watts is not None and watts > amps * limit_volts:
                watts = None
            charged.set_charge(name, limit_volts, amps, watts)
        self.after_update()
        if changed:
            self.send_now(self.status_message)

    def _change_fault(self, fault: ReportedFault | None) -> None:
        if self._fault is not None:
            self.withdraw_fault(self.function, self._fault)
        if fault is not None:
            self.report_fault(self.function, fault, red=False)
        self._fault = fault

    # Messages.

    def _status(self) -> Callable[[], bytes]:
        spec, stages = self.catalogue.by_name(self.status_message), self.stages
        volts, amps = (spec.by_name[name].sensor_raw for name in ("charge_voltage", "charge_current"))
        instance = next(name for name in ("charger_instance", "instance") if name in spec.by_name)
        has_recharge = "auto_recharge_enable" in spec.by_name
        changing = ("default_state_on_power_up", *(("auto_recharge_enable",) if has_recharge else ()), "force_charge")
        pack = spec.packer(
            "charge_voltage", "charge_current", "charge_current_percent_of_maximum", "operating_state", *changing,
            **{instance: self.charger_instance},
        )  # fmt: skip
        full_amps = self.settings.full_amps

        name, charged = self.name, self.charged
        last: tuple[object, ...] = ()
        data = b""

        def build() -> bytes:
            nonlocal last, data
            charging = charged.charge_amps(name)
            volts_raw, amps_raw, state = volts(charged.volts_at(name)), amps(charging), self.shown_state()
            now = (volts_raw, amps_raw, charging, state, self._default_state, self._auto_recharge, stages.forced)
            if now != last:  # packed anew only where something changed
                last = now
                recharge = {"auto_recharge_enable": self._auto_recharge} if has_recharge else {}
                data = pack(
                    charge_voltage=volts_raw,
                    charge_current=amps_raw,
                    charge_current_percent_of_maximum=round(200 * min(1.0, charging / full_amps)),
                    operating_state=state,
                    default_state_on_power_up=self._default_state,
                    force_charge=stages.forced,
                    **recharge,
                )
            return data

        return build

    def shown_state(self) -> int:
        """Return the operating state that it sends."""
        return self.stages.stage

    def _status_2(self) -> Callable[[], bytes]:
        spec = self.catalogue.by_name("CHARGER_STATUS_2")
        names = ("charging_voltage", "charging_current", "charger_temperature")
        volts, amps, celsius = (spec.by_name[name].sensor_raw for name in names)
        priority = spec.by_name["charger_priority"]
        assert priority.special is not Special.NONE
        pack = spec.packer(
            *names,
            charger_instance=self.charger_instance,
            dc_source_instance=self._charged_source,
            charger_priority=priority.all_ones if self.charger_priority is None else self.charger_priority,
        )

        name, charged = self.name, self.charged
        last: tuple[float, ...] = ()
        data = b""

        def build() -> bytes:
            nonlocal last, data
            now = charged.balance, self.case_c()
            if now != last:  # a message of 0.5 s from what mostly changes each second
                last = now
                data = pack(
                    charging_voltage=volts(charged.volts_at(name)),
                    charging_current=amps(charged.charge_amps(name)),
                    charger_temperature=celsius(now[1]),
                )
            return data

        return build
