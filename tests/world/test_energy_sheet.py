"""Heat, fuel and charge of a run beside a calculation by hand."""

import pytest

from rvsim.rig.vehicle import VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.energy_sheet import EnergySheet
from rvsim.world.world import World

HOUR_US = 3600 * SECOND_US


def run(hours, *, watts=0.0, amps=0.0, minutes=1, filled_per_min=0.0, elsewhere=0.0, **figures):
    """Run a vehicle without people at -15 °C and return its lines by what they are."""
    plan = VehiclePlan.model_validate({"people": {"count": 0}, **figures})
    world = World(plan, WeatherPlan(outdoor_c=-15.0))
    world.set_fuel("furnace", elsewhere)
    sheet = EnergySheet(world, plan)
    world.set_burner("heater", watts)
    world.set_cabin_fan("heater", 1.0)
    world.set_load("lamp", amps)
    world.set_fuel_fill(filled_per_min)
    end = round(hours * HOUR_US)
    for time in range(minutes * 60 * SECOND_US, end, minutes * 60 * SECOND_US):
        world.advance(time)
        sheet.sample(time)
    world.advance(end)
    sheet.sample(end)
    return {line.what: line for line in sheet.lines}


def test_a_night_by_hand():
    """2 kW for ten hours: 35 W/K and 11 m3 an hour lose 38.7 W/K; 2.36 litres at 85 %; 20 Ah of 100.

    A pocket calculator: 2 kW x 10 h / (0.85 x 9.947 kWh/l) = 2.365 l; 80 - 20 = 60 %.
    """
    lines = run(10, watts=2000.0, amps=2.0, battery={"chemistry": "lfp", "self_discharge_percent_per_month": 0.0})
    lost, burnt, fuel, mean, charge = lines.values()
    assert burnt.simulated == pytest.approx(20.0, rel=1e-3)
    assert fuel.simulated == pytest.approx(2.365, abs=0.002)
    assert charge.simulated == pytest.approx(60.0, abs=0.05)
    assert charge.by_hand == pytest.approx(60.0, abs=0.05)
    assert [line.unit for line in lines.values()] == ["kWh", "kWh", "l", "degC", "%"]
    for line in (lost, burnt, fuel):
        assert line.by_hand == pytest.approx(line.simulated, rel=0.01)
    assert mean.by_hand == pytest.approx(mean.simulated, abs=0.5)
    assert "35.0 W/K + 0.336 x 11.0 m3/h" in lost.formula
    assert lost.formula.endswith("x 10 h / 1000")
    assert "20." in fuel.formula
    assert "(0.85 x 9.95 kWh/l)" in fuel.formula


def test_another_figure_of_the_rig_shows_by_hand_too():
    """A burner that uses more fuel, a cabin that loses more, a battery twice as large."""
    usual = run(4, watts=2000.0, amps=2.0)
    other = run(
        4,
        watts=2000.0,
        amps=2.0,
        cabin={"heat_loss_w_per_k": 50.0},
        coolant={"burner_efficiency_percent": 60.0},
        battery={"capacity_ah": 200.0},
    )
    assert other["fuel"].by_hand == pytest.approx(usual["fuel"].by_hand * 0.85 / 0.6, rel=0.02)
    assert other["mean temperature of the cabin"].by_hand < usual["mean temperature of the cabin"].by_hand - 5
    charge = "charge of the house battery at the end"
    assert 80 - other[charge].by_hand == pytest.approx((80 - usual[charge].by_hand) / 2, abs=0.05)


def test_fuel_that_is_burnt_elsewhere_counts_by_hand_too():
    """A furnace that blows warm air burns 0.2 litres an hour for two hours; without a burner in the coolant, too."""
    coolant = run(2, watts=2000.0)["fuel"]
    for watts, litres, text in ((2000.0, coolant.simulated, coolant.formula), (0.0, 0.0, "no heat of a burner")):
        both = run(2, watts=watts, elsewhere=0.2)["fuel"]
        assert both.simulated == pytest.approx(litres + 0.4, abs=0.005)
        assert both.by_hand == pytest.approx(litres + 0.4, abs=0.015)
        assert both.formula == f"{text} + 0.200 l/h not for the coolant x 2 h"


def test_fuel_that_was_filled_in_is_not_counted_as_used():
    """An hour at 2 kW, while 30 litres come in: 0.24 litres, as without them."""
    figures = [run(1, watts=2000.0, filled_per_min=flow, fuel={"start_percent": 20.0})["fuel"] for flow in (0.5, 0.0)]
    assert figures[0].simulated == pytest.approx(figures[1].simulated, abs=1e-9)
    assert figures[0].simulated == pytest.approx(0.2365, abs=0.001)


def test_without_a_burner_nothing_is_burnt():
    """A van that cools from 15 °C gives what is stored in it: no line is of a burner, of fuel, or below 0 by hand.

    What the lining lags behind the air is a tenth of what it loses meanwhile.
    """
    lines = run(5, people={"count": 2})
    assert not [what for what in lines if "burners" in what or "fuel" in what]
    lost = lines["heat lost to the outside"].simulated
    assert lost == pytest.approx(3.4, abs=0.5)
    given = lines["heat out of air, lining, coolant and hot water, without a burner"]
    assert given.simulated == pytest.approx(lost - 2 * 0.09 * 5, abs=0.1)  # 90 W each
    assert given.by_hand == pytest.approx(given.simulated, rel=0.02)
    assert given.formula.count(" kWh/K x ") == 3
    assert all(line.by_hand > 0 for line in lines.values() if line.unit in ("kWh", "l"))


def test_a_cold_van_in_warm_air_gains_heat():
    """What is lost and gained has its own words, and no figure below 0."""
    lines = run(5, cabin={"start_c": -30.0})
    gained = lines["heat gained from the outside"]
    assert gained.simulated > 1
    assert gained.by_hand == pytest.approx(gained.simulated, rel=0.2)
    assert gained.formula.startswith("-((35.0 W/K")


def test_samples_of_any_distance_give_the_same():
    """Averages are weighted by time; a time that was sampled already changes nothing, and nothing is said without."""
    often, seldom = run(6, watts=1500.0), run(6, watts=1500.0, minutes=7)
    for line, other in zip(often.values(), seldom.values(), strict=True):
        assert other.by_hand == pytest.approx(line.by_hand, rel=0.01)
    plan = VehiclePlan()
    sheet = EnergySheet(World(plan, WeatherPlan()), plan)
    sheet.sample(0)
    assert sheet.lines == ()
    assert run(0.99) == {}
    assert len(run(1, watts=500.0)) == 5


def test_several_zones_lose_their_own_share():
    """The heat of each is one term; the mean temperature is told for one zone only."""
    lines = run(3, watts=2000.0, zones=[{"name": "rear", "volume_m3": 6.0, "heat_loss_w_per_k": 20.0}])
    lost = lines["heat lost to the outside"]
    assert lost.by_hand == pytest.approx(lost.simulated, rel=0.03)
    assert "20.0 W/K + 0.336 x 6.0 m3/h" in lost.formula
    assert "mean temperature of the cabin" not in lines
