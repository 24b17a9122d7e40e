"""The glycol mix, the burner's fuel and the exchangers of the coolant circuit."""

from math import e

import pytest

from rvsim.rig.vehicle import CoolantPlan
from rvsim.world.coolant import Coolant, mix_j_per_litre_k

# A chiller maker's glycol design data table, propylene glycol at 40 C: percent, kg/m3, kJ/(kg K).
TABLE = [
    (0, 992.2, 4.18),
    (20, 1010.2, 4.02),
    (25, 1014.3, 3.96),
    (30, 1018.4, 3.90),
    (35, 1021.9, 3.84),
    (40, 1025.3, 3.77),
]


@pytest.mark.parametrize(("percent", "density", "specific_heat"), TABLE)
def test_mix_at_the_rows_of_the_table(percent: float, density: float, specific_heat: float) -> None:
    """At each published row a litre stores density times specific heat."""
    assert mix_j_per_litre_k(percent) == pytest.approx(density * specific_heat, rel=1e-9)


def test_mix_between_the_rows() -> None:
    """Between rows density and specific heat are interpolated: at 10 % half way from water to 20 %."""
    assert mix_j_per_litre_k(10) == pytest.approx((992.2 + 1010.2) / 2 * (4.18 + 4.02) / 2, rel=1e-9)
    assert mix_j_per_litre_k(39) == pytest.approx((1021.9 + 0.8 * 3.4) * (3.84 - 0.8 * 0.07), rel=1e-9)


@pytest.mark.parametrize("percent", [-0.1, 40.1, float("nan")])
def test_mix_outside_the_table(percent: float) -> None:
    """A mix that the table does not reach is refused instead of guessed."""
    with pytest.raises(ValueError, match=r"no properties are known for .* % glycol: give 0 to 40"):
        mix_j_per_litre_k(percent)


def test_heat_carried() -> None:
    """0.1 L/s of 40 % glycol cooled by 10 K carry 3.865 kW: 0.1 x 1.0253 x 3.77 x 10."""
    assert 0.1 * mix_j_per_litre_k(40) * 10 / 1000 == pytest.approx(3.865, abs=0.001)


def test_fuel() -> None:
    """2 kW at 85 % burn 2 x 3.6 / (35.81 x 0.85) = 0.237 litres of diesel an hour."""
    coolant = Coolant(CoolantPlan(burner_w=4000.0, burner_efficiency_percent=85.0))
    assert coolant.fuel_litres_per_h == 0.0
    coolant.set_burner("heater", 2000.0)
    assert coolant.burner_w == 2000.0
    assert coolant.fuel_litres_per_h == pytest.approx(0.2365, abs=0.0001)
    coolant.set_burner("heater", 0.0)
    assert (coolant.burner_w, coolant.fuel_litres_per_h) == (0.0, 0.0)


def test_what_the_circuit_stores() -> None:
    """8 litres of 40 % glycol store 8 x 1025.3 x 3.77 J/K, and start at the plan's temperature."""
    coolant = Coolant(CoolantPlan(litres=8.0, glycol_percent=40.0, start_c=-12.0))
    assert coolant.heat_capacity_j_per_k == pytest.approx(8 * 1025.3 * 3.77)
    assert coolant.celsius == -12.0


def test_an_exchanger_as_good_as_its_flow() -> None:
    """An exchanger equal to the flow's own capacity passes 1 - 1/e of it (effectiveness at NTU = 1)."""
    flow = 0.1 * 1025.3 * 3.77
    coolant = Coolant(
        CoolantPlan(
            pump_litres_per_s=0.1, cabin_exchanger_w_per_k=flow, water_exchanger_w_per_k=flow, hose_loss_w_per_k=2.0
        )
    )
    assert (coolant.to_cabin_w_per_k, coolant.to_water_w_per_k) == (2.0, 0.0)
    coolant.set_fan("heater", 1.0)
    coolant.set_water_circulation("heater", running=True)
    assert coolant.to_cabin_w_per_k - 2.0 == pytest.approx(flow * (1 - 1 / e))
    assert coolant.to_water_w_per_k == pytest.approx(flow * (1 - 1 / e))


def test_the_flow_limits_a_large_exchanger() -> None:
    """No exchanger takes more out of the coolant than the flow brings: 0.01 L/s carry 38.65 W for each kelvin."""
    coolant = Coolant(CoolantPlan(pump_litres_per_s=0.01, cabin_exchanger_w_per_k=1000.0, hose_loss_w_per_k=0.0))
    coolant.set_fan("heater", 1.0)
    assert coolant.to_cabin_w_per_k == pytest.approx(0.01 * 1025.3 * 3.77)


def test_fan_speed() -> None:
    """Half speed passes 0.5^0.8 = 57 % of full speed where the flow does not limit (Dittus and Boelter's exponent)."""
    coolant = Coolant(CoolantPlan(pump_litres_per_s=1.0, cabin_exchanger_w_per_k=1.0, hose_loss_w_per_k=0.0))
    coolant.set_fan("heater", 1.0)
    full = coolant.to_cabin_w_per_k
    coolant.set_fan("heater", 0.5)
    assert coolant.to_cabin_w_per_k / full == pytest.approx(0.5743, abs=0.0001)


def test_fan_and_circulation_end() -> None:
    """With the fan off only the hoses lose heat; with circulation off the hot water gets none."""
    coolant = Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    coolant.set_fan("heater", 0.7)
    coolant.set_water_circulation("heater", running=True)
    coolant.set_fan("heater", 0.0)
    coolant.set_water_circulation("heater", running=False)
    assert (coolant.to_cabin_w_per_k, coolant.to_water_w_per_k) == (3.0, 0.0)


def test_the_cabin_gets_heat_only_while_a_pump_runs() -> None:
    """With a circulation pump in the circuit the cabin's exchanger passes heat while it runs, whatever the order.

    The hoses and the hot water do not depend on it.
    """
    coolant, without = Coolant(CoolantPlan(hose_loss_w_per_k=3.0)), Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    for each in (coolant, without):
        each.set_fan("heater", 1.0)
        each.set_water_circulation("heater", running=True)
    full = without.to_cabin_w_per_k
    assert coolant.to_cabin_w_per_k == full > 3.0
    coolant.set_pump("pump", running=False)
    assert coolant.to_cabin_w_per_k == 3.0
    coolant.set_fan("heater", 0.5)
    coolant.set_fan("heater", 1.0)
    assert (coolant.to_cabin_w_per_k, coolant.to_water_w_per_k) == (3.0, without.to_water_w_per_k)
    coolant.set_pump("pump", running=True)
    assert coolant.to_cabin_w_per_k == full
    coolant.set_pump("second pump", running=False)
    assert coolant.to_cabin_w_per_k == full
    coolant.set_pump("pump", running=False)
    assert coolant.to_cabin_w_per_k == 3.0


@pytest.mark.parametrize("fraction", [-0.01, 1.01, float("nan")])
def test_impossible_outputs_are_refused(fraction: float) -> None:
    """Burner and fan run between nothing and full output; anything else is refused and changes nothing."""
    coolant = Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    with pytest.raises(ValueError, match=r"the burner of heater gives .* W: give 0 or more"):
        coolant.set_burner("heater", -1.0)
    with pytest.raises(ValueError, match=r"the cabin fan runs at .* between 0 and 1"):
        coolant.set_fan("heater", fraction)
    assert (coolant.burner_w, coolant.to_cabin_w_per_k) == (0.0, 3.0)
