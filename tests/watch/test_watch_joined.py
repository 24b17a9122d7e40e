"""Long messages that a log has in one entry each: they say what their packets would have said."""

import pytest

from rvsim.logs.survey import survey
from rvsim.watch.watch import FlagCleared, FlagRaised, NodeDescribed, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import JoinedMessage, LogEnded
from rvsim.wire.texts import Product

HEATER, PANEL = 0x5E, 0x44
TWO_FAULTS = "10 FF 6E 00 00 01 D2 00 03 02"
"""DM1: SPN 110 FMI 0 and SPN 210 FMI 3."""


class Bus:
    """A watch and what it says."""

    def __init__(self, catalogue):
        self.watch, self.events = Watch(catalogue), []

    def observe(self, seconds, identifier, text):
        """A frame by its bytes."""
        self.events += self.watch.observe(Frame(round(seconds * SECOND_US), identifier, bytes.fromhex(text)))

    def joined(self, seconds, identifier, text):
        """A long message in one entry."""
        event = JoinedMessage(round(seconds * SECOND_US), identifier, bytes.fromhex(text))
        self.events += self.watch.observe_event(event)

    def flags(self, kind):
        """(raised or cleared, text) of one kind."""
        flags = [event for event in self.events if isinstance(event, FlagRaised | FlagCleared)]
        return [(isinstance(event, FlagRaised), event.flag.text) for event in flags if event.flag.kind == kind]


@pytest.fixture
def bus(catalogue):
    """A bus without a rig."""
    return Bus(catalogue)


def test_reported_faults_are_those_of_the_packets(catalogue, bus):
    """Two faults in one entry; later one frame reports one of them."""
    packets = Bus(catalogue)
    packets.observe(0, 0x1CECFF00 | HEATER, "20 0A 00 02 FF CA FE 00")
    packets.observe(0, 0x1CEBFF00 | HEATER, "01 10 FF 6E 00 00 01 D2")
    packets.observe(0, 0x1CEBFF00 | HEATER, "02 00 03 02 FF FF FF FF")
    bus.joined(0, 0x18FECA00 | HEATER, TWO_FAULTS)
    for each in (packets, bus):
        each.observe(1, 0x18FECA00 | HEATER, "10 FF D2 00 03 02 FF FF")
    assert len(bus.flags("reported-fault")) == 3
    assert bus.flags("reported-fault") == packets.flags("reported-fault")
    evidence = next(event for event in bus.events if isinstance(event, FlagRaised)).flag.evidence[0]
    assert evidence.startswith("frame 18FECA5E 10 FF 6E 00 00 01 D2 00")


def test_a_product_in_one_entry_is_taken(bus):
    """It is that of the sender, whoever asked for it."""
    bus.joined(0.5, 0x18FEEB00 | HEATER, (b"Made up*H5*" + b"1" * 9 + b"**").hex())
    described = [event for event in bus.events if isinstance(event, NodeDescribed)]
    assert [(event.time, event.source, event.product.make) for event in described] == [(500_000, HEATER, "Made up")]
    assert isinstance(bus.watch.roll_call[0].product, Product)


def test_a_message_in_one_entry_has_succeeded(bus):
    """Two announced messages whose packets do not come are reported; the whole one ends that."""
    for second in range(4):
        bus.observe(second, 0x1CECFF00 | HEATER, "20 0A 00 02 FF CA FE 00")
        bus.observe(second + 0.1, 0x1CEBFF00 | HEATER, "02 00 03 02 FF FF FF FF")
    assert [raised for raised, _ in bus.flags("failed-transfer")] == [True]
    bus.joined(5, 0x18FECA00 | HEATER, TWO_FAULTS)
    assert [raised for raised, _ in bus.flags("failed-transfer")] == [True, False]


def test_a_sender_of_such_messages_is_heard(bus):
    """As long as they come it is present, though its status is late; without them it is silent."""
    for tenths in range(1200):
        second = tenths // 10
        if tenths % 10 == 0 and second < 20:
            bus.observe(second, 0x19FFE400 | HEATER, "01 00 C8 64 FF FF FF FF")
        if tenths % 10 == 0 and second < 60:
            bus.joined(second, 0x18FECA00 | HEATER, TWO_FAULTS)
        bus.observe(tenths / 10 + 0.05, 0x19FFE400 | PANEL, "02 00 C8 64 FF FF FF FF")
    assert bus.flags("silent-device") == [(True, "silent for 15.0 s, due every 5 s; last frame at 59.000 s")]
    assert {line.source for line in bus.watch.roll_call} == {HEATER, PANEL}


def test_such_a_message_ends_the_silence_of_the_bus(bus):
    """Two nodes are silent for a minute, and then one entry comes."""
    for tenths in range(600):
        bus.observe(tenths / 10, 0x19FFE400 | PANEL, "02 00 C8 64 FF FF FF FF")
        bus.observe(tenths / 10 + 0.05, 0x19FFE400 | HEATER, "01 00 C8 64 FF FF FF FF")
    bus.joined(61, 0x18FECA00 | HEATER, TWO_FAULTS)
    assert bus.flags("bus-quiet") == []
    bus.joined(120, 0x18FECA00 | HEATER, TWO_FAULTS)
    assert [raised for raised, _ in bus.flags("bus-quiet")] == [True, False]


def test_a_time_that_goes_back_counts_as_now(bus):
    """Time never goes back."""
    bus.observe(5, 0x19FFE400 | PANEL, "02 00 C8 64 FF FF FF FF")
    bus.joined(4, 0x18FECA00 | HEATER, TWO_FAULTS)
    assert {event.time for event in bus.events if isinstance(event, FlagRaised)} == {5 * SECOND_US}


def test_a_survey_counts_them(catalogue):
    """As a message of their sender, and not as frames."""
    contents = [JoinedMessage(n * SECOND_US, 0x18FECA00 | HEATER, bytes.fromhex(TWO_FAULTS)) for n in range(5)]
    found = survey([*contents, LogEnded(5 * SECOND_US)], catalogue)
    (source,) = found.sources
    assert [(message.dgn, counts.count) for message, counts in source.messages.items()] == [(0x0FECA, 5)]
    assert (found.frames, len(found.flags)) == (0, 2)
