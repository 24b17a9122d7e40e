"""A watch with a hand-made bus in front of it; what comes out is kept as a list of facts."""

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.watch import FlagCleared, FlagRaised, PresenceChanged, ReadingChanged, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import is_addressed

NO_FAULT = {"spn": 0x7FFFF, "fmi": 0x1F}

DEVICES = {
    "heater": {"kind": "heater", "address": 0x5E, "functions": {"furnace": 1, "water_heater": 1}},
    "heater 2": {"kind": "heater", "address": 0x5F, "functions": {"furnace": 2, "water_heater": 2}},
    "roof fan": {"kind": "roof_fan", "address": 0x90, "functions": {"roof_fan": 1}},
    "sensor": {"kind": "ambient", "address": 0x91, "functions": {"ambient_sensor": 1}},
    "panel": {"kind": "panel", "address": 0x44, "functions": {"control_panel": 1}},
    "panel 2": {"kind": "panel", "address": 0x45, "functions": {"control_panel": 2}},
    "charger": {"kind": "charger", "address": 0x4A, "functions": {"charger": 1, "dc_source": 1}},
    "monitor": {"kind": "monitor", "address": 0x46, "functions": {"dc_source": 1}},
}
"""What a rig can be made of, by name."""


def rig_of(*devices: dict, **tables: object) -> Rig:
    """A rig with these devices, and with other tables."""
    return Rig.model_validate({"schema": 1, "name": "test", "title": "Test rig", "device": list(devices), **tables})


@dataclass
class Sender:
    """Something that sends one frame again and again, but for the times in ``off`` (seconds)."""

    source: int
    message: str
    gap: float
    first: float = 0.0
    raws: dict | None = None
    off: tuple[tuple[float, float], ...] = ()


class Bus:
    """Frames by message name and seconds in, facts out."""

    def __init__(self, catalogue, *devices: dict, start: float = 0, **tables: object):
        self.catalogue = catalogue
        self.rig = rig_of(*devices, **tables) if devices else None
        self.watch = Watch(catalogue, self.rig, round(start * SECOND_US))
        self.events = []

    def frame(self, seconds: float, message: str, source: int, length: int = 8, **raws: int) -> Frame:
        """Build a frame; a message that addresses goes to everyone."""
        spec = self.catalogue.by_name(message)
        to = 0xFF if is_addressed(spec.dgn) else None
        return Frame(round(seconds * SECOND_US), spec.identifier(source, to), spec.pack(**raws)[:length])

    def say(self, seconds: float, message: str, source: int, length: int = 8, **raws: int) -> "Bus":
        """Let a source send a message."""
        return self.observe(self.frame(seconds, message, source, length, **raws))

    def heartbeat(self, seconds: float, source: int, dsa: int, **raws: int) -> "Bus":
        """Let a source send a DM_RV without a fault."""
        return self.say(seconds, "DM_RV", source, dsa=dsa, operating_status_1=1, **NO_FAULT, **raws)

    def claim(self, seconds: float, source: int, serial: int) -> "Bus":
        """Let a source claim its address with a NAME."""
        return self.say(seconds, "ADDRESS_CLAIM", source, **self.unit(serial))

    def observe(self, frame: Frame) -> "Bus":
        """Hear a frame."""
        self.events += self.watch.observe(frame)
        return self

    def until(self, seconds: float) -> "Bus":
        """Tell the time."""
        self.events += self.watch.advance(round(seconds * SECOND_US))
        return self

    @staticmethod
    def unit(serial: int) -> dict[str, int]:
        """Return the parts of a NAME of which only the serial number is not zero."""
        parts = ("manufacturer_code", "node_instance", "function_instance", "reserved_bit", "arbitrary_address_capable")
        numbered = {f"compatibility_field_{number}": 0 for number in range(1, 5)}
        return {"serial_number": serial, **dict.fromkeys(parts, 0), **numbered}

    @staticmethod
    def every(gap: float, message: str, source: int, first: float = 0.0, off=(), **raws: int) -> Sender:
        """Plan a periodic sender, by its gap in seconds; without raw values it speaks for instance 1."""
        return Sender(source, message, gap, first, raws, off)

    def run(self, seconds: float, *senders: Sender, begin: float = 0.0) -> "Bus":
        """Hear the frames of periodic senders from ``begin`` on, then tell the time."""
        for frame in self.frames(seconds, *senders, begin=begin):
            self.observe(frame)
        return self.until(seconds)

    def frames(self, seconds: float, *senders: Sender, begin: float = 0.0) -> list[Frame]:
        """Return the frames of periodic senders, in order of time."""
        frames = []
        for sender in senders:
            count, moment = 0, sender.first
            while moment < seconds:
                if moment >= begin and not any(a <= moment < b for a, b in sender.off):
                    frames.append(self.frame(moment, sender.message, sender.source, **(sender.raws or {"instance": 1})))
                count += 1
                moment = sender.first + count * sender.gap
        return sorted(frames, key=lambda frame: frame.time)

    # Facts.

    @property
    def presence(self) -> list[tuple[float, str, str]]:
        """When who came into which state."""
        return [(e.time / SECOND_US, e.device, str(e.state)) for e in self.events if isinstance(e, PresenceChanged)]

    @property
    def flags(self) -> list[tuple[float, str, str, str]]:
        """When which kind of flag was raised or cleared for whom."""
        return [
            (e.time / SECOND_US, "raised" if isinstance(e, FlagRaised) else "cleared", str(e.flag.kind), e.flag.subject)
            for e in self.events
            if isinstance(e, FlagRaised | FlagCleared)
        ]

    @property
    def readings(self) -> list[tuple[str, int | None, str, str, str | None]]:
        """Who said what of which instance, and what it said before."""
        return [
            (e.device, e.instance, e.reading.field.name, e.reading.brief, e.previous.brief if e.previous else None)
            for e in self.events
            if isinstance(e, ReadingChanged)
        ]

    @property
    def who(self) -> dict[str, int | None]:
        """Who is planned, and where each is heard."""
        return {record.device: record.source for record in self.watch.roll_call if record.planned}

    @property
    def others(self) -> dict[str, str | None]:
        """Who else is there, with the state."""
        return {record.device: record.state for record in self.watch.roll_call if not record.planned}

    def forget(self) -> "Bus":
        """Start a new list of facts."""
        self.events = []
        return self


def _planned(device: str | dict, **more: object) -> dict:
    return {"name": device, **DEVICES[device], **more} if isinstance(device, str) else device


@pytest.fixture(scope="session")
def planned() -> Callable[..., dict]:
    """Return a planned device by name, with something more or else: ``planned("heater", sleeps=True)``."""
    return _planned


@pytest.fixture(scope="session")
def bus(catalogue) -> Callable[..., Bus]:
    """Make a bus, with the devices of a rig (by name, or planned ones) and its other tables, or without one."""

    def make(*devices: str | dict, start: float = 0, **tables: object) -> Bus:
        return Bus(catalogue, *map(_planned, devices), start=start, **tables)

    return make
