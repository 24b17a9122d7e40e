"""The network of bodies against closed forms and an independent solver."""

from math import exp, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rvsim.world.heat_network import HeatNetwork


def run(network: HeatNetwork, seconds: int, outdoor_c: float) -> None:
    """Let time pass."""
    for _ in range(seconds):
        network.step(outdoor_c)


def test_one_body_cools_as_an_exponential() -> None:
    """360 kJ/K over 40 W/K: exp(-t / 9000 s), within half a second of the time constant."""
    network = HeatNetwork([360_000.0], [20.0])
    network.couple_to_outdoor(0, 40.0)
    for second in (900, 1800, 2700):
        run(network, 900, -10.0)
        assert network.celsius[0] == pytest.approx(-10 + 30 * exp(-second / 9000), abs=0.001)


def test_air_and_lining_cool_in_two_exponentials() -> None:
    """Air 40 kJ/K, lining 360 kJ/K, 250 W/K between, 15 W/K from each to the outside: the sum of two modes."""
    air, lining, between, out = 40_000.0, 360_000.0, 250.0, 15.0
    network = HeatNetwork([air, lining], [20.0, 20.0])
    network.couple(0, 1, between)
    network.couple_to_outdoor(0, out)
    network.couple_to_outdoor(1, out)
    a, b, c, d = -(between + out) / air, between / air, between / lining, -(between + out) / lining
    middle, root = (a + d) / 2, sqrt(((a - d) / 2) ** 2 + b * c)
    slow, fast = middle + root, middle - root
    share = (30 * (a + b) - fast * 30) / (slow - fast)  # of the slow mode in the air, by its slope at the start
    for _ in range(6):
        run(network, 600, -10.0)
    expected = share * exp(slow * 3600) + (30 - share) * exp(fast * 3600)
    assert network.celsius[0] == pytest.approx(-10 + expected, abs=0.003)
    assert -1 / slow == pytest.approx(400_000 / 30, rel=0.03)  # hours; the air alone follows in minutes
    assert -1 / fast < 180


bodies = st.lists(
    st.tuples(st.integers(10_000, 1_000_000), st.integers(-30, 90), st.integers(-500, 3000), st.integers(0, 100)),
    min_size=2,
    max_size=6,
)
"""Heat capacity, temperature, heat supplied, conductance to the outside."""


@settings(max_examples=10)
@given(bodies=bodies, links=st.lists(st.integers(0, 300), min_size=15, max_size=15), outdoor_c=st.integers(-30, 40))
def test_against_an_independent_solver(
    bodies: list[tuple[int, int, int, int]], links: list[int], outdoor_c: int
) -> None:
    """Two hours of any network agree with scipy's solver within 0.6 % of the largest change of a temperature.

    That is what a step of one second may do: half a second of the shortest time constant there is, some 10 s.
    """
    size = len(bodies)
    pairs = [(one, other) for one in range(size) for other in range(one + 1, size)]
    network = HeatNetwork([capacity for capacity, *_ in bodies], [celsius for _, celsius, *_ in bodies])
    for body, (_, _, watts, out) in enumerate(bodies):
        network.set_watts(body, watts)
        network.couple_to_outdoor(body, out)
    for (one, other), w_per_k in zip(pairs, links, strict=False):
        network.couple(one, other, w_per_k)

    def slopes(_: float, celsius: list[float]) -> list[float]:
        heat = [watts + out * (outdoor_c - now) for (_, _, watts, out), now in zip(bodies, celsius, strict=True)]
        for (one, other), w_per_k in zip(pairs, links, strict=False):
            heat[one] += w_per_k * (celsius[other] - celsius[one])
            heat[other] += w_per_k * (celsius[one] - celsius[other])
        return [watts / capacity for watts, (capacity, *_) in zip(heat, bodies, strict=True)]

    moments = [60, 600, 7200]
    solved = solve_ivp(slopes, (0, 7200), network.celsius, method="LSODA", t_eval=moments, rtol=1e-9, atol=1e-9)
    starts, before = list(network.celsius), 0
    span = max(abs(solved.y - solved.y[:, :1]).max(), max(*starts, outdoor_c) - min(*starts, outdoor_c), 1.0)
    for number, second in enumerate(moments):
        run(network, second - before, outdoor_c)
        before = second
        assert network.celsius == pytest.approx(list(solved.y[:, number]), abs=0.006 * span)


@given(bodies=bodies, outdoor_c=st.integers(-30, 40), drawn=st.integers(0, 500))
def test_the_books_balance(bodies: list[tuple[int, int, int, int]], outdoor_c: int, drawn: int) -> None:
    """What is supplied is stored, left to the outside or went with what flowed through."""
    network = HeatNetwork([capacity for capacity, *_ in bodies], [celsius for _, celsius, *_ in bodies])
    for body, (_, _, watts, out) in enumerate(bodies):
        network.set_watts(body, watts)
        network.couple_to_outdoor(body, out)
        if body:
            network.couple(body - 1, body, 50.0)
    network.set_inflow(1, drawn, 8.0)
    before = network.stored_j
    run(network, 500, outdoor_c)
    supplied = 500 * sum(watts for _, _, watts, _ in bodies)
    growth = network.stored_j - before
    assert supplied - network.outdoors_j - network.fed_j == pytest.approx(growth, abs=1e-6 * (abs(before) + 1e6))
    if drawn == 0:
        assert network.fed_j == 0


def test_an_inflow_takes_heat_until_the_body_is_as_warm() -> None:
    """A flow of 40 W/K at 8 C through 4 kJ/K of water at 60 C: exp(-t / 100 s), and what it took is counted."""
    network = HeatNetwork([4000.0, 1.0], [60.0, 0.0])
    network.set_inflow(0, 40.0, 8.0)
    run(network, 100, 0.0)
    assert network.celsius[0] == pytest.approx(8 + 52 * exp(-1), abs=0.1)
    assert network.fed_j == pytest.approx(4000 * (60 - network.celsius[0]))
    network.set_inflow(0, 0.0, 8.0)
    still = network.celsius[0]
    run(network, 100, 0.0)
    assert network.celsius[0] == pytest.approx(still)
