"""The balance of a vehicle: who gives and who takes heat, fuel, water and power, now and over the last day.

Knows: the flows of the moment, their sums hour by hour in bounded memory, and what each stock was at the beginning.
Does not know how anything is shown.

Sums over time are those of one sample a minute, by the trapezoid rule; stocks are exact.
"""

from collections import deque
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple, Protocol

from rvsim.wire.frame import SECOND_US
from rvsim.world.flows import Flows, Stock

if TYPE_CHECKING:
    from rvsim.world.world import World

HOUR_US = 3600 * SECOND_US
HOURS_OF_DAY = 24
_PER_HOUR = {"W": ("kWh", 1000.0), "L/h": ("L", 1.0)}
"""The unit of a flow over time, and by how much an hour of it is divided."""
_Key = tuple[str, bool, str]
"""What, whether it is given, and who."""


class Share(NamedTuple):
    """What one gives or takes: now, in the unit of the flow, and over the last day, in the unit of the sum."""

    who: str
    now: float
    day: float


class Account(NamedTuple):
    """One part of the balance: what is given, taken and left, now and over the last day.

    ``unit`` is that of the flows now, ``day_unit`` that of their sums. ``stock`` is what is there now, and
    ``stock_before`` what was there when the day, or the run, began; None for a current. ``keeps`` names what keeps the
    rest, empty where nothing does.
    """

    what: str
    unit: str
    day_unit: str
    keeps: str
    given: tuple[Share, ...]
    taken: tuple[Share, ...]
    stock: Stock | None
    stock_before: float | None

    @property
    def left_now(self) -> float:
        """Given less taken, now."""
        return sum(share.now for share in self.given) - sum(share.now for share in self.taken)

    @property
    def left_of_day(self) -> float:
        """Given less taken, over the last day."""
        return sum(share.day for share in self.given) - sum(share.day for share in self.taken)


class BalanceFigures(Protocol):
    """A balance that can be asked for its figures."""

    @property
    def span_us(self) -> int:
        """How much time the sums cover, in microseconds: up to a day."""

    def accounts(self) -> tuple[Account, ...]:
        """Return all parts of the balance."""


class KeptBalance(NamedTuple):
    """The figures of a balance at one moment, as plain data."""

    span_us: int
    parts: tuple[Account, ...]

    def accounts(self) -> tuple[Account, ...]:
        """Return all parts of the balance."""
        return self.parts


class _Hour:
    """The sums of one hour, its number since the start, and the stocks at its beginning."""

    def __init__(self, number: int, stocks: dict[tuple[str, str], float]) -> None:
        self.number, self.stocks = number, stocks
        self.span_us = 0
        self.sums: dict[_Key, float] = {}


class Balance:
    """Samples a run: create it at the start, call ``sample`` each minute; ``accounts`` is of the present moment."""

    def __init__(self, world: "World") -> None:
        self._world = world
        self._time = 0
        self._hours: deque[_Hour] = deque(maxlen=HOURS_OF_DAY)
        self._last, self._stocks = self._rates()
        self._hours.append(_Hour(0, self._stocks))

    @property
    def span_us(self) -> int:
        """How much time the sums cover, in microseconds: up to a day."""
        return sum(hour.span_us for hour in self._hours)

    def sample(self, time: int) -> None:
        """Take in the present flows, of a time in microseconds since the start."""
        if time <= self._time:
            return
        number = self._time // HOUR_US
        if self._hours[-1].number != number:
            self._hours.append(_Hour(number, self._stocks))
        before = self._last
        self._last, self._stocks = self._rates()
        span = time - self._time
        self._time = time
        hour = self._hours[-1]
        hour.span_us += span
        for key in before.keys() | self._last.keys():
            mean = (before.get(key, 0.0) + self._last.get(key, 0.0)) / 2
            hour.sums[key] = hour.sums.get(key, 0.0) + mean * span / HOUR_US

    def accounts(self) -> tuple[Account, ...]:
        """Return all parts of the balance."""
        sums: dict[_Key, float] = {}
        for hour in self._hours:
            for key, amount in hour.sums.items():
                sums[key] = sums.get(key, 0.0) + amount
        return tuple(self._account(flows, sums) for flows in self._flows())

    def keep(self) -> KeptBalance:
        """Return the figures of the present moment."""
        return KeptBalance(self.span_us, self.accounts())

    def _account(self, flows: Flows, sums: dict[_Key, float]) -> Account:
        day_unit, divisor = _PER_HOUR[flows.unit]

        def shares(*, is_given: bool) -> tuple[Share, ...]:
            now = flows.given if is_given else flows.taken
            known = [who for what, given, who in sums if what == flows.what and given == is_given]
            found = (
                Share(who, now.get(who, 0.0), sums.get((flows.what, is_given, who), 0.0) / divisor)
                for who in dict.fromkeys([*now, *sorted(known)])
            )
            return tuple(sorted(found, key=lambda share: (-share.day, -share.now)))

        given, taken = shares(is_given=True), shares(is_given=False)
        stock = flows.stock
        before = None
        if stock is not None and stock.unit != "A":
            before = self._hours[0].stocks.get((flows.what, stock.title))
        return Account(flows.what, flows.unit, day_unit, flows.keeps, given, taken, stock, before)

    def _rates(self) -> tuple[dict[_Key, float], dict[tuple[str, str], float]]:
        """Return the flows of this moment, and the stocks by what and title."""
        rates: dict[_Key, float] = {}
        stocks: dict[tuple[str, str], float] = {}
        for flows in self._flows():
            if flows.stock is not None:
                stocks[flows.what, flows.stock.title] = flows.stock.value
            for is_given, parts in ((True, flows.given), (False, flows.taken)):
                for who, amount in parts.items():
                    rates[flows.what, is_given, who] = amount
        return rates, stocks

    def _flows(self) -> Iterator[Flows]:
        yield from self._world.heat_flows()
        yield from self._world.electric_flows()
        for name in self._world.tank_names():
            stock = Stock("level", self._world.tank_litres(name), "L", 0.0, self._world.tank_size_litres(name))
            yield Flows(f"{name} tank", "L/h", "tank", {}, {}, stock)
