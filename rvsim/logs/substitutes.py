"""Substitutes for what must not be known: the same one for the same original, another one for every other.

Knows: numbers, whose substitutes keep their order, and pieces of text, whose substitutes keep length and kind of each
character. Does not know where they stand in a frame. Substitutes are drawn at random and not computed from the
originals, so nobody can compute these again; they hold for as long as the object lives.
"""

from bisect import bisect_left
from collections.abc import Hashable
from random import Random

MAX_DRAWS = 64
"""How often a substitute is drawn before another way is taken. Our choice."""
MAX_TEXTS = 100_000
"""Pieces of text that are remembered; of more the oldest are forgotten, and get another substitute when they come
again. Our choice, to bound the memory."""
_DIGITS, _SMALL, _LARGE = b"0123456789", b"abcdefghijklmnopqrstuvwxyz", b"ABCDEFGHIJKLMNOPQRSTUVWXYZ"


class OrderedNumbers:
    """Substitutes of numbers of ``bits`` bits, in the same order as far as there is room.

    Zero and the highest number stand for "none" and stay. Of two nodes that contest an address the one with the lower
    NAME wins: in the order of the originals a contest ends as it did.
    """

    def __init__(self, bits: int, random: Random) -> None:
        self._random = random
        top = (1 << bits) - 1
        self._originals = [0, top]
        self._numbers = [0, top]
        self._used = {0, top}
        self._top = top

    def __len__(self) -> int:
        return len(self._originals) - 2

    def replace(self, original: int) -> int:
        """Return the substitute of a number."""
        place = bisect_left(self._originals, original)
        if self._originals[place] == original:
            return self._numbers[place]
        number = self._draw(self._numbers[place - 1], self._numbers[place], original)
        self._originals.insert(place, original)
        self._numbers.insert(place, number)
        self._used.add(number)
        return number

    def _draw(self, low: int, high: int, original: int) -> int:
        """Return a number between two others, rather in the middle, so that there is room for more on both sides."""
        quarter = (high - low) // 4
        for margin in (quarter, 0):
            for _ in range(MAX_DRAWS):
                if high - low - 2 * margin < 2:
                    break
                number = self._random.randrange(low + margin + 1, high - margin)
                if number not in self._used and number != original:
                    return number
        for _ in range(MAX_DRAWS):  # no room between its neighbours: its order is lost, but no two become one
            number = self._random.randrange(1, self._top)
            if number not in self._used and number != original:
                return number
        return next(number for number in range(1, self._top) if number not in self._used)


class Texts:
    """Substitutes of pieces of text: digits for digits, letters for letters; what separates and fills stays.

    Asterisks separate fields, bytes of zeros and of ones fill them, and bytes below a blank are counts: these stay.
    """

    def __init__(self, random: Random) -> None:
        self._random = random
        self._known: dict[tuple[Hashable, bytes], bytes] = {}
        self._used: dict[Hashable, set[bytes]] = {}

    def __len__(self) -> int:
        return len(self._known)

    def replace(self, place: Hashable, piece: bytes) -> bytes:
        """Return the substitute of a piece; ``place`` is where it stands: only there no two pieces become one."""
        known = self._known.get((place, piece))
        if known is None:
            used = self._used.setdefault(place, set())
            known = self._known[place, piece] = self._draw(piece, used)
            used.add(known)
            if len(self._known) > MAX_TEXTS:
                (place, oldest), substitute = next(iter(self._known.items()))
                del self._known[place, oldest]
                self._used[place].discard(substitute)
        return known

    def _draw(self, piece: bytes, used: set[bytes]) -> bytes:
        drawn = piece
        for draw in range(2 * MAX_DRAWS):  # in the second half any letter stands for a digit too: there are more
            drawn = bytes(self._character(byte, any_letter=draw >= MAX_DRAWS) for byte in piece)
            if drawn not in used and drawn != piece:
                return drawn
        return drawn

    def _character(self, byte: int, *, any_letter: bool) -> int:
        if byte < 0x20 or byte in b"* \xff":
            return byte
        if byte in _DIGITS and not any_letter:
            return self._random.choice(_DIGITS)
        return self._random.choice(_SMALL if byte in _SMALL else _LARGE)
