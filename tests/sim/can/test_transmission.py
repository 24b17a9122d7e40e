"""One transmission: its bits, who falls out of it, and how long the pair is busy where it fails."""

import pytest

from rvsim.sim.can.controller import Controller
from rvsim.sim.can.transmission import FailedBit, Transmission
from rvsim.sim.can.wire_faults import BitErrors

ZEROS = bytes(8)


def nodes(*transmit_errors):
    """Return nodes with these transmit error counters."""
    made = [Controller(number, str(number)) for number in range(len(transmit_errors))]
    for node, errors in zip(made, transmit_errors, strict=True):
        node.transmit_errors = errors
    return made


def transmission(identifier, *sent, errors=None):
    """Return a transmission of as many nodes as there are data, their error counters 0 or as given."""
    senders = nodes(*(errors or [0] * len(sent)))
    return Transmission(0, {node: (identifier, node.sender, 0, data) for node, data in zip(senders, sent, strict=True)})


def test_the_slot_is_11_bits_before_the_end():
    """A frame that hardware counted as 141 bits with the 3 after it (python-can's logfile.asc) has its slot at 130."""
    one = transmission(0x18EBFF00, bytes.fromhex("01A00FA6603BD140"))
    assert (one.bits, one.slot_bits) == (141, 130)


def test_a_repeat_begins_25_bits_behind_its_slot():
    """Flag 6, delimiter 8, 3 between frames, and 8 of an error passive node (CAN Specification 2.0, part B, 3.1.5)."""
    one = transmission(0x18EBFF00, bytes.fromhex("01A00FA6603BD140"))
    assert one.repeat_bits == 130 + 6 + 8 + 3 + 8


@pytest.mark.parametrize(
    ("errors", "answered", "bit", "bits"),
    [
        # identifier 0: start and four zeros, a stuffed 1, five zeros, a stuffed 1, two zeros, the 1 of SRR
        (0, True, 1, 12 + 11),  # the start turned recessive: nothing dominant before the flag
        (0, True, 2, 12 + 11),  # a zero turned recessive
        (0, True, 6, 12 - 5 + 11),  # the first stuff bit turned dominant: six equal ones are there already
        (0, True, 15, 12 - 3 + 11),  # two zeros, and the SRR behind them turned dominant
        (128, True, 1, 12 - 1 + 11),  # a recessive flag, one recessive bit before it
        (128, True, 2, 12 - 1 + 11),
        (0, False, 2, 6 + 11),  # nobody answers
        (128, False, 2, 6 + 11),
    ],
)
def test_error_frames(wire, errors, answered, bit, bits):
    """Flag and answers take 12 bits less those of the flag's level that end with the failed one, 5 at most; 8; 3."""
    one = transmission(0, ZEROS, errors=[errors])
    one.fails_at = FailedBit(bit)
    seen = wire(0, ZEROS)[: bit - 1] + ("1" if wire(0, ZEROS)[bit - 1] == "0" else "0")
    level = "0" if errors < 128 else "1"
    run = len(seen) - len(seen.rstrip(level))
    assert one.error_bits([], is_answered=answered) == bits == (6 if not answered else 12 - min(run, 5)) + 11


def test_an_error_active_listener_answers_and_a_passive_one_does_not():
    """Only a dominant flag is seen by others."""
    for errors, flag in ((0, 12), (128, 6)):
        one = transmission(0, ZEROS)
        one.fails_at = FailedBit(2)
        assert one.error_bits(nodes(errors), is_answered=False) == flag + 11


def test_one_sender_answers_the_other():
    """Of two error active senders one flags first, the other sees it as the listeners do."""
    for errors, flag in (([0, 0], 12), ([0, 128], 6), ([128, 128], 6)):
        one = transmission(0, ZEROS, ZEROS, errors=errors)
        one.fails_at = FailedBit(2)
        assert one.error_bits([], is_answered=False) == flag + 11


def test_behind_the_slot_nobody_needs_six_bits():
    """The end of frame is not stuffed: all see an error there at once."""
    one = transmission(0, ZEROS)
    one.fails_at = FailedBit(one.slot_bits)
    assert one.error_bits([], is_answered=True) == 6 + 11
    one.fails_at = FailedBit(one.slot_bits - 1)
    assert one.error_bits([], is_answered=True) > 6 + 11


def test_passive_nodes_fall_out_one_after_the_other():
    """Of three, the one that is recessive first falls out first; the most dominant goes on."""
    one = transmission(0x100, b"\x80", b"\x01", b"\x00", errors=[128, 128, 0])
    one.find_conflicts()
    first, second = one.conflicts
    assert ([node.name for node in first.losers], [node.name for node in second.losers]) == (["0"], ["1"])
    assert first.bit < second.bit
    assert (one.fails_at, one.data) == (None, b"\x00")
    assert [node.name for node in one.everyone] == ["0", "1", "2"]


def test_an_active_one_destroys_the_frame_where_it_differs():
    """A passive one fell out before; the error active one's flag ends it for all that are left."""
    one = transmission(0x100, b"\x80", b"\x01", b"\x00", errors=[128, 0, 128])
    one.find_conflicts()
    assert one.fails_at == FailedBit(one.conflicts[1].bit, collided=True)


def test_equal_frames_do_not_differ():
    """Nothing falls out."""
    one = transmission(0x100, b"ab", b"ab")
    one.find_conflicts()
    assert (one.conflicts, one.fails_at) == ([], None)


@pytest.mark.parametrize(("place", "fails"), [(1, True), (-3, True), (-2, False), (0, False)])
def test_an_error_between_frames_spoils_none(place, fails):
    """Its last 3 bits are the intermission: a bit that is turned over there belongs to no frame."""
    one = transmission(0x100, ZEROS)
    errors = BitErrors(1)
    errors.set_rate(0.5)
    errors.left = bit = place if place > 0 else one.bits + place
    assert one.foresee(errors, None, is_acknowledged=True) == (FailedBit(bit) if fails else None)


def test_what_comes_first_decides_how_it_fails():
    """A node with swapped wires spoils the first bit; without one the empty slot comes behind a turned-over bit."""
    by, errors = nodes(0)[0], BitErrors(1)
    errors.set_rate(0.5)
    errors.left = 40
    one = transmission(0x100, ZEROS)
    assert one.foresee(errors, by, is_acknowledged=False) == FailedBit(1, by=by)
    assert transmission(0x100, ZEROS).foresee(errors, None, is_acknowledged=False) == FailedBit(40)
    errors.left = one.slot_bits + 1
    assert transmission(0x100, ZEROS).foresee(errors, None, is_acknowledged=False) == FailedBit(
        one.slot_bits, unacknowledged=True
    )
