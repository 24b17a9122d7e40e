"""A room thermostat on a python-can bus, as an integrator may write it, and the mistakes that one can make in it.

Knows: python-can, and the layouts that it needs by their bytes; nothing of ours. Without a mistake it heats only by a
reading that it can believe, with a pump that says that it runs, from a battery and for a tank that it knows about; it
asks a few times and not without end, says what it misses by the yellow lamp of its heartbeat, and goes on when it is
there again. Each mistake leaves one of these checks out. Its limits are invented.
"""

from enum import Enum, auto

import can

ADDRESS_CLAIM, HEARTBEAT = 0x0EE00, 0x1FECA
AMBIENT, TANK, BATTERY = 0x1FF9C, 0x1FFB7, 0x1FFFD
FURNACE_STATUS, FURNACE_COMMAND = 0x1FFE4, 0x1FFE3
WATER_STATUS, WATER_COMMAND = 0x1FFF7, 0x1FFF6
PUMP_STATUS, PUMP_COMMAND = 0x1FE97, 0x1FE96
DIGITAL_INPUT = 0x1FFB8
READ = frozenset({DIGITAL_INPUT, HEARTBEAT, AMBIENT, TANK, BATTERY, PUMP_STATUS, FURNACE_STATUS, WATER_STATUS})

BENCH_ADDRESS, FURNACE_DSA = 0x44, 94
INDOORS, OUTDOORS, AT_THE_BED = 1, 2, 3
BY_ADDRESS = {0x91: INDOORS, 0x96: AT_THE_BED}
"""Where the sensors were when it was written."""

WARMER, OFF = 31, 32
"""The keys beside the door: half a kelvin more; heat off, and on again."""

SET_POINT_C, KEY_STEP_K = 21.0, 0.5
LOWEST_C, HIGHEST_C = -30.0, 60.0
LOWEST_VOLTS = 11.0
JUMP_K, JUMP_DISTRUST_S = 3.0, 60.0
APART_K, COMPARED_AT_START_S = 2.0, 30.0
STILL_S = 60.0
IN_VAIN_S, IN_VAIN_K = 180, 0.5
FAR_BELOW_K = 2.0
"""This far below the set point it asks for full heat, and the cabin has to warm; nearer it may only be kept warm."""
RISEN_STEPS = 3
"""A fresh tank that rises by more than this is not believed: nobody fills it while the vehicle is used."""
LOST_S, IMPATIENT_S = 15.0, 6.0
START_S, GRACE_S = 8.0, 10.0
"""Devices may still be starting: before the first it heats nothing, before the second it misses nothing."""
TRY_S, TRIES, PAUSE_S = 2.0, 5, 30.0
PUMP_GAP_S, TIGHT_S, ALARM_S = 5.0, 0.05, 10.0
"""The last is how long an alarm stands of a pump that is held to a twentieth of a second."""
COLD_BURNER_S, FLAME_OUT_PAUSE_S, RESET_S = 370.0, 10.0, 3.0
"""Neither flame nor warm air for longer than two tries take, 350 s: no heat will come. The others are pauses of spoilt
ones."""
SOON_S, AGAIN_S, WATER_S, HEARTBEAT_S = 1.0, 5.0, 10.0, 5.0
NO_VALUE_8, NO_VALUE_16 = 251, 65531
"""From here on a field says no value: reserved, out of range, no data (16 bits: rv-c.com/node/500; 8: from memory)."""


class Mistake(Enum):
    """One check that is left out."""

    KEEPS_OLD_READINGS = auto()
    TAKES_HEARTBEAT_FOR_READING = auto()
    IS_IMPATIENT = auto()
    BELIEVES_ANY_TEMPERATURE = auto()
    BELIEVES_WHAT_NEVER_MOVES = auto()
    BELIEVES_JUMPS = auto()
    COMPARES_ONLY_AT_START = auto()
    COMPARES_NOTHING = auto()
    KEEPS_SECOND_READING = auto()
    READS_OUT_OF_RANGE_AS_A_LEVEL = auto()
    READS_NO_DATA_AS_VOLTS = auto()
    TAKES_ALL_OTHERS_FOR_INDOORS = auto()
    TAKES_ANY_SENDER = auto()
    GOES_BY_ADDRESS = auto()
    KEEPS_OLD_BYTES = auto()
    OVERLOOKS_PUMP_INSTANCE = auto()
    ASKS_ONCE = auto()
    ASKS_WITHOUT_END = auto()
    TAKES_OBEDIENCE_FOR_GRANTED = auto()
    TAKES_UNHEARD_FOR_ABSENT = auto()
    NEVER_TRUSTS_AGAIN = auto()
    TRUSTS_ONLY_A_NEW_CLAIM = auto()
    NEVER_TRUSTS_A_BATTERY_AGAIN = auto()
    ALLOWS_NO_RETRIES = auto()
    ALLOWS_NO_DELAY = auto()
    OVERLOOKS_LAMP = auto()
    HEATS_IN_VAIN = auto()
    KEEPS_A_RED_LAMP_TO_ITSELF = auto()
    BELIEVES_RISING_WATER = auto()
    OVERLOOKS_HEATERS_SUPPLY = auto()
    ANSWERS_EACH_FRAME = auto()
    RESETS_A_LOCKOUT = auto()
    WAITS_FOR_A_COLD_BURNER = auto()
    RESTARTS_AT_A_FLAME_OUT = auto()
    ASKS_AGAIN_ONCE = auto()
    REPEATS_A_HELD_KEY = auto()
    TAKES_A_NEIGHBOUR_FOR_A_PRESS = auto()


class Sensor:
    """What is known of one sensor: its last reading that may be believed, and what makes it doubtful."""

    def __init__(self) -> None:
        self.name: bytes | None = None
        """The NAME of who spoke for it first."""
        self.source = 0
        self.celsius: float | None = None
        self.since = 0.0
        """When that reading came."""
        self.last: float | None = None
        self.moved = 0.0
        self.is_stuck = False
        self.doubted_until = 0.0


class Pump:
    """What is known of the circulation pump, and what it was asked for."""

    def __init__(self) -> None:
        self.runs: bool | None = None
        self.source = 0
        self.last_heard = 0.0
        """When it was heard last before it was lost."""
        self.since = 0.0
        """When it said so."""
        self.asked: bool | None = None
        self.asked_since = self.tried = -100.0
        self.tries = 0
        self.lost = False
        self.stops = 0
        """How often it said that it does not run, when it had run and was still wanted."""


class Thermostat:
    """Keeps the cabin at the set point by furnace 1 and circulation pump 1, and lets the water be heated."""

    def __init__(self, bus: can.BusABC, mistake: Mistake | None = None, sensors: tuple[int, ...] = (INDOORS,)) -> None:
        self.bus, self.mistake = bus, mistake
        self.sensors = {place: Sensor() for place in sensors}
        self.pump = Pump()
        self.now = 0.0
        self.names: dict[int, bytes] = {}
        self.claimed: dict[int, float] = {}
        """When each address was claimed last."""
        self.heard: dict[int, float] = {}
        self.buffers: dict[int, bytes] = {}
        self.alarmed_until = 0.0
        self.volts: tuple[float, float] | None = None
        self.level: tuple[float, int] | None = None
        self.lowest_level: int | None = None
        self.red_lamp = False
        self.heater_has_supply = True
        self.heated_from: float | None = None
        self.has_warm_air = self.heats_in_vain = False
        self.warm_air_s = 0
        self.burner_lit: bool | None = None
        self.lit_last = self.warm_air_last = 0.0
        self.paused_until = -100.0
        self.gave_up = self.distrusts = False
        self.heat = 0
        self.heats_since = 0.0
        self.said = self.said_water = self.said_alive = -100.0
        self.set_point_c = SET_POINT_C
        self.is_switched_off = False
        self.keys: dict[int, float] = {}
        self.released = -100.0

    def run(self, seconds: float) -> None:
        """Work until a time since the start, by the time stamps of the frames."""
        look = SOON_S
        while self.now < seconds:
            message = self.bus.recv(look - self.now)
            self.now = look if message is None else message.timestamp
            if message is not None:
                self.take(message.arbitration_id, bytes(message.data))
            if self.now >= look:
                self.look()
                look = self.now + SOON_S

    def leaves_out(self, *mistakes: Mistake) -> bool:
        """Tell whether a check is left out."""
        return self.mistake in mistakes

    # What it hears.

    def take(self, identifier: int, data: bytes) -> None:
        """Take a frame."""
        dgn, source = identifier >> 8 & 0x1FFFF, identifier & 0xFF
        self.heard[source] = self.now
        if dgn & 0x1FF00 == ADDRESS_CLAIM:
            self.names[source], self.claimed[source] = data, self.now
        if dgn not in READ:
            return
        if len(data) < 8:
            if not self.leaves_out(Mistake.KEEPS_OLD_BYTES):
                return
            data += self.buffers.get(dgn, bytes(8))[len(data) :]
        self.buffers[dgn] = data
        if dgn == WATER_STATUS and data[0] == 1:
            failed = data[7] >> 4 & 3 == 1
            self.heater_has_supply = not failed or self.leaves_out(Mistake.OVERLOOKS_HEATERS_SUPPLY)
        if dgn == FURNACE_STATUS and data[0] == 1:
            self.has_warm_air = 0 < data[3] < NO_VALUE_8
            self.warm_air_last = self.now if self.has_warm_air else self.warm_air_last
        elif dgn == AMBIENT:
            self.take_reading(source, data)
        elif dgn == DIGITAL_INPUT:
            self.take_key(data[0], on=data[1] == 1)
        elif dgn == PUMP_STATUS and (data[0] == 1 or self.leaves_out(Mistake.OVERLOOKS_PUMP_INSTANCE)):
            self.pump.source = source
            self.take_pump(data[1] & 0xF == 1)
        elif dgn == BATTERY and data[0] == 1:
            raw = int.from_bytes(data[2:4], "little")
            known = raw < NO_VALUE_16 or self.leaves_out(Mistake.READS_NO_DATA_AS_VOLTS)
            self.volts = (self.now, raw / 20) if known else None
        elif dgn == TANK and data[0] == 0:
            known = data[1] < NO_VALUE_8 or self.leaves_out(Mistake.READS_OUT_OF_RANGE_AS_A_LEVEL)
            self.level = (self.now, data[1]) if known and not self.rises(data[1]) else None
        elif dgn == HEARTBEAT and data[1] == FURNACE_DSA:
            self.take_lamp(red=data[0] >> 6 == 1)
        elif dgn == WATER_STATUS and data[0] == 1:
            self.take_burner(data[6] >> 2 & 3 == 1)

    def take_key(self, key: int, on: bool) -> None:
        """Take a key: one press once, however long it is held; a reading that moves to the next key is no new press."""
        if on and key not in self.keys:
            moved = self.now - self.released < TIGHT_S and not self.leaves_out(Mistake.TAKES_A_NEIGHBOUR_FOR_A_PRESS)
            self.keys[key] = self.now
            if key == WARMER and not moved:
                self.set_point_c += KEY_STEP_K
            elif key == OFF and not moved:
                self.is_switched_off = not self.is_switched_off
        elif not on and self.keys.pop(key, None) is not None:
            self.released = self.now

    def take_lamp(self, red: bool) -> None:
        """Take the heater's red lamp: no heat until a person has looked, since a lockout is a safety function."""
        if not red or self.leaves_out(Mistake.OVERLOOKS_LAMP):
            return
        if self.leaves_out(Mistake.RESETS_A_LOCKOUT):
            self.paused_until = self.now + RESET_S if self.now > self.paused_until + AGAIN_S else self.paused_until
        else:
            self.red_lamp = True

    def take_burner(self, lit: bool) -> None:
        """Take whether the burner is lit."""
        if self.burner_lit and not lit and self.heat and self.leaves_out(Mistake.RESTARTS_AT_A_FLAME_OUT):
            self.paused_until = self.now + FLAME_OUT_PAUSE_S
        self.burner_lit = lit
        self.lit_last = self.now if lit else self.lit_last

    def rises(self, level: int) -> bool:
        """Tell whether a fresh tank has more in it than before, which is a sender that says the opposite."""
        if level >= NO_VALUE_8 or self.leaves_out(Mistake.BELIEVES_RISING_WATER):
            return False
        self.lowest_level = level if self.lowest_level is None else min(level, self.lowest_level)
        return level > self.lowest_level + RISEN_STEPS

    def take_pump(self, runs: bool) -> None:
        """Take what the pump says."""
        pump = self.pump
        pump.stops += bool(pump.asked and pump.runs and not runs)
        answers = runs is pump.asked and pump.runs is (not runs)
        late = pump.runs is not None and self.now - pump.since > PUMP_GAP_S + TIGHT_S
        if (answers and self.now - pump.tried > TIGHT_S and self.leaves_out(Mistake.ALLOWS_NO_DELAY)) or (
            late and self.leaves_out(Mistake.ALLOWS_NO_RETRIES)
        ):
            self.alarmed_until = self.now + ALARM_S
        pump.runs, pump.since = runs, self.now

    def take_reading(self, source: int, data: bytes) -> None:
        """Take a temperature, if it is one of its own sensors' and can be believed; then decide."""
        sensor = self.sensors.get(self.place(source, data[0]))
        if sensor is None or not self.is_from(sensor, source):
            return
        celsius = int.from_bytes(data[1:3], "little") / 32 - 273
        before, sensor.last = sensor.last, celsius
        if celsius != before:
            sensor.moved, sensor.is_stuck = self.now, False
        if not (LOWEST_C <= celsius <= HIGHEST_C or self.leaves_out(Mistake.BELIEVES_ANY_TEMPERATURE)):
            sensor.celsius = None
            return
        if before is not None and abs(celsius - before) > JUMP_K and not self.leaves_out(Mistake.BELIEVES_JUMPS):
            sensor.doubted_until = self.now + JUMP_DISTRUST_S
        sensor.celsius = celsius if self.now >= sensor.doubted_until else None
        sensor.since, sensor.source = self.now, source
        self.ask_pump(self.wanted() > 0)
        self.decide(self.leaves_out(Mistake.ANSWERS_EACH_FRAME))

    def place(self, source: int, instance: int) -> int | None:
        """Tell which sensor it is."""
        if self.leaves_out(Mistake.GOES_BY_ADDRESS):
            return BY_ADDRESS.get(source)
        if self.leaves_out(Mistake.TAKES_ALL_OTHERS_FOR_INDOORS):
            return None if instance == OUTDOORS else INDOORS
        return instance

    def is_from(self, sensor: Sensor, source: int) -> bool:
        """Tell whether it is who spoke for this sensor first, wherever its address is now."""
        name = self.names.get(source)
        sensor.name = sensor.name or name
        others = (Mistake.TAKES_ANY_SENDER, Mistake.TAKES_ALL_OTHERS_FOR_INDOORS, Mistake.GOES_BY_ADDRESS)
        return sensor.name == name or self.leaves_out(*others)

    # What it makes of it.

    def is_fresh(self, since: float) -> bool:
        """Tell whether something that was heard then still counts."""
        return self.now - since <= LOST_S

    def reading(self, place: int) -> float | None:
        """Return a sensor's temperature, None where there is none to go by."""
        sensor = self.sensors[place]
        since = sensor.since
        if self.leaves_out(Mistake.TAKES_HEARTBEAT_FOR_READING):
            since = self.heard.get(sensor.source, since)
        patience = IMPATIENT_S if self.leaves_out(Mistake.IS_IMPATIENT) else LOST_S
        kept = Mistake.KEEPS_OLD_READINGS if place == INDOORS else Mistake.KEEPS_SECOND_READING
        if self.now - since > patience and not self.leaves_out(kept):
            return None
        if self.heat and sensor.since - max(sensor.moved, self.heats_since) > STILL_S:
            sensor.is_stuck = True
        if sensor.is_stuck and not self.leaves_out(Mistake.BELIEVES_WHAT_NEVER_MOVES):
            return None
        return sensor.celsius

    def cabin(self) -> float | None:
        """Return the cabin's temperature: the first sensor's, or the second's, and neither's where they disagree."""
        first = self.reading(INDOORS)
        if AT_THE_BED not in self.sensors:
            return first
        second = self.reading(AT_THE_BED)
        if first is None or second is None:
            return second if first is None else first
        late = self.now > COMPARED_AT_START_S and self.leaves_out(Mistake.COMPARES_ONLY_AT_START)
        compares = not (late or self.leaves_out(Mistake.COMPARES_NOTHING))
        return None if compares and abs(first - second) > APART_K else first

    def has_supply(self) -> bool:
        """Tell whether the battery is known to carry a heater."""
        known = self.volts is not None and self.is_fresh(self.volts[0]) and self.volts[1] >= LOWEST_VOLTS
        self.distrusts = (self.distrusts or (self.volts is not None and not known)) and self.leaves_out(
            Mistake.NEVER_TRUSTS_A_BATTERY_AGAIN
        )
        return known and not self.distrusts

    def pump_runs(self) -> bool:
        """Tell whether the coolant is known to go round."""
        pump = self.pump
        if self.leaves_out(Mistake.TAKES_OBEDIENCE_FOR_GRANTED):
            return bool(pump.asked) and self.now - pump.asked_since >= TRY_S
        if pump.runs is None:
            return self.leaves_out(Mistake.TAKES_UNHEARD_FOR_ABSENT) and self.now > GRACE_S
        fresh = self.is_fresh(pump.since)
        if not pump.lost and not fresh:
            pump.last_heard = pump.since
        waits = self.leaves_out(Mistake.TRUSTS_ONLY_A_NEW_CLAIM) and self.claimed.get(pump.source, 0) < pump.last_heard
        pump.lost = (pump.lost or not fresh) and (not fresh or waits or self.leaves_out(Mistake.NEVER_TRUSTS_AGAIN))
        return pump.runs and not pump.lost

    def has_cold_burner(self) -> bool:
        """Tell whether heat was asked for, and neither flame nor warm air came for longer than any start takes.

        A burner pauses while its coolant is hot enough: the air is warm then, and nothing is wrong.
        """
        since = max(self.lit_last, self.warm_air_last, self.heats_since)
        cold = self.heat > 0 and self.burner_lit is False and self.now - since > COLD_BURNER_S
        self.gave_up = (self.gave_up or cold) and not self.leaves_out(Mistake.WAITS_FOR_A_COLD_BURNER)
        return self.gave_up

    def misses_something(self) -> bool:
        """Tell whether it has to say so."""
        unanswered = self.pump.tries >= TRIES and self.pump.runs is not self.pump.asked
        no_heat = self.red_lamp and not self.leaves_out(Mistake.KEEPS_A_RED_LAMP_TO_ITSELF)
        return unanswered or no_heat or self.now < self.alarmed_until or (self.now > GRACE_S and self.cabin() is None)

    # What it does.

    def look(self) -> None:
        """Do each second what is due."""
        if self.now - self.keys.get(WARMER, self.now) > SOON_S and self.leaves_out(Mistake.REPEATS_A_HELD_KEY):
            self.set_point_c += KEY_STEP_K
        self.count_warm_air()
        self.decide()
        if self.now - self.said_water >= WATER_S:
            self.said_water = self.now
            has_water = self.level is not None and self.is_fresh(self.level[0]) and self.level[1] > 0
            self.send(WATER_COMMAND, 1, int(has_water))
        if self.now - self.said_alive >= HEARTBEAT_S or self.misses_something():
            self.said_alive = self.now
            self.send(HEARTBEAT, 0x15 if self.misses_something() else 0x05, BENCH_ADDRESS)
        self.ask_pump(self.wanted() > 0)

    def wanted(self) -> int:
        """Return the heat that the cabin wants, in steps of half a percent: all of it two kelvins below."""
        celsius = self.cabin()
        if self.now < START_S or celsius is None or self.red_lamp or not self.has_supply():
            return 0
        if not self.heater_has_supply or self.heats_in_vain or self.is_switched_off:
            return 0
        if self.now < self.paused_until or self.has_cold_burner():
            return 0
        return max(0, min(200, round((self.set_point_c - celsius) * 100)))

    def count_warm_air(self) -> None:
        """Count the seconds of warm air, for which a cold heater takes minutes: cold coolant warms first, without fan.

        A reading that moves then and does not rise is not the cabin's.
        """
        celsius = self.cabin()
        if not self.heat or celsius is None or celsius > SET_POINT_C - FAR_BELOW_K:
            self.heated_from, self.warm_air_s = None, 0
            return
        self.heated_from = celsius if self.heated_from is None else self.heated_from
        self.warm_air_s += self.has_warm_air
        moves = self.now - self.sensors[INDOORS].moved < STILL_S
        if self.warm_air_s > IN_VAIN_S and moves and celsius < self.heated_from + IN_VAIN_K:
            self.heats_in_vain = not self.leaves_out(Mistake.HEATS_IN_VAIN)

    def decide(self, at_once: bool = False) -> None:
        """Tell the furnace: a change soon, the same again now and then."""
        heat = self.wanted() if self.pump_runs() else 0
        if self.now - self.said < (SOON_S if heat != self.heat else AGAIN_S) and not at_once:
            return
        if not self.heat:
            self.heats_since = self.now
        self.heat, self.said = heat, self.now
        self.send(FURNACE_COMMAND, 1, 0x01, 200 if heat else 0, heat)  # manual: fan and heat as they are asked for

    def ask_pump(self, on: bool) -> None:
        """Ask the pump until it says so: some tries, then a pause."""
        pump = self.pump
        if on != pump.asked:
            pump.asked, pump.asked_since, pump.tries = on, self.now, 0
        elif self.leaves_out(Mistake.ASKS_ONCE) or (pump.stops > 1 and self.leaves_out(Mistake.ASKS_AGAIN_ONCE)):
            return
        if pump.runs is on and self.is_fresh(pump.since):
            pump.tries = 0
            return
        if pump.tries >= TRIES and not self.leaves_out(Mistake.ASKS_WITHOUT_END):
            if self.now - pump.tried < PAUSE_S:
                return
            pump.tries = 0
        if self.now - pump.tried >= TRY_S:
            pump.tried = self.now
            pump.tries += 1
            self.send(PUMP_COMMAND, 1, 0xF1 if on else 0xF0)

    def send(self, dgn: int, *data: int) -> None:
        """Send a message, filled up with FF: unchanged, or nothing to say."""
        payload = bytes(data).ljust(8, b"\xff")
        self.bus.send(can.Message(arbitration_id=6 << 26 | dgn << 8 | BENCH_ADDRESS, data=payload))
