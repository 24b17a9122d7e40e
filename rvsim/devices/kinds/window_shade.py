"""A window shade: a motor between two ends, moved forward and back by messages.

Messages: sends WINDOW_SHADE_CONTROL_STATUS (published, as proposed in 2008; over-current and override are unsure: no
data) and obeys WINDOW_SHADE_CONTROL_COMMAND by instance or by group. The codes of that command are from memory and
unsure, so it is obeyed on virtual buses only: the bench opens no other buses. The places of duration and interlock are
unsure: they are not obeyed. Code that sends onto a real bus must refuse to command motion.

Knows: forward is out, reverse is back; a lock that keeps it where it is. Does not know who commands it.
"""

from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import DeviceContext, commanded
from rvsim.devices.moving_device import MovingDevice, MovingSettings
from rvsim.devices.switching.commands import ALL_MEMBERS, FULL_RAW, NO_DATA, group_bits, shares_group
from rvsim.rig.motions import Way

STOP, LOCK, UNLOCK, REVERSE, TOGGLE_REVERSE, FORWARD, TOGGLE_FORWARD = 4, 33, 34, 65, 69, 129, 133
"""Codes of the command, from memory and unsure; "tilt" (16) is not obeyed: a roller shade has none."""
_WAYS: dict[int, Way] = {
    FORWARD: "extend", TOGGLE_FORWARD: "extend", REVERSE: "retract", TOGGLE_REVERSE: "retract"
}  # fmt: skip
_TOGGLES = (TOGGLE_FORWARD, TOGGLE_REVERSE)


class WindowShadeSettings(MovingSettings):
    """Figures of the shade."""

    group: Annotated[int, Field(ge=1, le=7)] | None = None
    """The group by which it is commanded together with others."""


class WindowShade(MovingDevice):
    """Sends WINDOW_SHADE_CONTROL_STATUS and obeys WINDOW_SHADE_CONTROL_COMMAND."""

    kind = "window_shade"
    what = "shade"
    function = "window_shade"
    status_message, command_message = "WINDOW_SHADE_CONTROL_STATUS", "WINDOW_SHADE_CONTROL_COMMAND"
    caution: ClassVar[str] = "Motion: a shade pinches, and starts with nobody looking; keep hands off it."
    Settings = WindowShadeSettings
    settings: WindowShadeSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._group = group_bits(() if self.settings.group is None else (self.settings.group,))
        self._is_locked = False
        self._last_command = NO_DATA
        self._duty = FULL_RAW

    def _obey(self, data: bytes) -> None:
        raws = {field.name: raw for field, raw in zip(self._command.fields, self._command.raws(data), strict=True)}
        given = commanded(self._command, data)
        instance, group, code = raws["instance"], raws["group"], given.get("command")
        if instance in (ALL_MEMBERS, NO_DATA):
            is_meant = group is not None and shares_group(self._group, group)
        else:
            is_meant = instance == self._instance
        if not is_meant or code is None:
            return
        if code in (LOCK, UNLOCK):
            self._is_locked = code == LOCK
        way = _WAYS.get(code)
        if (way is None and code not in (STOP, LOCK, UNLOCK)) or (way is not None and self._is_locked):
            return
        before, self._last_command = self.way, code
        if code in _TOGGLES and self.way is not None:
            way = None
        self._duty = min(FULL_RAW, given.get("motor_duty", FULL_RAW))
        if code != UNLOCK:
            self.move(way if self._duty else None, self._duty / FULL_RAW)
        if self.way == before:  # otherwise it was sent when that changed
            self.send_now(self.status_message)

    def _build_status(self) -> bytes:
        return self._status.pack(
            instance=self._instance,
            group=self._group,
            motor_duty=self._duty if self.way is not None else 0,
            lock_status=int(self._is_locked),
            motor_status=int(self.way is not None),
            forward_status=int(self.way == "extend"),
            reverse_status=int(self.way == "retract"),
            last_command=self._last_command,
        )
