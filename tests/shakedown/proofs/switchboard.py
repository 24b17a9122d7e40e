"""A small switchboard on a python-can bus, as an integrator may write it, and the mistakes that one can make in it.

Knows: python-can, and the layouts that it needs by their bytes; nothing of ours. It switches a light (dimmer 21), a
pump (load 31) and a heater mat (load 32, by a relay) on, and the mat off after a minute; it believes no status alone
but the battery's current too, says what is wrong by the yellow lamp of its heartbeat, and leaves off what has tripped.
Each mistake leaves one of these checks out.
"""

from enum import Enum, auto

import can

HEARTBEAT, BATTERY, LOAD_STATUS_2 = 0x1FECA, 0x1FFFD, 0x1FEDC
ADDRESS, DIMMER_DSA = 0x44, 131
LIGHT, PUMP, MAT = 21, 31, 32
START_S, MAT_OFF_S, SETTLED_S, AGAIN_S, HEARTBEAT_S, LOOK_S = 10.0, 60.0, 3.0, 5.0, 5.0, 0.5
MAT_AMPS = 15.0
"""Less than the mat takes, and more than all other things together."""
CURRENT_LOW = 5
"""The FMI of an open circuit."""


class Mistake(Enum):
    """One check that is left out."""

    INSISTS_ON_A_TRIPPED_OUTPUT = auto()
    KEEPS_A_LAMP_OUT_TO_ITSELF = auto()
    TAKES_ON_FOR_WARM = auto()
    TAKES_OFF_FOR_COLD = auto()


class Switchboard:
    """Switches three loads, and looks after them."""

    def __init__(self, bus: can.BusABC, mistake: Mistake | None = None) -> None:
        self.bus, self.mistake = bus, mistake
        self.now = 0.0
        self.amps = 0.0
        self.tripped = self.lamp_out = self.mat_is_cold = self.mat_is_stuck = False
        self.mat_on: bool | None = None
        self.mat_since = 0.0
        self.said: dict[str, tuple[str, float]] = {}

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
        elif dgn == LOAD_STATUS_2 and data[0] == PUMP:
            self.tripped = self.tripped or data[1] >> 2 & 3 == 1  # until a person has looked at it
        elif dgn == HEARTBEAT and data[1] == DIMMER_DSA:
            self.lamp_out = data[4] & 0x1F == CURRENT_LOW

    def look(self) -> None:
        """Look after the loads, and say how it is."""
        if self.now >= START_S:
            self.switch()
        settled = self.mat_on is not None and self.now > self.mat_since + SETTLED_S
        if settled and self.mat_on and self.amps < MAT_AMPS and self.mistake is not Mistake.TAKES_ON_FOR_WARM:
            self.mat_is_cold = True
        if settled and not self.mat_on and self.amps > MAT_AMPS and self.mistake is not Mistake.TAKES_OFF_FOR_COLD:
            self.mat_is_stuck = True
        lamp = self.lamp_out and self.mistake is not Mistake.KEEPS_A_LAMP_OUT_TO_ITSELF
        is_wrong = lamp or self.tripped or self.mat_is_cold or self.mat_is_stuck
        self.say(0x19FECA00, bytes([0x11 if is_wrong else 0x01, 68, *b"\xff" * 6]), HEARTBEAT_S, "alive")

    def switch(self) -> None:
        """Command each load to what it should be."""
        self.say(0x19FEDB00, bytes([LIGHT, 0xFF, 200, 0, 0xFF, 0xFF, 0xFF, 0xFF]), AGAIN_S, "light")
        insists = self.mistake is Mistake.INSISTS_ON_A_TRIPPED_OUTPUT
        self.say_load(PUMP, on=not self.tripped or insists)
        on = self.now < MAT_OFF_S
        if on is not self.mat_on:
            self.mat_on, self.mat_since = on, self.now
        self.say_load(MAT, on=on)

    def say_load(self, instance: int, *, on: bool) -> None:
        """Command a load."""
        data = bytes([instance, 0xFF, 200 if on else 0, 0xFF, 0, 0xFF, 0xFF, 0xFF])
        self.say(0x19FFBC00, data, AGAIN_S, f"load {instance}")

    def say(self, identifier: int, data: bytes, gap: float, key: str) -> None:
        """Send a frame at its gap, and at once when it has changed."""
        new = f"{key} {data.hex()}"
        if self.said.get(key, ("", -100.0))[0] != new or self.now >= self.said[key][1] + gap:
            self.said[key] = (new, self.now)
            self.bus.send(can.Message(arbitration_id=identifier | ADDRESS, data=data, is_extended_id=True))
