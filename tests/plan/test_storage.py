"""The storage of a rig and the way back to a full battery by plan, just inside and just outside each limit."""

import pytest

from rvsim.plan.answer import Judgement
from rvsim.plan.endurance import check_endurance
from rvsim.plan.storage import LEAD_FREEZES_C, hours_to_recover, storage_days
from rvsim.rig.electric import BatteryPlan
from rvsim.watch.flag import Severity

DEVICES = """
[[device]]
name = "router"
address = 0x80
branch = "living"
standing_milliamps = 480.0
amps = {}
[[device]]
name = "tracker"
address = 0x81
standing_milliamps = 20.0
"""
STORED = """
[[battery]]
name = "house"
capacity_ah = 100.0
[[branch]]
name = "main"
[[branch]]
name = "living"
parent = "main"
[endurance]
off_in_storage = ["main"]
"""
DRIVE = """
[[battery]]
name = "house"
capacity_ah = 100.0
[cabin]
volume_m3 = 11.0
heat_loss_w_per_k = 35.0
[endurance]
night_c = 5.0
night_hours = 10.0
"""
ENGINE = """
[[device]]
name = "booster"
kind = "dc_dc_charger"
address = 0x4C
functions = { charger = 2 }
settings = { full_amps = 20.0 }
[[device]]
name = "roof"
kind = "solar_controller"
address = 0x8D
functions = { solar_controller = 1 }
settings = { panel_w = 200.0 }
[[device]]
name = "fridge"
kind = "fridge"
address = 0x6B
functions = { refrigerator = 1 }
settings = { zone = "outdoors", compressor_w = 45.0, set_c = 5.0, electronics_amps = 3.0 }
[[device]]
name = "heater"
kind = "heater"
address = 0x5E
functions = { furnace = 1, water_heater = 1 }
settings = { glow_amps = 0.0, chamber_fan_amps = 0.0, pump_amps = 0.0, electronics_amps = 0.0, burner_amps = 0.0, low_burner_amps = 0.0, fan_amps = 0.0 }
"""  # noqa: E501 - an inline table has one line
BURNER = "[coolant]\nburner_w = 5000.0\n"


@pytest.fixture
def ask(plans):
    """Ask one answer of such a rig."""

    def answer(key, text, device=DEVICES):
        answers = check_endurance(plans.given(text, device=device)).answers
        (found,) = [one for one in answers if one.key == key]
        return found

    return answer


def test_the_days_of_a_published_example():
    """60 Ah last 50 days at 50 mA, and 5 days at half an ampere; 100 Ah 83 and 139 days at 50 and 30 mA."""
    assert [storage_days(60, amps) for amps in (0.05, 0.5)] == pytest.approx([50, 5])
    assert [storage_days(100, amps) for amps in (0.05, 0.03)] == pytest.approx([83.3, 138.9], abs=0.1)
    assert storage_days(60, 0) == float("inf")


def test_what_stays_on_decides_the_days(ask, plans):
    """Behind a branch that is off nothing counts: 50 Ah at 20 mA and 2.8 mA of self-discharge last 91.5 days.

    2 % of 100 Ah a month are 2.78 mA.
    """
    answer = ask("battery.house.storage_days", STORED)
    assert answer.value == pytest.approx(50 / (24 * (0.02 + 2 / 720)))
    assert answer.judgement is Judgement.GOOD
    (table,) = (one for one in check_endurance(plans.given(STORED, device=DEVICES)).tables if one.name == "storage")
    assert {row[0]: row[3] for row in table.rows} == {"router": "off", "tracker": "on"}
    on = ask("battery.house.storage_days", STORED.replace('off_in_storage = ["main"]', ""))
    assert on.value == pytest.approx(50 / (24 * (0.5 + 2 / 720)))


@pytest.mark.parametrize(("days", "judgement"), [(91.4, Judgement.GOOD), (91.5, Judgement.FLAGGED)])
def test_days_in_storage(ask, days, judgement):
    """91.46 days: one day figure within, one beyond."""
    answer = ask("battery.house.storage_days", f"{STORED}storage_days = {days}\n")
    assert answer.judgement is judgement
    assert bool(answer.advice) == (judgement is Judgement.FLAGGED)


def test_a_current_that_is_missing_matters_only_where_it_is_live(ask):
    """The key of a live device is named; that of a device behind an open branch is not asked for."""
    tracker = DEVICES.replace("standing_milliamps = 20.0", "")
    assert "standing_milliamps of device tracker" in ask("battery.house.storage_days", STORED, tracker).text
    router = DEVICES.replace("standing_milliamps = 480.0", "")
    assert ask("battery.house.storage_days", STORED, router).judgement is Judgement.GOOD
    neither = router.replace("standing_milliamps = 20.0", "")
    assert ask("storage.days", STORED, neither).judgement is Judgement.UNCHECKED


def test_a_branch_that_is_not_there_is_told(ask):
    """A name in off_in_storage that no branch has switches nothing off."""
    answer = ask("storage.off", STORED.replace('["main"]', '["mian"]'))
    assert answer.judgement is Judgement.UNCHECKED
    assert "mian" in answer.text
    assert "main" in answer.advice


@pytest.mark.parametrize(("celsius", "judgement"), [(-8.99, Judgement.GOOD), (-9.01, Judgement.FLAGGED)])
def test_a_discharged_lead_acid_battery_freezes(ask, celsius, judgement):
    """At 40 % it freezes at -9 C (battery pages): 60 Ah taken in 109.7 days by 22.8 mA."""
    days = 60 / (24 * (0.02 + 2 / 720))
    text = f"{STORED}storage_days = {days:.6f}\nstorage_c = {celsius}\n"
    assert ask("battery.house.frozen_in_storage", text).judgement is judgement
    assert [LEAD_FREEZES_C.at(share) for share in (0, 1)] == [-7, -59]


def test_a_charge_takes_longer_as_the_battery_fills():
    """Lithium of 100 Ah takes 20 A to the end: 40 Ah missing to 5 are 1.76 h; a lead-acid battery accepts ever less."""
    lithium = hours_to_recover(BatteryPlan(chemistry="lfp"), 40, 20, 25)
    assert lithium[0] == pytest.approx(35 / 0.995 / 20, abs=0.02)
    assert lithium[0] == lithium[1]
    lead = hours_to_recover(BatteryPlan(chemistry="agm"), 40, 20, 25)
    assert lead[0] > lead[1] > 0
    assert hours_to_recover(BatteryPlan(chemistry="lfp"), 40, 20, -1)[0] == float("inf")
    assert hours_to_recover(BatteryPlan(charge_efficiency_percent=50), 40, 20, 25)[0] > lead[0]
    assert hours_to_recover(BatteryPlan(), 4, 20, 25) == (0, 0)


def test_the_engine_gives_it_back_or_not(ask):
    """The fridge's 3 A at 5 C outside and 0.02 A of booster and controller are 30.2 Ah."""
    text = DRIVE + BURNER
    needed = ask("battery.house.drive_recovery", f"{DRIVE}drive_hours = 9.0\n{BURNER}", ENGINE)
    assert needed.judgement is Judgement.GOOD
    assert ask("battery.house.night_ah", text, ENGINE).value == pytest.approx(30.2)
    for hours, judgement in ((needed.value + 0.01, Judgement.GOOD), (needed.value - 0.01, Judgement.FLAGGED)):
        answer = ask("battery.house.drive_recovery", f"{DRIVE}drive_hours = {hours}\n{BURNER}", ENGINE)
        assert answer.judgement is judgement
    assert "drive_hours of [endurance]" in ask("battery.house.drive_recovery", text, ENGINE).text
    unrated = ENGINE.replace("settings = { full_amps = 20.0 }", "")
    missing = ask("battery.house.drive_recovery", f"{DRIVE}drive_hours = 9.0\n{BURNER}", unrated)
    assert "full_amps of device booster" in missing.text


@pytest.mark.parametrize(("hours", "judgement"), [(2.29, Judgement.GOOD), (2.28, Judgement.FLAGGED)])
def test_the_sun_gives_it_back_or_not(ask, hours, judgement):
    """200 W x 0.95 / 14.4 V = 13.2 A: 30.2 Ah take 2.289 hours of full sun."""
    answer = ask("battery.house.sun_recovery", f"{DRIVE}sun_hours = {hours}\n{BURNER}", ENGINE)
    assert answer.judgement is judgement
    assert answer.severity is Severity.WARNING
    shaded = ENGINE.replace("panel_w = 200.0", "panel_w = 200.0, shaded_percent = 50.0")
    half = ask("battery.house.sun_recovery", f"{DRIVE}sun_hours = {hours}\n{BURNER}", shaded)
    assert half.value == pytest.approx(answer.value / 2)
    driven = ask("battery.house.sun_recovery", f"{DRIVE}sun_hours = {hours}\ndrive_hours = 4.0\n{BURNER}", ENGINE)
    assert driven.severity is Severity.NOTICE


def test_a_panel_without_its_power_is_not_guessed(ask):
    """The power of a panel is no default."""
    unrated = ENGINE.replace("settings = { panel_w = 200.0 }", "")
    answer = ask("battery.house.sun_recovery", f"{DRIVE}sun_hours = 5.0\n{BURNER}", unrated)
    assert "panel_w of device roof" in answer.text


def test_an_alternator_charges_its_own_battery(ask):
    """120 A, hot, at 2000 rpm and two turns of its own: 120 x 0.75 x (1 - exp(-3000 / 1800)) = 73 A."""
    alternator = """
    [[device]]
    name = "alternator"
    kind = "alternator"
    address = 0x4B
    functions = { charger = 0x31 }
    settings = { full_amps = 120.0 }
    """
    answer = ask("battery.house.drive_recovery", f"{DRIVE}drive_hours = 9.0\n{BURNER}", alternator)
    assert "73 A of 120 A" in answer.formula


def test_a_battery_in_the_cold_after_a_night(ask):
    """60 % taken out of doors at -12 C: it is frozen then; with half of that it is not."""
    text = DRIVE.replace("night_c = 5.0", "night_c = -12.0").replace("capacity", 'zone = "outdoors"\ncapacity')
    for amps, judgement in ((3.0, Judgement.GOOD), (6.0, Judgement.FLAGGED)):
        device = ENGINE.replace("electronics_amps = 3.0", f"electronics_amps = {amps}")
        assert ask("battery.house.frozen_at_night", text + BURNER, device).judgement is judgement


def test_cold_lithium_takes_no_charge_from_the_engine(ask):
    """Below 0 C there is no figure of hours; the reason is told instead."""
    text = DRIVE.replace("night_c = 5.0", "night_c = -5.0").replace(
        "capacity", 'chemistry = "lfp"\nzone = "outdoors"\ncapacity'
    )
    answer = ask("battery.house.drive_recovery", f"{text}drive_hours = 9.0\n{BURNER}", ENGINE)
    assert (answer.judgement, answer.value) == (Judgement.FLAGGED, None)
    assert "-5 C" in answer.text
    assert "inf" not in answer.text + answer.formula


def test_a_battery_that_loses_nothing_lasts_without_end(ask):
    """Everything off and no self-discharge: there is no figure of days, and none too few."""
    still = STORED.replace("capacity_ah", "self_discharge_percent_per_month = 0.0\ncapacity_ah")
    off = DEVICES.replace("standing_milliamps = 20.0", "standing_milliamps = 0.0")
    answer = ask("battery.house.storage_days", f"{still}storage_days = 900.0\n", off)
    assert (answer.judgement, answer.value) == (Judgement.GOOD, None)
