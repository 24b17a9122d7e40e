"""Values of the vehicle by name, those of its own zones, batteries and tanks among them."""

import pytest
from pydantic import TypeAdapter, ValidationError

from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.shakedown.expect.quantities import Quantity, quantity
from rvsim.world.world import World

RIG = Rig.model_validate(
    {
        "schema": 1,
        "name": "van",
        "title": "A van",
        "device": [{"name": "sensor", "address": 0x91, "functions": {"ambient_sensor": 1}}],
        "cabin": {"start_c": 20.0},
        "zone": [{"name": "garage", "start_c": 5.0, "start_humidity_percent": 70.0}],
        "battery": [
            {"name": "house", "start_percent": 80.0},
            {"name": "starter", "chemistry": "lfp", "start_percent": 30.0},
        ],
        "tank": [{"name": "bottle", "content": "lpg", "start_percent": 60.0}],
        "fuel": {"start_percent": 40.0},
    }
)


@pytest.mark.parametrize(
    ("name", "unit", "value"),
    [
        ("cabin.temperature", "°C", 20.0),
        ("garage.temperature", "°C", 5.0),
        ("garage.humidity", "%", 70.0),
        ("house.charge", "%", 80.0),
        ("starter.charge", "%", 30.0),
        ("starter.voltage", "V", 13.0),
        ("starter.current", "A", 7.0),
        ("bottle.level", "%", 60.0),
        ("fuel.level", "%", 40.0),
        ("battery_current", "A, positive out of the battery", 2.0),
    ],
)
def test_each_zone_battery_and_tank_is_read_by_its_own_name(name, unit, value):
    """Not only the first zone and the house battery."""
    world = World(RIG.vehicle, WeatherPlan())
    world.set_load("lamp", 2.0)
    world.set_load("fan", 7.0, "starter")
    assert quantity(name)[0] == unit
    assert quantity(name)[1](world) == pytest.approx(value, abs=0.2)
    assert TypeAdapter(Quantity).validate_python(name, context={"rig": RIG}) == name


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("garge.temperature", '"garge" is not in the rig (did you mean "garage"?); its zones are cabin, garage'),
        ("engine.charge", '"engine" is not in the rig; its batteries are house, starter'),
        ("gas.level", '"gas" is not in the rig; its tanks are fresh, grey, black, bottle, fuel'),
        ("garage", '"garage" is not a value of the vehicle; the values are cabin,'),
        ("garage.pressure", "NAME.temperature of a zone"),
    ],
)
def test_a_name_that_is_none_is_told_with_those_that_are(name, said):
    """By the rig's own names."""
    with pytest.raises(ValidationError) as refused:
        TypeAdapter(Quantity).validate_python(name, context={"rig": RIG})
    assert said in str(refused.value)
