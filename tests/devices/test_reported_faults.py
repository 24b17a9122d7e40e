"""Faults that a node reports, against bytes written by hand."""

import pytest

from rvsim.devices.reported_faults import ReportedFaults
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

HEARTBEAT, DM1, CONNECTION, PACKET = 0x1FECA, 0x0FECA, 0x0EC00, 0x0EB00


def test_none():
    """The heartbeat says SPN 7FFFF and FMI 1F (rv-c.com/node/522), the DM1 lamps off and SPN 0."""
    troubles = ReportedFaults()
    assert not troubles
    assert troubles.next_heartbeat_fields("furnace") == {
        "yellow_lamp_status": 0, "red_lamp_status": 0, "spn": 0x7FFFF, "fmi": 0x1F, "occurrence_count": 127,
    }  # fmt: skip
    assert troubles.dm1().hex() == "00ff00000000ffff"


def test_several_take_turns_the_newest_first():
    """Each heartbeat has one fault and its own lamp; another function has none of them."""
    troubles = ReportedFaults()
    troubles.add("furnace", ReportedFault(100, 1, 2), red=False)
    troubles.add("furnace", ReportedFault(200, 5), red=True)
    said = [troubles.next_heartbeat_fields("furnace") for _ in range(3)]
    assert [(one["spn"], one["fmi"], one["occurrence_count"]) for one in said] == [
        (200, 5, 127),
        (100, 1, 2),
        (200, 5, 127),
    ]
    assert [(one["yellow_lamp_status"], one["red_lamp_status"]) for one in said] == [(0, 1), (1, 0), (0, 1)]
    assert troubles.next_heartbeat_fields("water_heater")["spn"] == 0x7FFFF
    assert troubles.functions == ("furnace",)


def test_the_report_has_all_faults_of_all_functions():
    """Two faults, both lamps: ten bytes."""
    troubles = ReportedFaults()
    troubles.add("furnace", ReportedFault(100, 1, 2), red=False)
    troubles.add("water_heater", ReportedFault(200, 5, 0), red=True)
    assert troubles.dm1().hex() == "14ff64000102c8000500"
    troubles.remove("furnace", ReportedFault(100, 1, 2))
    assert troubles.dm1().hex() == "10ffc8000500ffff"
    troubles.remove("water_heater")
    troubles.remove("never")
    assert not troubles


@pytest.fixture
def heater(alone):
    """A heater at address 80 hex that is made to do things at seconds: ``heater((10, deed), ...)``."""

    def put(*deeds):
        acts = [(round(seconds * SECOND_US), "heater", deed) for seconds, deed in deeds]
        return alone("heater", furnace=1, water_heater=1, acts=acts)

    return put


def reports(function, trouble, red):
    """What makes a device report a fault."""
    return lambda device: device.report_fault(function, trouble, red=red)


def test_a_fault_is_sent_at_once_and_each_second_until_it_ends(heater):
    """Heartbeat of the furnace (DSA 94): yellow lamp, SPN 1234 = 00 9A and 2 in the high bits, FMI 5; DM1 beside it."""
    run = heater(
        (10, reports("furnace", ReportedFault(1234, 5), False)), (13.5, lambda device: device.withdraw_fault("furnace"))
    )
    run.until(13.4)
    assert "11 5E 00 9A 45 FF FF FF" in [data for _, data in run.of(HEARTBEAT)]
    told = [(round(time, 1), data) for time, data in run.of(DM1)]
    assert told == [(10.0 + n, "04 FF D2 04 05 7F FF FF") for n in range(4)]
    run.until(20)
    assert run.of(DM1)[-1][1] == "00 FF 00 00 00 00 FF FF"
    assert len(run.of(DM1)) == 5
    assert run.last(HEARTBEAT)[6:] == "FF FF FF FF FF FF"


def test_two_faults_go_as_a_long_report(heater):
    """Announced to all: ten bytes in two packets of DM1 (CA FE 00)."""
    run = heater(
        (10, reports("furnace", ReportedFault(110, 0, 1), True)),
        (10, reports("water_heater", ReportedFault(210, 3, 2), False)),
    ).until(12.5)
    assert run.of(CONNECTION)[0][1] == "20 0A 00 02 FF CA FE 00"
    assert [data for _, data in run.of(PACKET)][:2] == ["01 14 FF 6E 00 00 01 D2", "02 00 03 02 FF FF FF FF"]


def test_a_reset_clears_them(heater):
    """GENERAL_RESET with "clear faults" to this node."""
    run = heater((10, reports("furnace", ReportedFault(110, 0, 1), True))).until(11)
    run.put(0x197F80F9, "04 FF FF FF FF FF FF FF").until(13)
    assert run.last(DM1) == "00 FF 00 00 00 00 FF FF"
