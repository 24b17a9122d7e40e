"""rvsim.wire.commanded_address: the nine bytes, and a node that is commanded to another address.

Bytes are written out by hand: eight of the NAME as in its claim, then the address (SAE J1939-81, from memory).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.claim import Claimer, ClaimState
from rvsim.wire.commanded_address import COMMANDED_ADDRESS, AddressCommand, read_address_command
from rvsim.wire.name import Name

# can-j1939 2.0.12 test_ca.py (MIT); as a number 52FEC9825352D687h, which may not choose an address
FIXED = bytes.fromhex("87 D6 52 53 82 C9 FE 52")
# a recorded claim (gpsd 3.22 Debian source, BSD-2-Clause) whose highest bit says that it may choose
CHOOSING = bytes.fromhex("40 E2 C1 DD 00 C8 A0 C0")
STRONGER = bytes.fromhex("00 00 00 00 00 00 00 40")
WEAKER = bytes.fromhex("FF FF FF FF FF FF FF FF")
OLD, NEW = 0x88, 0x5E
NOW = 1_000_000


@pytest.fixture(params=[FIXED, CHOOSING], ids=["fixed", "choosing"])
def own(request):
    """Give the NAME of a node, one that may choose an address and one that may not."""
    return request.param


@pytest.fixture
def holder(own):
    """Give a node that holds its address."""
    return started(own)


def started(own, **options):
    """Give a node that has started and waited."""
    claimer = Claimer(Name.from_bytes(own), OLD, lambda below: 10, **options)
    claimer.start(0)
    claimer.expire(250_000)
    return claimer


def test_it_is_pgn_65240():
    """The number that the standard gives it (SAE J1939-81, from memory)."""
    assert COMMANDED_ADDRESS == 65240


def test_eight_bytes_of_the_name_then_the_address():
    """Hand-written bytes are read, and written back."""
    data = FIXED + b"\x5e"
    command = read_address_command(data)
    assert command == AddressCommand(Name.from_bytes(FIXED), 0x5E)
    assert command.to_bytes() == data


@pytest.mark.parametrize("size", [0, 1, 8, 10, 14, 1785])
def test_another_length_is_no_commanded_address(size):
    """Nine bytes, no fewer and no more."""
    assert read_address_command(bytes(size)) is None


@given(st.binary(min_size=9, max_size=9))
def test_any_nine_bytes_are_read_and_written_back(data):
    """No NAME and no address breaks the reader; whether a node can have it is the claim's affair."""
    command = read_address_command(data)
    assert (command.to_bytes(), command.address) == (data, data[8])


@given(st.binary(max_size=20))
def test_no_bytes_break_the_reader(data):
    """What is not nine bytes says nothing."""
    assert (read_address_command(data) is None) == (len(data) != 9)


# What the node does.


def test_it_claims_the_new_address_and_waits_there(holder, own):
    """The claim from the new address is the answer; nothing is sent from either until 250 ms are over."""
    assert holder.command(NOW, NEW) == [(0x18EEFF5E, own)]
    assert (holder.state, holder.address, holder.due()) == (ClaimState.CLAIMING, None, 1_250_000)
    holder.expire(1_250_000)
    assert holder.address == NEW


def test_its_old_address_is_free_for_others(holder):
    """A claim of the address that it left is no contest any more."""
    holder.command(NOW, NEW)
    assert holder.receive(NOW + 1, 0x18EEFF88, WEAKER) == []
    assert holder.claimed == NEW


def test_a_weaker_holder_of_the_new_address_is_told_off(holder, own):
    """The holder objects by its claim, and loses to the lower NAME."""
    holder.receive(NOW - 1, 0x18EEFF5E, WEAKER)
    assert holder.command(NOW, NEW) == [(0x18EEFF5E, own)]
    assert holder.receive(NOW + 1, 0x18EEFF5E, WEAKER) == [(0x18EEFF5E, own)]
    holder.expire(1_250_000)
    assert holder.address == NEW


def test_a_stronger_holder_of_the_new_address_keeps_it(holder, own):
    """The contest is that of any claim: one that may choose goes on below the address lost, the other has none."""
    holder.receive(NOW - 1, 0x18EEFF5E, STRONGER)
    assert holder.command(NOW, NEW) == [(0x18EEFF5E, own)]
    answer = holder.receive(NOW + 1, 0x18EEFF5E, STRONGER)
    if own == CHOOSING:  # nothing of 128..247 lies below 94, so from the highest one on
        assert (answer, holder.claimed) == ([(0x18EEFFF7, own)], 0xF7)
    else:
        assert (answer, holder.state) == ([], ClaimState.CANNOT_CLAIM)
        assert holder.expire(NOW + 6_001) == [(0x18EEFFFE, own)]


def test_told_to_have_what_it_has_it_says_so_and_goes_on(holder, own):
    """It claims once more, and may speak without a pause."""
    assert holder.command(NOW, OLD) == [(0x18EEFF88, own)]
    assert (holder.address, holder.due()) == (OLD, None)


def test_told_to_have_what_it_is_claiming_it_does_not_wait_longer(own):
    """The time for objections runs from its first claim."""
    claimer = Claimer(Name.from_bytes(own), OLD, lambda below: 10)
    claimer.start(0)
    assert claimer.command(100_000, OLD) == [(0x18EEFF88, own)]
    assert claimer.due() == 250_000


@pytest.mark.parametrize("address", [254, 255, 256, -1])
def test_nobody_can_have_the_address_of_none_or_all(holder, address):
    """254 and 255 (SAE J1939-81), and what is no address, change nothing."""
    assert holder.command(NOW, address) == []
    assert (holder.address, holder.due()) == (OLD, None)
    assert holder.start(NOW + 1)[0][0] == 0x18EEFF88


@pytest.mark.parametrize("address", [0, 127, 253])
def test_any_other_address_will_do(holder, address):
    """The range in which a node looks by itself does not bind who commands it."""
    holder.command(NOW, address)
    holder.expire(NOW + 250_000)
    assert holder.address == address


def test_one_without_an_address_gets_one(own):
    """After a lost contest it may be told where to go; what it was about to say of having none is forgotten."""
    holder = started(own, choices=range(0))
    holder.receive(NOW, 0x18EEFF88, STRONGER)
    assert holder.state is ClaimState.CANNOT_CLAIM
    assert holder.command(NOW + 1, NEW) == [(0x18EEFF5E, own)]
    assert holder.expire(NOW + 250_001) == []
    assert holder.address == NEW


def test_one_that_has_not_started_is_not_there(own):
    """Nobody is commanded who has not claimed yet."""
    claimer = Claimer(Name.from_bytes(own), OLD, lambda below: 10)
    assert claimer.command(0, NEW) == []
    assert claimer.start(1) == [(0x18EEFF88, own)]


def test_it_prefers_that_address_when_it_starts_again(holder, own):
    """A reset does not take it back to where it was (our decision)."""
    holder.command(NOW, NEW)
    assert holder.start(NOW + 1) == [(0x18EEFF5E, own)]


def test_it_may_speak_at_once_where_it_could_from_the_start(own):
    """An early node at 94 claims and speaks (SAE J1939-81: outside 128..247)."""
    claimer = Claimer(Name.from_bytes(own), OLD, lambda below: 10, early=True)
    claimer.start(0)
    claimer.command(1, NEW)
    assert (claimer.address, claimer.due()) == (NEW, None)
