"""The mains: which source is in use, and what its loads get."""

from math import inf, nan

import pytest

from rvsim.rig.electric import ShorePlan
from rvsim.rig.vehicle import VehiclePlan
from rvsim.world.electric import ElectricSystem
from rvsim.world.mains import inverter_efficiency


@pytest.fixture
def system() -> ElectricSystem:
    """A vehicle on a socket of 10 A at 230 V, connected."""
    made = ElectricSystem(VehiclePlan(shore=ShorePlan(amps=10.0, volts=230.0)))
    made.set_shore(connected=True)
    return made


def test_loads_get_what_they_want_within_the_limit(system: ElectricSystem) -> None:
    """1500 W and 700 W are within 2300 W: both get it all, and the socket gives 2200 W."""
    system.set_mains_load("oven", 1500.0)
    system.set_mains_load("charger", 700.0)
    assert system.mains_source() == "shore"
    assert [system.mains_watts(owner) for owner in ("oven", "charger", "shore")] == [1500.0, 700.0, 2200.0]


def test_an_overloaded_source_gives_its_limit(system: ElectricSystem) -> None:
    """3000 W and 1600 W of 2300 W: each load gets half, and the socket gives 2300 W."""
    system.set_mains_load("oven", 3000.0)
    system.set_mains_load("heater", 1600.0)
    assert [system.mains_watts(owner) for owner in ("oven", "heater", "shore")] == [1500.0, 800.0, 2300.0]


def test_the_highest_rank_is_in_use(system: ElectricSystem) -> None:
    """Shore power goes before an inverter and after a generator of rank 20; the others give nothing meanwhile."""
    system.set_mains_load("oven", 1000.0)
    system.set_mains_source("inverter", 1200.0, 1)
    assert (system.mains_watts("shore"), system.mains_watts("inverter")) == (1000.0, 0.0)
    system.set_mains_source("generator", 2500.0, 20)
    assert system.mains_source() == "generator"
    system.set_mains_source("generator", 0.0, 20)
    system.set_shore(connected=False)
    assert (system.mains_source(), system.mains_watts("inverter")) == ("inverter", 1000.0)
    system.remove_electric("inverter")
    assert (system.mains_source(), system.mains_watts("oven")) == (None, 0.0)


def test_a_load_ends_with_its_owner(system: ElectricSystem) -> None:
    """An owner that is removed wants nothing, and is nobody's share."""
    system.set_mains_load("oven", 1000.0)
    system.set_mains_load("charger", 500.0)
    system.remove_electric("oven")
    assert (system.mains_watts("shore"), system.mains_watts("oven")) == (500.0, 0.0)


@pytest.mark.parametrize("watts", [-1.0, nan, inf])
def test_impossible_powers_are_refused(system: ElectricSystem, watts: float) -> None:
    """Powers below 0 or without meaning are refused by name."""
    with pytest.raises(ValueError, match=r"oven draws .* W: give 0 or more"):
        system.set_mains_load("oven", watts)
    with pytest.raises(ValueError, match=r"generator gives .* W: give 0 or more"):
        system.set_mains_source("generator", watts, 20)
    assert system.mains_source() == "shore"


def test_an_inverter_without_input_gives_nothing() -> None:
    """Its efficiency is 0 at no input, and at so little that it is lost."""
    assert inverter_efficiency(0.0) == inverter_efficiency(0.001) == 0.0
