"""Finds the records of a network capture in bytes that come in blocks, also after damage.

Knows: how to continue behind damage. Does not know formats: it is told how a record begins and how long it is.
"""

import re
from collections.abc import Callable, Iterator

from rvsim.logs.formats.entry import CutOffError, UnreadableError

MAX_RECORD_BYTES = 1 << 18
"""The largest packet of a capture, by its usual tools; a larger size is taken for damage."""
HEAD_BYTES = 16
"""The bytes of a record from which its size is known, at most."""
CUT = "a packet that is cut off"
DAMAGED = "bytes that belong to no packet: damaged before this place"


class RecordFinder:
    """Finds one record after the other.

    Args:
        position: where the first record begins, in bytes.
        size_at: returns the size of the record at a place of some bytes, 0 where there cannot be one; all
            ``HEAD_BYTES`` are there.
        pattern: what is searched behind damage.
        offset: how many bytes of a record come before the pattern.
    """

    def __init__(
        self, position: int, size_at: Callable[[bytes, int], int], pattern: re.Pattern[bytes], offset: int
    ) -> None:
        self.position = position
        self._size_at, self._pattern, self._offset = size_at, pattern, offset
        self._held = b""
        self._is_lost = False

    def feed(self, block: bytes | None) -> Iterator[tuple[int, bytes | UnreadableError]]:
        """Yield each record, and where it begins; ``block`` None means the end."""
        held = self._held + (block or b"")
        place, final = 0, block is None
        while len(held) - place >= HEAD_BYTES:
            size = self._size_at(held, place)
            end = place + size
            if size and not final and end + HEAD_BYTES > len(held):
                break
            if not size or not self._is_record(held, place, end):
                self._is_lost = True
                place = self._next_place(held, place + 1)
                continue
            if end > len(held):
                break
            if self._is_lost:
                yield self.position + place, UnreadableError(DAMAGED)
                self._is_lost = False
            yield self.position + place, held[place:end]
            place = end
        self.position, self._held = self.position + place, held[place:]
        if final and (self._held or self._is_lost):
            yield self.position, UnreadableError(DAMAGED) if self._is_lost else CutOffError(CUT)

    def _is_record(self, held: bytes, place: int, end: int) -> bool:
        """Tell whether these bytes are a record, or only look like one.

        If none follows it, the damage is behind it or in its own size: then it has taken in other records.
        """
        if self._is_followed(held, end):
            return True
        inside = place
        while not self._is_lost and (inside := self._next_place(held, inside + 1)) <= min(end, len(held)) - HEAD_BYTES:
            size = self._size_at(held, inside)
            if size and self._is_followed(held, inside + size):
                return False
        return not self._is_lost

    def _is_followed(self, held: bytes, end: int) -> bool:
        """Tell whether another record follows, or the end of the bytes."""
        return bool(self._size_at(held, end)) if len(held) - end >= HEAD_BYTES else len(held) >= end

    def _next_place(self, held: bytes, place: int) -> int:
        """Return the next place at which there may be a record; if there is none, the last bytes of it are kept."""
        found = self._pattern.search(held, place + self._offset)
        return found.start() - self._offset if found else max(place, len(held) - HEAD_BYTES + 1)
