"""Substitutes: the same for the same, another for another, in order and of the same kind."""

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs import substitutes
from rvsim.logs.substitutes import OrderedNumbers, Texts


@given(st.lists(st.integers(0, (1 << 21) - 1), max_size=60), st.integers(0, 99))
def test_numbers_keep_their_order_and_stay_different(numbers, seed):
    """In whatever order they come; none stays but zero and the highest, which stand for none."""
    made = OrderedNumbers(21, Random(seed))
    found = {number: made.replace(number) for number in numbers}
    again = {number: made.replace(number) for number in reversed(numbers)}
    assert again == found
    assert [found[number] for number in sorted(found)] == sorted(found.values())
    assert len(set(found.values())) == len(found)
    assert all(0 <= value < 1 << 21 for value in found.values())
    kept = {number for number, value in found.items() if number == value}
    assert kept <= {0, (1 << 21) - 1}
    assert len(made) == len(set(numbers) - {0, (1 << 21) - 1})


def test_where_there_is_no_room_only_the_order_is_lost():
    """All numbers of four bits, from the middle outwards: still one for one."""
    made = OrderedNumbers(4, Random(1))
    numbers = sorted(range(16), key=lambda number: abs(number - 8))
    found = [made.replace(number) for number in numbers]
    assert sorted(found) == list(range(16))


@given(st.lists(st.binary(max_size=7), max_size=40), st.integers(0, 99))
def test_pieces_keep_length_and_kind(pieces, seed):
    """Digits become digits, letters letters; what separates, fills or counts stays."""
    made = Texts(Random(seed))
    for piece in pieces:
        found = made.replace(1, piece)
        assert made.replace(1, piece) == found
        assert len(found) == len(piece)
        for before, after in zip(piece, found, strict=True):
            if before < 0x20 or before in b"* \xff":
                assert after == before
            else:
                assert bytes([after]).isalnum()


def test_pieces_of_one_place_stay_different():
    """Ten serial numbers that differ in one digit, which has ten substitutes; then more than there are digits."""
    made = Texts(Random(3))
    found = [made.replace("x", b"%d" % number) for number in range(10)]
    assert len(set(found)) == 10
    letters = [made.replace("x", bytes([letter])) for letter in range(0x80, 0x90)]
    assert len({*letters, *found}) == 26
    assert all(len(piece) == 1 for piece in letters)


def test_a_piece_is_not_its_own_substitute():
    """But where nothing in it can be replaced."""
    made = Texts(Random(4))
    assert all(made.replace(0, b"%d" % digit) != b"%d" % digit for digit in range(9))
    assert made.replace(0, b"** \xff\x00\x02") == b"** \xff\x00\x02"


def test_digits_stay_digits():
    """A serial number still looks like one."""
    assert Texts(Random(5)).replace(0, b"SN12*a").translate(None, b"0123456789").__len__() == 4


def test_memory_is_bounded(monkeypatch):
    """The oldest pieces are forgotten; what is remembered stays the same."""
    monkeypatch.setattr(substitutes, "MAX_TEXTS", 10)
    made = Texts(Random(6))
    for number in range(1000):
        made.replace(0, b"%06d" % number)
    assert len(made) == 10
    assert made.replace(0, b"000999") == made.replace(0, b"000999")
