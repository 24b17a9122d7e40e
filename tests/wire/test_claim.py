"""rvsim.wire.claim: address claiming by hand-written frames, and between claimers of random NAMEs.

What is sent and expected stands here as identifier and bytes, written out by hand from SAE J1939-81 and
rv-c.com/book/export/html/17, so that no mistake in our own encoding can hide.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.claim import OBJECTION_US, Claimer
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


@pytest.fixture
def claimer():
    """Give a node that wants address 94 (5Eh), a furnace's default in the RV-C table (from memory)."""
    return Claimer(Name.from_bytes(OWN), 94)


@pytest.fixture
def loser(claimer):
    """Give the same node after it lost its address."""
    claimer.hear(0x18EEFF5E, LOWER)
    return claimer


def test_it_claims_its_address_at_start(claimer):
    """The claim goes to all, at priority 6, with the NAME as its bytes."""
    assert claimer.start() == [CLAIM]
    assert claimer.address == 94


def test_others_have_250_ms_to_object():
    """The time that rv-c.com/book/export/html/17 gives to answer a claim."""
    assert OBJECTION_US == 250_000


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
    """Asked for address claims, alone or with all others, it claims again."""
    assert claimer.hear(identifier, data) == [CLAIM]


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
    assert claimer.hear(identifier, data) == []
    assert claimer.address == 94


def test_it_defends_its_address_against_a_higher_name(claimer):
    """The lower number keeps the address (SAE J1939-81), and says so."""
    assert claimer.hear(0x18EEFF5E, HIGHER) == [CLAIM]
    assert claimer.address == 94


def test_it_gives_way_to_a_lower_name(claimer):
    """The higher number loses the address, and says from the null address that it has none."""
    assert claimer.hear(0x18EEFF5E, LOWER) == [CANNOT_CLAIM]
    assert claimer.address is None


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
    claimer.hear(0x18EEFF5E, bytes.fromhex(other))
    assert claimer.address == address


@pytest.mark.parametrize(
    ("identifier", "data"),
    [
        (0x18EEFF5F, LOWER),  # for another address
        (0x18EEFFFE, LOWER),  # somebody cannot claim
        (0x18EEFF5E, OWN),  # its own claim, heard back
        (0x18EEFF5E, LOWER[:7]),  # cut short
        (0x19EEFF5E, LOWER),  # not a claim: data page 1
        (0x18FEEE5E, LOWER),  # not a claim: another message
    ],
)
def test_it_lets_pass_what_is_no_contest(claimer, identifier, data):
    """A claim for another address, its own echo and what is no claim take nothing from it."""
    assert claimer.hear(identifier, data) == []
    assert claimer.address == 94


def test_without_an_address_it_answers_requests_to_all(loser):
    """Asked with all others, it says that it cannot claim."""
    assert loser.hear(0x18EAFFF9, WANTED) == [CANNOT_CLAIM]


@pytest.mark.parametrize(
    ("identifier", "data"),
    [(0x18EA5EF9, WANTED), (0x18EEFF5E, LOWER), (0x18EEFF5E, HIGHER), (0x18EEFFFE, LOWER), (0x18EEFFFE, OWN)],
)
def test_without_an_address_it_is_silent_otherwise(loser, identifier, data):
    """Its old address is another node's now, and so are requests and contests for it."""
    assert loser.hear(identifier, data) == []
    assert loser.address is None


def test_it_may_start_again_without_an_address(loser):
    """A node without an address claims none."""
    assert loser.start() == [CANNOT_CLAIM]


def settle(nodes):
    """Let all nodes claim one after another and hear each other until the bus is quiet."""
    waiting = []
    for node in nodes:
        waiting += [(node, frame) for frame in node.start()]
        while waiting:
            sender, (identifier, data) = waiting.pop(0)
            for other in nodes:
                if other is not sender:
                    waiting += [(other, frame) for frame in other.hear(identifier, data)]


@given(numbers=st.lists(st.integers(0, (1 << 64) - 1), min_size=2, max_size=6, unique=True), data=st.data())
def test_the_lowest_name_ends_up_with_the_address(numbers, data):
    """Whatever the NAMEs and the order in which they come, each address is left to the lowest that wants it."""
    names = [Name.from_bytes(number.to_bytes(8, "little")) for number in numbers]
    wanted = [data.draw(st.sampled_from([94, 95])) for _ in names]
    nodes = [Claimer(name, address) for name, address in zip(names, wanted, strict=True)]
    settle(nodes)
    for node, number, address in zip(nodes, numbers, wanted, strict=True):
        lowest = min(other for other, want in zip(numbers, wanted, strict=True) if want == address)
        assert node.address == (address if number == lowest else None)
