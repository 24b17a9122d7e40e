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
