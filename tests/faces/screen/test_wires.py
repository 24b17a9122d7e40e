"""The page of one access, bit by bit."""

from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.wires import access_lines, written
from rvsim.watch.access import Access, Waiting
from rvsim.wire.frame import Frame
from rvsim.wire.timing import Bit, Part

CLAIM = Frame(1_000_000, 0x18EEFF5E, bytes(8))
FURNACE = Frame(1_000_600, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


def page(access, width=100):
    """The page as text."""
    return [text_of(line) for line in access_lines(access, lambda frame: f"node {frame.identifier & 0xFF:02X}", width)]


def test_a_contest():
    """Who went, who waited, where it gave way and why; then every part of the frame that went."""
    lines = page(Access(FURNACE, (Waiting(FURNACE._replace(identifier=0x19FFE45F), 33),)))
    assert (
        lines[0] == "One access of the pair, ended at 1.000600 s: 2 were ready, and the lowest identifier went first."
    )
    assert "  went    node 5E, 19FFE45E" in lines
    assert "          0110011111[0]11111[0]111100100010111100" in lines
    assert "  waited  node 5F, 19FFE45F" in lines
    assert "          0110011111[0]11111[0]11110010001011111 gave way at bit 33: it sent 1 and saw 0" in lines
    assert "The frame that went: 142 bits, 11 of them stuff bits, 568 us." in lines
    parts = [line[2:25].strip() for line in lines[lines.index("  start of frame         0") :]]
    assert [part for part in parts if part] == [
        "start of frame", "identifier", "SRR", "IDE", "identifier", "RTR", "r1", "r0", "DLC", "data", "CRC",
        "CRC delimiter", "acknowledge", "acknowledge delimiter", "end of frame", "between frames",
    ]  # fmt: skip
    assert any(line.startswith("  acknowledge            0  the sender sends 1") for line in lines)


def test_nobody_waited():
    """Then the frame alone is told."""
    assert page(Access(CLAIM, ()))[0].endswith("nobody else waited.")
    assert not any("waited  " in line for line in page(Access(CLAIM, ())))


def test_many_waited():
    """Five are written out, the rest is counted."""
    waiting = tuple(Waiting(FURNACE._replace(identifier=0x19FFE460 + n), 5) for n in range(8))
    assert "  and 3 more waited" in page(Access(FURNACE, waiting))


def test_nothing_yet():
    """A pair without frames has no access."""
    assert page(None) == ["Nothing has been on the pair for a while."]


def test_bits_in_writing():
    """Stuff bits stand in brackets."""
    assert written([Bit(Part.DATA, 1), Bit(Part.DATA, 0, True)]) == "1[0]"


def test_the_wires_show_who_waited_for_whom(watched, drive):
    """At the start everybody claims at once: the panel, 44 hex, goes first, and the others wait for it."""
    lines = drive(watched("winter_evening", 0.5).app(), (100, 50), "r")
    assert any("11 were ready, and the lowest identifier went first." in line for line in lines)
    assert any(line.startswith("  went    control panel, ADDRESS_CLAIM") or "18EEFF44" in line for line in lines)
    assert any("gave way at bit" in line for line in lines)
    assert "  and 5 more waited" in lines
