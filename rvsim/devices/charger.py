"""A battery charger on shore power that also speaks for the house battery.

Knows: bulk, absorption and float, and the charger and DC source messages. Does not know what draws from the
battery. As a charger it speaks for the DC source with device priority 80, below a battery monitor.

The sign of the DC current is that of one battery maker's RV-C appendix: positive out of the battery. The
standard's own sense was not seen.
"""

from collections.abc import Callable

from rvsim.devices.device import SECOND, Device, Role, Settings, commanded

PRIORITY_CHARGER = 80
"""Device priority of a charger (a gateway maker's RV-C appendix)."""
OFF, BULK, ABSORPTION, FLOAT = 0, 2, 3, 6
"""Operating states of CHARGER_STATUS; numbers from memory, 0 worded neutrally in the definitions."""
TAIL = 0.04
"""Absorption ends when the current is below this part of the capacity. Common practice, no source."""
ABSORPTION_LIMIT_US = 4 * 3600 * SECOND
"""... or after this time. Common practice, no source."""
DISABLE, ENABLE = 0, 1
TO_EMPTY, TO_FULL = 0, 1


class ChargerSettings(Settings):
    """Size and set points. AGM: cyclic 14.7 and float 13.7 V at 20-30 degC are an industrial battery maker's table;
    14.4 is common practice, no source. Sizes are invented."""

    full_amps: float = 30.0
    absorption_volts: float = 14.4
    float_volts: float = 13.6
    battery_ah: float = 100.0
    case_above_cabin_k: float = 10.0


class Charger(Device):
    """Sends CHARGER_STATUS, CHARGER_STATUS_2, DC_SOURCE_STATUS_1 and _2; obeys CHARGER_COMMAND."""

    kind = "charger"
    Settings = ChargerSettings

    def __init__(self, role: Role) -> None:
        super().__init__(role)
        self._instance = self.instance("charger")
        self._source = self.instance("dc_source")
        self._command = self.catalogue.by_name("CHARGER_COMMAND")
        self._status_1, self._status_2 = self.specs("CHARGER_STATUS", "CHARGER_STATUS_2")
        self._dc_1, self._dc_2 = self.specs("DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2")
        self._enabled = 1
        self._stage = OFF
        self._absorbing_since = 0

    def hears(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to its command."""
        return {"CHARGER_COMMAND": self._obey}

    def begin(self) -> None:
        """Tend the charge each second; say charger and battery at their gaps."""
        self.every(SECOND, self._tend)
        self.broadcast("CHARGER_STATUS", self._charger_status)
        self.broadcast("CHARGER_STATUS_2", self._charger_status_2)
        self.broadcast("DC_SOURCE_STATUS_1", self._dc_status_1)
        self.broadcast("DC_SOURCE_STATUS_2", self._dc_status_2)

    def active(self, function: str) -> bool:
        """The charger is at its job while it charges; the battery is always there."""
        return function != "charger" or self._stage != OFF

    def leave(self) -> None:
        """The charge stops."""
        super().leave()
        self.world.set_charge(self.name, self.settings.float_volts, 0.0)

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") == self._instance and given.get("status") in (DISABLE, ENABLE):
            self._enabled = given["status"]
            self._tend()

    # The machine.

    @property
    def _amps(self) -> float:
        return self.world.charge_amps(self.name)

    def _tend(self) -> None:
        before = self._stage
        self._stage = self._next_stage()
        if self._stage == ABSORPTION and before != ABSORPTION:
            self._absorbing_since = self.now
        volts = self.settings.float_volts if self._stage == FLOAT else self.settings.absorption_volts
        self.world.set_charge(self.name, volts, self.settings.full_amps if self._stage != OFF else 0.0)
        if self._stage != before:
            self.news("CHARGER_STATUS")

    def _next_stage(self) -> int:
        if not (self._enabled and self.site.shore_power):
            return OFF
        if self._stage in (OFF, BULK):
            at_limit = self._stage == BULK and self._amps < 0.98 * self.settings.full_amps
            return ABSORPTION if at_limit else BULK
        if self._stage == ABSORPTION:
            long_enough = self.now - self._absorbing_since >= ABSORPTION_LIMIT_US
            return FLOAT if long_enough or self._amps < TAIL * self.settings.battery_ah else ABSORPTION
        return BULK if self._amps >= 0.98 * self.settings.full_amps else FLOAT

    # What it says.

    def _charger_status(self) -> bytes:
        fields = self._status_1.by_name
        return self._status_1.pack(
            charger_instance=self._instance,
            charge_voltage=fields["charge_voltage"].measured(self.world.battery_volts),
            charge_current=fields["charge_current"].measured(self._amps),
            charge_current_percent_of_maximum=round(200 * min(1.0, self._amps / self.settings.full_amps)),
            operating_state=self._stage,
            default_state_on_power_up=1,
            auto_recharge_enable=1,
            force_charge=0,
        )

    def _charger_status_2(self) -> bytes:
        fields = self._status_2.by_name
        return self._status_2.pack(
            charger_instance=self._instance,
            dc_source_instance=self._source,
            charger_priority=PRIORITY_CHARGER,
            charging_voltage=fields["charging_voltage"].measured(self.world.battery_volts),
            charging_current=fields["charging_current"].measured(self._amps),
            charger_temperature=fields["charger_temperature"].measured(
                self.world.cabin_c + self.settings.case_above_cabin_k * self._amps / self.settings.full_amps
            ),
        )

    def _dc_status_1(self) -> bytes:
        fields = self._dc_1.by_name
        return self._dc_1.pack(
            instance=self._source,
            device_priority=PRIORITY_CHARGER,
            dc_voltage=fields["dc_voltage"].measured(self.world.battery_volts),
            dc_current=fields["dc_current"].measured(self.world.battery_amps),
        )

    def _dc_status_2(self) -> bytes:
        fields = self._dc_2.by_name
        minutes, meaning = self._time_remaining()
        return self._dc_2.pack(
            instance=self._source,
            device_priority=PRIORITY_CHARGER,
            source_temperature=fields["source_temperature"].measured(self.world.battery_c),
            state_of_charge=fields["state_of_charge"].measured(self.world.battery_percent),
            time_remaining=fields["time_remaining"].measured(minutes),
            time_remaining_interpretation=meaning,
        )

    def _time_remaining(self) -> tuple[float | None, int]:
        """Return minutes to empty or to full at the present current; None while hardly any current flows."""
        amps, held = self.world.battery_amps, self.world.battery_percent / 100
        if abs(amps) < 0.1:
            return None, TO_EMPTY
        hours = (held if amps > 0 else 1 - held) * self.settings.battery_ah / abs(amps)
        return min(hours * 60, 65530), TO_EMPTY if amps > 0 else TO_FULL
