"""What devices are sized by where a rig says nothing, against published figures with their sources."""

import pytest

from rvsim.devices.kinds.air_conditioner import WATER_J_PER_G, AirConditionerSettings
from rvsim.devices.kinds.air_furnace import PROPANE_MJ_PER_KG, AirFurnaceSettings
from rvsim.devices.kinds.ambient import AmbientSettings
from rvsim.devices.kinds.charger import ChargerSettings
from rvsim.devices.kinds.inverter import InverterSettings
from rvsim.devices.kinds.roof_fan import RoofFanSettings
from rvsim.devices.kinds.solar_controller import SolarSettings
from rvsim.devices.kinds.water_heater import WaterHeaterSettings
from rvsim.devices.kinds.water_pump import WaterPumpSettings
from rvsim.rig.load import load_rig

BTU_J, GALLON_L, POUND_KG = 1055.056, 3.785411784, 0.45359237


def test_appliances_on_the_mains():
    """A generator maker's manual, 120 V: air conditioner 1400 to 2400 W, 9 to 20 A; converter 500 to 1000 W, 4 to 8 A;
    water heater 1000 to 1500 W, 8 to 13 A."""
    unit, charger, heater = AirConditionerSettings(), ChargerSettings(), WaterHeaterSettings()
    converter_w = charger.full_amps * 14.4 / (charger.efficiency_percent / 100)
    for watts, (least_w, most_w), (least_a, most_a) in (
        (unit.compressor_w + unit.fan_w, (1400, 2400), (9, 20)),
        (converter_w, (500, 1000), (4, 8)),
        (heater.element_w, (1000, 1500), (8, 13)),
    ):
        assert least_w < watts < most_w
        assert least_a < watts / 120 < most_a


@pytest.mark.parametrize(("rig", "name"), [("ottersby", "charger"), ("quillhaven", "shore charger")])
def test_chargers_fit_their_batteries(rig, name):
    """Two battery makers' notes on AGM: 10 to 30 % of the capacity."""
    loaded = load_rig(rig)
    device = next(device for device in loaded.devices if device.name == name)
    amps = dict(device.settings or {}).get("full_amps", ChargerSettings().full_amps)
    assert 10 <= 100 * amps / loaded.vehicle.battery.capacity_ah <= 30


def test_inverters_without_load():
    """Measured on three types: 1.46 of 60, 5.2 of 400, 11.8 of 700 W, so 1.3 to 2.4 % of their rating."""
    inverter = InverterSettings()
    assert 11.8 / 700 * 0.75 < inverter.no_load_w / inverter.rated_w < 1.46 / 60
    for alarm, stop in ((10.7, 10.0), (10.5, 9.5)):  # two more makers' manuals
        assert InverterSettings(alarm_volts=alarm, stop_volts=stop).stop_volts == stop


def test_controllers_and_fans():
    """A controller: 92 to 95 % by a maker, to 98 by a seller. A 14 inch fan: 2 to 5 A, lowest 0.1 to 0.3 A.

    The fan's lowest speed by itself is a fifth of full.
    """
    assert 92 <= SolarSettings().efficiency_percent <= 98
    fan = RoofFanSettings()
    assert 2 <= fan.full_amps <= 5
    assert 0.05 < fan.full_amps * 0.2**3 + fan.electronics_amps < 0.3
    assert fan.dome_m2 == pytest.approx((14 * 0.0254) ** 2, rel=0.01)


def test_condensate_of_a_gallon():
    """8830 Btu a US gallon (a formula collection's worked example): 3 gallons an hour are 26490 Btu/h."""
    by_gallon = WATER_J_PER_G * GALLON_L * 1000 / BTU_J
    assert 3 * by_gallon == pytest.approx(26_490, rel=0.005)


def test_sensors():
    """Four makers' data sheets: a glass bead 12 s at most; a disk 3.5 mW/K, a bead 2."""
    sensor = AmbientSettings()
    assert sensor.bead_s <= 12
    assert 2 <= sensor.mw_per_k <= 3.5 * 1.2


def test_pump_and_its_switch():
    """Off at 2.4 to 3.8 bar, 0.7 to 1.0 bar above on (1.1 within rounding); 11 l/min; 3 to 8 A."""
    pump = WaterPumpSettings()
    assert 2.4 <= pump.off_bar <= 3.8
    assert 0.7 <= pump.off_bar - pump.on_bar <= 1.15
    assert (pump.litres_per_min, pump.low_amps, pump.high_amps) == (11, 3, 8)


def test_gas_furnaces():
    """Blower 8 to 9 A at 12 V; of 95 W a night of 10 h at 35 % takes 333 Wh. Propane gross 50.01 MJ/kg by one table,
    21591 Btu/lb by the other that is used."""
    amps = AirFurnaceSettings(fuel="gas").filled("burner_amps")
    assert 8 <= amps <= 9
    assert amps * 12 * 0.35 * 10 == pytest.approx(333, rel=0.015)
    assert pytest.approx(21_591 * BTU_J / POUND_KG / 1e6, rel=1e-3) == PROPANE_MJ_PER_KG
    assert pytest.approx(50.01, rel=0.005) == PROPANE_MJ_PER_KG
