"""A controller of switched outputs on a python-can bus, written from the message tables alone, and its usual mistakes.

Knows: python-can, and the layouts that it needs by their bytes; nothing of ours. Keys are digital inputs. A press
commands an output, a group, or a scene of two ramps; what does not follow is commanded again some times, but nothing
that has tripped, is locked or is overridden by hand; what was commanded is restored when the module has claimed an
address anew; the heater mat is off while the battery is low. Each mistake is one that is usual (common practice, no
source).
"""

from collections.abc import Iterator
from enum import Enum, auto

import can

CLAIM, HEARTBEAT, BATTERY = 0x0EE00, 0x1FECA, 0x1FFFD
INPUT, DIMMER_STATUS, LOAD_STATUS, LOAD_FLAGS = 0x1FFB8, 0x1FEDA, 0x1FFBD, 0x1FEDC
DIMMER_COMMAND, LOAD_COMMAND = 0x19FEDB00, 0x19FFBC00
ADDRESS, MODULE = 0x44, 0x8E
SET_LEVEL, TOGGLE, RAMP, FULL, NO_DATA = 0, 5, 17, 200, 0xFF
LAMP_KEY, EVENING_KEY, OFF_KEY, HEAT_KEY, PUMP_KEY, FAN_KEY = range(31, 37)
GALLEY, SEAT, BED, PORCH = 1, 2, 3, 4
PUMP, FAN, SOCKET, MAT = 11, 12, 13, 14
LOADS = (PUMP, FAN, SOCKET, MAT)
KEY_OUTPUTS = {LAMP_KEY: BED, HEAT_KEY: MAT, PUMP_KEY: PUMP, FAN_KEY: FAN}
EVENING = {GALLEY: 100, SEAT: 60, BED: 40}
"""Raw levels: 50, 30 and 20 %."""
FIRST_GROUP, GROUP_1 = (GALLEY, SEAT), 0x7E
"""The members of group 1, and its bitmap: a zero marks it."""
DEBOUNCE_S, RAMP_S, FOLLOWS_S, HEARTBEAT_S, LOOK_S, RESTORE_S = 0.05, 4.0, 1.0, 5.0, 0.1, 1.5
MAX_COMMANDS = 4
LOW_V, GOOD_V, LOW_S = 11.5, 12.2, 3.0


class Mistake(Enum):
    """One mistake."""

    WRONG_INSTANCE = auto()
    WRONG_GROUP = auto()
    RAMP_READ_AS_ON = auto()
    TOGGLE_ON_REPEAT = auto()
    NO_DEBOUNCE = auto()
    IGNORES_TRIP = auto()
    TWO_COMMANDS_A_PRESS = auto()
    IGNORES_OVERRIDE = auto()
    FORGETS_AFTER_RESET = auto()
    LOW_BYTE_LAST = auto()


class Wanted:
    """What an output was commanded to do, and how often it was asked."""

    def __init__(self, level: int, code: int) -> None:
        self.level, self.code = level, code
        self.times, self.due = 0, 0.0


class SwitchController:
    """Reads keys and commands outputs."""

    def __init__(self, bus: can.BusABC, mistake: Mistake | None = None) -> None:
        self.bus, self.mistake = bus, mistake
        self.now = 0.0
        self.keys: dict[int, int] = {}
        """The position of each key and switch, by its instance."""
        self.edges: dict[int, float] = {}
        self.pressed: list[int] = []
        self.levels: dict[int, int] = {}
        self.tripped: set[int] = set()
        self.by_hand: set[int] = set()
        """Outputs that a person overrides at the module, or has locked."""
        self.wanted: dict[int, Wanted] = {}
        self.restore_due: float | None = None
        self.low_since: float | None = None
        self.is_shed = False
        self.beat_due = 0.0

    def run(self, seconds: float) -> None:
        """Work until a time since the start, by the time stamps of the frames."""
        look = self.now + LOOK_S
        while self.now < seconds:
            message = self.bus.recv(max(0.0, look - self.now))
            self.now = look if message is None else message.timestamp
            if message is not None:
                pdu = message.arbitration_id >> 8 & 0x1FFFF
                dgn = pdu if pdu >> 8 & 0xFF >= 0xF0 else pdu & 0x1FF00
                self.take(dgn, message.arbitration_id & 0xFF, bytes(message.data))
            if self.now >= look:
                self.look()
                look = self.now + LOOK_S

    # What it reads.

    def take(self, dgn: int, source: int, data: bytes) -> None:
        """Take a frame."""
        if dgn == INPUT:
            self.take_key(data[0], data[1])
        elif dgn == DIMMER_STATUS:
            self.take_state(data[0], data[3])
            self.levels[data[0]] = data[2]
        elif dgn == LOAD_STATUS:
            self.levels[data[0]] = data[2]
        elif dgn == LOAD_FLAGS:
            self.take_state(data[0], data[1])
        elif dgn == BATTERY and data[0] == 1:
            self.take_volts(data[2:4])
        elif dgn == CLAIM and source == MODULE and self.levels:
            self.restore_due = self.now + RESTORE_S

    def take_key(self, instance: int, position: int) -> None:
        """Take the position of a key: a press is the first edge after a while without any."""
        before = self.keys.get(instance)
        self.keys[instance] = position
        if before is None or before == position:
            return
        is_bounce = self.now - self.edges.get(instance, -1.0) < DEBOUNCE_S
        self.edges[instance] = self.now
        if position == 1 and (not is_bounce or self.mistake is Mistake.NO_DEBOUNCE):
            self.pressed.append(instance)
            self.press(instance)

    def take_state(self, instance: int, flags: int) -> None:
        """Take the flags of an output: two bits each for lock, over-current and override."""
        locked, over, by_hand = (flags >> shift & 3 == 1 for shift in (0, 2, 4))
        if over and self.mistake is not Mistake.IGNORES_TRIP:
            self.tripped.add(instance)
            self.wanted.pop(instance, None)
        elif not over:
            self.tripped.discard(instance)
        is_free = not (locked or by_hand) or self.mistake is Mistake.IGNORES_OVERRIDE
        (self.by_hand.discard if is_free else self.by_hand.add)(instance)

    def take_volts(self, data: bytes) -> None:
        """Take the voltage of the battery in steps of 0.05 V; what is no value says nothing."""
        raw = int.from_bytes(data, "big" if self.mistake is Mistake.LOW_BYTE_LAST else "little")
        if raw > 65530:
            return
        if raw * 0.05 >= GOOD_V:
            self.low_since, self.is_shed = None, False
        elif raw * 0.05 < LOW_V and self.low_since is None:
            self.low_since = self.now

    # What it does.

    def press(self, key: int) -> None:
        """Act on a press."""
        if key == EVENING_KEY:
            for instance, level in EVENING.items():
                self.want(instance, level, RAMP)
        elif key == OFF_KEY:
            for instance in FIRST_GROUP:
                self.wanted[instance] = Wanted(0, SET_LEVEL)
                self.wanted[instance].times, self.wanted[instance].due = 1, self.now + FOLLOWS_S
            bitmap = 1 if self.mistake is Mistake.WRONG_GROUP else GROUP_1
            self.send(DIMMER_COMMAND, bytes([NO_DATA, bitmap, 0, SET_LEVEL, 0]))
        elif key in KEY_OUTPUTS:
            output = KEY_OUTPUTS[key]
            level = 0 if self.levels.get(output) else FULL
            if not level or output not in self.tripped:
                self.want(output, level)

    def want(self, instance: int, level: int, code: int = SET_LEVEL) -> None:
        """Command an output, and see to it that it follows."""
        self.wanted[instance] = Wanted(level, code)
        self.command(instance)
        if self.mistake is Mistake.TWO_COMMANDS_A_PRESS:
            self.command(instance)

    def command(self, instance: int) -> None:
        """Send what is wanted of an output."""
        wanted = self.wanted[instance]
        wanted.times += 1
        wanted.due = self.now + FOLLOWS_S + (RAMP_S if wanted.code == RAMP else 0.0)
        level = 0 if self.is_shed and instance == MAT else wanted.level
        code = TOGGLE if self.mistake is Mistake.TOGGLE_ON_REPEAT and wanted.code == SET_LEVEL else wanted.code
        to = instance + 1 if self.mistake is Mistake.WRONG_INSTANCE else instance
        if instance in LOADS:
            self.send(LOAD_COMMAND, bytes([to, NO_DATA, level, NO_DATA, code, 0]))
        else:
            delay = NO_DATA if code == RAMP else 0  # a ramp takes the time that the output has for it
            self.send(DIMMER_COMMAND, bytes([to, NO_DATA, level, code, delay]))

    def look(self) -> None:
        """Command again what has not followed, restore what the module has lost, and mind the battery."""
        if self.now >= self.beat_due:
            self.beat_due = self.now + HEARTBEAT_S
            self.send(0x19FECA00, bytes([1, 68]))
        if self.restore_due is not None and self.now >= self.restore_due:
            self.restore_due = None
            self.restore()
        if self.low_since is not None and self.now >= self.low_since + LOW_S and not self.is_shed:
            self.is_shed = True
            if MAT in self.wanted:
                self.command(MAT)
        for instance in list(self.late()):
            self.command(instance)

    def restore(self) -> None:
        """Command again all that was commanded before the module lost it."""
        if self.mistake is Mistake.FORGETS_AFTER_RESET:
            self.wanted.clear()
        for wanted in self.wanted.values():
            wanted.times, wanted.due = 0, self.now

    def late(self) -> Iterator[int]:
        """Yield the outputs that have not followed, and may be asked again."""
        for instance, wanted in self.wanted.items():
            level = self.levels.get(instance)
            follows = level == wanted.level or (instance == MAT and self.is_shed)
            if self.mistake is Mistake.RAMP_READ_AS_ON and level:
                follows = True
            may = instance not in self.by_hand and instance not in self.tripped and wanted.times < MAX_COMMANDS
            if not follows and may and self.now >= wanted.due:
                yield instance

    def send(self, identifier: int, data: bytes) -> None:
        """Send a frame, the rest of it ones."""
        data = data.ljust(8, b"\xff")
        self.bus.send(can.Message(arbitration_id=identifier | ADDRESS, data=data, is_extended_id=True))
