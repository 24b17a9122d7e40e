"""Who gives and who takes heat, fuel and power in a vehicle, now and over the last day."""

from typing import cast

import pytest

from rvsim.rig.vehicle import VehiclePlan, WeatherPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.balance import Balance, Share
from rvsim.world.flows import Flows, Stock
from rvsim.world.world import World

MINUTE_US = 60 * SECOND_US
J_PER_KWH = 3_600_000
FIGURES = {
    "cabin": {
        "volume_m3": 20.0,
        "heat_loss_w_per_k": 40.0,
        "glass": [{"area_m2": 1.0, "u_w_per_m2_k": 2.0, "tilt_deg": 90.0, "azimuth_deg": 0.0}],
    },
    "zones": [{"name": "bed", "volume_m3": 8.0, "exchange": {"cabin": 60.0}, "exchanger_w_per_k": 30.0}],
    "battery": [
        {"name": "house", "chemistry": "lfp", "capacity_ah": 100.0},
        {"name": "starter", "chemistry": "agm", "capacity_ah": 80.0},
    ],
    "branch": [{"name": "far", "battery": "house", "wire": {"area_mm2": 4.0, "length_m": 8.0}}],
    "branch_by_device": {"far lamp": "far"},
    "shore": {"amps": 10.0, "volts": 230.0},
}


def vehicle(**weather):
    """Return a world of two zones and two batteries in which everything runs, and its balance."""
    plan = VehiclePlan.model_validate(FIGURES)
    world = World(plan, WeatherPlan(outdoor_c=-5.0, start_hour=11.0, **weather))
    world.set_burner("heater", 3000.0)
    world.set_burner("second heater", 1000.0)
    world.set_cabin_fan("heater", 0.5)
    world.set_cabin_fan("second heater", 0.3, "bed")
    world.set_heat("cooling", -100.0)
    world.set_vent("fan", 5.0)
    world.set_opening("door", 0.02, "bed")
    world.set_water_heat("element", 500.0)
    world.set_fuel("furnace", 0.1)
    world.set_draw("tap", 1.0, 50.0)
    world.set_load("far lamp", 5.0)
    world.set_load_watts("cooler", 40.0)
    world.set_charge("charger", 14.2, 20.0)
    world.set_shore(connected=True)
    world.set_mains_load("charger", 320.0)
    world.set_mains_load("element", 500.0)
    return world, Balance(world)


def run(world, balance, minutes, first=1):
    """Advance by whole minutes."""
    for minute in range(first, first + minutes):
        world.advance(minute * MINUTE_US)
        balance.sample(minute * MINUTE_US)
    return {account.what: account for account in balance.accounts()}


def test_every_part_of_two_hours():
    """What is given less what is taken is what is stored, for each body and in all; each contribution has its owner.

    All heat together is held against the account of the physics, which has every second and not one sample a minute.
    """
    world, balance = vehicle()
    before = world.heat_account().stored_j
    accounts = run(world, balance, 120)
    heats = [account for what, account in accounts.items() if what.startswith("heat")]
    assert [account.what for account in heats] == [
        "heat of the cabin", "heat of the bed", "heat of the coolant", "heat of the hot water",
    ]  # fmt: skip
    account = world.heat_account()
    stored = (account.stored_j - before) / J_PER_KWH
    assert sum(each.left_of_day for each in heats) == pytest.approx(stored, rel=0.02)

    def who(what, side):
        return {share.who: share.day for share in getattr(accounts[what], side)}

    cabin = who("heat of the cabin", "given")
    assert set(cabin) >= {"heater", "people", "sun", "coolant hoses", "hot water tank"}
    assert "second heater" not in cabin
    assert who("heat of the bed", "given").keys() >= {"second heater", "air of the cabin"}
    lost = who("heat of the cabin", "taken")
    assert lost.keys() >= {"cooling", "walls and glass", "fans", "leaks", "air of the bed"}
    assert lost["cooling"] == pytest.approx(0.2)
    bed = who("heat of the bed", "taken")
    assert bed["openings"] > 0
    outwards = ("walls and glass", "fans", "leaks", "openings")
    out = sum(each.get(name, 0.0) for each in (lost, bed) for name in outwards)
    assert out == pytest.approx(account.outdoors_j / J_PER_KWH, rel=0.02)
    assert cabin["people"] == pytest.approx(account.people_j / J_PER_KWH, rel=0.02)
    sun = cabin["sun"] + who("heat of the bed", "given")["sun"]
    assert sun == pytest.approx(account.sun_j / J_PER_KWH, rel=0.02)
    assert who("heat of the coolant", "given") == pytest.approx({"heater": 6.0, "second heater": 2.0})
    water = who("heat of the hot water", "taken")
    assert water["taps"] == pytest.approx(account.drawn_j / J_PER_KWH, rel=0.05)
    assert who("heat of the hot water", "given") == pytest.approx({"element": 1.0})

    fuel = accounts["fuel"]
    assert (fuel.unit, fuel.day_unit) == ("L/h", "L")
    used = {share.who: share.day for share in fuel.taken}
    assert used["furnace"] == pytest.approx(0.2)
    assert used["heater"] == pytest.approx(3 * used["second heater"])
    assert fuel.stock is not None
    assert fuel.stock_before is not None
    assert fuel.stock_before - fuel.stock.value == pytest.approx(sum(used.values()))
    assert fuel.left_of_day == pytest.approx(fuel.stock.value - fuel.stock_before)


def test_the_power_of_a_moment():
    """At the battery: sources less loads less wires is its voltage times its current. Mains: the source gives all."""
    world, balance = vehicle()
    accounts = {account.what: account for account in balance.accounts()}
    house = accounts["power of the house battery"]
    now = {share.who: share.now for share in (*house.given, *house.taken)}
    assert house.left_now == pytest.approx(-world.battery_amps * world.battery_volts, rel=1e-3)
    assert now["charger"] == pytest.approx(world.charge_amps("charger") * world.battery_volts, rel=1e-3)
    assert now["far lamp"] == pytest.approx(5.0 * world.volts_at("far lamp"))
    assert now["wires"] == pytest.approx(5.0 * (world.battery_volts - world.volts_at("far lamp")))
    assert now["cooler"] == pytest.approx(40.0, rel=1e-3)
    assert accounts["power of the starter battery"].left_now == 0
    mains = accounts["power of the mains"]
    assert [(share.who, share.now) for share in mains.given] == [("shore", 820.0)]
    assert {share.who: share.now for share in mains.taken} == {"charger": 320.0, "element": 500.0}
    assert mains.stock is not None
    assert (mains.stock.title, mains.stock.high) == ("amps of shore", 10.0)
    assert mains.stock.value == pytest.approx(820 / 230)
    assert mains.stock_before is None  # the current of before may be that of another source
    world.set_mains_load("kettle", 3000.0)
    (mains,) = (account for account in balance.accounts() if account.what == "power of the mains")
    assert mains.stock is not None
    assert mains.left_now == pytest.approx(0)
    assert sum(share.now for share in mains.given) == pytest.approx(2300.0)
    world.set_shore(connected=False)
    (mains,) = (account for account in balance.accounts() if account.what == "power of the mains")
    assert (mains.given, mains.taken, mains.stock) == ((), (), None)


class Steady:
    """A world in which one heater gives 1 kW to a stock that grows by 1 L a sample, and nothing steps."""

    level = 0.0
    watts = 1000.0

    def heat_flows(self):
        """Yield the heat."""
        yield Flows("heat", "W", "body", {"heater": self.watts}, {}, Stock("level", self.level, "L", 0.0, 100.0))

    def electric_flows(self):
        """Yield nothing."""
        return iter(())

    def tank_names(self):
        """Return no tank."""
        return []


def test_a_day_and_no_more():
    """The last 24 hours count; stocks are those of their beginning; a time that does not go on counts nothing."""
    world = Steady()
    balance = Balance(cast("World", world))
    balance.sample(0)
    assert balance.span_us == 0
    assert balance.accounts()[0].given == (Share("heater", 1000.0, 0.0),)
    for half_hour in range(1, 53):
        world.level += 1
        balance.sample(half_hour * 30 * MINUTE_US)
        balance.sample((half_hour - 1) * 30 * MINUTE_US)
    (account,) = balance.accounts()
    assert balance.span_us == 24 * 60 * MINUTE_US
    assert account.given[0].day == account.left_of_day == pytest.approx(24.0)
    assert account.stock is not None
    assert (account.stock_before, account.stock.value) == (4.0, 52.0)
    world.watts = 0.0
    balance.sample(53 * 30 * MINUTE_US)
    (account,) = balance.accounts()
    assert account.given[0].now == 0
    assert account.given[0].day == pytest.approx(23.25)  # 23 h, and half an hour from 1 kW to nothing
