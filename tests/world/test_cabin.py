"""Heat that air and walls carry out of the cabin, and heat that others put in."""

import pytest

from rvsim.rig.vehicle import CabinPlan
from rvsim.world.cabin import Cabin, litres_per_s

WATT_PER_BTU_H = 0.29307107
LITRE_S_PER_CFM = 0.47194745
M3_PER_FT3 = 0.028316847
KELVIN_PER_F = 5 / 9


def closed(**figures: float) -> Cabin:
    """A cabin with the least wall loss and no leaks, so that vents stand out."""
    return Cabin(CabinPlan(heat_loss_w_per_k=1.0, air_changes_per_hour=0.0, **figures))


def test_ventilation_by_the_ashrae_factor() -> None:
    """100 CFM across 40 F carry 4320 Btu/h: ASHRAE Handbook Fundamentals, standard air, factor 1.08."""
    cabin = closed()
    cabin.set_vent("roof fan", 100 * LITRE_S_PER_CFM)
    btu_h = (cabin.to_outdoor_w_per_k - 1.0) * 40 * KELVIN_PER_F / WATT_PER_BTU_H
    assert btu_h == pytest.approx(4320, rel=0.0005)


def test_ventilation_beside_the_statutory_factor() -> None:
    """100 L/s across 20 K carry 2.46 kW by a regulation (Quebec E-1.1 r.1 s.137) for moist air; dry air 2 % less."""
    cabin = closed()
    cabin.set_vent("roof fan", 100.0)
    assert (cabin.to_outdoor_w_per_k - 1.0) * 20 / 1000 == pytest.approx(2.46, rel=0.02)


def test_leaks() -> None:
    """One change an hour of 400 cubic feet across 50 F costs 360 Btu/h (0.018 x ACH x V x dT: a heating course)."""
    cabin = Cabin(CabinPlan(volume_m3=400 * M3_PER_FT3, heat_loss_w_per_k=1.0, air_changes_per_hour=1.0))
    btu_h = (cabin.to_outdoor_w_per_k - 1.0) * 50 * KELVIN_PER_F / WATT_PER_BTU_H
    assert btu_h == pytest.approx(360, rel=0.001)


def test_flow_of_air_changes() -> None:
    """3.6 m3 changed twice an hour are 7200 litres in 3600 seconds."""
    assert litres_per_s(3.6, 2.0) == pytest.approx(2.0)


def test_walls_count_by_themselves() -> None:
    """Without leaks and vents the conductance is that of the walls; the plan's start and capacity are taken over."""
    cabin = Cabin(CabinPlan(heat_loss_w_per_k=42.0, air_changes_per_hour=0.0, heat_capacity_j_per_k=5e5, start_c=3.0))
    assert (cabin.to_outdoor_w_per_k, cabin.heat_capacity_j_per_k, cabin.celsius) == (42.0, 5e5, 3.0)


def test_vents_add_up_and_end() -> None:
    """Two vents count together, a new figure replaces the old one, and 0 ends a vent."""
    cabin = closed()
    cabin.set_vent("front", 10.0)
    cabin.set_vent("rear", 30.0)
    both = cabin.to_outdoor_w_per_k - 1.0
    cabin.set_vent("rear", 10.0)
    assert cabin.to_outdoor_w_per_k - 1.0 == pytest.approx(both / 2)
    cabin.set_vent("rear", 0.0)
    cabin.set_vent("front", 0.0)
    assert cabin.to_outdoor_w_per_k == 1.0


def test_gains_add_up_and_may_cool() -> None:
    """People warm, an air conditioner cools, and each ends with 0."""
    cabin = closed()
    assert cabin.gains_w == 0.0
    cabin.set_gain("people", 160.0)
    cabin.set_gain("air conditioner", -900.0)
    assert cabin.gains_w == -740.0
    cabin.set_gain("air conditioner", 0.0)
    assert cabin.gains_w == 160.0


@pytest.mark.parametrize("flow", [-0.1, float("nan"), float("inf")])
def test_impossible_flows_are_refused(flow: float) -> None:
    """A negative or meaningless flow is refused by name, and what held before still holds."""
    cabin = closed()
    with pytest.raises(ValueError, match=r"roof fan moves .* litres of air a second: give 0 or more"):
        cabin.set_vent("roof fan", flow)
    cabin.set_vent("other", 0.0)
    assert cabin.to_outdoor_w_per_k == 1.0


@pytest.mark.parametrize("watts", [float("nan"), float("inf"), float("-inf")])
def test_impossible_gains_are_refused(watts: float) -> None:
    """A gain that is not a number is refused by name, and what held before still holds."""
    cabin = closed()
    with pytest.raises(ValueError, match=r"stove warms the cabin with .* W: give a number"):
        cabin.set_gain("stove", watts)
    cabin.set_gain("other", 1.0)
    assert cabin.gains_w == 1.0
