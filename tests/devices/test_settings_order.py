"""Figures of settings that contradict each other are refused, with both figures."""

import pytest
from pydantic import ValidationError

from rvsim.devices.registry import settings_models


@pytest.mark.parametrize(
    ("kind", "settings", "said"),
    [
        ("inverter", {"stop_volts": 11.5}, "stop_volts 11.5 is not below alarm_volts 11"),
        ("inverter", {"stop_volts": 10.0, "restart_volts": 9.9}, "stop_volts 10 is not below restart_volts 9.9"),
        ("inverter", {"restart_volts": 14.9}, "restart_volts 14.9 is not below high_restart_volts 14.8"),
        ("inverter", {"high_stop_volts": 14.5}, "high_restart_volts 14.8 is not below high_stop_volts 14.5"),
        ("dc_dc_charger", {"stop_volts": 11.5}, "stop_volts 11.5 is not below derate_volts 11.5"),
        ("dc_dc_charger", {"stay_volts": 13.5}, "stay_volts 13.5 is not below start_volts 13.2"),
        (
            "dc_dc_charger",
            {"ignition_stay_volts": 12.5},
            "ignition_stay_volts 12.5 is not below ignition_start_volts 12.3",
        ),
        ("dc_dc_charger", {"over_volts": 13.0}, "start_volts 13.2 is not below over_volts 13"),
        ("dc_dc_charger", {"over_release_volts": 16.5}, "over_release_volts 16.5 is not below over_volts 16"),
        ("alternator", {"low_volts": 15.0}, "low_volts 15 is not below high_volts 14.8"),
        ("heater", {"resume_c": 85.0}, "resume_c 85 is not below pause_c 85"),
        ("heater", {"low_c": 86.0}, "low_c 86 is not below pause_c 85"),
        ("heater", {"flame_wait_s": 10.0}, "last_flame_s 12 is not below flame_wait_s 10"),
        ("heater", {"first_flame_s": 13.0}, "first_flame_s 13 is above last_flame_s 12"),
        ("water_heater", {"lowest_c": 75.0}, "lowest_c 75 is not below highest_c 75"),
        ("water_heater", {"limit_resets_c": 82.0}, "limit_resets_c 82 is not below limit_c 82"),
        ("charger", {"float_volts": 14.5}, "float_volts 14.5 is above absorption_volts 14.4"),
        ("solar_controller", {"absorption_volts": 13.5}, "float_volts 13.6 is above absorption_volts 13.5"),
        ("alternator", {"absorption_volts": 13.7}, "float_volts 13.8 is above absorption_volts 13.7"),
        ("generator", {"crank_s": 20.0}, "crank_s 20 is not below max_crank_s 10"),
        ("generator", {"idle_litres_per_h": 2.0}, "idle_litres_per_h 2 is not below full_litres_per_h 1.4"),
    ],
)
def test_figures_out_of_order_are_refused(kind, settings, said):
    """Each pair by its names; the defaults are in order."""
    model = settings_models()[kind]
    model()
    with pytest.raises(ValidationError, match=said.replace(".", r"\.")):
        model(**settings)


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        ("charger", {"float_volts": 13.5, "absorption_volts": 13.5}),
        ("alternator", {"type": "plain", "absorption_volts": 13.5}),
        ("heater", {"first_flame_s": 10.0, "last_flame_s": 10.0}),
    ],
)
def test_figures_that_may_be_equal_or_do_not_count_are_taken(kind, settings):
    """One voltage for both stages; a float that a constant voltage does not have; a flame that always takes as long."""
    settings_models()[kind](**settings)
