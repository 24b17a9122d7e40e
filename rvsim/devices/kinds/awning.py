"""The electronics of an awning: its lights, and the lock that keeps it in while the vehicle may drive.

Messages: sends AWNING_STATUS and obeys AWNING_COMMAND, for the lights only: no message that moves an awning is
established. Motion and position are unsure: no data. What moves the awning are outputs of a load centre, which a
[[motion]] of the rig names beside this device; while its ``must_hold`` does not hold, the extension lock is on, is
reported, and opens the circuit of the way out. The lock is a wire from the vehicle, not a message.

Knows: two lights, and the lock-out signal. Does not know who commands them, nor where the awning is.
"""

from collections.abc import Callable
from typing import ClassVar

from rvsim.devices.device import Amps, Device, DeviceContext, Settings, commanded
from rvsim.wire.frame import SECOND_US

LIGHTS = ("awning_light", "secondary_light")
STATUS, COMMAND = "AWNING_STATUS", "AWNING_COMMAND"
NO_DATA = 3
"""All ones in two bits."""


class AwningSettings(Settings):
    """Currents of an invented awning at 12 V; common practice, no source."""

    light_amps: Amps = 1.5
    """Current of the light on the awning. Common practice, no source."""
    secondary_light_amps: Amps = 0.8
    """Current of the second light. Common practice, no source."""
    electronics_amps: Amps = 0.03
    """Current of the electronics, always. Common practice, no source."""


class Awning(Device):
    """Sends AWNING_STATUS and obeys AWNING_COMMAND."""

    kind = "awning"
    caution: ClassVar[str] = "Motion: an awning swings out with nobody looking, and tears off in a vehicle that drives."
    Settings = AwningSettings
    settings: AwningSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("awning")
        self._status, self._command = self.specs(STATUS, COMMAND)
        self._lights = dict.fromkeys(LIGHTS, 0)
        self._motion = self.world.motions.planned_of(self.name)
        self._is_locked: bool | None = None
        """Whether the lock-out signal is on, None where the rig has no interlock for it."""
        self._count()

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {COMMAND: self._obey}

    def on_start(self) -> None:
        """Send the state, and follow the lock-out signal."""
        if self._motion is not None and self._motion.plan.must_hold:
            self.every(SECOND_US, self._follow_lock)
        self.broadcast(STATUS, self._build_status)

    def on_stop(self) -> None:
        """Lose the power: the relay of the lock lets the way out go."""
        super().on_stop()
        if self._motion is not None:
            self.world.motions.set_locked(self._motion, is_locked=False, now=self.now)

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether a light is on."""
        return any(self._lights.values())

    def _follow_lock(self) -> None:
        assert self._motion is not None
        contacts = self.world.contacts
        is_locked = any(
            contacts.is_pressed(name) != (wanted == "on")
            for name, wanted in self._motion.plan.must_hold.items()
            if name in contacts.plans
        )
        if is_locked != self._is_locked:
            self._is_locked = is_locked
            self.world.motions.set_locked(self._motion, is_locked=is_locked, now=self.now)
            self.send_now(STATUS)

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        lights = {name: given[name] for name in LIGHTS if name in given}
        if given.get("instance") != self._instance or not lights:
            return
        self._lights.update(lights)
        self._count()
        self.send_now(STATUS)

    def _count(self) -> None:
        plan = self.settings
        first, second = self._lights.values()
        amps = plan.electronics_amps + first * plan.light_amps + second * plan.secondary_light_amps
        self.world.set_load(self.name, amps)

    def _build_status(self) -> bytes:
        lock = NO_DATA if self._is_locked is None else int(self._is_locked)
        return self._status.pack(instance=self._instance, oem_extension_lock=lock, **self._lights)
