"""Faults, products and software that nodes report, from bytes written by hand."""

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.watch import FlagCleared, FlagRaised, NodeDescribed, Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.texts import Product

HEATER = 0x5E
FURNACE = 94
"""The DSA of a furnace (rig/functions.py: from memory)."""


class Bus:
    """A watch and what it says."""

    def __init__(self, catalogue, rig=None):
        self.watch, self.events = Watch(catalogue, rig), []

    def observe(self, seconds, identifier, text):
        """A frame by its bytes."""
        self.events += self.watch.observe(Frame(round(seconds * SECOND_US), identifier, bytes.fromhex(text)))
        return self

    def heartbeat(self, seconds, spn=0x7FFFF, fmi=31, lamps="05", dsa=FURNACE, count=0xFF):
        """DM_RV: status and lamps, DSA, SPN most significant byte first, three bits above the FMI, count."""
        tail = f"{spn >> 11:02X}{spn >> 3 & 0xFF:02X}{(spn & 7) << 5 | fmi:02X}{count:02X}FFFF"
        return self.observe(seconds, 0x19FECA00 | HEATER, f"{lamps}{dsa:02X}{tail}")

    @property
    def flags(self):
        """(seconds, raised or cleared, severity, text)."""
        return [
            (event.time / SECOND_US, type(event) is FlagRaised, str(event.flag.severity), event.flag.text)
            for event in self.events
            if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind == "reported-fault"
        ]


@pytest.fixture
def bus(catalogue):
    """A bus without a rig."""
    return Bus(catalogue)


def test_a_fault_in_the_heartbeat_is_a_sentence_and_goes_with_its_end(bus):
    """SPN 1234 FMI 5, red lamp (40 in the two highest bits), seen 3 times; then no fault again."""
    bus.heartbeat(0).heartbeat(5, 1234, 5, "45", count=0x83).heartbeat(10, 1234, 5, "45", count=0x83).heartbeat(15)
    assert [flag[:3] for flag in bus.flags] == [(5.0, True, "fault"), (15.0, False, "fault")]
    assert bus.flags[0][3] == (
        "furnace function reports SPN 1234, FMI 5 (current low, or open circuit), 3 times, red lamp on"
    )
    (flag,) = bus.watch.all_flags
    assert flag.subject == "address 5E hex"
    assert flag.advice.startswith("check fuel, voltage and exhaust first")
    assert flag.evidence[0].startswith("frame 19FECA5E 45 5E 00 9A 45 83 FF FF")


def test_the_yellow_lamp_is_a_warning(bus):
    """10 in bits 4 and 5; another function's advice is its manual."""
    bus.heartbeat(0, 5, 12, "15", dsa=74)
    assert bus.flags == [(0.0, True, "warning", "charger function reports SPN 5, FMI 12 (bad device), amber lamp on")]
    assert bus.watch.flags[0].advice.startswith("look up in its manual what this SPN means")


def test_no_fault_is_spn_and_fmi_together(bus):
    """The SPN of no fault with FMI 3 is a fault without a number; with FMI 31 it is none."""
    bus.heartbeat(0).heartbeat(5, fmi=3).heartbeat(10, fmi=3).heartbeat(25)
    assert bus.flags == [
        (5.0, True, "warning", "furnace function reports no SPN, FMI 3 (voltage high, or shorted high)"),
        (25.0, False, "warning", "furnace function reports no SPN, FMI 3 (voltage high, or shorted high)"),
    ]


def test_a_lamp_without_a_fault_is_a_fault_without_a_name(bus):
    """Red lamp on, SPN none."""
    bus.heartbeat(0, lamps="45").heartbeat(5)
    assert [flag[1:] for flag in bus.flags] == [
        (True, "fault", "furnace function reports a fault without a number, red lamp on"),
        (False, "fault", "furnace function reports a fault without a number, red lamp on"),
    ]


def test_two_faults_of_one_function_take_turns(bus):
    """Each heartbeat names one; both stand until one is not named for 15 s while the other is."""
    for turn in range(6):
        bus.heartbeat(5 * turn, 100 + turn % 2, 3, "45")
    assert [flag[0] for flag in bus.flags] == [0.0, 5.0]
    for turn in range(6, 12):
        bus.heartbeat(5 * turn, 100, 3, "45")
    assert [(time, raised) for time, raised, _, _ in bus.flags] == [(0.0, True), (5.0, True), (45.0, False)]
    assert "SPN 101" in bus.flags[-1][3]
    bus.heartbeat(65)
    assert bus.watch.flags == ()


def test_one_fault_in_two_messages_is_told_once(bus):
    """DM1 has the other byte order; the flag stands until neither carries it."""
    bus.heartbeat(0, 1234, 5, "45").observe(1, 0x18FECA00 | HEATER, "10 FF D2 04 05 7F FF FF")
    bus.heartbeat(5)
    assert [flag[1] for flag in bus.flags] == [True]
    bus.observe(6, 0x18FECA00 | HEATER, "00 FF 00 00 00 00 FF FF")
    assert [(time, raised) for time, raised, _, _ in bus.flags] == [(0.0, True), (6.0, False)]


def test_two_faults_in_one_report_come_as_a_long_message(bus):
    """DM1 of ten bytes announced to all: SPN 110 FMI 0 and SPN 210 FMI 3; one of them is mended afterwards."""
    bus.observe(0, 0x1CECFF00 | HEATER, "20 0A 00 02 FF CA FE 00")
    bus.observe(0.1, 0x1CEBFF00 | HEATER, "01 10 FF 6E 00 00 01 D2")
    bus.observe(0.2, 0x1CEBFF00 | HEATER, "02 00 03 02 FF FF FF FF")
    assert [flag[3] for flag in bus.flags] == [
        "reports SPN 110, FMI 0 (above normal, most severe), once, red lamp on",
        "reports SPN 210, FMI 3 (voltage high, or shorted high), 2 times, red lamp on",
    ]
    bus.observe(1, 0x18FECA00 | HEATER, "10 FF D2 00 03 02 FF FF")
    assert [flag[:2] for flag in bus.flags[2:]] == [(1.0, False)]
    assert len(bus.watch.flags) == 1


def test_a_report_that_loses_a_packet_says_nothing(bus):
    """Never in wrong data: the second packet alone makes no report."""
    bus.observe(0, 0x1CECFF00 | HEATER, "20 0A 00 02 FF CA FE 00")
    bus.observe(0.2, 0x1CEBFF00 | HEATER, "02 00 03 02 FF FF FF FF")
    assert bus.watch.all_flags == ()


def test_the_product_is_taken_when_it_is_heard(bus):
    """A short one in one frame; the same words again are no news; then the software, and both are kept."""
    bus.observe(0, 0x18FEEB00 | HEATER, "41 2A 42 2A FF FF FF FF").observe(
        1, 0x18FEEB00 | HEATER, "41 2A 42 2A FF FF FF FF"
    )
    bus.observe(2, 0x18FEDA00 | HEATER, "01 31 2E 30 2A FF FF FF")
    described = [event for event in bus.events if isinstance(event, NodeDescribed)]
    assert described == [
        NodeDescribed(0, "address 5E hex", HEATER, Product("A", "B"), None),
        NodeDescribed(2 * SECOND_US, "address 5E hex", HEATER, Product("A", "B"), ("1.0",)),
    ]
    assert (bus.watch.roll_call[0].product, bus.watch.roll_call[0].software) == (Product("A", "B"), ("1.0",))


def test_a_long_product_that_one_node_asked_another_for_is_overheard(bus):
    """Request to send, clear to send, two packets: between two nodes, and the listener says nothing."""
    panel = 0x44
    bus.observe(0, 0x1CEC0000 | panel << 8 | HEATER, "10 0C 00 02 FF EB FE 00")
    bus.observe(0.1, 0x1CEC0000 | HEATER << 8 | panel, "11 02 01 FF FF EB FE 00")
    bus.observe(0.2, 0x1CEB0000 | panel << 8 | HEATER, "01" + b"Made up".hex())
    bus.observe(0.3, 0x1CEB0000 | panel << 8 | HEATER, "02" + b"*H5*".hex() + "2AFFFF")
    described = [event for event in bus.events if isinstance(event, NodeDescribed)]
    assert [(event.time, event.source, event.product) for event in described] == [
        (300_000, HEATER, Product("Made up", "H5"))
    ]


def test_transport_packets_are_never_late_and_never_unknown(bus):
    """They come when they are needed."""
    for second in range(100):
        bus.observe(second, 0x1CEBFF00 | HEATER, "01 10 FF 6E 00 00 01 D2").heartbeat(second + 0.5)
    for second in range(100, 160):
        bus.heartbeat(second)
    assert bus.watch.all_flags == ()


def test_a_reported_fault_can_be_accepted(catalogue):
    """A rig that knows of it keeps it back, and the watch counts it."""
    rig = Rig.model_validate({
        "schema": 1, "name": "test", "title": "Test", "device": [
            {"name": "heater", "kind": "heater", "address": HEATER, "functions": {"furnace": 1}}],
        "accepted": [{"flag": "reported-fault", "device": "heater", "message": "DM_RV"}],
    })  # fmt: skip
    bus = Bus(catalogue, rig)
    bus.heartbeat(0, 1234, 5, "45")
    assert (bus.flags, bus.watch.statistics.accepted) == ([], 1)
