"""Three wrong thermostats that the shipped scenarios have to find, each made from the right one (`thermostat`).

Knows: what each does otherwise. `test_shipped` puts them into the scenarios.
"""

import importlib.util
from pathlib import Path
from typing import Any

import can

_spec = importlib.util.spec_from_file_location("thermostat", Path(__file__).parent / "thermostat.py")
thermostat = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(thermostat)
Mistake = thermostat.Mistake
Right: Any = thermostat.Thermostat

HEATER, CHARGER = 0x5E, 0x4A
HIGH_NAME, LOW_NAME = bytes.fromhex("FFFF1FFFFFFFFF7F"), bytes(8)
"""Two NAMEs, the lowest byte first: one that loses every contest for an address, and one that wins it."""


class ShortCycling(Right):
    """All the heat below the set point and none from there on: no dead band, and no time that it keeps to."""

    def wanted(self):
        """Return all or nothing."""
        return 200 if super().wanted() else 0


class Banded(ShortCycling):
    """All or nothing as well, but with a dead band: right, as its starts are far apart.

    It stops early, since its sensor is behind the air and the cabin goes on warming: the band is lower above.
    """

    def wanted(self):
        """Return all below the band, none above it, and in it what it was."""
        celsius = self.cabin()
        if celsius is None or (not super(ShortCycling, self).wanted() and celsius < thermostat.SET_POINT_C):
            return 0
        below, above = celsius < thermostat.SET_POINT_C - 0.8, celsius > thermostat.SET_POINT_C + 0.4
        self.heating = below or (getattr(self, "heating", False) and not above)
        return 200 if self.heating else 0


class FromAnothersAddress(Right):
    """Sends from an address that somebody else has, and claims none."""

    address = HEATER

    def send(self, dgn, *data):
        """Send as the right one does, but from there."""
        payload = bytes(data).ljust(8, b"\xff")
        self.bus.send(can.Message(arbitration_id=6 << 26 | dgn << 8 | self.address, data=payload))


class FromTheChargersAddress(FromAnothersAddress):
    """The same with another one."""

    address = CHARGER


class NeverYields(FromAnothersAddress):
    """Claims an address, loses it to who has it, and goes on."""

    name = HIGH_NAME

    def run(self, seconds):
        """Claim first, when the others have claimed."""
        while self.now < 1.0:  # type: ignore[has-type]
            message = self.bus.recv(1.0 - self.now)  # type: ignore[has-type]
            self.now = 1.0 if message is None else message.timestamp
        self.bus.send(can.Message(arbitration_id=0x18EEFF00 | self.address, data=self.name))
        super().run(seconds)


class TakesAnothers(NeverYields):
    """Claims an address with a NAME that wins: whoever had it has none then."""

    name = LOW_NAME
