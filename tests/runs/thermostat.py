"""A room thermostat, as somebody's controller under test: python-can, and nothing of ours but the bus it is given."""

import can

AMBIENT, FURNACE_COMMAND, PUMP_COMMAND = 0x1FF9C, 0x1FFE3, 0x1FE96
OWN_ADDRESS = 0x44


class Thermostat:
    """Reads one ambient sensor; asks furnace 1 and circulation pump 1 for heat below the set point."""

    def __init__(self, bus: can.BusABC, sensor: int, set_point_c: float = 21.0):
        self.bus, self.sensor, self.set_point_c = bus, sensor, set_point_c

    def run(self, seconds: float) -> None:
        """Work until a time since the start, by the time stamps of the frames."""
        while True:
            message = self.bus.recv(5.0)
            if message is None or message.timestamp >= seconds:
                return
            if message.arbitration_id >> 8 & 0x1FFFF == AMBIENT and message.data[0] == self.sensor:
                self.decide(int.from_bytes(message.data[1:3], "little") / 32 - 273)

    def decide(self, celsius: float) -> None:
        """Full heat two kelvins below the set point, none above it."""
        heat = max(0, min(200, round((self.set_point_c - celsius) * 100)))  # steps of half a percent
        self.send(FURNACE_COMMAND, 1, 0x01, 200 if heat else 0, heat)  # manual: fan and heat as they are asked for
        self.send(PUMP_COMMAND, 1, 0xF1 if heat else 0xF0)

    def send(self, dgn: int, *data: int) -> None:
        """Send a message, filled up with FF: unchanged."""
        payload = bytes(data).ljust(8, b"\xff")
        self.bus.send(can.Message(arbitration_id=6 << 26 | dgn << 8 | OWN_ADDRESS, data=payload))
