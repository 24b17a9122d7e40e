"""The heater under hand-written commands. Layouts are from memory: these bytes follow the table.

What its burner does by time is in `test_heater_burner`.
"""

import pytest

from rvsim.errors import InputError

FURNACE, WATER, HEARTBEAT = 0x1FFE4, 0x1FFF7, 0x1FECA
FURNACE_COMMAND, WATER_COMMAND = 0x19FFE344, 0x19FFF644


@pytest.fixture
def heater(alone):
    """A heater with furnace 1 and water heater 1, warmed up so that its fan may run."""
    return alone("heater", furnace=1, water_heater=1, vehicle={"coolant": {"start_c": 60.0}}).until(3)


def test_it_has_a_heartbeat_for_each_function(heater):
    """A node with two functions sends one DM_RV for each: DSA 94 for the furnace, 101 for the water heater."""
    heater.until(10)
    assert {data.split()[1] for _, data in heater.of(HEARTBEAT)} == {"5E", "65"}


def test_it_gives_the_commanded_heat(heater):
    """Fan 100 % and heat 50 % (C8, 64 hex) show in the status at once and warm the cabin."""
    heater.put(FURNACE_COMMAND, "01 FC C8 64 FF FF FF FF")
    assert heater.last(FURNACE) == "01 00 C8 64 FF FF FF FF"
    before = heater.world.cabin_c
    heater.until(120)
    assert heater.world.cabin_c > before + 0.5


def test_its_fan_waits_for_warm_coolant(alone):
    """With cold coolant the burner lights, but fan and output stay at 0 until the coolant is at 40 degC."""
    heater = alone("heater", furnace=1, water_heater=1).until(3)
    heater.put(FURNACE_COMMAND, "01 FC C8 C8 FF FF FF FF").until(100)
    assert heater.last(FURNACE)[6:11] == "00 00"
    assert heater.world.fuel_litres_per_h > 0
    heater.until(900)
    assert heater.last(FURNACE)[6:11] == "C8 C8"


def test_its_fan_does_not_chatter_where_coolant_is_just_warm(alone):
    """The fan cools the coolant while the burner starts: it goes on below 40 degC, stops below 37 and waits for 40."""
    heater = alone("heater", furnace=1, water_heater=1, vehicle={"coolant": {"start_c": 40.2}}).until(3)
    heater.put(FURNACE_COMMAND, "01 FC C8 C8 FF FF FF FF").until(15)
    assert 37 < heater.world.coolant_c < 40
    assert heater.last(FURNACE)[6:11] == "C8 C8"
    changes, fan = [], "C8 C8"
    for second in range(16, 700):
        now = heater.until(second).last(FURNACE)[6:11]
        if now != fan:
            changes.append((now, round(heater.world.coolant_c)))
            fan = now
    assert changes == [("00 00", 37), ("C8 C8", 40)]


def test_it_ignores_another_instance(heater):
    """A command for zone 2 changes nothing in zone 1."""
    heater.put(FURNACE_COMMAND, "02 FC C8 64 FF FF FF FF").until(30)
    assert heater.last(FURNACE) == "01 00 00 00 FF FF FF FF"


def test_all_ones_leave_a_field_unchanged(heater):
    """A second command with only the heat level set leaves the fan as it was."""
    heater.put(FURNACE_COMMAND, "01 FC C8 64 FF FF FF FF").put(FURNACE_COMMAND, "01 FF FF 32 FF FF FF FF")
    assert heater.last(FURNACE) == "01 00 C8 32 FF FF FF FF"


def test_special_codes_are_not_orders(heater):
    """FE (out of range) and FD (reserved) in a command field are not obeyed."""
    heater.put(FURNACE_COMMAND, "01 FC C8 64 FF FF FF FF").put(FURNACE_COMMAND, "01 FF FE FD FF FF FF FF").until(30)
    assert heater.last(FURNACE) == "01 00 C8 64 FF FF FF FF"


def test_a_short_command_counts_as_far_as_it_goes(heater):
    """What a short frame does not hold is left unchanged."""
    heater.put(FURNACE_COMMAND, "01 FC C8 64 FF FF FF FF").put(FURNACE_COMMAND, "01 FF 64").until(8)
    assert heater.last(FURNACE) == "01 00 64 64 FF FF FF FF"


def test_it_heats_water_to_its_set_point(heater):
    """Combustion (1) and set point 40 degC (2720 hex is 313 x 32) heat the tank, then the burner rests."""
    heater.put(WATER_COMMAND, "01 01 20 27 FF FF FF FF").until(20)
    assert int(heater.last(WATER).split()[6], 16) & 0b1111 == 0b0001  # set point not met, burner not lit yet
    heater.until(100)
    lit = heater.last(WATER)
    assert lit.startswith("01 01 20 27")
    assert int(lit.split()[6], 16) & 0b1111 == 0b0101  # burner lit
    heater.until(3600)
    assert heater.world.water_c == pytest.approx(40, abs=5.5)
    assert int(heater.last(WATER).split()[6], 16) & 0b1111 == 0


def test_off_stops_the_water(heater):
    """Mode 0 ends heating before the set point is met."""
    heater.put(WATER_COMMAND, "01 01 A0 29 FF FF FF FF").until(100)
    assert heater.world.fuel_litres_per_h > 0
    heater.put(WATER_COMMAND, "01 00 FF FF FF FF FF FF")
    assert heater.last(WATER).startswith("01 00 A0 29")
    heater.until(110)
    assert heater.world.fuel_litres_per_h == 0


def test_cold_coolant_does_not_cool_the_hot_water(alone):
    """Coolant goes through the tank's exchanger only where it is warmer than the water."""
    warm = {"hot_water": {"start_c": 50.0}}
    heater = alone("heater", furnace=1, water_heater=1, vehicle=warm).until(3)
    heater.put(WATER_COMMAND, "01 01 A0 29 FF FF FF FF").until(60)
    assert heater.world.water_c > 49.5
    assert heater.until(900).world.water_c > 52


def test_each_furnace_instance_is_a_zone(alone):
    """Two instances: each has its own command, status, fan and zone; the water heater has no part in it."""
    vehicle = {"coolant": {"start_c": 70.0}, "zone": [{"name": "garage", "exchanger_w_per_k": 100.0}]}
    settings = {"zones": ["cabin", "garage"]}
    heater = alone("heater", furnace=[1, 3], water_heater=1, vehicle=vehicle, settings=settings).until(3)
    heater.put(FURNACE_COMMAND, "03 FC C8 C8 FF FF FF FF").until(5)
    by_zone = {data[:2]: data for _, data in heater.of(FURNACE)}
    assert by_zone == {"01": "01 00 00 00 FF FF FF FF", "03": "03 00 C8 C8 FF FF FF FF"}
    before = heater.world.air_celsius("garage"), heater.world.air_celsius("cabin")
    heater.until(100)
    assert heater.world.air_celsius("garage") > before[0] + 2
    assert heater.world.air_celsius("cabin") < before[1] + 1
    assert heater.world.battery_amps > 6  # one fan


@pytest.mark.parametrize(
    ("zones", "told"),
    [
        (["cabin"] * 3, "its settings name 3 zones, but it has only 2 furnace instances; name at most one zone for"),
        (["cabin", "garge"], '"garge" is not a zone (did you mean "garage"?); the zones are cabin, garage'),
    ],
)
def test_zones_that_do_not_fit_are_refused(alone, zones, told):
    """Each instance has one, and the vehicle has it."""
    with pytest.raises(InputError) as error:
        alone(
            "heater",
            furnace=[1, 2],
            water_heater=1,
            vehicle={"zone": [{"name": "garage"}]},
            settings={"zones": zones},
        )
    assert told in str(error.value)


def test_it_draws_current_while_it_works(heater):
    """Pump and fan at once, since the coolant is warm; at rest hardly anything does."""
    heater.until(5)
    rest = heater.world.battery_amps
    heater.put(FURNACE_COMMAND, "01 FC C8 C8 FF FF FF FF").until(7)
    assert rest == pytest.approx(0.1, abs=0.01)
    assert heater.world.battery_amps == pytest.approx(0.1 + 1.0 + 1.3 + 6.0, abs=0.01)  # purge: chamber fan
    heater.until(200)
    assert heater.world.battery_amps == pytest.approx(0.1 + 1.0 + 2.5 + 6.0, abs=0.1)


def test_it_stops_at_its_own_voltage(alone):
    """What counts is the voltage at the end of its wire: 30 A on 100 mOhm that it shares take 3 V from it alone."""
    branches = {"branch": [{"name": "front", "wire": {"milliohm": 100.0}}]}
    heater = alone("heater", furnace=1, water_heater=1, vehicle=branches, plan={"branch": "front"})
    heater.until(3).put(WATER_COMMAND, "01 01 A0 29 FF FF FF FF").until(10)
    heater.world.battery().place("a big one", "front")
    heater.world.set_load("a big one", 30.0)
    heater.until(20)
    assert heater.world.battery_volts > 12
    assert int(heater.last(WATER).split()[7], 16) >> 4 == 0b0101
    assert heater.world.fuel_litres_per_h == 0
