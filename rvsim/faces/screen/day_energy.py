"""The energy of the day on the screen: ampere-hours given and taken, and what the battery was measured to take in.

Knows: the sums of the ledger over the last day, in bounded memory, and how they are drawn as words and bars. Does not
know how the currents of a moment are found (`ledger` does).

A pause, a jump or a log that is read fast leaves gaps between two looks; a gap of more than a minute counts nothing.
"""

from collections import deque
from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

from rvsim.faces.screen.lines import Line, plain_line
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from rvsim.faces.screen.ledger import Ledger

LOOK_EVERY_US = 5 * SECOND_US
"""The ledger is added up at most this often, in bus time."""
MAX_GAP_US = 60 * SECOND_US
MIN_SPAN_US = 60 * SECOND_US
"""Sums over less than this are not shown."""
HOUR_US = 3600 * SECOND_US
HOURS_OF_DAY = 24
BAR_COLUMNS = 30
MIN_MEASURED_AH = 0.05
"""Below this the battery is said to be as before. Our choice: half of the last digit that is shown."""


class _Hour(NamedTuple):
    """Sums of one hour: its number since the start, microseconds counted, and ampere-hours."""

    number: int
    span_us: int = 0
    given: float = 0.0
    taken: float = 0.0
    stored: float = 0.0
    is_measured: bool = False
    givers: Mapping[str, float] = MappingProxyType({})
    """The ampere-hours of each device that gives."""


class DayEnergy:
    """Ampere-hours of the last 24 hours of bus time, hour by hour. Times are in microseconds."""

    def __init__(self) -> None:
        self._hours: deque[_Hour] = deque(maxlen=HOURS_OF_DAY)
        self._last: tuple[int, float, float, float | None] | None = None
        self._last_givers: Mapping[str, float] = {}

    def is_due(self, time: int) -> bool:
        """Return whether the ledger should be added now."""
        return self._last is None or not 0 <= time - self._last[0] < LOOK_EVERY_US

    def add(self, time: int, ledger: "Ledger") -> None:
        """Add the ledger of a moment: the currents since the last one are the means of both."""
        given, taken = (sum(amps for _, amps in entries) for entries in (ledger.given, ledger.taken))
        before, self._last = self._last, (time, given, taken, ledger.measured)
        givers_before, self._last_givers = self._last_givers, dict(ledger.given)
        if before is None or not 0 < time - before[0] <= MAX_GAP_US:
            return
        hours = (time - before[0]) / HOUR_US
        number = time // HOUR_US
        if not self._hours or self._hours[-1].number != number:
            self._hours.append(_Hour(number))
        while self._hours[0].number <= number - HOURS_OF_DAY:
            self._hours.popleft()
        hour = self._hours[-1]
        stored, is_measured = hour.stored, hour.is_measured
        givers = dict(hour.givers)
        for name in givers_before.keys() | self._last_givers.keys():
            amps = (givers_before.get(name, 0.0) + self._last_givers.get(name, 0.0)) / 2
            givers[name] = givers.get(name, 0.0) + hours * amps
        if ledger.measured is not None and before[3] is not None:
            stored, is_measured = stored + hours * (ledger.measured + before[3]) / 2, True
        self._hours[-1] = _Hour(
            number,
            hour.span_us + time - before[0],
            hour.given + hours * (given + before[1]) / 2,
            hour.taken + hours * (taken + before[2]) / 2,
            stored,
            is_measured,
            givers,
        )

    def lines(self) -> list[Line]:
        """Return the sums as words and bars; nothing for less than a minute."""
        span = sum(hour.span_us for hour in self._hours)
        if span < MIN_SPAN_US:
            return []
        given, taken = sum(hour.given for hour in self._hours), sum(hour.taken for hour in self._hours)
        most = max(given, taken)
        minutes = span // (60 * SECOND_US)
        when = f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"
        lines: list[Line] = [((f"  ampere-hours of the last {when}", "dim"),)]
        lines.append(plain_line(_bar("given", given, most)))
        givers = {name: sum(hour.givers.get(name, 0.0) for hour in self._hours) for name in self._giver_names()}
        shown = [(name, amp_hours) for name, amp_hours in givers.items() if amp_hours >= MIN_MEASURED_AH]
        if len(shown) > 1:
            lines += [plain_line(f"{_bar('', amp_hours, most)}  of {name}") for name, amp_hours in shown]
        lines.append(plain_line(_bar("taken", taken, most)))
        if any(hour.is_measured for hour in self._hours):
            stored = sum(hour.stored for hour in self._hours)
            way = "into" if stored > 0 else "out of"
            text = f"{abs(stored):8.1f} Ah {way} the battery"
            lines.append(
                plain_line(f"  {'left':<8}" + ("  nothing changed" if abs(stored) < MIN_MEASURED_AH else text))
            )
        return lines

    def _giver_names(self) -> list[str]:
        """Return the devices that gave, as they were heard."""
        return list(dict.fromkeys(name for hour in self._hours for name in hour.givers))


def _bar(word: str, amp_hours: float, most: float) -> str:
    """Return a sum as a word, a figure and a bar, the longest of all ``BAR_COLUMNS`` wide."""
    columns = round(BAR_COLUMNS * amp_hours / most) if most > 0 else 0
    return f"  {word:<8}{amp_hours:8.1f} Ah  {'═' * columns}".rstrip()
