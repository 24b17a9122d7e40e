"""The kinds of simulated device and what a rig may set for them."""

import pytest
from pydantic import ValidationError

from rvsim.devices.registry import KINDS, missing_partners, settings_models
from rvsim.rig.load import load_rig


def test_each_kind_stands_under_its_own_name():
    """The name in the table is the kind's own, and its settings have defaults for everything."""
    for name, kind in KINDS.items():
        assert kind.kind == name
        settings_models()[name]()


def test_a_setting_that_names_nobody_is_told():
    """A panel that is to command furnace 7 of a rig without one is told of; the shipped rig has everybody."""
    shipped = load_rig("ottersby", kinds=settings_models())
    assert list(missing_partners(shipped)) == []
    panel = shipped.devices[0].model_copy(update={"settings": {**shipped.devices[0].settings, "furnace": 7}})
    rig = shipped.model_copy(update={"devices": (panel, *shipped.devices[1:])})
    assert list(missing_partners(rig)) == ["control panel is set to furnace 7, and no device of the rig is furnace 7"]


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        ("panel", {"set_point_c": 99999.0}),
        ("panel", {"set_point_c": float("nan")}),
        ("panel", {"water_c": 200.0}),
        ("panel", {"furnace": 251}),
        ("heater", {"fan_amps": -1.0}),
        ("charger", {"full_amps": 0.0}),
        ("charger", {"float_volts": 60.0}),
        ("roof_fan", {"full_flow_litres_per_s": float("inf")}),
    ],
)
def test_what_no_device_can_be_set_to_is_refused(kind, settings):
    """A slip of the pen is refused when the rig is read, not met by the device while it runs."""
    with pytest.raises(ValidationError):
        settings_models()[kind](**settings)
