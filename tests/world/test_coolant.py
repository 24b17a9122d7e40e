"""The glycol mix, the burner's fuel and the exchangers of the coolant circuit."""

from math import e

import pytest

from rvsim.rig.climate import CoolantPlan, ZonePlan
from rvsim.world.coolant import Coolant, mix_j_per_litre_k
from rvsim.world.infiltration import AIR_W_PER_LITRE_S_K

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


@pytest.mark.parametrize("percent", [-0.1, 60.1, float("nan")])
def test_mix_outside_the_table(percent: float) -> None:
    """A mix that the table does not reach is refused instead of guessed."""
    with pytest.raises(ValueError, match=r"no properties are known for .* % glycol: give 0 to 60"):
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
    """8 litres of 40 % glycol store 8 x 1025.3 x 3.77 J/K."""
    coolant = Coolant(CoolantPlan(litres=8.0, glycol_percent=40.0))
    assert coolant.heat_capacity_j_per_k == pytest.approx(8 * 1025.3 * 3.77)


def test_an_exchanger_as_good_as_its_flow() -> None:
    """An exchanger equal to the flow's own capacity passes 1 - 1/e of it (effectiveness at NTU = 1)."""
    flow = 0.1 * 1025.3 * 3.77
    coolant = Coolant(
        CoolantPlan(
            pump_litres_per_s=0.1, cabin_exchanger_w_per_k=flow, water_exchanger_w_per_k=flow, hose_loss_w_per_k=2.0
        )
    )
    assert (coolant.to_zone_w_per_k("cabin"), coolant.to_water_w_per_k) == (2.0, 0.0)
    coolant.set_fan("heater", 1.0, "cabin")
    coolant.set_water_circulation("heater", running=True)
    assert coolant.to_zone_w_per_k("cabin") - 2.0 == pytest.approx(flow * (1 - 1 / e))
    assert coolant.to_water_w_per_k == pytest.approx(flow * (1 - 1 / e))


def test_the_flow_limits_a_large_exchanger() -> None:
    """No exchanger takes more out of the coolant than the flow brings: 0.01 L/s carry 38.65 W for each kelvin."""
    coolant = Coolant(CoolantPlan(pump_litres_per_s=0.01, cabin_exchanger_w_per_k=1000.0, hose_loss_w_per_k=0.0))
    coolant.set_fan("heater", 1.0, "cabin")
    assert coolant.to_zone_w_per_k("cabin") == pytest.approx(0.01 * 1025.3 * 3.77)


def test_fan_speed() -> None:
    """Half speed passes 0.5^0.8 = 57 % of full speed where the flow does not limit (Dittus and Boelter's exponent)."""
    coolant = Coolant(CoolantPlan(pump_litres_per_s=1.0, cabin_exchanger_w_per_k=1.0, hose_loss_w_per_k=0.0))
    coolant.set_fan("heater", 1.0, "cabin")
    full = coolant.to_zone_w_per_k("cabin")
    coolant.set_fan("heater", 0.5, "cabin")
    assert coolant.to_zone_w_per_k("cabin") / full == pytest.approx(0.5743, abs=0.0001)


def test_fan_and_circulation_end() -> None:
    """With the fan off only the hoses lose heat; with circulation off the hot water gets none."""
    coolant = Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    coolant.set_fan("heater", 0.7, "cabin")
    coolant.set_water_circulation("heater", running=True)
    coolant.set_fan("heater", 0.0, "cabin")
    coolant.set_water_circulation("heater", running=False)
    assert (coolant.to_zone_w_per_k("cabin"), coolant.to_water_w_per_k) == (3.0, 0.0)


def test_the_cabin_gets_heat_only_while_a_pump_runs() -> None:
    """With a circulation pump in the circuit the cabin's exchanger passes heat while it runs, whatever the order.

    The hoses and the hot water do not depend on it.
    """
    coolant, without = Coolant(CoolantPlan(hose_loss_w_per_k=3.0)), Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    for each in (coolant, without):
        each.set_fan("heater", 1.0, "cabin")
        each.set_water_circulation("heater", running=True)
    full = without.to_zone_w_per_k("cabin")
    assert coolant.to_zone_w_per_k("cabin") == full > 3.0
    coolant.set_pump("pump", running=False)
    assert coolant.to_zone_w_per_k("cabin") == 3.0
    coolant.set_fan("heater", 0.5, "cabin")
    coolant.set_fan("heater", 1.0, "cabin")
    assert (coolant.to_zone_w_per_k("cabin"), coolant.to_water_w_per_k) == (3.0, without.to_water_w_per_k)
    coolant.set_pump("pump", running=True)
    assert coolant.to_zone_w_per_k("cabin") == full
    coolant.set_pump("second pump", running=False)
    assert coolant.to_zone_w_per_k("cabin") == full
    coolant.set_pump("pump", running=False)
    assert coolant.to_zone_w_per_k("cabin") == 3.0


@pytest.mark.parametrize("fraction", [-0.01, 1.01, float("nan")])
def test_impossible_outputs_are_refused(fraction: float) -> None:
    """Burner and fan run between nothing and full output; anything else is refused and changes nothing."""
    coolant = Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    with pytest.raises(ValueError, match=r"the burner of heater gives .* W: give 0 or more"):
        coolant.set_burner("heater", -1.0)
    with pytest.raises(ValueError, match=r"the fan of heater runs at .* between 0 and 1"):
        coolant.set_fan("heater", fraction, "cabin")
    assert (coolant.burner_w, coolant.to_zone_w_per_k("cabin")) == (0.0, 3.0)


def test_two_heaters_are_two() -> None:
    """Burners add up; each fan has an exchanger of its own; removing one leaves the other."""
    one, both = Coolant(CoolantPlan(hose_loss_w_per_k=3.0)), Coolant(CoolantPlan(hose_loss_w_per_k=3.0))
    one.set_fan("front", 1.0, "cabin")
    both.set_fan("front", 1.0, "cabin")
    both.set_fan("rear", 1.0, "cabin")
    both.set_burner("front", 5000.0)
    both.set_burner("rear", 2000.0)
    assert both.burner_w == 7000.0
    assert both.to_zone_w_per_k("cabin") - 3.0 == pytest.approx(2 * (one.to_zone_w_per_k("cabin") - 3.0))
    both.set_water_circulation("front", running=True)
    both.set_water_circulation("rear", running=True)
    circulating = both.to_water_w_per_k
    both.remove("rear")
    assert (both.burner_w, both.to_water_w_per_k) == (5000.0, circulating)
    assert both.to_zone_w_per_k("cabin") == one.to_zone_w_per_k("cabin")
    both.remove("front")
    assert (both.burner_w, both.to_water_w_per_k, both.to_zone_w_per_k("cabin")) == (0.0, 0.0, 3.0)


def test_an_exchanger_of_another_zone() -> None:
    """It passes heat to its own zone, and the hoses' loss stays in the cabin."""
    zones = (ZonePlan(name="garage", exchanger_w_per_k=50.0), ZonePlan(name="loft"))
    coolant = Coolant(CoolantPlan(pump_litres_per_s=1.0), zones)
    for zone in ("garage", "loft"):
        coolant.set_fan("heater", 1.0, zone)
    assert coolant.to_zone_w_per_k("garage") == pytest.approx(50.0, rel=0.01)
    assert (coolant.to_zone_w_per_k("loft"), coolant.to_zone_w_per_k("cabin")) == (0.0, 3.0)


def test_air_limits_an_exchanger_too() -> None:
    """With 40 L/s of air, 48 W/K, no exchanger passes more than the air takes; at half speed half of that."""
    coolant = Coolant(
        CoolantPlan(
            pump_litres_per_s=1.0,
            cabin_exchanger_w_per_k=1000.0,
            cabin_exchanger_air_litres_per_s=40.0,
            hose_loss_w_per_k=0.0,
        )
    )
    coolant.set_fan("heater", 1.0, "cabin")
    most = 40 * AIR_W_PER_LITRE_S_K
    assert 0.97 * most < coolant.to_zone_w_per_k("cabin") < most
    coolant.set_fan("heater", 0.5, "cabin")
    assert 0.485 * most < coolant.to_zone_w_per_k("cabin") < most / 2


def test_ethylene_glycol() -> None:
    """It carries less heat than propylene glycol, and freezes at a lower temperature, for the same part."""
    propylene, ethylene = (
        Coolant(CoolantPlan(glycol_percent=50.0)),
        Coolant(CoolantPlan(glycol="ethylene", glycol_percent=50.0)),
    )
    assert ethylene.heat_capacity_j_per_k < propylene.heat_capacity_j_per_k
    assert (propylene.freezes_below_c, ethylene.freezes_below_c) == (-33.3, -37.0)
    assert mix_j_per_litre_k(0, "ethylene") == pytest.approx(mix_j_per_litre_k(0))
    assert mix_j_per_litre_k(60, "ethylene") < mix_j_per_litre_k(50, "ethylene")
