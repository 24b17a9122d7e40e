"""rvsim.wire.claim: claiming a fixed address, with frames written by hand.

What is sent and expected stands here as identifier and bytes, written out by hand from SAE J1939-81 and
rv-c.com/book/export/html/17, so that no mistake in our own encoding can hide. Times are in microseconds.
"""

import pytest

from rvsim.wire.claim import Claimer, ClaimState
from rvsim.wire.name import Name

# can-j1939 2.0.12 test_ca.py (MIT); as a number 52FEC9825352D687h
OWN = bytes.fromhex("87 D6 52 53 82 C9 FE 52")
# a higher and a lower number, although their first bytes say the opposite
HIGHER = bytes.fromhex("00 D6 52 53 82 C9 FE 53")
LOWER = bytes.fromhex("FF FF FF FF FF FF FF 51")

CLAIM = (0x18EEFF5E, OWN)
# can-j1939 2.0.12 test_ca.py (MIT): what cannot be claimed is said from the null address, 18EEFFFE
CANNOT_CLAIM = (0x18EEFFFE, OWN)
# J1939 request for EE00h: the wanted number, low byte first, in three bytes
WANTED = bytes.fromhex("00 EE 00")
NOW = 1_000_000


def node(address=94, draw=lambda below: 10, **options):
    """Give a node with the static NAME above, whose random numbers are all 10."""
    return Claimer(Name.from_bytes(OWN), address, draw, **options)


@pytest.fixture
def claimer():
    """Give a node that holds address 94 (5Eh), a furnace's default in the RV-C table (from memory)."""
    claimer = node()
    claimer.start(0)
    claimer.expire(250_000)
    return claimer


@pytest.fixture
def loser(claimer):
    """Give the same node after it lost its address, and said so."""
    claimer.receive(500_000, 0x18EEFF5E, LOWER)
    claimer.expire(700_000)
    return claimer


def test_it_claims_its_address_at_start():
    """The claim goes to all, at priority 6, with the NAME as its bytes."""
    claimer = node()
    assert claimer.state is ClaimState.SILENT
    assert claimer.start(0) == [CLAIM]
    assert (claimer.state, claimer.claimed) == (ClaimState.CLAIMING, 94)


def test_it_speaks_when_the_time_for_objections_is_over():
    """Others have 250 ms to answer a claim (rv-c.com/book/export/html/17): until then it may not speak."""
    claimer = node()
    claimer.start(NOW)
    assert claimer.due() == 1_250_000
    assert claimer.expire(1_249_999) == []
    assert claimer.address is None
    assert claimer.expire(1_250_000) == []
    assert (claimer.address, claimer.state, claimer.due()) == (94, ClaimState.HOLDING, None)


@pytest.mark.parametrize(
    ("address", "at_once"), [(0, True), (127, True), (128, False), (247, False), (248, True), (253, True)]
)
def test_a_preferred_address_may_be_used_at_once(address, at_once):
    """SAE J1939-81 lets 0..127 and 248..253 speak at once (can-j1939 2.0.12 controller_application.py); by choice."""
    early, patient = node(address, early=True), node(address)
    early.start(0)
    patient.start(0)
    assert early.address == (address if at_once else None)
    assert early.due() == (None if at_once else 250_000)
    assert patient.address is None


def test_one_that_spoke_at_once_loses_its_address_like_any_other():
    """A lower NAME that objects silences it."""
    claimer = node(early=True)
    claimer.start(0)
    assert claimer.receive(1000, 0x18EEFF5E, LOWER) == []
    assert (claimer.address, claimer.state) == (None, ClaimState.CANNOT_CLAIM)


@pytest.mark.parametrize("address", [-1, 254, 255])
def test_nobody_has_the_address_of_none_or_all(address):
    """254 and 255 (SAE J1939-81), and what is no address, are refused."""
    with pytest.raises(ValueError, match=f"^address {address} is not within 0..253$"):
        node(address)


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        (0x18EAFFF9, WANTED),  # to all
        (0x18EA5EF9, WANTED),  # to it
        (0x1CEAFFFE, WANTED),  # at another priority, from a node without an address
        (0x18EAFFF9, bytes.fromhex("00 EE 00 FF FF FF FF FF")),  # eight bytes, as RV-C nodes send it
    ],
)
def test_it_answers_a_request_for_the_claim(claimer, identifier, data):
    """Asked for address claims, alone or with all others, it claims again at once; so it does while it still waits."""
    assert claimer.receive(NOW, identifier, data) == [CLAIM]
    waiting = node()
    waiting.start(0)
    assert waiting.receive(100_000, identifier, data) == [CLAIM]
    assert waiting.due() == 250_000


@pytest.mark.parametrize("destination", ["FF", "5E", "FE"])
def test_it_answers_nobody_before_it_has_claimed(destination):
    """A node that has not started says nothing."""
    assert node().receive(NOW, int(f"18EA{destination}F9", 16), WANTED) == []
    assert node().receive(NOW, 0x18EEFF5E, HIGHER) == []


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        (0x18EA5FF9, WANTED),  # to another node
        (0x18EAFEF9, WANTED),  # to nobody
        (0x18EAFFF9, bytes.fromhex("EB FE 00")),  # for another message
        (0x18EAFFF9, bytes.fromhex("00 EE 01")),  # for another message whose low bytes are alike
        (0x18EAFFF9, bytes.fromhex("00 EE")),  # cut short
        (0x18EAFFF9, b""),
        (0x19EAFFF9, WANTED),  # not a request: data page 1
        (0x19FFD15E, WANTED),  # another message
    ],
)
def test_it_is_silent_when_nobody_asks_it(claimer, identifier, data):
    """A request to another node or for another message, and what is no request at all, gets no answer."""
    assert claimer.receive(NOW, identifier, data) == []
    assert (claimer.address, claimer.due()) == (94, None)


def test_it_defends_its_address_against_a_higher_name(claimer):
    """The lower number keeps the address (SAE J1939-81), and says so at once."""
    assert claimer.receive(NOW, 0x18EEFF5E, HIGHER) == [CLAIM]
    assert claimer.address == 94


def test_it_defends_its_address_while_it_waits():
    """An objection of a higher NAME is answered, and does not lengthen the wait."""
    claimer = node()
    claimer.start(0)
    assert claimer.receive(200_000, 0x18EEFF5E, HIGHER) == [CLAIM]
    assert claimer.due() == 250_000


def test_it_gives_way_to_a_lower_name(claimer):
    """The higher number loses the address at once, and says after its random delay that it has none."""
    assert claimer.receive(NOW, 0x18EEFF5E, LOWER) == []
    assert (claimer.address, claimer.claimed, claimer.state) == (None, None, ClaimState.CANNOT_CLAIM)
    assert claimer.due() == 1_006_000  # ten steps of 0.6 ms
    assert claimer.expire(1_005_999) == []
    assert claimer.expire(1_006_000) == [CANNOT_CLAIM]
    assert (claimer.due(), claimer.expire(2_000_000)) == (None, [])


def test_it_gives_way_while_it_waits():
    """Whoever objects with a lower NAME within the 250 ms takes the address, and the wait is over."""
    claimer = node()
    claimer.start(0)
    claimer.receive(249_000, 0x18EEFF5E, LOWER)
    assert claimer.expire(250_000) == []
    assert claimer.state is ClaimState.CANNOT_CLAIM
    assert claimer.expire(255_000) == [CANNOT_CLAIM]


@pytest.mark.parametrize(("drawn", "delay"), [(0, 0), (1, 600), (255, 153_000)])
def test_the_delay_is_at_most_153_ms(drawn, delay):
    """0 to 255 steps of 0.6 ms (SAE J1939-81, from memory), as the random numbers handed in say."""
    asked_for = []
    claimer = node(draw=lambda below: asked_for.append(below) or drawn)
    claimer.start(0)
    claimer.receive(NOW, 0x18EEFF5E, LOWER)
    assert claimer.due() == NOW + delay
    assert asked_for == [256]


@pytest.mark.parametrize(
    ("other", "address"),
    # only the last, most significant byte differs; then only the first, least significant one
    [
        ("87 D6 52 53 82 C9 FE 51", None),
        ("87 D6 52 53 82 C9 FE 53", 94),
        ("86 D6 52 53 82 C9 FE 52", None),
        ("88 D6 52 53 82 C9 FE 52", 94),
    ],
)
def test_names_are_compared_as_little_endian_numbers(claimer, other, address):
    """The last byte counts most, the first least."""
    claimer.receive(NOW, 0x18EEFF5E, bytes.fromhex(other))
    assert claimer.address == address


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        (0x18EEFF5F, LOWER),  # for another address
        (0x18EEFFFE, LOWER),  # somebody cannot claim
        (0x18EEFFFF, LOWER),  # nobody speaks from the address of all
        (0x18EEFF5E, OWN),  # its own claim, heard back
        (0x18EEFF5E, LOWER[:7]),  # cut short
        (0x19EEFF5E, LOWER),  # not a claim: data page 1
        (0x18FEEE5E, LOWER),  # not a claim: another message
    ],
)
def test_it_lets_pass_what_is_no_contest(claimer, identifier, data):
    """A claim for another address, its own echo and what is no claim take nothing from it."""
    assert claimer.receive(NOW, identifier, data) == []
    assert (claimer.address, claimer.due()) == (94, None)


def test_without_an_address_it_answers_requests_to_all(loser):
    """Asked with all others, it says after its random delay that it cannot claim; asked twice meanwhile, once."""
    assert loser.receive(NOW, 0x18EAFFF9, WANTED) == []
    assert loser.due() == 1_006_000
    assert loser.receive(1_005_000, 0x18EAFFF9, WANTED) == []
    assert loser.expire(1_006_000) == [CANNOT_CLAIM]
    assert loser.due() is None


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        (0x18EA5EF9, WANTED),
        (0x18EAFEF9, WANTED),
        (0x18EEFF5E, LOWER),
        (0x18EEFF5E, HIGHER),
        (0x18EEFFFE, LOWER),
        (0x18EEFFFE, OWN),
    ],
)
def test_without_an_address_it_is_silent_otherwise(loser, identifier, data):
    """Its old address is another node's now, and so are requests and contests for it."""
    assert loser.receive(NOW, identifier, data) == []
    assert (loser.address, loser.due()) == (None, None)


def test_it_may_start_again(loser):
    """Switched on again, it claims the address it prefers, and says no more that it has none."""
    loser.receive(NOW, 0x18EAFFF9, WANTED)
    assert loser.start(NOW + 1) == [CLAIM]
    assert loser.due() == NOW + 250_001


def test_what_was_due_before_a_frame_is_done_first(claimer):
    """A caller that is late with ``expire`` gets what was due together with the answer."""
    claimer.receive(NOW, 0x18EEFF5E, LOWER)
    assert claimer.receive(1_006_001, 0x18EEFF5F, LOWER) == [CANNOT_CLAIM]
    late = node()
    late.start(0)
    late.receive(250_000, 0x18EEFF5F, LOWER)
    assert late.address is None  # a frame at the very moment comes first
    late.receive(250_001, 0x18EEFF5F, LOWER)
    assert late.address == 94
