"""What a battery's monitor asks of chargers: DC_SOURCE_STATUS_4 and DC_SOURCE_STATUS_6 of one instance.

Knows: a desired state of "do not charge", a desired current, and limits that were reached; that a request ends when it
is no longer repeated, and that only the highest device priority counts. Does not know why the battery asks.

That code 1 of the desired state means "do not charge" is from memory, as are its siblings.
"""

from collections.abc import Callable

from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US

DO_NOT_CHARGE = 1
REQUEST_TIMEOUT_US = 15 * SECOND_US
"""A desired state counts for three gaps of its message. Our choice, as with heartbeats."""
LIMIT_TIMEOUT_US = 5 * SECOND_US
"""A reached limit counts for ten gaps of its message. Our choice, as with device priorities."""
CHARGE_LIMITS = (
    "high_voltage_limit_status",
    "high_voltage_limit_disconnect_status",
    "low_temperature_limit_disconnect_status",
    "high_temperature_limit_disconnect_status",
)
"""The limits of DC_SOURCE_STATUS_6 at which nothing may charge."""


class BatteryRequests:
    """What the monitor of one DC source instance asks for now."""

    def __init__(self, catalogue: Catalogue, source: int, now: Callable[[], int]) -> None:
        self._source, self._now = source, now
        self._desired, self._limits = (catalogue.by_name(f"DC_SOURCE_STATUS_{number}") for number in (4, 6))
        self._priority = -1
        self._priority_until = self._request_until = self._limit_until = 0
        self._is_stop = False
        self._amps: float | None = None
        self._last_limits = b""
        self._last_desired = b""
        self._desired_now: tuple[int | None, int | None, bool, float | None] = (None, None, False, None)
        """Instance, priority, whether it says stop, and amperes, as in the last message; most repeat the one before."""
        self._last_is_stop = False

    def allows(self, now: int) -> bool:
        """Return whether the battery may be charged, as far as it has said."""
        return not (self._is_stop and now < self._request_until) and now >= self._limit_until

    def max_amps(self, now: int) -> float | None:
        """Return the highest current that the battery asks for, None where it has said none."""
        return self._amps if now < self._request_until else None

    def _counts(self, instance: int | None, priority: int | None) -> bool:
        """Return whether a message is about this battery, from the highest priority."""
        if instance != self._source or priority is None:
            return False
        if priority < self._priority and self._now() < self._priority_until:
            return False
        self._priority, self._priority_until = priority, self._now() + REQUEST_TIMEOUT_US
        return True

    def on_desired(self, data: bytes) -> None:
        """Receive a DC_SOURCE_STATUS_4."""
        if data != self._last_desired:
            self._last_desired = data
            self._desired_now = self._read_desired(data)
        instance, priority, is_stop, amps = self._desired_now
        if self._counts(instance, priority):
            self._request_until = self._now() + REQUEST_TIMEOUT_US
            self._is_stop, self._amps = is_stop, amps

    def _read_desired(self, data: bytes) -> tuple[int | None, int | None, bool, float | None]:
        fields = {reading.field.name: reading for reading in self._desired.decode(data)}
        current = fields["desired_dc_current"].value
        return (
            fields["instance"].raw,
            fields["device_priority"].raw,
            fields["desired_charge_state"].raw == DO_NOT_CHARGE,
            None if current is None else max(0.0, current),
        )

    def on_limits(self, data: bytes) -> None:
        """Receive a DC_SOURCE_STATUS_6."""
        if data != self._last_limits:
            self._last_limits = data
            fields = {reading.field.name: reading.raw for reading in self._limits.decode(data)}
            own = self._counts(fields["instance"], fields["device_priority"])
            self._last_is_stop = own and any(fields[name] == 1 for name in CHARGE_LIMITS)
        self._limit_until = self._now() + LIMIT_TIMEOUT_US if self._last_is_stop else self._limit_until
