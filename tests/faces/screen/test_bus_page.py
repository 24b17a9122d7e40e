"""The page of one access, bit by bit."""

import pytest

from rvsim.faces.screen.bus_page import bits_text, problem_lines, turn_lines, worst_case_lines
from rvsim.faces.screen.lines import text_of
from rvsim.shipped import scenario_folder
from rvsim.watch.bus.turn import Turn, Waiting, gives_way_at
from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import Collided, Disturbed, ErrorFrame, ErrorState, StateChanged, Waited
from rvsim.wire.timing import Bit, FramePart

CLAIM = Frame(1_000_000, 0x18EEFF5E, bytes(8))
FURNACE = Frame(1_000_600, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


def page(access, width=100):
    """The page as text."""
    return [text_of(line) for line in turn_lines(access, lambda identifier: f"node {identifier & 0xFF:02X}", width)]


def test_a_contest():
    """Who went, who waited, where it gave way and why; then every part of the frame that went."""
    lines = page(Turn(FURNACE, (Waiting(FURNACE._replace(identifier=0x19FFE45F), 33),)))
    assert lines[0] == "One turn on the bus, ended at 1.000600 s: 2 were ready, and the lowest identifier went first."
    assert "  sent    node 5E, 19FFE45E" in lines
    assert "          0110011111[0]11111[0]111100100010111100" in lines
    assert "  waited  node 5F, 19FFE45F" in lines
    assert "          0110011111[0]11111[0]11110010001011111 lost at bit 33: it sent 1 and read 0" in lines
    assert "The frame that was sent: 142 bits, 11 of them stuff bits, 568 us." in lines
    parts = [line[2:25].strip() for line in lines[lines.index("  start of frame         0") :]]
    assert [part for part in parts if part] == [
        "start of frame", "identifier", "SRR", "IDE", "identifier", "RTR", "r1", "r0", "DLC", "data", "CRC",
        "CRC delimiter", "acknowledge", "acknowledge delimiter", "end of frame", "between frames",
    ]  # fmt: skip
    assert any(line.startswith("  acknowledge            0  the sender sends 1") for line in lines)


def test_bits_are_tied_to_the_parts_of_the_identifier():
    """Priority, DGN and source stand beside their bits, in words; the part that decided as well."""
    lines = page(Turn(FURNACE, (Waiting(FURNACE._replace(identifier=0x19FFE45F), 33),)), 200)
    assert "          110|0|1|11111111|11100100|01011110 is priority 6, DGN 1FFE4, from 5E" in lines
    first, second = (line for line in lines if line.startswith("  identifier "))
    assert first.endswith("  priority 110; reserved bit 0; data page 1; message group byte, first bits 111111")
    assert second.endswith("  message group byte, last bits 11; low byte of the DGN 11100100; source address 01011110")
    decided = "that is bit 29 of the 29 of the identifier, in its source address: 5F against 5E"
    assert f"          inferred: {decided}, and the lower number goes first" in lines


@pytest.mark.parametrize(
    ("waited", "said"),
    [
        (0x1DFFE45E, "bit 3 of the 29 of the identifier, in its priority: 7 against 6"),
        (0x19FFE55E, "bit 21 of the 29 of the identifier, in its low byte of the DGN: E5 against E4"),
    ],
)
def test_the_part_that_decided(waited, said):
    """Computed from both identifiers, stuff bits not counted."""
    loser = FURNACE._replace(identifier=waited)
    place = gives_way_at(FURNACE, loser)
    assert place is not None
    assert any(said in line for line in page(Turn(FURNACE, (Waiting(loser, place),)), 200))


def test_what_was_inferred_is_said_to_be():
    """No log records who waited; without one who did, nothing is inferred."""
    contest = " ".join(page(Turn(FURNACE, (Waiting(FURNACE._replace(identifier=0x19FFE45F), 33),)), 200))
    assert "Inferred from the times: who waited, and at which bit it lost." in contest
    assert "Computed from the frame: stuff bits and CRC." in contest
    alone = " ".join(page(Turn(CLAIM, ()), 200))
    assert "nferred" not in alone
    assert "Computed from the frame: stuff bits and CRC." in alone


def test_nobody_waited():
    """Then the frame alone is shown."""
    assert page(Turn(CLAIM, ()))[0].endswith("no other frame waited.")
    assert not any("waited  " in line for line in page(Turn(CLAIM, ())))


def test_many_waited():
    """Five are written out, the rest is counted."""
    waiting = tuple(Waiting(FURNACE._replace(identifier=0x19FFE460 + n), 5) for n in range(8))
    assert "  and 3 more waited" in page(Turn(FURNACE, waiting))


def test_nothing_yet():
    """A bus without frames has had no turn."""
    assert page(None) == ["No frame got through in the last two seconds."]


def problems(watch, width=100):
    """What went wrong on the bus, as text."""
    return [text_of(line) for line in problem_lines(watch.wire_problems, width)]


def test_a_bus_without_trouble_says_nothing(catalogue):
    """No heading over nothing; without a plan and without waits nothing is promised either."""
    watch = Watch(catalogue)
    assert problems(watch) == []
    assert worst_case_lines(watch.wire_problems, str, 100) == []


def test_error_states_and_corrupted_frames(catalogue):
    """Each node that is not error active with its counters, and how many frames were lost to what."""
    watch = Watch(catalogue)
    watch.observe_event(StateChanged(1_500_000, "heater", ErrorState.PASSIVE, 128, 3))
    watch.observe_event(Disturbed(2_000_000, 1, ("heater",)))
    watch.observe_event(Collided(2_000_001, 1, ("heater", "fan")))
    assert problems(watch) == [
        "Problems of the bus. The bus is simulated, and so are its errors.",
        "  heater: error passive, 128 transmit errors, 3 receive errors, since 1.500 s",
        "  frames so far: 1 corrupted by the wires, 1 collided",
        "",
    ]


def test_the_longest_wait(catalogue):
    """Who waited, how long, and when it was through."""
    watch = Watch(catalogue)
    watch.observe_event(Waited(2_000_000, "heater", 0x19FFE45E, 1_993_600))
    lines = [text_of(line) for line in worst_case_lines(watch.wire_problems, hex, 120)]
    assert lines == ["", "Longest so far: 0x19ffe45e got through 6.4 ms after it was ready, at 2.000 s."]


def test_bits_in_writing():
    """Stuff bits stand in brackets."""
    assert bits_text([Bit(FramePart.DATA, 1), Bit(FramePart.DATA, 0, True)]) == "1[0]"


@pytest.fixture
def all_at_once(tmp_path):
    """The shipped vehicle, all of whose devices start in the same microsecond."""
    rig = (scenario_folder() / "rigs" / "ottersby.toml").read_text(encoding="utf-8")
    timing = 'timing = { clock = "exact", jitter = "0s", busy = "0s", start = "0s" }'
    (tmp_path / "rig.toml").write_text(rig.replace("[[device]]\n", f"[[device]]\n{timing}\n"), encoding="utf-8")
    path = tmp_path / "all_at_once.toml"
    path.write_text('schema = 1\ntitle = "All at once"\nrig = "rig.toml"\nlasts = "1min"\n', encoding="utf-8")
    return str(path)


def test_the_wires_show_who_waited_for_whom(watched, drive, all_at_once):
    """Where everybody claims at once the panel, 44 hex, goes first, and the others wait for it."""
    lines = drive(watched(all_at_once, 0.5).app(), (100, 50), "r")
    assert any("11 were ready, and the lowest identifier went first." in line for line in lines)
    assert any(line.startswith("  sent    control panel, ADDRESS_CLAIM") or "18EEFF44" in line for line in lines)
    assert any("lost at bit" in line for line in lines)
    assert "  and 5 more waited" in lines


def test_the_wires_promise_what_the_plan_can_keep(watched, drive):
    """Below the bits: load and worst response by the plan, and the longest so far."""
    text = " ".join(drive(watched("winter_evening", 10).app(), (100, 100), "r"))
    assert "Computed from the plan, not measured: bus load at most 15.3 %" in text
    assert "Assumed: no errors, all gaps as planned" in text
    assert "Longest so far:" in text


def test_the_last_contest_stays_to_be_looked_at(watched, drive, all_at_once):
    """Two seconds later nobody waits any more; the claims of the start are shown all the same, with their time."""
    lines = drive(watched(all_at_once, 2.1).app(), (100, 50), "r")
    assert any("ready, and the lowest identifier went first." in line for line in lines)


def test_errors_that_an_adapter_tells(catalogue):
    """Error frames and its own state, without the counters that it does not tell; nothing of it is a model."""
    watch = Watch(catalogue)
    watch.observe_event(ErrorFrame(1_000_000, "stuff error"))
    watch.observe_event(StateChanged(1_500_000, "this adapter", ErrorState.PASSIVE, None, 130))
    assert problems(watch) == [
        "Problems of the bus.",
        "  this adapter: error passive, 130 receive errors, since 1.500 s",
        "  frames so far: 1 error frame",
        "",
    ]
