"""What nodes say of themselves, in sentences."""

from dataclasses import replace
from io import StringIO

import pytest

from rvsim.faces.text.sentences import Sentences
from rvsim.runs.pipeline import Pipeline
from rvsim.watch.watch import ReadingChanged, Watch
from rvsim.wire.fields import Grades, Origin
from rvsim.wire.frame import Frame


@pytest.fixture
def said(catalogue):
    """Let frames be heard, given as (identifier, bytes), a second apart; return the sentences."""

    def hear(*frames):
        out = StringIO()
        hearing = Pipeline(Watch(catalogue), Sentences(out, ("opening",)))
        for second, (identifier, data) in enumerate(frames):
            hearing.observe(Frame(second * 1_000_000, identifier, bytes.fromhex(data)))
        return out.getvalue().splitlines()

    return hear


def test_the_opening_explains_the_marks(said):
    """The first lines are the opening and what one and two stars mean."""
    assert said()[:2] == [
        "opening",
        "Marked *: from memory; marked **: from memory, not sure.",
    ]


def test_a_published_layout_has_no_mark(said):
    """DC_SOURCE_STATUS_1 by two makers' appendices; FURNACE_STATUS is from memory."""
    lines = said((0x19FFFD4A, "01 78 14 01 00 94 35 77"), (0x19FFE45E, "01 00 C8 64 FF FF FF FF"))
    assert any(line.endswith("dc voltage 13.8 V, dc current 0.000 A") for line in lines)
    assert any(line.endswith("heat output level 50 % *") for line in lines)


def test_a_heartbeat_with_a_fault(said):
    """Status, lamp, SPN and FMI with its name; then the flag."""
    lines = said((0x19FECA5E, "45 5E 00 9A 45 FF FF FF"))
    assert lines[3].endswith(
        "address 5E hex, furnace's heartbeat: on, active, red lamp status on, "
        "fault SPN 1234, FMI 5 (current low, or open circuit) **"
    )
    assert "fault, address 5E hex: furnace function reports SPN 1234" in lines[4]


def test_no_fault_is_said_as_such(said):
    """SPN 7FFFFh with FMI 31 (rv-c.com/node/522); of a thermostat, whose DSA 88 is published."""
    lines = said((0x19FECA58, "05 58 FF FF FF FF FF FF"))
    assert lines[3].endswith("thermostat's heartbeat: on, active, no fault *")


def test_a_fault_is_told_whole_though_one_part_of_it_changed(said):
    """The same SPN with another FMI, and another SPN with the same FMI, by hand: 1234 is 009A4 5h, 1235 is 009A6 5h."""
    lines = said(
        (0x19FECA5E, "05 5E 00 9A 45 FF FF FF"),
        (0x19FECA5E, "05 5E 00 9A 43 FF FF FF"),
        (0x19FECA5E, "05 5E 00 9A 63 FF FF FF"),
    )
    told = [line.partition("heartbeat: ")[2] for line in lines if "heartbeat: " in line]
    assert told == [
        "on, active, fault SPN 1234, FMI 5 (current low, or open circuit) **",
        "fault SPN 1234, FMI 3 (voltage high, or shorted high) **",
        "fault SPN 1235, FMI 3 (voltage high, or shorted high) **",
    ]


def test_a_product_and_software(said):
    """Who it is, once; its software when it says that."""
    lines = said((0x18FEEB5E, "41 2A 42 2A FF FF FF FF"), (0x18FEDA5E, "01 31 2E 30 2A FF FF FF"))
    assert lines[3].endswith("address 5E hex, product: A, B *")
    assert lines[4].endswith("address 5E hex, product: A, B; software: 1.0 *")


def test_a_report_of_faults_is_its_lamps(said):
    """DM1 with the red lamp: its bytes are no sentence, and the fault is a flag."""
    lines = said((0x18FECA5E, "10 FF D2 04 05 7F FF FF"))
    assert lines[3].endswith("DM1: red stop lamp on")
    assert "reports SPN 1234" in lines[4]


def test_a_stranger_is_not_called_by_its_address_twice(said):
    """Without a rig its name is its address already."""
    assert said((0x19FFE45E, "01 00 C8 64 FF FF FF FF"))[2].endswith("s  address 5E hex is present")


def test_an_alternator_is_called_by_its_name(said):
    """An alternator regulator maker's instances of a charger: 30h and the number (31h is its first)."""
    lines = said((0x19FFC74A, "31 10 01 68 7E FF 03 FF"), (0x19FFC74B, "01 10 01 68 7E FF 03 FF"))
    assert any("address 4A hex, alternator 1: charge voltage 13.6 V" in line for line in lines)
    assert any("address 4B hex, charger 1: charge voltage 13.6 V" in line for line in lines)


def test_two_bits_that_say_error(said):
    """A circulation fan's zone sensor with 10b in two bits (bit2 of the standard's data types)."""
    lines = said((0x19FFE45E, "01 00 C8 64 FF FF FE FF"))
    assert any("zone over current error" in line and line.endswith(" **") for line in lines)


P, M, U = Origin.PUBLISHED, Origin.MEMORY, Origin.UNSURE


@pytest.mark.parametrize(
    ("fmi", "unsure", "sign"),
    [
        (5, None, ""),  # its words are in an engine maker's manual
        (31, None, " *"),  # its words are from memory
        (5, "fmi", " **"),
        (5, "spn", " **"),
        (5, "occurrence_count", ""),  # it is not spoken of
        (5, "dsa", " **"),
        (5, "red_lamp_status", " **"),
        (5, "yellow_lamp_status", ""),  # it is off
    ],
)
def test_a_fault_is_as_sure_as_its_weakest_part(catalogue, fmi, unsure, sign):
    """All else being published: the words of the failure mode, the place of each number, lamp and DSA."""
    heartbeat = catalogue.by_name("DM_RV")
    fields = tuple(
        replace(field, grades=Grades(P, U if field.name == unsure else P, P), code_grades={})
        for field in heartbeat.fields
    )
    spec = replace(heartbeat, fields=fields, origin=P)
    data = bytes([0x45, 72, 0, 0x9A, 0x40 | fmi, 3, 0xFF, 0xFF])
    out = StringIO()
    Sentences(out, ()).events([
        ReadingChanged(0, "tank", 0x48, spec, None, reading, None, 72)
        for reading in spec.decode(data)
        if reading.field.name not in ("dsa", "dsa_extension", "bank_select")
    ])  # fmt: skip
    (line,) = out.getvalue().splitlines()[1:]
    words = {5: "current low, or open circuit", 31: "condition exists"}[fmi]
    assert line.endswith(f"red lamp status on, fault SPN 1234, FMI {fmi} ({words}){sign}")
