"""What devices share that move something by themselves: they drive its motor, and stop it at the end or when blocked.

Knows: that a limit switch ends the current, and that a motor which stays blocked is stopped and reported until it is
commanded again. Does not know the messages of a kind, nor what must hold while something moves: the rig says that, and
whoever commands has to see to it.
"""

from collections.abc import Callable
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import Amps, Device, DeviceContext, Settings
from rvsim.rig.motions import MotionKind, Way
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

BLOCKED = ReportedFault(2600, 7)
"""The SPN is invented: in RV-C an SPN means what the maker of the function says (rv-c.com/node/82)."""
MIN_VOLTS = 9.0
"""Below this voltage the electronics moves nothing. Common practice, no source."""


class MovingSettings(Settings):
    """Figures of the motor, where the rig has no table [[motion]] for the device. Common practice, no source."""

    amps: Amps = 2.0
    """Current of the motor while it moves, where no [[motion]] gives it. Common practice, no source."""
    travel_s: Annotated[float, Field(ge=0.1, le=600)] = 20.0
    """Time from one end to the other, where no [[motion]] gives it. Common practice, no source."""
    electronics_amps: Amps = 0.02
    """Current of the electronics, always. Common practice, no source."""
    blocked_s: Annotated[float, Field(ge=0.1, le=60)] = 1.0
    """A blocked motor is stopped after this time. Common practice, no source."""


class MovingDevice(Device):
    """A device with one motor, that sends one status and obeys one command: a kind names and builds them."""

    settings: MovingSettings
    what: ClassVar[MotionKind]
    function: ClassVar[str]
    status_message: ClassVar[str]
    command_message: ClassVar[str]

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        plan = self.settings
        self.motion = self.world.motions.of_device(self.name, self.what, plan.amps, round(plan.travel_s * SECOND_US))
        self.way: Way | None = None
        """The way on which it moves, None while it does not."""
        self._instance = self.instance(self.function)
        self._status, self._command = self.specs(self.status_message, self.command_message)
        self._is_blocked = False
        self._moves = 0
        self.world.set_load(self.name, plan.electronics_amps)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its command."""
        return {self.command_message: self._obey}

    def on_start(self) -> None:
        """Send the status."""
        self.broadcast(self.status_message, self._build_status)

    def _obey(self, data: bytes) -> None:
        """Obey its command."""
        raise NotImplementedError

    def _build_status(self) -> bytes:
        """Return the data of its status."""
        raise NotImplementedError

    def active(self, function: str) -> bool:  # noqa: ARG002 - it has one function
        """Return whether it moves."""
        return self.way is not None

    def move(self, way: Way | None, duty: float = 1.0) -> None:
        """Move on a way, None: stop."""
        if way is not None and self.world.volts_at(self.name) < MIN_VOLTS:
            way = None
        self._moves += 1
        self._report(is_blocked=False)
        self._drive(way, duty)

    def on_world_change(self) -> None:
        """Follow the end of a way, and what is in it."""
        self._follow()

    def on_stop(self) -> None:
        """Lose the power: the motor stands."""
        super().on_stop()
        self.world.motions.drive(self.motion, None, self.now)

    def _drive(self, way: Way | None, duty: float = 1.0) -> None:
        before, motions = self.way, self.world.motions
        motions.drive(self.motion, way, self.now, duty)
        if way is not None and self.motion.state(way) == "at rest":  # it is at this end already
            way = None
            motions.drive(self.motion, None, self.now)
        self.way = way
        self._follow()
        if self.way != before:
            self.send_now(self.status_message)

    def _follow(self) -> None:
        """Count the motor's current; stop it at the end, and some time after it is blocked."""
        state = "at rest" if self.way is None else self.motion.state(self.way)
        amps = 0.0
        if self.way is not None:
            amps = self.motion.feeds[self.way] * self.motion.motor_amps(self.way, self.world.volts_at(self.name))
        self.world.set_load(self.name, self.settings.electronics_amps + amps)
        if self.way is None:
            return
        if state == "at rest":
            self._drive(None)
        elif state == "blocked":
            moves = self._moves
            self.after(round(self.settings.blocked_s * SECOND_US), lambda: self._stop_blocked(moves))

    def _stop_blocked(self, moves: int) -> None:
        if moves == self._moves and self.way is not None and self.motion.state(self.way) == "blocked":
            self._drive(None)
            self._report(is_blocked=True)

    def _report(self, *, is_blocked: bool) -> None:
        if is_blocked == self._is_blocked:
            return
        self._is_blocked = is_blocked
        if is_blocked:
            self.report_fault(self.function, BLOCKED, red=False)
        else:
            self.withdraw_fault(self.function, BLOCKED)
