"""rvsim.wire.claim: nodes that may choose their address, with frames written by hand.

The rule that they look downwards is RV-C's (rv-c.com/book/export/html/17); the vector that looks upwards is that of a
general J1939 node (can-j1939 2.0.12 test_ca.py).
"""

import pytest

from rvsim.wire.claim import SEARCH_UP, Claimer, ClaimState
from rvsim.wire.name import Name

# a recorded claim (gpsd 3.22 Debian source, BSD-2-Clause) whose highest bit says that it may choose
OWN = bytes.fromhex("40 E2 C1 DD 00 C8 A0 C0")
LOWER = bytes.fromhex("40 E2 C1 DD 00 C8 A0 40")
ANOTHER_LOWER = bytes.fromhex("41 E2 C1 DD 00 C8 A0 40")
ABOVE = bytes.fromhex("40 E2 C1 DD 00 C8 A0 C1")


@pytest.fixture
def node():
    """Start nodes that may choose: ``node(preferred, **options)``."""

    def start(preferred=0x88, **options):
        claimer = Claimer(Name.from_bytes(OWN), preferred, lambda below: 5, **options)
        assert claimer.start(0) == [(0x18EEFF00 | preferred, OWN)]
        return claimer

    return start


def test_it_moves_to_the_next_lower_address(node):
    """The loser claims the next lower address at once and waits 250 ms for objections there."""
    claimer = node()
    assert claimer.receive(100_000, 0x18EEFF88, LOWER) == [(0x18EEFF87, OWN)]
    assert (claimer.state, claimer.claimed, claimer.address) == (ClaimState.CLAIMING, 0x87, None)
    assert claimer.due() == 350_000
    claimer.expire(350_000)
    assert claimer.address == 0x87


def test_it_moves_from_an_address_it_held(node):
    """A node that spoke already has no address until the new one is undisputed."""
    claimer = node()
    claimer.expire(250_000)
    assert claimer.receive(1_000_000, 0x18EEFF88, LOWER) == [(0x18EEFF87, OWN)]
    assert (claimer.address, claimer.due()) == (None, 1_250_000)


def test_it_stays_where_its_name_is_the_lower(node):
    """Against a higher NAME it defends its address like any other node."""
    claimer = node()
    assert claimer.receive(1, 0x18EEFF88, ABOVE) == [(0x18EEFF88, OWN)]
    assert claimer.claimed == 0x88


def test_it_passes_over_addresses_that_others_claimed(node):
    """What was heard to be claimed, by whatever NAME, is not free."""
    claimer = node()
    claimer.receive(1, 0x18EEFF87, ABOVE)
    claimer.receive(2, 0x18EEFF86, ANOTHER_LOWER)
    assert claimer.receive(3, 0x18EEFF88, LOWER) == [(0x18EEFF85, OWN)]


@pytest.mark.parametrize("elsewhere", [0x18EEFF70, 0x18EEFFFE])
def test_an_address_is_free_again_when_its_node_has_left_it(node, elsewhere):
    """A NAME has one address: claiming another, or saying that it has none, it leaves the old one."""
    claimer = node()
    claimer.receive(1, 0x18EEFF87, ANOTHER_LOWER)
    claimer.receive(2, elsewhere, ANOTHER_LOWER)
    assert claimer.receive(3, 0x18EEFF88, LOWER) == [(0x18EEFF87, OWN)]


def test_it_goes_on_below_the_address_it_lost_last(node):
    """Driven away twice, it goes down twice, even if the first place is free again."""
    claimer = node()
    claimer.receive(1, 0x18EEFF88, LOWER)
    assert claimer.receive(2, 0x18EEFF87, ANOTHER_LOWER) == [(0x18EEFF86, OWN)]
    claimer.receive(3, 0x18EEFF87 & ~0xFF | 0x10, ANOTHER_LOWER)
    assert claimer.receive(4, 0x18EEFF86, bytes.fromhex("42 E2 C1 DD 00 C8 A0 40")) == [(0x18EEFF85, OWN)]


def test_at_the_lowest_address_it_goes_on_from_the_highest(node):
    """The addresses that a node may give itself are 128 to 247 (SAE J1939-81, from memory), a circle: our decision."""
    assert node(128).receive(1, 0x18EEFF80, LOWER) == [(0x18EEFFF7, OWN)]
    assert node(0x20).receive(1, 0x18EEFF20, LOWER) == [(0x18EEFFF7, OWN)]
    assert node(250).receive(1, 0x18EEFFFA, LOWER) == [(0x18EEFFF7, OWN)]


def test_a_general_j1939_node_looks_upwards(node):
    """The vector of can-j1939 2.0.12 test_ca.py: driven from 128 it claims 129; above the highest comes the lowest."""
    assert node(128, step=SEARCH_UP).receive(1, 0x18EEFF80, LOWER) == [(0x18EEFF81, OWN)]
    assert node(247, step=SEARCH_UP).receive(1, 0x18EEFFF7, LOWER) == [(0x18EEFF80, OWN)]


def test_it_has_no_address_when_none_is_free(node):
    """Within its choices everything is taken: it says after its delay that it cannot claim, to requests too."""
    claimer = node(0x88, choices=range(0x87, 0x89))
    assert claimer.receive(1, 0x18EEFF88, LOWER) == [(0x18EEFF87, OWN)]
    assert claimer.receive(2, 0x18EEFF87, ANOTHER_LOWER) == []
    assert (claimer.state, claimer.due()) == (ClaimState.CANNOT_CLAIM, 3_002)
    assert claimer.expire(3_002) == [(0x18EEFFFE, OWN)]
    assert claimer.receive(10_000, 0x18EAFFF9, bytes.fromhex("00 EE 00")) == []
    assert claimer.due() == 13_000


def test_a_second_claim_of_the_winner_changes_nothing(node):
    """Only the address it is on now can be lost."""
    claimer = node()
    claimer.receive(1, 0x18EEFF88, LOWER)
    assert claimer.receive(2, 0x18EEFF88, LOWER) == []
    assert (claimer.claimed, claimer.due()) == (0x87, 250_001)


def test_it_answers_requests_from_where_it_is_now(node):
    """Asked at its new address it claims that one; its old address is another's."""
    claimer = node()
    claimer.receive(1, 0x18EEFF88, LOWER)
    assert claimer.receive(2, 0x18EA87F9, bytes.fromhex("00 EE 00")) == [(0x18EEFF87, OWN)]
    assert claimer.receive(3, 0x18EA88F9, bytes.fromhex("00 EE 00")) == []


# can-j1939 2.0.12 test_ca.py (MIT): the NAMEs of both, what is claimed first, the objection, and the answer to it
PUBLISHED = [
    ("87 D6 52 53 82 C9 FE 52", "87 D6 52 53 82 6F FE 52", 0x18EEFFFE),  # test_addr_claim_fixed_veto_lose
    ("87 D6 52 53 82 C9 FE 52", "87 D6 52 53 82 DE FE 52", 0x18EEFF80),  # test_addr_claim_fixed_veto_win
    ("87 D6 52 53 82 C9 FE D2", "87 D6 52 53 82 6F FE 52", 0x18EEFF81),  # test_addr_claim_arbitrary_veto_lose
]


@pytest.mark.parametrize(("own", "other", "answer"), PUBLISHED, ids=["fixed loses", "fixed wins", "arbitrary loses"])
def test_published_contests(own, other, answer):
    """The general stack's own test vectors, claim for claim."""
    name = bytes.fromhex(own)
    claimer = Claimer(Name.from_bytes(name), 128, lambda below: 0, step=SEARCH_UP)
    assert claimer.start(0) == [(0x18EEFF80, name)]
    assert claimer.receive(1, 0x18EEFF80, bytes.fromhex(other)) + claimer.expire(1) == [(answer, name)]
