"""One balance of currents, with wires: by hand, by Kirchhoff for random networks, and one owner at a time."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.rig.electric import BatteryPlan, BranchPlan, WirePlan
from rvsim.rig.vehicle import VehiclePlan
from rvsim.world.battery import Battery
from rvsim.world.bus_bar import BusBar
from rvsim.world.electric import ElectricSystem


def branch(name: str, milliohm: float, parent: str | None = None, battery: str | None = None) -> BranchPlan:
    """A branch by the resistance of its wire."""
    return BranchPlan(name=name, wire=WirePlan(milliohm=milliohm), parent=parent, battery=battery)


def bus(*branches: BranchPlan, owners: dict[str, str], **figures: Any) -> BusBar:
    """A bus-bar of a half full AGM battery at 25 C, with owners on branches."""
    made = BusBar(Battery(BatteryPlan(**{"start_percent": 50.0, "start_c": 25.0, **figures})), branches)
    for owner, on in owners.items():
        made.place(owner, on)
    return made


def test_voltage_sags_at_the_far_end() -> None:
    """20 A through 15 mOhm are 0.3 V: the load has that less than the bus-bar, its neighbour has not."""
    bank = bus(branch("heater", 15.0), owners={"heater": "heater"})
    bank.set_load("heater", 20.0)
    bank.set_load("lamp", 1.0)
    assert bank.volts_at("heater") == pytest.approx(bank.volts - 0.3)
    assert bank.volts_at("lamp") == bank.volts


def test_a_shared_wire_sags_for_both() -> None:
    """10 mOhm carry 5 A and 3 A, then 20 mOhm the 3 A alone: 0.08 V, and 0.06 V more."""
    owners = {"fridge": "galley", "lamp": "ceiling"}
    bank = bus(branch("ceiling", 20.0, parent="galley"), branch("galley", 10.0), owners=owners)
    bank.set_load("fridge", 5.0)
    bank.set_load("lamp", 3.0)
    assert bank.volts - bank.volts_at("fridge") == pytest.approx(0.08)
    assert bank.volts - bank.volts_at("lamp") == pytest.approx(0.14)


def test_a_source_holds_its_limit_at_its_own_terminals() -> None:
    """Behind 50 mOhm, beside a battery that takes nothing, a charger of 14.4 V gives a load of 10 A its 13.9 V."""
    bank = bus(branch("shore", 50.0), owners={"charger": "shore"}, chemistry="lfp", start_c=-1.0)
    bank.set_charge("charger", 14.4, 30.0)
    bank.set_load("lamp", 10.0)
    assert bank.charge_amps("charger") == pytest.approx(10.0)
    assert bank.volts_at("charger") == pytest.approx(14.4)
    assert bank.volts == pytest.approx(13.9)
    bank.set_load("lamp", 0.0)
    bank.set_load("lamp at the charger", 5.0)
    assert (bank.volts, bank.amps) == pytest.approx((14.15, 0.0))


@pytest.mark.parametrize("amps", [0.3, 1.1, 3.7, 7.3, 11.9, 17.7])
def test_a_source_at_its_limit_gives_what_is_drawn(amps: float) -> None:
    """Behind 37 mOhm and 13 mOhm a source gives just the load, whatever it is, and never the rest of its 30 A."""
    branches = (branch("roof", 37.0, parent="body"), branch("body", 13.0))
    bank = bus(*branches, owners={"solar": "roof"}, chemistry="lfp", start_c=-1.0)
    bank.set_charge("solar", 14.3, 30.0)
    bank.set_load("lamp", amps)
    assert bank.charge_amps("solar") == pytest.approx(amps)
    assert (bank.amps, bank.volts) == (pytest.approx(0.0, abs=1e-9), pytest.approx(14.3 - 0.05 * amps))


def test_a_wire_limits_a_charger_near_full() -> None:
    """At a full current 100 mOhm lose 3 V for 30 A: a charger of 14.4 V cannot give them to a battery at 12.3 V."""
    bank = bus(branch("shore", 100.0), owners={"charger": "shore"})
    bank.set_charge("charger", 14.4, 30.0)
    assert bank.charge_amps("charger") == pytest.approx((14.4 - bank.volts) / 0.1)
    assert 15 < bank.charge_amps("charger") < 22
    assert bank.volts_at("charger") == pytest.approx(14.4)


def test_a_load_in_watts_has_the_current_of_its_voltage() -> None:
    """500 W at the far end of 10 mOhm: volts times amperes there are 500 W, within 0.02 %."""
    bank = bus(branch("inverter", 10.0), owners={"inverter": "inverter"})
    bank.set_load_watts("inverter", 500.0)
    assert bank.volts_at("inverter") * bank.amps == pytest.approx(500.0, rel=2e-4)
    assert bank.volts - bank.volts_at("inverter") == pytest.approx(0.01 * bank.amps)
    bank.set_load("inverter", 3.0)
    assert bank.volts_at("inverter") * (bank.amps - 3.0) == pytest.approx(500.0, rel=2e-4)


def test_a_load_in_watts_that_is_too_much() -> None:
    """Where no voltage fits, the current stays that of 9 V, and the voltage what is left."""
    bank = bus(branch("inverter", 100.0), owners={"inverter": "inverter"})
    bank.set_load_watts("inverter", 900.0)
    assert bank.amps == pytest.approx(100.0)
    assert bank.volts_at("inverter") == pytest.approx(bank.volts - 10.0)


def test_a_source_in_watts() -> None:
    """A solar panel of 130 W gives 130 W, until the voltage is at its limit."""
    bank = bus(owners={})
    bank.set_charge("solar", 14.4, 30.0, watts_limit=130.0)
    assert bank.volts * bank.charge_amps("solar") == pytest.approx(130.0, rel=2e-4)
    full = bus(owners={}, start_percent=100.0, chemistry="lfp", start_c=-1.0)
    full.set_charge("solar", 14.4, 30.0, watts_limit=130.0)
    assert (full.charge_amps("solar"), full.volts) == (0.0, 14.4)
    full.set_load("fridge", 4.0)
    assert (full.charge_amps("solar"), full.volts) == (4.0, 14.4)


def test_a_bus_without_battery() -> None:
    """With the switch open a charger holds the bus-bar, and alone it carries the loads or the bus is dark."""
    bank = bus(owners={})
    bank.set_disconnect("master switch", is_open=True)
    bank.set_load("lamp", 5.0)
    assert (bank.volts, bank.amps) == (0.0, 0.0)
    bank.set_charge("shore", 13.6, 10.0)
    assert (bank.volts, bank.amps, bank.charge_amps("shore")) == (13.6, 0.0, 5.0)
    bank.set_charge("shore", 11.0, 10.0)
    bank.set_load("lamp", 0.0)
    assert (bank.volts, bank.charge_amps("shore")) == (11.0, 0.0)
    bank.set_charge("shore", 13.6, 10.0)
    bank.set_load("lamp", 12.0)
    assert (bank.volts, bank.amps, bank.charge_amps("shore")) == (0.0, 0.0, 10.0)
    before = bank.percent
    for _ in range(600):
        bank.step(25.0)
    assert bank.percent == pytest.approx(before, abs=0.001)
    bank.set_disconnect("master switch", is_open=False)
    assert bank.amps == 2.0


def test_one_open_switch_of_two_is_enough() -> None:
    """A switch closes for its owner alone, and with its owner."""
    bank = bus(owners={})
    bank.set_load("lamp", 5.0)
    for owner in ("front", "back"):
        bank.set_disconnect(owner, is_open=True)
    bank.set_disconnect("front", is_open=False)
    assert bank.volts == 0.0
    bank.remove("back")
    assert bank.amps == 5.0


def test_what_an_owner_leaves() -> None:
    """After `remove` nothing of an owner is left: neither amperes, nor watts, nor what it gave."""
    bank = bus(owners={})
    bank.set_load("other", 1.0)
    bank.set_load("combi", 5.0)
    bank.set_load_watts("combi", 100.0)
    bank.set_charge("combi", 14.4, 3.0, watts_limit=20.0)
    assert bank.amps > 8
    bank.remove("combi")
    assert (bank.amps, bank.charge_amps("combi")) == (1.0, 0.0)


OWNERS = ["a", "b", "c", "d", "e"]
networks = st.lists(st.tuples(st.sampled_from([0.0, 0.1, 5.0, 20.0, 100.0]), st.integers(0, 5)), max_size=5)
inputs = st.lists(
    st.tuples(
        st.sampled_from(OWNERS),
        st.sampled_from(["amps", "watts", "source", "panel"]),
        st.floats(0.1, 40),
        st.sampled_from([12.2, 13.6, 14.4, 14.7]),
    ),
    max_size=7,
)


def built(network: list[tuple[float, int]], moves: list[tuple[str, str, float, float]], **figures: Any) -> BusBar:
    """A bus-bar with a branch for each item, on an earlier one or on the battery, and an owner at each."""
    branches = []
    for number, (milliohm, above) in enumerate(network):
        parent = branches[above - 1].name if 0 < above <= number else None
        branches.append(branch(f"branch {number}", milliohm, parent))
    owners = {owner: plan.name for owner, plan in zip(OWNERS, branches, strict=False)}
    bank = bus(*branches, owners=owners, **figures)
    for owner, kind, size, volts in moves:
        if kind == "amps":
            bank.set_load(owner, size)
        elif kind == "watts":
            bank.set_load_watts(owner, size * 5)
        else:
            bank.set_charge(owner, volts, size, watts_limit=size * 4 if kind == "panel" else None)
    return bank


@given(networks, inputs, st.floats(5, 99), st.sampled_from(["agm", "lfp"]), st.sampled_from([-5.0, 25.0]))
@example(  # its voltage at the far end is the limit but for rounding
    network=[(0.0, 0), (0.0, 0), (0.0, 0), (100.0, 0)],
    moves=[
        ("a", "amps", 14.0, 12.2),
        ("d", "amps", 2.1616506325735556, 12.2),
        ("d", "source", 23.672873704221733, 12.2),
    ],
    percent=5.0,
    chemistry="agm",
    celsius=-5.0,
)
def test_energy_and_limits_agree(
    network: list[tuple[float, int]],
    moves: list[tuple[str, str, float, float]],
    percent: float,
    chemistry: str,
    celsius: float,
) -> None:
    """In any tree of wires no source is above its limits, and one that is below its amperes is at its volts."""
    bank = built(network, moves, start_percent=percent, chemistry=chemistry, start_c=celsius)
    limits = {}
    for owner, kind, size, volts in moves:
        if kind in ("source", "panel"):
            limits[owner] = (volts, size, size * 4 if kind == "panel" else None)
    for owner, (volts, most, watts) in limits.items():
        amps, at = bank.charge_amps(owner), bank.volts_at(owner)
        assert 0 <= amps <= most * (1 + 1e-9)
        if bank.volts > 0:
            reachable = most if watts is None else min(most, watts / max(at, 9.0))
            if amps > 1e-6:
                assert at <= volts + 1e-6
            if amps < reachable * (1 - 2e-4) - 1e-6:
                assert at >= volts - 1e-6
    before = bank.account()
    bank.step(celsius)
    given_j, lost_j, drawn_j, stored_j = (after - now for after, now in zip(bank.account(), before, strict=True))
    assert given_j - lost_j - drawn_j == pytest.approx(stored_j, abs=1e-3 + 1e-6 * (given_j + drawn_j))


@given(inputs, st.floats(5, 99), st.sampled_from(["agm", "lfp"]), st.sampled_from([-5.0, 25.0]))
def test_wires_without_resistance_change_nothing(
    moves: list[tuple[str, str, float, float]], percent: float, chemistry: str, celsius: float
) -> None:
    """A tree of wires of 0 ohm is the bus-bar itself: the quick way and the general one agree."""
    figures = {"start_percent": percent, "chemistry": chemistry, "start_c": celsius}
    plain, wired = built([], moves, **figures), built([(0.0, 0), (0.0, 1), (0.0, 1)], moves, **figures)
    for _ in range(3):
        assert (plain.volts, plain.amps) == pytest.approx((wired.volts, wired.amps), rel=1e-6, abs=1e-6)
        for owner in OWNERS:
            assert plain.charge_amps(owner) == pytest.approx(wired.charge_amps(owner), rel=1e-6, abs=1e-6)
        plain.step(celsius)
        wired.step(celsius)


# Owners and their batteries


@pytest.fixture
def two() -> ElectricSystem:
    """A house and a starter battery, and a branch of each."""
    return ElectricSystem(
        VehiclePlan(
            batteries=(BatteryPlan(name="starter", capacity_ah=60.0), BatteryPlan(name="house")),
            branches=(
                branch("engine", 10.0, battery="starter"),
                branch("radio", 20.0, parent="engine"),
                branch("galley", 5.0),
            ),
            branch_by_device={"radio": "radio", "fridge": "galley"},
        )
    )


def test_the_battery_of_an_owner(two: ElectricSystem) -> None:
    """An owner is on the battery of its branch, through its parents, or on the house battery, or where it says."""
    for owner, on in (("radio", "starter"), ("fridge", "house"), ("lamp", "house")):
        two.set_load(owner, 2.0)
        assert (two.battery(on).amps, two.battery_of(owner).name) == (2.0, on)
        two.remove_electric(owner)
    two.set_load("fridge", 3.0, battery="starter")
    assert (two.battery("starter").amps, two.battery_amps) == (3.0, 0.0)
    assert two.volts_at("fridge") == two.battery_volts
    two.remove_electric("fridge")
    two.set_load("radio", 4.0)
    assert two.volts_at("radio") == pytest.approx(two.battery("starter").volts - 4.0 * 0.030)


def test_a_charger_between_two_batteries(two: ElectricSystem) -> None:
    """A DC-DC charger is a load in watts on one battery and a source on the other, all under its own name."""
    two.set_load_watts("dc-dc", 300.0, battery="starter")
    two.set_charge("dc-dc", 14.4, 20.0)
    assert two.battery("starter").amps > 20
    assert (two.charge_amps("dc-dc"), two.battery_amps) == (20.0, -20.0)
    two.set_charge("dc-dc", 14.0, 5.0, battery="starter")
    assert two.charge_amps("dc-dc") == 25.0
    two.remove_electric("dc-dc")
    assert (two.battery("starter").amps, two.battery_amps) == (0.0, 0.0)
    two.set_disconnect("isolator", open=True, battery="starter")
    two.set_load("radio", 4.0)
    assert (two.battery("starter").volts, two.volts_at("radio")) == (0.0, 0.0)


def test_batteries_stand_where_the_rig_says() -> None:
    """One outdoors becomes cold; one in a zone, named or the first, becomes warm."""
    plans = (
        BatteryPlan(name="house"),
        BatteryPlan(name="garage", zone="garage"),
        BatteryPlan(name="starter", zone="outdoors"),
    )
    system = ElectricSystem(VehiclePlan(batteries=plans))
    for _ in range(3600):
        system.step_electric(-20.0, {"cabin": 30.0, "garage": 20.0}.__getitem__)
    celsius = [system.battery(plan.name).celsius for plan in plans]
    assert celsius[0] > celsius[1] > 15.0 > celsius[2]


def test_a_balance_has_a_number_that_stays_while_nothing_changes() -> None:
    """A load that is set to what it is changes nothing; another load, and each second, do."""
    bank = bus(owners={})
    numbers = [bank.balance]
    for change in (
        lambda: bank.set_load("lamp", 0.0),
        lambda: bank.set_load("lamp", 2.0),
        lambda: bank.set_load("lamp", 2.0),
        lambda: bank.step(20.0),
    ):
        change()
        numbers.append(bank.balance)
    assert [one == other for one, other in pairwise(numbers)] == [True, False, True, False]
