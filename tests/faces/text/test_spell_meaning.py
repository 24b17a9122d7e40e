"""What frames of the network's services mean as a whole: texts, faults, numbers of other messages."""

import json

import pytest

from rvsim.faces.text.spell import as_json, as_text
from rvsim.wire.diagnostics import NO_FAULT_FMI, NO_FAULT_SPN
from rvsim.wire.frame import Frame
from rvsim.wire.texts import Product, pack_software


def text(catalogue, identifier, data):
    """The frame in words, as one line."""
    return " ".join(" ".join(as_text(Frame(0, int(identifier, 16), bytes.fromhex(data)), catalogue)).split())


def meaning(catalogue, identifier, data):
    """The meaning in the JSON form."""
    return json.loads(as_json(Frame(0, int(identifier, 16), bytes.fromhex(data)), catalogue))["meaning"]


# Texts.


def test_a_product_in_one_frame(catalogue):
    """A battery maker's frame: LI3*8** with one byte that is padding (RV-C appendix; the last byte is not printed)."""
    for padding in ("20", "FF"):
        found = meaning(catalogue, "18FEEB45", "4C49332A382A2A" + padding)
        assert found == {
            "kind": "product identification",
            **Product("LI3", "8")._asdict(),
            "problems": [],
            "origin": "memory",
        }
    spelled = text(catalogue, "18FEEB45", "4C49332A382A2A20")
    assert "As text: make 'LI3' and model '8'. [from memory]" in spelled
    assert "known by its name only" not in spelled


def test_a_product_with_all_four_texts(catalogue):
    """Make, model, serial number, unit number, a letter each."""
    spelled = text(catalogue, "18FEEB45", b"A*B*C*D*".hex())
    assert "As text: make 'A', model 'B', serial number 'C' and unit number 'D'." in spelled


@pytest.mark.parametrize(("data", "problems"), [
    (b"A*B*C*D*", []),
    (b"A*B*\xff\xff\xff\xff", []),
    (b"\xff" * 8, []),
    (b"", []),
    (b"Invented", ["the last text does not end with an asterisk"]),
])  # fmt: skip
def test_a_text_that_is_cut_off_is_said(catalogue, data, problems):
    """A text without its asterisk is the beginning of something longer; filling and nothing are no problem."""
    assert meaning(catalogue, "18FEEB45", data.hex())["problems"] == problems
    assert ("Wrong in this frame" in text(catalogue, "18FEEB45", data.hex())) == bool(problems)


def test_software_in_one_frame(catalogue):
    """The byte that counts the texts has to be right."""
    right, wrong = pack_software("1.0").hex(), "02" + pack_software("1.0")[1:].hex()
    assert meaning(catalogue, "18FEDA45", right) == {
        "kind": "software identification", "software": ["1.0"], "problems": [], "origin": "memory",
    }  # fmt: skip
    assert "As text: '1.0'." in text(catalogue, "18FEDA45", right)
    assert meaning(catalogue, "18FEDA45", wrong)["problems"] == ["byte 0 counts 2 texts, but there are 1"]
    assert meaning(catalogue, "18FEDA45", "")["software"] == []


# Faults.


def heartbeat(dsa, spn, fmi):
    """A heartbeat by hand: on and active, SPN most significant byte first, its lower three bits over the FMI."""
    return bytes([5, dsa, spn >> 11, spn >> 3 & 0xFF, (spn & 7) << 5 | fmi, 0xFF, 0xFF, 0xFF]).hex()


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        ("19FECA48", heartbeat(0x48, 0x7FFFF, 0x1F)),  # rv-c.com/node/522
        ("18FECA48", "00FFFFFFFFFFFFFF"),
        ("18FECA48", "00FF00000000FFFF"),  # SPN 0 with FMI 0, as DM1 has it
    ],
)
def test_no_fault_is_said_in_so_many_words(catalogue, identifier, data):
    """The number of no fault is not told as a fault with that number."""
    assert meaning(catalogue, identifier, data)["fault"] is None
    spelled = text(catalogue, identifier, data)
    assert " No fault. " in spelled
    assert "condition exists" not in spelled
    assert "Fault SPN" not in spelled


@pytest.mark.parametrize(
    ("identifier", "data", "spn", "fmi", "words"),
    [
        ("19FECA48", heartbeat(0x48, 1234, 5), 1234, 5, "current low, or open circuit"),
        ("19FECA48", heartbeat(0x48, 0x40001, 31), 0x40001, 31, "condition exists"),
        # 520209 = 7F011h -> bytes 11 F0 and upper bits 7 (an engine maker's display manual; computed)
        ("18FECA48", "04FF11F0E205FFFF", 520209, 2, "erratic"),
    ],
)
def test_a_fault_is_one_number_with_its_words(catalogue, identifier, data, spn, fmi, words):
    """Whichever bytes the SPN stands in, it is told as one number, with the FMI in the standard's words."""
    assert meaning(catalogue, identifier, data)["fault"] == {"spn": spn, "fmi": fmi, "fmi_text": words}
    assert f"Fault SPN {spn}, FMI {fmi} ({words}), by SAE J1939-73." in text(catalogue, identifier, data)


def test_a_failure_mode_without_an_spn_is_no_known_report(catalogue):
    """All ones as SPN and FMI 5 contradict each other: both are told."""
    data = heartbeat(0x48, NO_FAULT_SPN, 5)
    assert "No SPN, but FMI 5 (current low, or open circuit)" in text(catalogue, "19FECA48", data)
    assert meaning(catalogue, "19FECA48", data)["fault"]["spn"] == NO_FAULT_SPN


@pytest.mark.parametrize(
    ("dsa", "function", "sentence"),
    [
        (0x48, "tank", "The reporting function has the DSA 72: tank (rv-c.com/node/527)."),
        (0x5E, "furnace", "The reporting function has the DSA 94: furnace."),
        (0xC8, None, "The reporting function is not known here (DSA 200)."),
        (0xFF, None, "The reporting function is not known here (DSA 255)."),
    ],
)
def test_the_function_that_reports_is_named(catalogue, dsa, function, sentence):
    """By its default source address, where that is known."""
    data = heartbeat(dsa, NO_FAULT_SPN, NO_FAULT_FMI)
    assert sentence in text(catalogue, "19FECA90", data)
    found = meaning(catalogue, "19FECA90", data)
    assert (found["dsa"], found["function"]) == (dsa, function)


def test_a_heartbeat_that_is_cut_off_means_nothing_as_a_whole(catalogue):
    """Four bytes hold no FMI."""
    assert meaning(catalogue, "19FECA90", "0548FFFF") is None


def test_a_request_is_for_a_message_by_name(catalogue):
    """Source F9h asks all for 0EE00 and for a number that is not known."""
    assert meaning(catalogue, "18EAFFF9", "00EE00") == {
        "kind": "desired DGN", "dgn": "0EE00", "message": "ADDRESS_CLAIM", "problems": [], "origin": "published",
    }  # fmt: skip
    assert meaning(catalogue, "18EAFFF9", "EEFE00")["message"] is None
    assert meaning(catalogue, "18EAFFF9", "E4FF01")["origin"] == "memory"  # the number of a furnace's status
    assert meaning(catalogue, "18EAFFF9", "00EE") is None


def test_most_frames_mean_what_their_fields_say(catalogue):
    """A status has no meaning beside its fields."""
    assert meaning(catalogue, "19FFE45E", "0100C864FFFFFFFF") is None
    assert meaning(catalogue, "19F0AA02", "00") is None


@pytest.mark.parametrize(
    ("identifier", "data", "origin"),
    [
        ("19FECA90", heartbeat(88, NO_FAULT_SPN, NO_FAULT_FMI), "memory"),  # the places of a heartbeat's fields
        ("19FECA90", heartbeat(94, NO_FAULT_SPN, NO_FAULT_FMI), "unsure"),  # that 94 is a furnace
        ("18FECA90", "04FF11F0E205FFFF", "published"),  # a DM1 with FMI 2, which an engine maker's manual names
        ("18FECA90", "04FF11F0FF05FFFF", "memory"),  # with FMI 31, whose words are from memory
        ("18FECA90", "04FFFFFFFFFFFFFF", "published"),  # no fault
    ],
)
def test_a_report_is_as_sure_as_its_weakest_part(catalogue, identifier, data, origin):
    """Places, the words of the failure mode, and the function of the DSA each have an origin."""
    assert meaning(catalogue, identifier, data)["origin"] == origin
