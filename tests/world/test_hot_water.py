"""The hot-water tank by itself; how it warms and cools is tested with the world around it."""

import pytest

from rvsim.rig.climate import HotWaterPlan
from rvsim.world.hot_water import HotWater


def test_what_the_tank_stores() -> None:
    """10 litres of water store 10 x 0.9922 kg x 4.18 kJ/(kg K) (the 0 % row of a glycol table at 40 C)."""
    water = HotWater(HotWaterPlan(litres=10.0, loss_w_per_k=1.5, start_c=48.0))
    assert water.heat_capacity_j_per_k == pytest.approx(10 * 0.9922 * 4180)
    assert water.to_cabin_w_per_k == 1.5


def test_gas_and_element_add_up() -> None:
    """Each is its owner's; an impossible one is refused and changes nothing."""
    water = HotWater(HotWaterPlan())
    water.set_heat("gas", 1500.0)
    water.set_heat("element", 800.0)
    assert water.heat_w == 2300.0
    for watts in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match=r"gas heats the water with .* W: give 0 or more"):
            water.set_heat("gas", watts)
    water.set_heat("gas", 0.0)
    assert water.heat_w == 800.0
