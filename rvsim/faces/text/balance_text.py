"""The balance of a simulated vehicle as sentences and as JSON: who gave, who took, what is left.

Knows: how a part of the balance is put in words, and which small parts are added up. Does not know how it is sampled
(`world/balance.py`), nor the screen.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any

from rvsim.wire.frame import SECOND_US
from rvsim.wire.quantity_text import Quantity, compose, decimals_of, printed_unit, rounded
from rvsim.world.balance import Account, BalanceFigures, Share

SMALL_SHARE = 0.01
"""Parts below this share of the largest, now and over the day, are added up as others. Our choice, for reading."""
MIN_SPAN_US = 60 * SECOND_US
"""Of a shorter run nothing is said: one sample a minute is taken."""
_STEPS = {
    unit: Fraction(step)
    for unit, step in (
        ("W", "1"), ("kWh", "0.01"), ("L/h", "0.01"), ("L", "0.1"), ("degC", "0.1"), ("%", "0.1"), ("A", "0.1")
    )
}  # fmt: skip
"""To what each figure is rounded."""
_SUM_STEP = Fraction(1, 100)
"""To what the sum of a flow is rounded, in kWh or litres."""


def without_small(shares: Sequence[Share]) -> tuple[Share, ...]:
    """Return the parts, the small ones added up as the last; parts that are nothing are left out."""
    most_now = max((share.now for share in shares), default=0.0)
    most_of_day = max((share.day for share in shares), default=0.0)
    small = [
        share for share in shares if share.now <= SMALL_SHARE * most_now and share.day <= SMALL_SHARE * most_of_day
    ]
    if len(small) < 2:
        return tuple(share for share in shares if share.now or share.day)
    others = Share(f"{len(small)} others", sum(share.now for share in small), sum(share.day for share in small))
    return (*(share for share in shares if share not in small), *([others] if others.now or others.day else []))


def is_shown(value: float, unit: str) -> bool:
    """Tell whether a flow, or its sum, is more than nothing with the decimals that its unit is shown with."""
    return abs(value) >= (_SUM_STEP if unit == "L" else _STEPS[unit]) / 2


def amount(value: float, unit: str, *, names_unit: bool = True) -> Quantity:
    """Return a figure with the decimals that its unit is shown with; never -0."""
    return _rounded_to(_STEPS[unit], value, unit, names_unit)


def amount_of_day(value: float, unit: str, *, names_unit: bool = True) -> Quantity:
    """Return the sum of a flow, in kWh or litres, with two decimals; never -0."""
    return _rounded_to(_SUM_STEP, value, unit, names_unit)


def _rounded_to(step: Fraction, value: float, unit: str, names_unit: bool) -> Quantity:  # noqa: FBT001 - passed on
    exact = round(Fraction(value) / step) * step
    text = rounded(exact, decimals_of(step))
    return Quantity(exact, step, unit, f"{text} {printed_unit(unit)}" if names_unit else text, names_unit)


def way_words(account: Account, amount: float) -> str:
    """Return where the rest of an account goes to, or comes from, in words."""
    return f"{'into' if amount >= 0 else 'out of'} the {account.keeps}"


def span_words(span_us: int) -> str:
    """Return how long a balance covers."""
    minutes = span_us // (60 * SECOND_US)
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if hours and rest else f"{hours} h" if hours else f"{minutes} min"


def balance_lines(balance: BalanceFigures) -> Iterator[str]:
    """Yield the balance of the last day, or of the run, as lines; nothing for less than a minute."""
    if balance.span_us < MIN_SPAN_US:
        return
    yield f"balance of the last {span_words(balance.span_us)}, known to the simulation alone, one sample a minute:"
    for account in balance.accounts():
        parts = [part for part in (_side(account, "given"), _side(account, "taken")) if part]
        left = account.left_of_day
        if account.keeps and is_shown(left, account.day_unit):
            parts.append(compose(amount_of_day(abs(left), account.day_unit), f" {way_words(account, left)}"))
        if account.stock is not None:
            parts.append(stock_text(account))
        if parts:
            text = parts[0]
            for part in parts[1:]:
                text = compose(text, "; ", part)
            yield compose(f"{account.what}: ", text)


def _side(account: Account, side: str) -> str:
    shares: tuple[Share, ...] = getattr(account, side)
    known = [share for share in without_small(shares) if is_shown(share.day, account.day_unit)]
    if not known:
        return ""
    text = compose(f"{side} ", amount_of_day(sum(share.day for share in shares), account.day_unit), " (")
    for number, share in enumerate(known):
        figure = amount_of_day(share.day, account.day_unit, names_unit=False)
        text = compose(text, ", " if number else "", f"{share.who} ", figure)
    return compose(text, ")")


def stock_text(account: Account) -> str:
    """Return what is there now, and how it has changed."""
    stock = account.stock
    if stock is None:
        return ""
    now = amount(stock.value, stock.unit)
    text = compose(f"{stock.title} ", now)
    if stock.unit in ("L", "A"):
        text = compose(text, " of ", amount(stock.high, stock.unit))
    if account.stock_before is None:
        return text
    before = amount(account.stock_before, stock.unit)
    return compose(text, ", unchanged") if before == now else compose(text, ", before ", before)


def balance_fields(balance: BalanceFigures) -> dict[str, Any]:
    """Return the balance in JSON, over the last day or the run; amounts are in the unit of each account."""
    return {
        "hours": round(balance.span_us / (3600 * SECOND_US), 3),
        "accounts": [
            {
                "what": account.what,
                "unit": account.day_unit,
                "given": {share.who: round(share.day, 4) for share in account.given},
                "taken": {share.who: round(share.day, 4) for share in account.taken},
                "left": round(account.left_of_day, 4),
                "stock": None
                if account.stock is None
                else {
                    **account.stock._asdict(),
                    "value": round(account.stock.value, 3),
                    "high": round(account.stock.high, 3),
                    "before": None if account.stock_before is None else round(account.stock_before, 3),
                },
            }
            for account in balance.accounts()
        ],
    }
