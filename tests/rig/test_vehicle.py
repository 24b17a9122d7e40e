"""The figures of a vehicle's physics: their defaults, their limits, and what is refused."""

import pytest
from pydantic import BaseModel, ValidationError

from rvsim.rig.vehicle import BatteryPlan, CabinPlan, CoolantPlan, HotWaterPlan, TankPlan, VehiclePlan, WeatherPlan

# (plan, field, lowest allowed, highest allowed)
BOUNDS = [
    (CabinPlan, "volume_m3", 1, 100),
    (CabinPlan, "heat_loss_w_per_k", 1, 1000),
    (CabinPlan, "heat_capacity_j_per_k", 10_000, 20_000_000),
    (CabinPlan, "air_changes_per_hour", 0, 60),
    (CabinPlan, "start_c", -60, 60),
    (CoolantPlan, "litres", 1, 100),
    (CoolantPlan, "glycol_percent", 0, 60),
    (CoolantPlan, "burner_w", 0, 20_000),
    (CoolantPlan, "burner_efficiency_percent", 30, 100),
    (CoolantPlan, "pump_litres_per_s", 0.01, 1),
    (CoolantPlan, "cabin_exchanger_w_per_k", 0, 1000),
    (CoolantPlan, "water_exchanger_w_per_k", 0, 1000),
    (CoolantPlan, "hose_loss_w_per_k", 0, 50),
    (CoolantPlan, "start_c", -60, 110),
    (HotWaterPlan, "litres", 1, 200),
    (HotWaterPlan, "loss_w_per_k", 0, 50),
    (HotWaterPlan, "start_c", 0, 95),
    (BatteryPlan, "capacity_ah", 1, 2000),
    (BatteryPlan, "start_percent", 0, 100),
    (BatteryPlan, "internal_milliohm", 0.1, 1000),
    (BatteryPlan, "start_c", -60, 60),
    (BatteryPlan, "lag_hours", 0.1, 48),
    (TankPlan, "litres", 1, 2000),
    (TankPlan, "start_percent", 0, 100),
    (WeatherPlan, "outdoor_c", -60, 60),
    (WeatherPlan, "swing_amplitude_k", 0, 30),
]


def test_a_rig_may_leave_everything_out() -> None:
    """Every figure of the vehicle and of the weather has the documented default of the invented small van."""
    assert VehiclePlan().model_dump() == {
        "cabin": {
            "volume_m3": 11.0,
            "heat_loss_w_per_k": 35.0,
            "walls": (),
            "ribs_m": 0.0,
            "rib_w_per_m_k": 0.1,
            "glass": (),
            "inside_m2": None,
            "heat_capacity_j_per_k": 400_000.0,
            "air_capacity_percent": 30.0,
            "absorptance": 0.25,
            "air_changes_per_hour": 1.0,
            "air_changes_by_wind": 0.1,
            "opening_height_m": 0.5,
            "inlet_m2": None,
            "start_c": 15.0,
            "start_humidity_percent": 50.0,
        },
        "zones": (),
        "people": {"count": 2, "zone": "cabin", "activity": "rest"},
        "coolant": {
            "litres": 10.0,
            "glycol": "propylene",
            "glycol_percent": 40.0,
            "burner_w": 5000.0,
            "burner_efficiency_percent": 85.0,
            "pump_litres_per_s": 0.15,
            "cabin_exchanger_w_per_k": 110.0,
            "cabin_exchanger_air_litres_per_s": None,
            "water_exchanger_w_per_k": 120.0,
            "hose_loss_w_per_k": 3.0,
            "start_c": 15.0,
        },
        "hot_water": {"litres": 10.0, "loss_w_per_k": 1.0, "start_c": 15.0},
        "batteries": (
            {
                "name": "house",
                "chemistry": "agm",
                "capacity_ah": 100.0,
                "start_percent": 80.0,
                "internal_milliohm": None,
                "start_c": 15.0,
                "lag_hours": 4.0,
                "zone": None,
                "dc_source": None,
                "charge_efficiency_percent": None,
                "peukert_exponent": None,
                "self_discharge_percent_per_month": None,
                "protection": None,
                "short_circuit_amps": None,
                "cold_cranking_amps": None,
            },
        ),
        "branches": (),
        "shore": {"amps": 30.0, "volts": 120.0},
        "branch_by_device": {},
        "battery_by_device": {},
        "fuel": {"litres": 60.0, "start_percent": 80.0, "grade": "F"},
        "fresh_tank": {"litres": 60.0, "start_percent": 50.0, "zone": "cabin", "loss_w_per_k": 3.0},
        "grey_tank": {"litres": 60.0, "start_percent": 50.0, "zone": "cabin", "loss_w_per_k": 3.0},
        "black_tank": {"litres": 60.0, "start_percent": 50.0, "zone": "cabin", "loss_w_per_k": 3.0},
        "tanks": (),
        "modules": (),
        "relays": (),
        "outputs": (),
        "inputs": (),
        "motions": (),
    }
    assert WeatherPlan().model_dump() == {
        "outdoor_c": -5.0,
        "swing_amplitude_k": 0.0,
        "warmest_hour": 15.0,
        "start_hour": 18.0,
        "table": None,
        "humidity_percent": 80.0,
        "wind_m_per_s": 0.0,
        "altitude_m": 0.0,
        "latitude_deg": 50.0,
        "day_of_year": 15,
        "cloud_percent": 100.0,
        "heading_deg": 0.0,
    }


def test_a_part_given_leaves_the_rest_at_its_default() -> None:
    """A table read from a rig file names only what differs; whole numbers serve as well as decimals."""
    plan = VehiclePlan.model_validate({"battery": {"chemistry": "lfp", "capacity_ah": 200}})
    assert plan == VehiclePlan(batteries=(BatteryPlan(chemistry="lfp", capacity_ah=200.0),))
    assert plan.battery.start_percent == 80.0


@pytest.mark.parametrize(("plan", "field", "low", "high"), BOUNDS)
def test_bounds(plan: type[BaseModel], field: str, low: float, high: float) -> None:
    """Each figure is accepted at its bounds and refused just outside them, the refusal naming the figure."""
    for value in (low, high):
        assert getattr(plan.model_validate({field: value}), field) == value
    for value in (low - 0.001, high + 0.001, float("nan"), float("inf")):
        with pytest.raises(ValidationError) as refusal:
            plan.model_validate({field: value})
        assert [error["loc"] for error in refusal.value.errors()] == [(field,)]


@pytest.mark.parametrize("field", ["warmest_hour", "start_hour"])
def test_hours_of_the_day(field: str) -> None:
    """An hour runs from 0 up to, but not including, 24."""
    for hour in (0, 23.999):
        assert getattr(WeatherPlan.model_validate({field: hour}), field) == hour
    for hour in (-0.001, 24):
        with pytest.raises(ValidationError):
            WeatherPlan.model_validate({field: hour})


@pytest.mark.parametrize(
    "plan", [CabinPlan, CoolantPlan, HotWaterPlan, BatteryPlan, TankPlan, VehiclePlan, WeatherPlan]
)
def test_unknown_keys_are_refused(plan: type[BaseModel]) -> None:
    """A misspelt key is an error and never silently a default."""
    with pytest.raises(ValidationError) as refusal:
        plan.model_validate({"colour": "green"})
    assert [error["type"] for error in refusal.value.errors()] == ["extra_forbidden"]


@pytest.mark.parametrize("value", ["12", True])
def test_only_numbers_are_numbers(value: object) -> None:
    """Quoted figures and on/off words do not pass for a number."""
    with pytest.raises(ValidationError):
        CabinPlan.model_validate({"volume_m3": value})


def test_only_known_chemistries() -> None:
    """A battery is AGM or LFP; anything else is refused."""
    with pytest.raises(ValidationError):
        BatteryPlan.model_validate({"chemistry": "nickel"})


def test_a_plan_does_not_change() -> None:
    """Plans are frozen, so that a run cannot alter the rig it was started from."""
    plan = VehiclePlan()
    with pytest.raises(ValidationError):
        plan.cabin.volume_m3 = 12.0  # type: ignore[misc]
