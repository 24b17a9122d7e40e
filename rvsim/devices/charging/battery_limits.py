"""What the electronics of a battery report: what it asks of chargers, reached limits, what is connected.

Knows: DC_SOURCE_STATUS_4, _6 and _11, and from which voltage, charge and temperature the battery asks for something
else. Does not know chargers, nor whether they obey. It asks them to stop before its protection opens.
"""

from math import isinf

from rvsim.devices.charging.battery_requests import DO_NOT_CHARGE
from rvsim.devices.charging.stages import BULK, FLOAT
from rvsim.wire.catalogue import Catalogue
from rvsim.world.bus_bar import BusBar

STOP_VOLTS, STOP_RELEASE_VOLTS = 14.6, 14.0
"""At the first voltage it asks chargers to stop, until it is below the second. A pack maker: 14.6 V at most; the other
is common practice, no source."""
LOW_VOLTS = 10.0
"""Below this voltage its limit is reached. A pack maker's data sheet: cut-off 10 V."""
LOW_PERCENT = 10.0
"""Below this charge its limit is reached. Common practice, no source."""
FULL_PERCENT, NOT_FULL_PERCENT = 99.5, 95.0
"""From the first charge on it asks for float, below the second for bulk. Common practice, no source."""
HOT_C = 60.0
"""Above this temperature it takes no charge (a cell maker's data sheet: 0 to 60 C)."""
DESIRED_VOLTS = {"agm": (14.4, 13.6), "lfp": (14.4, 13.6)}
"""Voltages that it asks for, charging and full. A pack maker's data sheet has 14.4; float is common practice."""
TYPES = {"agm": 2, "lfp": 3}
"""Codes of the battery's type, from memory."""
MIN_SOURCE_AMPS = 0.2
"""With at least this current into the battery a charge source is detected. Our choice."""


class BatteryLimits:
    """The messages of one battery; ``update`` each second."""

    def __init__(self, catalogue: Catalogue, battery: BusBar, source: int, priority: int, battery_ah: float) -> None:
        self._battery = battery
        desired, limits, connection = (catalogue.by_name(f"DC_SOURCE_STATUS_{number}") for number in (4, 6, 11))
        head = {"instance": source, "device_priority": priority}
        self._volts, self._amps = (desired.by_name[f"desired_dc_{name}"].sensor_raw for name in ("voltage", "current"))
        self._pack_desired = desired.packer(
            "desired_charge_state", "desired_dc_voltage", "desired_dc_current",
            battery_type=TYPES[battery.chemistry], **head,
        )  # fmt: skip
        self._limit_names = tuple(field.name for field in limits.fields if field.name not in head)
        self._pack_limits = limits.packer(*self._limit_names, **head)
        self._watts = connection.by_name["dc_power"].sensor_raw
        self._pack_connection = connection.packer(
            "discharge_status", "charge_bus_status", "charge_source_detected", "dc_power",
            full_capacity=connection.by_name["full_capacity"].sensor_raw(battery_ah), **head,
        )  # fmt: skip
        self.state = BULK
        """The state of charge that it asks for, as in CHARGER_STATUS; 1 is "do not charge"."""
        self._is_full = self._is_high = False
        self._last: tuple[object, ...] = ()
        self.desired = self.limits = b""
        self.update()

    def update(self) -> None:
        """Read the battery, and build the messages anew that change with it."""
        battery = self._battery
        volts, percent, celsius, most = battery.volts, battery.percent, battery.celsius, battery.max_charge_amps
        self._is_high = volts >= (STOP_RELEASE_VOLTS if self._is_high else STOP_VOLTS)
        self._is_full = percent >= (NOT_FULL_PERCENT if self._is_full else FULL_PERCENT)
        if self._is_high or most <= 0:
            self.state = DO_NOT_CHARGE
        else:
            self.state = FLOAT if self._is_full else BULK
        is_cold = most <= 0 and celsius < HOT_C and not battery.charge_is_open
        limits = {
            "high_voltage_limit_status": self._is_high,
            "high_voltage_limit_disconnect_status": battery.charge_is_open,
            "low_voltage_limit_status": volts < LOW_VOLTS,
            "low_voltage_limit_disconnect_status": battery.discharge_is_open,
            "low_state_of_charge_limit_status": percent < LOW_PERCENT,
            "low_temperature_limit_status": is_cold,
            "high_temperature_limit_status": celsius >= HOT_C,
        }
        now = self.state, most, *limits.values()
        if now != self._last:
            self._last = now
            charging, floating = DESIRED_VOLTS[battery.chemistry]
            self.desired = self._pack_desired(
                desired_charge_state=self.state,
                desired_dc_voltage=self._volts(floating if self._is_full else charging),
                desired_dc_current=self._amps(None if isinf(most) else most if self.state != DO_NOT_CHARGE else 0.0),
            )
            self.limits = self._pack_limits(**{name: int(limits.get(name, False)) for name in self._limit_names})

    def connection(self) -> bytes:
        """Return the data of DC_SOURCE_STATUS_11; the power has no sign there."""
        battery = self._battery
        return self._pack_connection(
            discharge_status=int(not battery.discharge_is_open),
            charge_bus_status=int(not battery.charge_is_open),
            charge_source_detected=int(battery.amps <= -MIN_SOURCE_AMPS),
            dc_power=self._watts(abs(battery.volts * battery.amps)),
        )
