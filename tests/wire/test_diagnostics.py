"""Fault reports against bytes written by hand from the makers' tables (SAE J1939-73)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.diagnostics import (
    FAILURE_MODES,
    Dm1Report,
    Lamps,
    ReportedFault,
    failure_mode,
    fault_origins,
    is_fault,
    most_urgent,
    occurrence_count,
    pack_dm1,
    read_dm1,
)
from rvsim.wire.fields import Origin, State


def test_one_fault():
    """Amber lamp; SPN 100 (0x64) FMI 1, seen 5 times: 04 FF 64 00 01 05 FF FF."""
    report = read_dm1(bytes.fromhex("04FF64000105FFFF"))
    assert report == Dm1Report(Lamps(amber=True), (ReportedFault(100, 1, 5),))


def test_an_spn_of_19_bits():
    """SPN 520192 = 0x7F000: low byte 00, second F0, high three bits 111 above FMI 31: E0 | 1F = FF."""
    report = read_dm1(bytes.fromhex("10FF00F0FF7FFFFF"))
    assert report == Dm1Report(Lamps(red=True), (ReportedFault(520192, 31, None),))


def test_two_faults_need_ten_bytes():
    """The second one stands right behind the first: a long message."""
    report = read_dm1(bytes.fromhex("50FF6E000001D2000382"))
    assert report == Dm1Report(Lamps(red=True, malfunction=True), (ReportedFault(110, 0, 1), ReportedFault(210, 3, 2)))


@pytest.mark.parametrize("data", ["00FF00000000FFFF", "00FFFFFFFFFFFFFF"])
def test_no_fault(data):
    """SPN 0 with FMI 0, and all ones, are no faults."""
    assert read_dm1(bytes.fromhex(data)) == Dm1Report(Lamps(), ())


def test_what_is_too_short_is_none_and_what_is_cut_off_is_left_out():
    """Five bytes are no report; of two faults the second without its last byte is left."""
    assert read_dm1(bytes(5)) is None
    report = read_dm1(bytes.fromhex("04FF64000105D20003"))
    assert report is not None
    assert report.faults == (ReportedFault(100, 1, 5),)


@pytest.mark.parametrize(
    ("report", "data"),
    [
        (Dm1Report(Lamps(), ()), "00FF00000000FFFF"),
        (Dm1Report(Lamps(amber=True), (ReportedFault(100, 1, 5),)), "04FF64000105FFFF"),
        (Dm1Report(Lamps(True, True, True, True), (ReportedFault(520192, 31),)), "55FF00F0FF7FFFFF"),
        (Dm1Report(Lamps(red=True), (ReportedFault(110, 0, 1), ReportedFault(210, 3, 300))), "10FF6E000001D200037E"),
    ],
)
def test_reports_written(report, data):
    """The bytes by hand; a count that does not fit is the highest that does."""
    assert pack_dm1(report) == bytes.fromhex(data)


@pytest.mark.parametrize(
    "trouble", [ReportedFault(0x80000, 1), ReportedFault(-1, 1), ReportedFault(1, 32), ReportedFault(1, -1)]
)
def test_what_does_not_fit_is_refused(trouble):
    """19 bits of SPN, 5 of FMI."""
    with pytest.raises(ValueError, match="do not fit"):
        pack_dm1(Dm1Report(Lamps(), (trouble,)))


@given(
    st.tuples(*[st.booleans()] * 4),
    st.lists(st.tuples(st.integers(1, 0x7FFFE), st.integers(0, 31), st.integers(0, 126)), min_size=1, max_size=20),
)
def test_every_report_is_read_as_it_was_written(lamps, troubles):
    """Any number of faults."""
    report = Dm1Report(Lamps(*lamps), tuple(ReportedFault(*one) for one in troubles))
    assert read_dm1(pack_dm1(report)) == report


@given(st.binary(max_size=100))
def test_any_bytes_are_read_or_refused(data):
    """Nothing raises, and nothing is found that is no fault."""
    report = read_dm1(data)
    assert (report is None) == (len(data) < 6)
    if report is not None:
        assert all(0 <= one.spn < 0x7FFFF for one in report.faults)


def test_faults_in_words():
    """The standard's name of the failure mode, and how often where that is known."""
    assert str(ReportedFault(110, 0, 2)) == "SPN 110, FMI 0 (above normal, most severe), 2 times"
    assert str(ReportedFault(110, 5)) == "SPN 110, FMI 5 (current low, or open circuit)"
    assert str(ReportedFault(110, 27)) == "SPN 110, FMI 27"
    assert set(FAILURE_MODES) == {*range(22), 31}


def test_counts():
    """127 says that it is not known."""
    assert [occurrence_count(raw) for raw in (None, 127, 126, 0)] == [None, None, 126, 0]


def test_the_most_urgent_fault_is_named_first():
    """The most severe modes first, then the lowest SPN."""
    assert most_urgent([]) is None
    assert most_urgent([ReportedFault(5, 3), ReportedFault(9, 1), ReportedFault(8, 0)]) == ReportedFault(8, 0)
    assert most_urgent([ReportedFault(5, 3), ReportedFault(4, 12)]) == ReportedFault(4, 12)


def test_all_ones_of_an_spn_are_no_fault():
    """SPN 7FFFFh and FMI 1Fh stand in a heartbeat when nothing is wrong (rv-c.com/node/522); FMI 31 alone is one."""
    assert not is_fault(0x7FFFF)
    assert not is_fault(0x7FFFF, 31)
    assert is_fault(0x7FFFF, 3)
    assert is_fault(0x7FFFE)
    assert failure_mode(0x7FFFF, 31) == "no fault"
    assert failure_mode(110, 31) == "condition exists"
    assert failure_mode(110, 27) is None
    assert str(ReportedFault(0x7FFFF, 31)) == "no fault"
    assert str(ReportedFault(0x7FFFF, 3)) == "no SPN, FMI 3 (voltage high, or shorted high)"


def test_the_heartbeats_spn_of_no_fault_has_a_name(catalogue):
    """Wherever the field is shown, its all ones read as no fault, and stay a value."""
    spn = next(r for r in catalogue.by_name("DM_RV").decode(bytes.fromhex("0545FFFFFFFFFFFF")) if r.field.name == "spn")
    assert (spn.raw, spn.state, spn.label) == (0x7FFFF, State.VALUE, "no fault")


@pytest.mark.parametrize(
    ("spn", "fmi", "origin"),
    [
        (0x7FFFF, 31, Origin.PUBLISHED),  # no fault
        (100, 21, Origin.PUBLISHED),
        (100, 22, Origin.MEMORY),
        (100, 31, Origin.MEMORY),
        (0x7FFFF, 22, Origin.MEMORY),
    ],
)
def test_the_origin_of_a_fault_text(spn, fmi, origin):
    """No fault and FMI 0 to 21 are published, other FMIs are from memory."""
    assert fault_origins(spn, fmi) == (origin,)
