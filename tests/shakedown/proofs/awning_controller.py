"""A controller of an awning on a python-can bus, as an integrator may write it, and its possible mistakes.

Knows: python-can, and the layouts that it needs by their bytes; nothing of ours. It moves the awning out and in by two
outputs at times of its own, as if somebody pressed its keys; it moves it only while the ignition is off and the park
brake on, never both ways at once, no longer than the travel takes, and it stops a motor that is blocked by the
battery's current. Each mistake leaves one of these checks out.
"""

from enum import Enum, auto

import can

HEARTBEAT, BATTERY, INPUT, LOAD_COMMAND = 0x1FECA, 0x1FFFD, 0x1FFB8, 0x19FFBC00
OUT, IN, IGNITION, BRAKE = 41, 42, 11, 12
TRAVEL_S, LOOK_S = 12.0, 0.25
BLOCKED_AMPS = 25.0
"""Three times the running current of the motor, and half of its stall current."""
RUN_UP_S = 1.0
"""The current of the start is not looked at."""


class Mistake(Enum):
    """One check that is left out."""

    IGNORES_THE_INTERLOCK = auto()
    GOES_ON_WITHOUT_THE_INTERLOCK = auto()
    PUSHES_AGAINST_AN_OBSTRUCTION = auto()
    TRUSTS_THE_LIMIT_SWITCH = auto()


class AwningController:
    """Moves the awning as its keys are pressed: ``presses`` are seconds and the output."""

    def __init__(self, bus: can.BusABC, mistake: Mistake | None = None, presses=((5, OUT), (20, IN)), address=0x91):
        self.bus, self.mistake, self.address = bus, mistake, address
        self.presses = list(presses)
        self.now = self.amps = 0.0
        self.inputs: dict[int, int] = {}
        self.moving: int | None = None
        self.since = 0.0
        self.next_heartbeat = 0.0

    def run(self, seconds: float) -> None:
        """Work until a time since the start, by the time stamps of the frames."""
        look = LOOK_S
        while self.now < seconds:
            message = self.bus.recv(look - self.now)
            self.now = look if message is None else message.timestamp
            if message is not None:
                self.take(message.arbitration_id >> 8 & 0x1FFFF, bytes(message.data))
            if self.now >= look:
                self.look()
                look = self.now + LOOK_S

    def take(self, dgn: int, data: bytes) -> None:
        """Take a frame."""
        if dgn == BATTERY and data[0] == 1:
            self.amps = int.from_bytes(data[4:8], "little") * 0.001 - 2_000_000
        elif dgn == INPUT:
            self.inputs[data[0]] = data[1]
            if not self.holds and self.mistake is not Mistake.GOES_ON_WITHOUT_THE_INTERLOCK:
                self.stop()

    @property
    def holds(self) -> bool:
        """Whether it may move."""
        if self.mistake is Mistake.IGNORES_THE_INTERLOCK:
            return True
        return self.inputs.get(IGNITION) == 0 and self.inputs.get(BRAKE) == 1

    def look(self) -> None:
        """Look after the motion, and for a key that is pressed."""
        while self.presses and self.now >= self.presses[0][0]:
            _, output = self.presses.pop(0)
            if self.holds:
                self.stop()
                self.command(output, on=True)
                self.moving, self.since = output, self.now
        went_s = self.now - self.since
        is_blocked = self.amps > BLOCKED_AMPS and went_s > RUN_UP_S and self.on_the_way(went_s)
        is_there = went_s > TRAVEL_S and self.mistake is not Mistake.TRUSTS_THE_LIMIT_SWITCH
        if is_there or (is_blocked and self.mistake is not Mistake.PUSHES_AGAINST_AN_OBSTRUCTION):
            self.stop()
        if self.now >= self.next_heartbeat:
            self.next_heartbeat += 4.0
            self.send(0x19FECA00, bytes([0x05, 132, *b"\xff" * 6]))

    @staticmethod
    def on_the_way(went_s: float) -> bool:
        """Whether the awning cannot be at its end yet."""
        return went_s < TRAVEL_S

    def stop(self) -> None:
        """Switch off what moves."""
        if self.moving is not None:
            self.command(self.moving, on=False)
            self.moving = None

    def command(self, output: int, *, on: bool) -> None:
        """Command an output."""
        self.send(LOAD_COMMAND, bytes([output, 0xFF, 200 if on else 0, 0xFF, 0, 0xFF, 0xFF, 0xFF]))

    def send(self, identifier: int, data: bytes) -> None:
        """Send a frame."""
        self.bus.send(can.Message(arbitration_id=identifier | self.address, data=data, is_extended_id=True))
