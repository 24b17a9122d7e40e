"""The night of a rig by plan, just inside and just outside each limit, and against the physics."""

from math import log
from textwrap import dedent

import pytest

from rvsim.errors import InputError
from rvsim.plan.answer import Check, Judgement, flags_of
from rvsim.plan.endurance import check_endurance, simulate_night
from rvsim.plan.report import PlanInput
from rvsim.rig.endurance import EndurancePlan
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity
from rvsim.world.freezing import hours_to_zero

HEATER = """
[[device]]
name = "heater"
kind = "heater"
address = 0x5E
functions = { furnace = 1, water_heater = 1 }
"""
NIGHT = """
[cabin]
volume_m3 = 11.0
heat_loss_w_per_k = 35.0
[coolant]
burner_w = 5000.0
glycol_percent = 40.0
[fuel]
litres = 60.0
grade = "F"
[battery]
chemistry = "lfp"
capacity_ah = 200.0
[endurance]
night_c = -12.0
"""


def replaced(**values):
    """The night with other figures, by their keys."""
    lines = [line.split(" = ") for line in NIGHT.strip().splitlines()]
    return "".join(f"{key} = {values.get(key, ' = '.join(rest))}\n" if rest else f"{key}\n" for key, *rest in lines)


@pytest.fixture
def ask(plans):
    """Ask one answer of the night of such a rig."""

    def answer(key, text=NIGHT, device=HEATER):
        answers = check_endurance(plans.given(text, device=device)).answers
        (found,) = [one for one in answers if one.key == key]
        return found

    return answer


def fan_amps(need, coolant_c, full=6.0):
    """The fan's current: hoses give 3 W/K to the cabin, the exchanger 110 W/K x speed^0.8 at 0.15 L/s."""
    flow = 0.15 * 1025.3 * 3.77
    w_per_k = need / (coolant_c - 18) - 3
    speed = (-flow * log(1 - w_per_k / flow) / 110) ** (1 / 0.8)
    return full * speed**3


def test_a_night_at_part_load_by_hand(ask):
    """100 W/K: 3111 W, always burning; coolant at 75 C less 15 K x 62 %, burner between 1.5 A and 2.5 A, one start."""
    need = (100 + 0.336 * 11) * 30
    coolant_c = 75 - 15 * need / 5000
    burner = 1.5 + (need - 1500) / 3500
    charge = ask("battery.house.night_ah", replaced(heat_loss_w_per_k=100.0))
    glow = (75 * 20 + 135 * 1.3) / 3600
    assert charge.value == pytest.approx(12 * (1.1 + burner + fan_amps(need, coolant_c)) + glow, rel=1e-5)


def test_an_air_furnace_by_hand(ask):
    """Diesel, 850 to 1800 W at 86 %: half of its lowest output is 6 starts an hour, as a room thermostat has them."""
    device = '[[device]]\nname = "blower"\nkind = "air_furnace"\naddress = 0x5F\nfunctions = { furnace = 1 }\n'
    loss = 425 / 30 - 0.336 * 11
    text = replaced(heat_loss_w_per_k=loss)
    assert ask("night.fuel", text, device).value == pytest.approx(0.425 * 12 / (0.86 * 35.81 / 3.6))
    start = (45 * 20 + 245 * 1.3) / 3600
    charge = ask("battery.house.night_ah", text, device)
    assert charge.value == pytest.approx(12 * (0.1 + 1.25 / 2) + 72 * start)


def test_what_runs_at_night_besides(ask):
    """A pump at its highest while there is heat, a fridge by the air around it, an inverter without load, a keypad."""
    others = """
    [[device]]
    name = "pump"
    kind = "circulation_pump"
    address = 0x95
    functions = { circulation_pump = 1 }
    amps = { circulation_pump = [0.02, 1.52] }
    [[device]]
    name = "fridge"
    kind = "fridge"
    address = 0x6B
    functions = { refrigerator = 1 }
    settings = { compressor_w = 48.0, duty_percent = 40.0, set_c = 5.0, electronics_amps = 0.03 }
    [[device]]
    name = "inverter"
    kind = "inverter"
    address = 0x42
    functions = { inverter = 1 }
    settings = { no_load_w = 24.0 }
    [[device]]
    name = "keypad"
    kind = "keypad"
    address = 0x9C
    functions = { dc_input = 31 }
    [[device]]
    name = "lights"
    kind = "own"
    address = 0x83
    functions = { dc_dimmer = 1 }
    settings = { amps = { field = "DC_DIMMER_STATUS_3.operating_status", factor = 0.02, offset = 0.01 } }
    [[device]]
    name = "radio"
    kind = "own"
    address = 0x84
    functions = { dc_dimmer = 2 }
    settings = { amps = 0.5 }
    [[device]]
    name = "charger"
    kind = "charger"
    address = 0x4A
    functions = { charger = 1 }
    """
    alone = ask("battery.house.night_ah")
    together = ask("battery.house.night_ah", NIGHT, HEATER + dedent(others))
    amps = 1.52 + 48 * 0.4 * (18 - 5) / (25 - 5) / 12 + 0.03 + 24 / 12 + 0.02 + 0.01 + 0.5
    assert together.value == pytest.approx(alone.value + 12 * amps)
    sensing = dedent(others).replace("no_load_w = 24.0", "load_sense = true, sense_w = 1.2")
    assert ask("battery.house.night_ah", NIGHT, HEATER + sensing).value == pytest.approx(
        together.value + 12 * (1.2 - 24) / 12
    )
    warm = ask("battery.house.night_ah", replaced(night_c=18.0), HEATER + dedent(others))
    assert "pump 0.02 A at rest" in warm.formula


def test_people_warm_their_zone(ask):
    """Two people at rest give 180 W below 20 C; without the table they are not counted."""
    with_people = ask("device.heater.night_heat", NIGHT + "[people]\ncount = 2\n")
    assert with_people.value == pytest.approx(1160.88 - 180)
    assert with_people.formula == "cabin 981 W, after 180 W of its people = 981 W"


def test_a_night_by_hand(ask):
    """35 W/K and 11 m3/h of air at 30 K: 1161 W, 13.9 kWh, 1.65 L; the burner's share and its starts give the Ah."""
    assert ask("night.heat_loss").value == pytest.approx((35 + 0.336 * 11) * 30)
    fuel = ask("night.fuel")
    assert fuel.value == pytest.approx(1.16088 * 12 / (0.85 * 35.81 / 3.6))
    assert "0.137 L/h" in fuel.formula
    charge = ask("battery.house.night_ah")
    # the lowest output is 1500 W: it burns 77 %, its coolant swings by 25 K: 10 L, 1025.3 kg/m3, 3.77 kJ/(kg K)
    joule = 10 * 1.0253 * 3770 * 25
    starts = 12 * 3600 / (60 + joule / (1500 - 1160.88) + joule / 1160.88)
    glow = (75 * 20 + 135 * 1.3) / 3600
    steady = 0.1 + 1.0 + 1.5 * 1160.88 / 1500 + fan_amps(1160.88, 72.5)
    assert charge.value == pytest.approx(12 * steady + starts * glow, rel=1e-5)
    assert "starts" in charge.formula


@pytest.mark.parametrize(
    ("key", "inside", "outside", "severity"),
    [
        ("device.heater.night_heat", {"burner_w": 1161.0}, {"burner_w": 1160.0}, Severity.WARNING),
        ("night.fuel", {"litres": 1.65}, {"litres": 1.64}, Severity.WARNING),
        ("coolant.freeze", {"night_c": -20.6}, {"night_c": -20.7}, Severity.WARNING),
        ("fuel.cold", {"grade": '"D"', "night_c": -6.0}, {"grade": '"D"', "night_c": -6.1}, Severity.NOTICE),
        ("fuel.cold", {"night_c": -16.0}, {"grade": '"D"', "night_c": -10.1}, Severity.WARNING),
    ],
)
def test_just_inside_and_just_outside(ask, key, inside, outside, severity):
    """The figure at the limit is good, the next one is told with what to do."""
    good, wrong = ask(key, replaced(**inside)), ask(key, replaced(**outside))
    assert good.judgement is Judgement.GOOD
    assert (wrong.judgement, wrong.severity) == (Judgement.FLAGGED, severity)
    assert wrong.text
    assert wrong.advice
    assert wrong.check is Check.ENDURANCE


def test_a_class_of_fuel_at_its_own_point_is_only_a_notice(ask):
    """Within the 4 K by which laboratories differ nothing is proven either way."""
    assert ask("fuel.cold", replaced(grade='"D"', night_c=-10.0)).severity is Severity.NOTICE


def test_the_charge_lasts_or_not(ask):
    """80 % are usable, of them at 18 C what a pack gives on the line from 80 % at 0 C to all at 25 C."""
    used = ask("battery.house.night_ah").value
    share = 0.8 * (0.8 + 0.2 * 18 / 25)
    good = ask("battery.house.night_ah", replaced(capacity_ah=used / share + 0.01))
    wrong = ask("battery.house.night_ah", replaced(capacity_ah=used / share - 0.01))
    assert "x 94 % at 18 C" in good.limit
    empty = ask("battery.house.night_ah", replaced(capacity_ah=used - 0.01))
    assert [one.judgement for one in (good, wrong, empty)] == [Judgement.GOOD, Judgement.FLAGGED, Judgement.FLAGGED]
    assert [wrong.severity, empty.severity] == [Severity.WARNING, Severity.FAULT]


def test_the_usable_share_is_what_the_rig_says(ask):
    """A rig that uses all of its charge says so, and the rule tells it."""
    answer = ask("battery.house.night_ah", NIGHT + "[rules]\nusable_percent = 100.0\n")
    assert "200 Ah x 100 %" in answer.limit
    assert "given by the rig" in answer.rule.origin


def test_a_lead_acid_battery_pays_for_a_high_current(ask):
    """Above the 20 hour current Peukert's law counts."""
    text = replaced(chemistry='"agm"', capacity_ah=40.0)
    answer = ask("battery.house.night_ah", text)
    plain = ask("battery.house.night_ah", replaced(chemistry='"agm"', capacity_ah=400.0)).value
    assert answer.value == pytest.approx(plain * (plain / 12 / 2.0) ** 0.1)


def test_water_outside_freezes_in_its_time(ask):
    """60 L of 10 C in air of -12 C with 3 W/K are at 0 C after 14.1 h: a night of 14 h is good, one of 14.2 h not."""
    tank = '[fresh_tank]\nlitres = 60.0\nzone = "outdoors"\nloss_w_per_k = 3.0\n'
    assert hours_to_zero(60, 3, 10, -12) == pytest.approx(14.1, abs=0.05)
    good, wrong = (ask("tank.fresh.freeze", f"{NIGHT}night_hours = {hours}\n{tank}") for hours in (14.0, 14.2))
    assert (good.judgement, wrong.judgement) == (Judgement.GOOD, Judgement.FLAGGED)
    half = ask("tank.fresh.freeze", f"{NIGHT}{tank}start_percent = 50.0\n")
    assert half.value == pytest.approx(good.value / 2)
    missing = ask("tank.fresh.freeze", NIGHT + '[fresh_tank]\nzone = "outdoors"\n')
    assert "litres of the fresh tank" in missing.text


def test_a_zone_that_nobody_heats_is_between_its_neighbours(ask):
    """Its loss of 12 W/K and 5 m3/h of air against 80 m3/h from the cabin: the balance by hand."""
    garage = """
    [[zone]]
    name = "garage"
    volume_m3 = 5.0
    heat_loss_w_per_k = 12.0
    exchange = { cabin = 80.0 }
    [fresh_tank]
    zone = "garage"
    """
    out, link = 12 + 0.336 * 5, 0.336 * 80
    expected = (link * 18 - out * 12) / (out + link)
    assert ask("tank.fresh.freeze", NIGHT + garage).value == pytest.approx(expected)
    loss = (35 + 0.336 * 11) * 30 + out * (expected + 12)
    assert ask("device.heater.night_heat", NIGHT + garage).value == pytest.approx(loss)


@pytest.mark.parametrize(("night_c", "judgement"), [(0.0, Judgement.GOOD), (-0.1, Judgement.FLAGGED)])
def test_lithium_is_not_charged_below_zero(ask, plans, night_c, judgement):
    """A lithium battery outside, and the caution once."""
    text = replaced(night_c=night_c).replace("[battery]", '[battery]\nzone = "outdoors"')
    assert ask("battery.house.charge_cold", text).judgement is judgement
    cautions = check_endurance(plans.given(text, device=HEATER)).cautions
    assert sum("Lithium" in caution for caution in cautions) == 1
    assert sum("CO or gas alarm" in caution for caution in cautions) == 1


@pytest.mark.parametrize(
    ("gas", "night_c", "judgement"),
    [("propane", -40.0, Judgement.GOOD), ("butane", 2.5, Judgement.GOOD), ("butane", 1.0, Judgement.FLAGGED)],
)
def test_liquid_gas_in_the_cold(ask, gas, night_c, judgement):
    """A caravan manual: propane to -40 C, butane not below 2 C."""
    tank = f'[[tank]]\nname = "bottle"\ncontent = "lpg"\ngas = "{gas}"\nzone = "outdoors"\n'
    answer = ask("tank.bottle.gas", replaced(night_c=night_c) + tank)
    assert answer.judgement is judgement
    assert -20 < answer.value < 30  # kPa above the air


def test_a_gas_furnace_burns_from_its_bottle(ask):
    """1161 W at 78 % out of 45.99 MJ/kg and 0.508 kg/l: 2.75 L."""
    device = """
    [[device]]
    name = "furnace"
    kind = "air_furnace"
    address = 0x5E
    functions = { furnace = 1 }
    settings = { fuel = "gas", gas_tank = "bottle" }
    """
    for litres, judgement in ((2.8, Judgement.GOOD), (2.7, Judgement.FLAGGED)):
        tank = f'[[tank]]\nname = "bottle"\ncontent = "lpg"\nlitres = {litres}\nzone = "outdoors"\n'
        answer = ask("tank.bottle.night_gas", NIGHT + tank, device)
        assert answer.judgement is judgement
        assert answer.value == pytest.approx(2.75, abs=0.02)
    unknown = ask("night.gas", NIGHT, device.replace(', gas_tank = "bottle"', ""))
    assert unknown.judgement is Judgement.UNCHECKED


@pytest.mark.parametrize(
    ("removed", "key", "named"),
    [
        ("night_c = -12.0", "night.heat_loss", "night_c of [endurance]"),
        ("volume_m3 = 11.0", "night.heat_loss", "volume_m3 of [cabin]"),
        ("heat_loss_w_per_k = 35.0", "night.heat_loss", "heat_loss_w_per_k or walls of [cabin]"),
        ("burner_w = 5000.0", "night.fuel", "burner_w of [coolant]"),
        ("litres = 60.0", "night.fuel", "litres of [fuel]"),
        ('grade = "F"', "fuel.cold", "grade of [fuel]"),
        ("capacity_ah = 200.0", "battery.house.night_ah", "capacity_ah of battery house"),
    ],
)
def test_nothing_is_assumed(ask, removed, key, named):
    """A figure that the rig leaves out is named, and the question stays open."""
    answer = ask(key, NIGHT.replace(removed, ""))
    assert answer.judgement is Judgement.UNCHECKED
    assert named in answer.text


def test_a_rig_without_heater_or_battery_says_so(ask):
    """Neither is taken for granted; a heater of which only the function is known has no fuel by hand."""
    panel = '[[device]]\nname = "panel"\nkind = "panel"\naddress = 0x44\nfunctions = { control_panel = 1 }\n'
    assert "furnace" in ask("night.heat_loss", NIGHT, panel).text
    assert "amps of device panel" in ask("battery.house.night_ah", NIGHT, panel).text
    real = '[[device]]\nname = "boiler"\naddress = 0x5E\nfunctions = { furnace = 1 }\n'
    assert "kind of device boiler" in ask("night.fuel", NIGHT, real).text
    no_battery = NIGHT.replace('[battery]\nchemistry = "lfp"\ncapacity_ah = 200.0\n', "")
    assert "capacity_ah of [battery]" in ask("battery.night_ah", no_battery).text


def test_outputs_count_by_their_duty(ask):
    """A lamp of 2 A that is on a quarter of the time: 6 Ah in 12 h; without its duty the sum is open."""
    module = '[[module]]\nname = "box"\n[[output]]\nname = "lamp"\nmodule = "box"\nterminal = 1\namps = 2.0\n'
    plain = ask("battery.house.night_ah").value
    lamp = ask("battery.house.night_ah", f"{NIGHT}{module}duty_percent = 25.0\n")
    assert lamp.value == pytest.approx(plain + 6)
    assert "duty_percent of output lamp" in ask("battery.house.night_ah", NIGHT + module).text


@pytest.mark.parametrize(
    ("name", "night_c"), [("ottersby", -15.0), ("ottersby", 5.0), ("quillhaven", -10.0), ("quillhaven", 8.0)]
)
def test_by_hand_against_the_simulated_night(catalogue, name, night_c):
    """Fuel and ampere-hours within 10 %, at full burn and where burners go on and off."""
    rig = load_rig(name, for_plan=True).model_copy(update={"endurance": EndurancePlan(night_c=night_c, night_hours=6)})
    answers = check_endurance(PlanInput(rig, catalogue, simulate_night=True)).answers
    found = {one.key: one for one in answers}
    assert found["night.simulated_fuel"].judgement is Judgement.GOOD
    assert found["night.simulated_ah"].judgement is Judgement.GOOD
    assert "simulated" in found["night.simulated_ah"].formula


def test_the_simulated_night_keeps_its_zones(plans):
    """The cabin stays at its temperature, and a bay that nobody heats comes to that of the balance by hand."""
    given = plans.given(NIGHT + "night_hours = 3.0\n", device=HEATER)
    night = simulate_night(given)
    assert night is not None
    assert night.coldest_c["cabin"] == pytest.approx(18, abs=0.5)
    assert night.starts["heater"] >= 1
    assert simulate_night(plans.given("", device=HEATER)) is None


def test_two_heaters_of_one_zone_and_one_without_heat(plans):
    """The first one serves it, the other rests; a burner of 0 W keeps nothing warm, by hand or simulated."""
    furnaces = "".join(
        f'[[device]]\nname = "furnace {n}"\nkind = "air_furnace"\naddress = {n}\nfunctions = {{ furnace = {n} }}\n'
        for n in (1, 2)
    )
    text = NIGHT + "night_hours = 2.0\n"
    given = plans.given(text, device=furnaces)
    values = {one.key: one.value for one in check_endurance(given).answers}
    formulas = {one.key: one.formula for one in check_endurance(given).answers}
    assert formulas["device.furnace_2.night_heat"] == "no zone = 0 W"
    assert values["device.furnace_1.night_heat"] == pytest.approx(1160.88)
    assert values["device.furnace_2.night_heat"] == 0
    night = simulate_night(given)
    assert night is not None
    assert set(night.litres) == {"furnace 1"}
    cold = plans.given(replaced(burner_w=0.0) + "night_hours = 2.0\n", device=HEATER)
    found = {one.key: one for one in check_endurance(cold).answers}
    assert found["device.heater.night_heat"].judgement is Judgement.FLAGGED
    night = simulate_night(cold)
    assert night is not None
    assert night.coldest_c["cabin"] < 10


def test_what_is_wrong_is_a_flag_of_the_endurance(ask):
    """A night without fuel is raised under its own kind."""
    (flag,) = flags_of([ask("night.fuel", replaced(litres=1.0))])
    assert flag.kind == "rig-endurance"
    assert "1.6 L" in flag.text


def test_keys_are_unique_and_nothing_is_flagged_without_a_forecast(catalogue):
    """The shipped rigs have no forecast: each question stays open once."""
    for name in ("brackenlow", "ottersby", "quillhaven"):
        answers = check_endurance(PlanInput(load_rig(name, for_plan=True), catalogue)).answers
        assert len({one.key for one in answers}) == len(answers)
        assert not any(one.is_flagged for one in answers)


def test_settings_that_do_not_fit_are_one_line(ask):
    """A rig that was read without the kinds: the device, the setting and where the right ones are listed."""
    with pytest.raises(InputError, match=r'^device "heater", settings, pump_amp: .*--keys heater'):
        ask("night.fuel", NIGHT, HEATER + "settings = { pump_amp = 1.0 }\n")


def test_fresh_air_by_the_roof_fan_of_a_panel(ask, plans):
    """A simulated panel always runs it at a tenth: 20 of 200 L/s are 72 m3/h; one that no panel commands rests."""
    fan = """
    [[device]]
    name = "fan"
    kind = "roof_fan"
    address = 0x90
    functions = { roof_fan = 1 }
    settings = { full_flow_litres_per_s = 200.0 }
    """
    panel = """
    [[device]]
    name = "panel"
    kind = "panel"
    address = 0x44
    functions = { control_panel = 1 }
    amps = { control_panel = [0.3, 0.3] }
    """
    devices = HEATER + dedent(fan)
    loss = ask("night.heat_loss", NIGHT, devices + dedent(panel))
    assert loss.value == pytest.approx((35 + 0.336 * (11 + 72)) * 30)
    assert "20 l/s by the roof fan" in loss.formula
    assert ask("night.heat_loss", NIGHT, devices).value == pytest.approx(1160.88)
    other = dedent(panel) + "[device.settings]\nroof_fan = 2\n"
    assert ask("night.heat_loss", NIGHT, devices + other).value == pytest.approx(1160.88)
    text = NIGHT + "night_hours = 2.0\n"
    with_fan, without = (simulate_night(plans.given(text, device=one)) for one in (devices + dedent(panel), devices))
    assert with_fan is not None
    assert without is not None
    assert with_fan.litres["heater"] > 1.4 * without.litres["heater"]


def test_how_fast_a_heater_warms(ask, plans):
    """By one heat capacity: the slope of the air at first, and the time for all of it; not without the figure."""
    capacity = NIGHT.replace("[coolant]", "heat_capacity_j_per_k = 600000.0\nair_capacity_percent = 20.0\n[coolant]")
    found = ask("device.heater.warm_up", capacity)
    need = ask("device.heater.night_heat", capacity).value
    kelvin = 12 + EndurancePlan().inside_c
    assert found.value == pytest.approx(600_000 * kelvin / need * log(5000 / (5000 - need)) / 60)
    assert "at first 5000 W / 120 kJ/K of the air and what follows it = 2.50 K/min" in found.formula
    assert (found.unit, found.judgement) == ("min", Judgement.GOOD)
    for text in (NIGHT, capacity.replace("burner_w = 5000.0", f"burner_w = {need - 1:.0f}.0")):
        keys = [one.key for one in check_endurance(plans.given(text, device=HEATER)).answers]
        assert "device.heater.warm_up" not in keys
