"""One zone by itself: its conductances, its air, its moisture."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.climate import CabinPlan, WeatherPlan
from rvsim.world.infiltration import litres_per_s
from rvsim.world.moist_air import SEA_LEVEL_PA, saturation_ratio
from rvsim.world.weather import Conditions, Weather
from rvsim.world.zone import MOISTURE_S, Zone

WATT_PER_BTU_H = 0.29307107
LITRE_S_PER_CFM = 0.47194745
M3_PER_FT3 = 0.028316847
KELVIN_PER_F = 5 / 9


def zone(density: float = 1.0, **figures: Any) -> Zone:
    """A zone at sea level, its flows computed at 20 C inside, 0 C outside and without wind."""
    one = Zone("cabin", CabinPlan.model_validate(figures), SEA_LEVEL_PA * density, density)
    one.update_flows(20.0, 0.0, 0.0)
    return one


def closed(**figures: Any) -> Zone:
    """A zone with the least wall loss and no leaks, so that vents stand out."""
    return zone(**{"heat_loss_w_per_k": 1.0, "air_changes_per_hour": 0.0, "air_changes_by_wind": 0.0} | figures)


def weather(**figures: Any) -> Conditions:
    """The conditions of one moment."""
    return Weather(WeatherPlan.model_validate(figures)).conditions(0)


def steady_loss(one: Zone) -> float:
    """Conductance from the air to the outside in the end, by the lining and past it."""
    by_lining = 1 / (1 / one.air_to_lining + 1 / one.lining_to_outdoor) if one.lining_to_outdoor else 0.0
    return one.air_to_outdoor + by_lining


def vented(one: Zone, cfm: float) -> float:
    """The conductance that so much air adds."""
    before = one.air_to_outdoor
    one.set_vent("fan", cfm * LITRE_S_PER_CFM, 60.0)
    one.update_flows(20.0, 0.0, 0.0)
    return one.air_to_outdoor - before


# Walls


def test_a_rig_of_one_figure_means_what_it_meant() -> None:
    """35 W/K and 400 kJ/K are split in air and lining; together they are still 35 W/K and 400 kJ/K."""
    one = zone(air_changes_per_hour=0.0)
    assert steady_loss(one) == pytest.approx(35.0)
    assert one.air_j_per_k + one.lining_j_per_k == 400_000.0
    assert one.air_j_per_k == pytest.approx(9 * 11 * 1.204 * 1006, rel=0.01)  # nine times the air itself
    assert one.air_to_lining == pytest.approx(33 / 0.13, rel=0.01)


@given(loss=st.floats(1, 1000), volume=st.floats(1, 100))
def test_any_heat_loss_is_kept(loss: float, volume: float) -> None:
    """Also more than walls of this size can lose: the rest passes by the lining."""
    one = zone(heat_loss_w_per_k=loss, volume_m3=volume, air_changes_per_hour=0.0)
    assert steady_loss(one) == pytest.approx(loss, rel=1e-9)
    assert min(one.lining_to_outdoor, one.air_to_outdoor) >= 0


def test_walls_with_ribs() -> None:
    """40 m2 x 1.2 and 25 m of rib x 0.10 W/(m K) lose 50.5 W/K, 2.5 of them by the ribs."""
    walls = [{"area_m2": 40.0, "u_w_per_m2_k": 1.2}]
    with_ribs = zone(walls=walls, ribs_m=25.0, air_changes_per_hour=0.0)
    assert steady_loss(with_ribs) == pytest.approx(50.5)
    assert steady_loss(with_ribs) - steady_loss(zone(walls=walls, air_changes_per_hour=0.0)) == pytest.approx(2.5)


def test_glass_is_part_of_the_one_figure_and_added_to_walls() -> None:
    """2 m2 of 5.4 W/(m2 K): within 35 W/K they pass by the lining, beside walls they come on top."""
    pane = {"area_m2": 2.0, "u_w_per_m2_k": 5.4}
    assert steady_loss(zone(glass=[pane], air_changes_per_hour=0.0)) == pytest.approx(35.0)
    assert zone(glass=[pane], air_changes_per_hour=0.0).air_to_outdoor == pytest.approx(10.8)
    walls = [{"area_m2": 30.0, "u_w_per_m2_k": 1.0}]
    assert steady_loss(zone(glass=[pane], walls=walls, air_changes_per_hour=0.0)) == pytest.approx(40.8)


# Air


def test_ventilation_by_the_ashrae_factor() -> None:
    """100 CFM across 40 F carry 4320 Btu/h: ASHRAE Handbook Fundamentals, standard air, factor 1.08."""
    btu_h = vented(closed(), 100) * 40 * KELVIN_PER_F / WATT_PER_BTU_H
    assert btu_h == pytest.approx(4320, rel=0.0005)


def test_ventilation_beside_the_statutory_factor() -> None:
    """100 L/s across 20 K carry 2.46 kW by a regulation (Quebec E-1.1 r.1 s.137) for moist air; dry air 2 % less."""
    assert vented(closed(), 100 / LITRE_S_PER_CFM) * 20 / 1000 == pytest.approx(2.46, rel=0.02)


def test_thin_air_carries_less() -> None:
    """At 89 % of the pressure the same flow carries 89 % of the heat."""
    thin = zone(density=0.89, heat_loss_w_per_k=1.0, air_changes_per_hour=0.0)
    assert vented(thin, 100) == pytest.approx(0.89 * vented(closed(), 100))


def test_leaks_and_wind() -> None:
    """One change an hour of 400 cubic feet across 50 F costs 360 Btu/h; 4 m/s of wind add 0.4 changes.

    The first is 0.018 x ACH x V x dT (a heating course), the second the default of a rig.
    """
    one = zone(volume_m3=400 * M3_PER_FT3, heat_loss_w_per_k=1.0, air_changes_per_hour=1.0)
    calm = one.air_w_per_k(one.outdoor_litres_per_s)
    assert calm * 50 * KELVIN_PER_F / WATT_PER_BTU_H == pytest.approx(360, rel=0.001)
    assert one.update_flows(20.0, 0.0, 4.0)
    assert one.air_w_per_k(one.outdoor_litres_per_s) == pytest.approx(1.4 * calm)


def test_flow_of_air_changes() -> None:
    """3.6 m3 changed twice an hour are 7200 litres in 3600 seconds."""
    assert litres_per_s(3.6, 2.0) == pytest.approx(2.0)


def test_vents_add_up_and_end() -> None:
    """Two vents count together, a new figure replaces the old one, and 0 ends a vent."""
    one = closed()
    steps = [
        ("front", 10.0, 10.0),
        ("rear", 30.0, 40.0),
        ("rear", 10.0, 20.0),
        ("rear", 0.0, 10.0),
        ("front", 0.0, 0.0),
    ]
    for owner, flow, together in steps:
        assert one.set_vent(owner, flow, 60.0)
        assert not one.set_vent(owner, flow, 60.0)
        one.update_flows(20.0, 0.0, 0.0)
        assert one.outdoor_litres_per_s == one.vent_litres_per_s == together


def test_a_narrow_inlet_limits_a_fan() -> None:
    """60 Pa draw 0.61 x 0.05 x sqrt(2 x 60 / 1.2) = 305 L/s through 0.05 m2; an open window of 0.05 m2 doubles it."""
    one = closed(inlet_m2=0.05)
    one.set_vent("fan", 700.0, 60.0)
    one.update_flows(20.0, 0.0, 0.0)
    assert one.vent_litres_per_s == pytest.approx(305.0)
    one.set_opening("window", 0.05)
    one.update_flows(20.0, 0.0, 0.0)
    assert one.vent_litres_per_s == pytest.approx(610.0)
    one.set_vent("fan", 700.0, 15.0)  # half speed: a quarter of the pressure
    one.update_flows(20.0, 0.0, 0.0)
    assert one.vent_litres_per_s == pytest.approx(305.0)
    one.set_vent("fan", 100.0, 15.0)
    one.update_flows(20.0, 0.0, 0.0)
    assert one.vent_litres_per_s == 100.0


def test_an_opening_lets_warm_air_out() -> None:
    """By hand: halves of 0.1 m2, 0.25 m apart from the middle, 20 K: 0.65 x 0.05 x sqrt(2 g 0.25 x 20 / 293.15)."""
    one = closed(opening_height_m=0.5)
    one.set_opening("dome", 0.1)
    one.update_flows(20.0, 0.0, 0.0)
    assert one.outdoor_litres_per_s == pytest.approx(1000 * 0.65 * 0.05 * (2 * 9.80665 * 0.25 * 20 / 293.15) ** 0.5)
    one.update_flows(20.0, 20.0, 0.0)
    assert one.outdoor_litres_per_s == 0.0
    one.update_flows(20.0, 20.0, 4.0)  # wind alone: 0.025 A v
    assert one.outdoor_litres_per_s == pytest.approx(10.0)
    one.remove("dome")
    one.update_flows(20.0, 0.0, 4.0)
    assert (one.outdoor_litres_per_s, one.opening_m2) == (0.0, 0.0)


# People, devices, sun


def test_heats_add_up_and_may_cool() -> None:
    """A stove warms, an air conditioner cools, and each ends with 0."""
    one = closed()
    for owner, watts, together in [("stove", 160.0, 160.0), ("cooler", -900.0, -740.0), ("cooler", 0.0, 160.0)]:
        one.set_heat(owner, watts)
        assert one.heat_w == together
    one.remove("stove")
    assert one.heat_w == 0.0


def test_people_warm_less_where_it_is_warm() -> None:
    """Two people at rest: 180 W at 20 C, 130 W at 26 C (a textbook's table)."""
    one = closed()
    one.people = 2
    for celsius, watts in ((20.0, 180.0), (10.0, 180.0), (26.0, 130.0), (23.0, 155.0), (60.0, 20.0)):
        one.update_people(celsius)
        assert one.people_w == pytest.approx(watts)


def test_sun_through_glass() -> None:
    """A pane that faces the sun passes its g of the beam, and 30 % of what comes in warms the air at once."""
    noon = weather(start_hour=12.0, day_of_year=172, cloud_percent=0.0, latitude_deg=50.0)
    facing = {"tilt_deg": 90.0 - noon.elevation, "azimuth_deg": noon.azimuth}
    plain, glazed = (
        closed(absorptance=0.0),
        closed(absorptance=0.0, heat_loss_w_per_k=10.0, glass=[{"area_m2": 1.0, "g": 0.86, **facing}]),
    )
    assert not plain.update_sun(noon)
    assert glazed.update_sun(noon)
    beam, cosine, around = noon.on_plane(facing["tilt_deg"], facing["azimuth_deg"])
    assert (beam, cosine) == (pytest.approx(noon.power.beam), pytest.approx(1.0))
    total = 0.86 * beam + 0.8 * around * 0.86  # light from all sides passes as at 60 degrees
    assert glazed.sun_air_w + glazed.sun_lining_w == pytest.approx(total, rel=0.03)
    assert glazed.sun_air_w == pytest.approx(0.3 * (glazed.sun_air_w + glazed.sun_lining_w))
    assert glazed.update_sun(weather(start_hour=0.0))
    assert (glazed.sun_air_w, glazed.sun_lining_w) == (0.0, 0.0)


def test_a_dull_sky_through_glass() -> None:
    """Light from all sides passes glass as light at 60 degrees does, 0.75 of 0.86 (between 55 and 70 in its table)."""
    dull = weather(start_hour=12.0, day_of_year=172, cloud_percent=100.0)
    one = closed(absorptance=0.0, heat_loss_w_per_k=10.0, glass=[{"area_m2": 1.0, "g": 0.8, "tilt_deg": 0.0}])
    one.update_sun(dull)
    assert one.sun_air_w + one.sun_lining_w == pytest.approx(dull.power.sky * 0.8 * 0.75 / 0.86)


def test_sun_on_dark_and_white_walls() -> None:
    """A dark van takes up 0.9 / 0.25 of what a white one does, through its walls."""
    noon = weather(start_hour=12.0, day_of_year=172, cloud_percent=0.0)
    white, dark = zone(), zone(absorptance=0.9)
    white.update_sun(noon)
    dark.update_sun(noon)
    assert (white.sun_air_w, dark.sun_air_w) == (0.0, 0.0)
    assert 30 < white.sun_lining_w < 150
    assert dark.sun_lining_w / white.sun_lining_w == pytest.approx(3.6)


# Moisture


def let_pass(one: Zone, hours: float, air_c: float, outdoor: Conditions) -> None:
    """Let moisture move for so many hours."""
    for _ in range(round(hours * 3600 / MOISTURE_S)):
        one.ratio = one.step_moisture(air_c, outdoor, [])


def test_breath_and_leaks_balance() -> None:
    """Two people at 20 C give 73.5 g/h; 11 m3/h of dry air carry them away at 73.5 / 13.2 = 5.6 g/kg."""
    one = zone(volume_m3=11.0, air_changes_per_hour=1.0)
    one.people = 2
    dry = weather(outdoor_c=15.0, humidity_percent=0.0)
    let_pass(one, 12, 20.0, dry)
    assert one.ratio * 1000 == pytest.approx(73.5 / (11 * 1.2), rel=0.002)
    assert one.film_kg == 0.0
    assert one.dew_point_c() == pytest.approx(5.4, abs=0.3)
    assert one.humidity_percent(20.0) == pytest.approx(38, abs=1)


def test_a_cold_pane_collects_water_and_dries() -> None:
    """Steam condenses until the air is as moist as the pane is cold; nothing is lost between air and pane."""
    one = closed(heat_loss_w_per_k=10.0, glass=[{"area_m2": 1.5}], start_c=20.0, start_humidity_percent=90.0)
    air_kg = 11 * 1.2
    at_first = air_kg * one.ratio
    cold, still = weather(outdoor_c=-10.0), 20.0
    pane_c = 20 - 5.4 * 0.13 * 30
    let_pass(one, 6, still, cold)
    assert one.coldest_surface_c(20.0, -10.0) == pytest.approx(pane_c)
    assert one.ratio == pytest.approx(saturation_ratio(pane_c), rel=0.01)
    assert one.film_kg > 0.05
    assert one.film_kg + air_kg * one.ratio == pytest.approx(at_first, rel=1e-9)
    let_pass(one, 6, still, weather(outdoor_c=20.0))
    assert one.film_kg == pytest.approx(0.0, abs=1e-12)
    assert air_kg * one.ratio == pytest.approx(at_first, rel=1e-9)


def test_air_holds_no_more_than_it_can() -> None:
    """A boiling kettle in a closed zone: the air is saturated, and the rest is water."""
    one = closed(start_c=20.0)
    one.set_moisture("kettle", 2000.0)
    before = 13.2 * one.ratio
    let_pass(one, 1, 20.0, weather(outdoor_c=20.0))
    assert one.humidity_percent(20.0) == pytest.approx(100.0, abs=0.1)
    assert one.film_kg + 13.2 * one.ratio == pytest.approx(before + 2.0, rel=1e-6)
    one.remove("kettle")
    one.set_moisture("cooler", -20_000.0)  # takes out more than there is
    let_pass(one, 1, 20.0, weather(outdoor_c=20.0))
    assert one.ratio == 0.0
    assert one.dew_point_c() < -60


# What is refused


@pytest.mark.parametrize("bad", [-0.1, float("nan"), float("inf")])
def test_impossible_flows_are_refused(bad: float) -> None:
    """A negative or meaningless flow or area is refused by name, and what held before still holds."""
    one = closed()
    with pytest.raises(ValueError, match=r"roof fan moves .* litres of air a second: give 0 or more"):
        one.set_vent("roof fan", bad, 60.0)
    with pytest.raises(ValueError, match=r"the fan of roof fan makes .* Pa: give 0 or more"):
        one.set_vent("roof fan", 1.0, bad)
    with pytest.raises(ValueError, match=r"dome is open by .* m2: give 0 or more"):
        one.set_opening("dome", bad)
    assert not one.update_flows(20.0, 0.0, 0.0)


@pytest.mark.parametrize("watts", [float("nan"), float("inf"), float("-inf")])
def test_impossible_gains_are_refused(watts: float) -> None:
    """A heat or vapour that is not a number is refused by name, and what held before still holds."""
    one = closed()
    with pytest.raises(ValueError, match=r"stove warms the cabin with .* W: give a number"):
        one.set_heat("stove", watts)
    with pytest.raises(ValueError, match=r"kettle gives .* g of vapour an hour: give a number"):
        one.set_moisture("kettle", watts)
    assert one.heat_w == 0.0
