"""Fuses and breakers: when they open, what fades, which close again, and what is dark behind them."""

from itertools import pairwise
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rvsim.rig.electric import BatteryPlan, BranchPlan, WirePlan
from rvsim.world.battery import Battery
from rvsim.world.bus_bar import BusBar
from rvsim.world.fuse import BREAKER, CLOSES_AGAIN_S, FUSE, Fuse, opening_s


def seconds_until_open(fuse: Fuse, amps: float, most: int) -> int | None:
    """Let it carry a current; return the second at whose end it opens, None if it does not."""
    return next((second for second in range(1, most + 1) if fuse.step(amps)), None)


@pytest.mark.parametrize(("percent", "seconds"), [(135, 1800.0), (200, 5.0), (350, 0.5), (600, 0.1)])
def test_a_fuse_opens_at_the_longest_times_of_the_standard(percent: float, seconds: float) -> None:
    """ISO 8820-3 as a data sheet of a relay for 12 V has it: 1800 s, 5 s, 0.5 s, 0.1 s."""
    assert opening_s(percent / 100) == pytest.approx(seconds)
    assert seconds_until_open(Fuse(10.0), percent / 10, 1801) == max(1, seconds)


def test_a_fuse_carries_a_tenth_too_much() -> None:
    """A 10 A fuse carries 11 A for 100 hours at least (a fuse sizing primer): here without end."""
    fuse = Fuse(10.0)
    assert opening_s(1.1) == inf
    assert opening_s(1.1001) == pytest.approx(360_000, rel=0.01)
    assert (seconds_until_open(fuse, 11.0, 1000), fuse.is_at_rest) == (None, True)


@given(st.floats(0.1, 20), st.floats(0.1, 20), st.sampled_from([FUSE, BREAKER]))
def test_more_current_never_opens_later(one: float, other: float, times: tuple[tuple[float, float], ...]) -> None:
    """Over the whole range, ends included."""
    low, high = sorted((one, other))
    assert opening_s(high, times) <= opening_s(low, times)


def test_tables_fall() -> None:
    """Each point has more current and less time than the one before."""
    for times in (FUSE, BREAKER):
        assert all(now[0] < then[0] and now[1] > then[1] for now, then in pairwise(times))


def test_short_overloads_add_up_and_fade() -> None:
    """Four of the five seconds at 200 % are not enough; two seconds soon after are, minutes later they are not."""
    fuse = Fuse(10.0)
    assert seconds_until_open(fuse, 20.0, 4) is None
    assert not fuse.is_at_rest
    assert seconds_until_open(fuse, 5.0, 2) is None
    assert seconds_until_open(fuse, 20.0, 2) == 2
    fuse.close()
    assert seconds_until_open(fuse, 20.0, 4) is None
    assert seconds_until_open(fuse, 5.0, 500) is None
    assert fuse.is_at_rest
    assert seconds_until_open(fuse, 20.0, 4) is None


def test_only_an_automatic_breaker_closes_by_itself() -> None:
    """After its time, and then opens again; a manual one and a fuse wait for a person."""
    for breaker, closes in (("automatic", CLOSES_AGAIN_S), ("manual", None), (None, None)):
        fuse = Fuse(10.0, breaker)  # type: ignore[arg-type]
        assert seconds_until_open(fuse, 60.0, 5) == (1 if breaker is None else 2)
        assert next((second for second in range(1, 100) if fuse.step(0.0)), None) == closes
        assert fuse.is_open is (closes is None)
        fuse.close()
        assert not fuse.is_open
        assert fuse.is_at_rest


def test_a_breaker_needs_a_rating() -> None:
    """One line says so."""
    with pytest.raises(ValidationError, match="a breaker needs its rating; write fuse_amps"):
        BranchPlan(name="galley", breaker="manual")


def bank(**galley: object) -> tuple[BusBar, list[tuple[str, bool]]]:
    """A bus-bar with a branch, another one behind it and one beside it, a device on each; and what it reports."""
    changes: list[tuple[str, bool]] = []
    plans = [
        BranchPlan(name="galley", fuse_amps=10.0, wire=WirePlan(milliohm=5.0), **galley),  # type: ignore[arg-type]
        BranchPlan(name="fridge", parent="galley", fuse_amps=5.0),
        BranchPlan(name="lamps", fuse_amps=5.0),
    ]
    made = BusBar(Battery(BatteryPlan(start_percent=50.0, start_c=25.0)), plans, lambda *change: changes.append(change))
    for plan in plans:
        made.place(plan.name, plan.name)
        made.set_load(plan.name, 2.0)
    return made, changes


def step(bus: BusBar, seconds: int) -> None:
    """Let time pass."""
    for _ in range(seconds):
        bus.step(25.0)


def test_all_behind_an_open_fuse_is_dark() -> None:
    """20 A on top of 4 A open 10 A within seconds; what is beside it stays, and it draws no more of the battery."""
    bus, changes = bank()
    bus.place("kettle", "galley")
    bus.set_load("kettle", 20.0)
    step(bus, 10)
    assert changes == [("galley", True)]
    assert [bus.volts_at(name) for name in ("galley", "fridge", "kettle")] == [0, 0, 0]
    assert (bus.volts_at("lamps"), bus.amps) == (pytest.approx(bus.volts), pytest.approx(2.0))
    assert [bus.is_cut_off(name) for name in ("fridge", "lamps", "nobody")] == [True, False, False]
    bus.close_fuse("galley")
    assert bus.volts_at("fridge") > 11
    step(bus, 10)
    assert changes == [("galley", True)] * 2, "the overload is still there"
    bus.set_load("kettle", 0.0)
    bus.close_fuse("galley")
    step(bus, 10)
    assert bus.amps == pytest.approx(6.0)


def test_an_own_fuse_opens_before_that_above_it() -> None:
    """10 A more on 5 A of the fridge: its own opens, that of the galley with 14 A in all is still whole."""
    bus, changes = bank()
    bus.set_load("fridge", 12.0)
    step(bus, 20)
    assert changes == [("fridge", True)]
    assert (bus.volts_at("galley") > 11, bus.volts_at("fridge")) == (True, 0)


def test_a_source_behind_an_open_fuse_gives_nothing() -> None:
    """And is back with it; before, its current counts for the fuse too."""
    bus, changes = bank()
    bus.set_charge("galley", 14.4, 60.0)
    assert bus.charge_amps("galley") > 20
    step(bus, 10)
    assert changes == [("galley", True)]
    assert (bus.charge_amps("galley"), bus.amps) == (0, pytest.approx(2.0))
    account = bus.account()
    step(bus, 10)
    assert bus.account()[0] == account[0], "no energy comes from it"


def test_a_branch_is_open_as_long_as_anybody_keeps_it_so() -> None:
    """Two owners and the fuse; a new fuse does not help against the others."""
    bus, _ = bank()
    bus.open_branch("one", "galley")
    bus.open_branch("two", "galley")
    bus.close_branch("one", "galley")
    bus.close_fuse("galley")
    assert (bus.is_branch_open("galley"), bus.volts_at("fridge")) == (True, 0)
    bus.close_branch("two", "galley")
    assert (bus.is_branch_open("galley"), bus.volts_at("fridge") > 11) == (False, True)
    bus.close_fuse("lamps")
    assert bus.volts_at("lamps") > 11


def test_a_fuse_that_carries_nothing_stays_whole() -> None:
    """Its branch above is open, or the battery is disconnected: whatever its load would draw."""
    bus, changes = bank()
    bus.set_load("fridge", 8.0)
    assert bus.amps == pytest.approx(12.0)
    bus.open_branch("one", "galley")
    step(bus, 1000)
    bus.close_branch("one", "galley")
    bus.set_disconnect("two", is_open=True)
    step(bus, 1000)
    assert changes == []
    bus.set_disconnect("two", is_open=False)
    step(bus, 1000)
    assert changes == [("fridge", True)]


def test_an_owner_that_moves_takes_its_load_along() -> None:
    """3 A more through 5 mOhm; back on the bus-bar they are not there."""
    bus, _ = bank()
    bus.set_load("radio", 3.0)
    drops = []
    for branch in ("", "galley", ""):
        bus.place("radio", branch)
        drops.append(bus.volts - bus.volts_at("galley"))
    assert drops == pytest.approx([0.020, 0.035, 0.020])


def test_an_automatic_breaker_goes_off_and_on() -> None:
    """As long as the overload lasts."""
    bus, changes = bank(breaker="automatic")
    bus.place("kettle", "galley")
    bus.set_load("kettle", 60.0)
    step(bus, 3 * CLOSES_AGAIN_S)
    assert changes[:4] == [("galley", True), ("galley", False), ("galley", True), ("galley", False)]


def test_a_short_circuit_that_collapses_the_voltage_opens_its_fuse() -> None:
    """Dark all around for a second, then all others are back."""
    bus, changes = bank()
    bus.place("chafed wire", "galley")
    bus.set_load("chafed wire", 9000.0)
    assert bus.volts == 0
    step(bus, 2)
    assert changes == [("galley", True)]
    assert bus.volts_at("lamps") > 11
