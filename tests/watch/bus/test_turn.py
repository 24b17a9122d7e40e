"""Accesses of the pair, worked by hand: the bits of two identifiers side by side."""

from hypothesis import given
from hypothesis import strategies as st

from rvsim.watch.bus.turn import Turn, Waiting, follows, gives_way_at, latest_turn, turn_at
from rvsim.wire.frame import Frame

CLAIM = Frame(1_000_000, 0x18EEFF5E, bytes(8))
FURNACE = Frame(1_000_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))
"""Start 0, then 18EEFF5E: 1100 0111011..., 19FFE45E: 1100 1111111...: bit 5 differs."""
OTHER = FURNACE._replace(identifier=0x19FFE45F)
"""The same of another node."""
FULL_US = 524
"""131 bits of 4 us."""


def after(before: Frame, frame: Frame, gap: int = 0) -> Frame:
    """A frame that began so long after the one before it had ended, as short as it can be."""
    return frame._replace(time=before.time + FULL_US + gap)


def test_the_higher_identifier_gives_way_at_the_first_bit_that_differs():
    """Bit 5, counted from the start of frame; the lower one gives way nowhere."""
    assert gives_way_at(CLAIM, FURNACE) == 5
    assert gives_way_at(FURNACE, CLAIM) is None


def test_one_identifier_does_not_give_way():
    """Equal frames go as one, and different data are a collision behind the arbitration."""
    assert gives_way_at(FURNACE, FURNACE) is None
    assert gives_way_at(FURNACE, FURNACE._replace(data=bytes.fromhex("0100C865FFFFFFFF"))) is None


def test_a_source_address_decides_last():
    """19FFE45E and 19FFE45F differ in the last bit of the identifier: start, 11, SRR, IDE, 18 and two stuff bits."""
    place = gives_way_at(FURNACE, FURNACE._replace(identifier=0x19FFE45F))
    assert place == 1 + 11 + 2 + 18 + 2 - 1


def test_a_frame_that_began_at_once_had_waited():
    """Within its shortest and longest length behind the end of the one before, and two bits for rounding."""
    assert follows(CLAIM, after(CLAIM, FURNACE))
    assert follows(CLAIM, after(CLAIM, FURNACE, 40))
    assert not follows(CLAIM, after(CLAIM, FURNACE, 200))
    assert not follows(CLAIM, CLAIM._replace(time=CLAIM.time + 300))


def test_on_a_simulated_pair_the_stuff_bits_of_the_one_before_lie_between():
    """The claim of zeros takes 146 bits and the furnace status 142: 584 us lie between two starts."""
    assert follows(CLAIM, FURNACE._replace(time=CLAIM.time + 584))
    assert follows(FURNACE, CLAIM._replace(time=FURNACE.time + 584))
    assert not follows(FURNACE, FURNACE._replace(time=FURNACE.time + 584))


def test_the_last_access_with_a_contest_is_told():
    """Claim, then furnace waiting for it; what came alone later is not the picture of arbitration."""
    waiting = after(CLAIM, OTHER, 20)
    alone = FURNACE._replace(time=3_000_000)
    assert latest_turn([CLAIM, waiting, alone]) == Turn(CLAIM, (Waiting(waiting, 5),))
    assert latest_turn([CLAIM, alone]) == Turn(alone, ())
    assert latest_turn([]) is None


def test_a_node_does_not_contend_with_itself():
    """It takes part with one frame at a time: its next one, right behind, has lost nothing."""
    assert latest_turn([CLAIM, after(CLAIM, FURNACE)]).waiting == ()
    first, second = after(CLAIM, OTHER), after(after(CLAIM, OTHER), OTHER._replace(identifier=0x19FFF75F))
    assert latest_turn([CLAIM, first, second]) == Turn(CLAIM, (Waiting(first, 5),))


def test_a_lower_identifier_behind_it_came_too_late():
    """It would have won, had it been ready."""
    late = after(FURNACE, CLAIM)
    assert latest_turn([FURNACE, late]) == Turn(late, ())


@given(st.integers(0, (1 << 29) - 1), st.integers(0, (1 << 29) - 1), st.binary(max_size=8), st.binary(max_size=8))
def test_of_two_identifiers_the_higher_one_gives_way(one, other, data, more):
    """Whatever the bits and stuff bits are: exactly one of two different identifiers loses."""
    first, second = Frame(0, one, data), Frame(0, other, more)
    loses = (gives_way_at(first, second) is not None, gives_way_at(second, first) is not None)
    assert loses == (one < other, other < one)


def test_each_frame_has_its_turn():
    """With those that followed without a gap and lost; a frame behind a pause takes no part."""
    low, middle, high = (0x19FFE440 | source for source in (1, 2, 3))
    times = (1_000_000, 1_000_568, 1_001_136, 1_200_000)
    frames = [Frame(time, one, bytes(8)) for time, one in zip(times, (low, high, middle, high), strict=True)]
    waiting = [[waiting.frame.identifier for waiting in turn_at(frames, n).waiting] for n in range(4)]
    assert waiting == [[high, middle], [], [], []]
    assert [turn_at(frames, n).frame for n in range(4)] == frames
