"""Every rig and scenario that comes with the program loads, fits the devices there are, and says what it should."""

import os

import pytest

from rvsim import shipped
from rvsim.devices.registry import settings_models
from rvsim.rig.load import load_rig
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario import DEFAULT_SCENARIO, load_scenario, shipped_scenarios
from rvsim.shakedown.verdict import as_text
from rvsim.wire.frame import SECOND_US

SCENARIOS = sorted(path.stem for path in shipped.scenario_folder().glob("*.toml"))
RIGS = sorted(path.stem for path in (shipped.scenario_folder() / "rigs").glob("*.toml"))


def test_the_shipped_files_are_these():
    """The one that runs where none is named, and a rig that every other one can build upon."""
    assert DEFAULT_SCENARIO in SCENARIOS
    assert "ottersby" in RIGS


def test_there_are_scenarios_for_the_troubles_of_the_trade():
    """At least fifteen in which something is wrong."""
    assert len(set(SCENARIOS) - HEALTHY) >= 15


def test_scenarios_are_listed_with_their_titles():
    """The list has every file, sorted, with the title that stands in it."""
    assert shipped_scenarios() == [(name, load_scenario(name).scenario.title) for name in SCENARIOS]


@pytest.mark.parametrize("name", RIGS)
def test_a_shipped_rig_loads_and_bears_its_name(name):
    """Against the kinds of device that there are; the name in the file is the file's."""
    assert load_rig(name, settings_models(), for_plan=name in FOR_THE_PLAN).name == name


FOR_THE_PLAN = {"muddlecote"}
"""Rigs with mistakes that the plan finds and a bench refuses."""


@pytest.mark.parametrize("name", RIGS)
def test_limits_and_required_fields_of_a_shipped_rig_are_defined(name, catalogue):
    """Each is MESSAGE.field of a shipped definition, so a slip of the pen is not passed over in silence."""
    for device in load_rig(name, for_plan=name in FOR_THE_PLAN).devices:
        for message, _, field in (one.partition(".") for one in (*device.limits, *device.required)):
            assert field in catalogue.by_name(message).by_name


@pytest.mark.parametrize(("mode", "unmet"), [
    ("ignore", "the controller takes its command for heat back"),
    ("resume", "no controller asks for heat after the failure is reported"),
])  # fmt: skip
def test_a_panel_that_asks_a_failed_heater_again_is_not_passed(mode, unmet):
    """One that asks on, and one that starts it again as soon as its error is gone."""
    job = Job("failed_ignition", {"device.control panel.settings.on_heater_fault": mode})
    told = "\n".join(as_text(PreparedScenario(job).run()))
    assert ": not passed" in told
    assert f"not met  {unmet}" in told


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_shipped_scenario_is_passed(name):
    """What it expects comes true, and no fault begins after its end."""
    trial = PreparedScenario(Job(name, {}))
    assert trial.loaded.name == name
    assert trial.loaded.scenario.expectations
    assert all((fault.since or 0) < trial.loaded.scenario.lasts for fault in trial.loaded.scenario.faults)
    _leave_out_days(trial, 0 if WHOLE else DAYS_LEFT_OUT.get(name, 0))
    verdict = trial.run()
    assert verdict.passed, "\n".join(as_text(verdict))


WHOLE = int(os.environ.get("RVSIM_SEEDED_SECONDS", "0")) >= 3600
"""Long scenarios run whole where seeded logs are long, too."""
DAYS_LEFT_OUT = {"solar_week": 5}
"""How many of its days, which are all alike, a scenario runs without; what is expected of the last one stays."""


def _leave_out_days(trial, days):
    """Let a scenario end so many days earlier, with the parts of its expectations that begin after them."""
    left_out, scenario = days * 24 * 3600 * SECOND_US, trial.loaded.scenario

    def earlier(each):
        times = {key: time for key in ("since", "until") if (time := getattr(each, key)) and time > left_out}
        return each.model_copy(update={key: time - left_out for key, time in times.items()})

    kept = {"lasts": scenario.lasts - left_out, "expectations": tuple(map(earlier, scenario.expectations))}
    if days:
        trial.loaded = trial.loaded._replace(scenario=scenario.model_copy(update=kept))


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_shipped_scenario_would_catch_its_trouble(name):
    """Without its faults it is not passed: what it expects is not what happens anyway."""
    trial = PreparedScenario(Job(name, {}))
    scenario = trial.loaded.scenario
    if not scenario.faults and scenario.bench_acknowledges and name not in TROUBLE_IN_STEPS:
        assert name in HEALTHY | set(TROUBLE_IN_THE_RIG)
        return
    whole = {"faults": (), "steps": _without_faults(trial), "bench_acknowledges": True}
    healthy = trial.loaded.scenario.model_copy(update=whole)
    trial.loaded = trial.loaded._replace(scenario=healthy)
    _assert_not_passed(trial)


def _assert_not_passed(trial):
    """Run it for as long as it takes until something is known not to be met, else to its end."""
    known_s = NOT_MET_BY_S.get(trial.loaded.name)
    if known_s is None:
        assert not trial.run().passed
        return
    run = VirtualScenarioRun(trial)
    run.until(known_s + 1)
    assert any(each.judged and each.at is not None and each.at <= known_s for each in run.verdict().failed)


NOT_MET_BY_S = {
    "alternator_and_protection": 602,
    "deaf_heater": 30,
    "drifting_shunt": 1200,
    "failed_ignition": 65,
    "fuel_gelling": 600,
    "lithium_cold": 1,
    "sensor_in_outlet": 1040,
    "shore_lost_at_midnight": 3610,
    "silent_sensor": 634,
    "stuck_sensor": 900,
    "usual_mistakes": 203,
}
"""By when, in seconds, long scenarios without their trouble have an expectation that is known not to be met."""
HEALTHY = {"four_sources", "night_at_minus_15", "solar_week", "summer_afternoon", "warm_cabin", "winter_evening"}
"""Scenarios in which nothing is wrong."""
TROUBLE_IN_STEPS = {"awning_with_ignition_on", "shore_lost_at_midnight", "two_panels_fight", "two_switches_pressed"}
"""Scenarios whose trouble is what steps change in the vehicle."""
TROUBLE_IN_THE_RIG: dict[str, dict[str, float | int | str | bool]] = {
    "brown_out_at_glow": {"rig.branch.heater.wire.area_mm2": 6.0},
    "lithium_cold": {"rig.battery.chemistry": "agm"},
}
"""Scenarios whose trouble is in their rig, with the value that takes it away."""


@pytest.mark.parametrize("name", TROUBLE_IN_THE_RIG)
def test_a_trouble_of_a_rig_is_gone_with_its_cause(name):
    """The scenario is not passed then: it is about that trouble."""
    _assert_not_passed(PreparedScenario(Job(name, TROUBLE_IN_THE_RIG[name])))


def _without_faults(trial):
    """The steps that start and stop no fault, and change nothing in the vehicle."""
    return tuple(step for step in trial.loaded.scenario.steps if step.send is not None)


def test_the_shipped_rig_has_a_device_for_each_function():
    """Who is who: names, kinds, addresses, functions and instances."""
    devices = [(d.name, d.kind, d.address, dict(d.functions)) for d in load_rig("ottersby").devices]
    assert devices == [
        ("control panel", "panel", 0x44, {"control_panel": (1,), "thermostat": (1,)}),
        ("heater", "heater", 0x5E, {"furnace": (1,), "water_heater": (1,)}),
        ("circulation pump", "circulation_pump", 0x95, {"circulation_pump": (1,)}),
        ("roof fan", "roof_fan", 0x90, {"roof_fan": (1,)}),
        ("charger", "charger", 0x4A, {"charger": (1,), "dc_source": (1,)}),
        ("battery monitor", "battery_monitor", 0x45, {"battery_monitor": (1,), "dc_source": (1,)}),
        ("fresh tank", "tank", 0x48, {"tank": (0,)}),
        ("grey tank", "tank", 0x93, {"tank": (2,)}),
        ("black tank", "tank", 0x94, {"tank": (1,)}),
        ("indoor sensor", "ambient", 0x91, {"ambient_sensor": (1,)}),
        ("outdoor sensor", "ambient", 0x92, {"ambient_sensor": (2,)}),
    ]


def test_the_winter_evening_has_no_fault():
    """Minus six outside, evening, shore power, two minutes, nothing wrong."""
    scenario = load_scenario("winter_evening").scenario
    assert (scenario.weather.outdoor_c, scenario.weather.start_hour) == (-6.0, 18.5)
    assert (scenario.shore_power, scenario.lasts, scenario.faults) == (True, 120 * SECOND_US, ())


def test_the_heater_goes_quiet_and_the_outdoor_sensor_goes_mad():
    """Silent from 20 to 60 s; 900 degrees from 90 to 95 s, then no data to the end; the evening is the same."""
    scenario, evening = load_scenario("heater_goes_quiet").scenario, load_scenario("winter_evening").scenario
    assert (scenario.weather, scenario.lasts, scenario.rig) == (evening.weather, evening.lasts, evening.rig)
    faults = [(f.fault, f.device, f.since / SECOND_US, f.until and f.until / SECOND_US) for f in scenario.faults]
    assert faults == [
        ("silent", "heater", 20, 60),
        ("wrong_value", "outdoor sensor", 90, 95),
        ("no_data", "outdoor sensor", 95, None),
    ]
    fields = {(f.message, f.field) for f in scenario.faults[1:]}
    assert fields == {("THERMOSTAT_AMBIENT_STATUS", "ambient_temperature")}
    assert scenario.faults[1].value == 900.0
