"""A powered door with its lock: opened and closed by a message, and locked while it is closed.

Messages: sends LOCK_STATUS and obeys LOCK_COMMAND, of which only the command byte is published (rv-c.com/node/504: 1
opens, 2 closes). Its lock bits are unsure, and are not obeyed. LOCK_STATUS is from memory and unsure as a whole; with
its fields as no data it would say nothing, so it is sent with values, on virtual buses only: the bench opens no other
buses. Code that sends onto a real bus must hold it back, and must refuse to command motion.

Knows: out is open, in is closed and locked. Does not know who commands it.
"""

from typing import ClassVar

from rvsim.devices.device import commanded
from rvsim.devices.moving_device import MovingDevice, MovingSettings
from rvsim.rig.motions import Way

OPEN, CLOSE = 1, 2
_WAYS: dict[int, Way] = {OPEN: "extend", CLOSE: "retract"}


class Lock(MovingDevice):
    """Sends LOCK_STATUS and obeys LOCK_COMMAND."""

    kind = "lock"
    what = "lock"
    function = "lock"
    status_message, command_message = "LOCK_STATUS", "LOCK_COMMAND"
    caution: ClassVar[str] = "Motion: a powered door crushes and pinches with nobody looking; keep clear of it."
    Settings = MovingSettings
    settings: MovingSettings

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        way = _WAYS.get(given.get("command", 0))
        if given.get("instance") == self._instance and way is not None and way != self.way:
            self.move(way)

    def _build_status(self) -> bytes:
        is_locked = self.way is None and self.motion.share(self.now) == 0.0
        return self._status.pack(instance=self._instance, lock_status=int(is_locked))
