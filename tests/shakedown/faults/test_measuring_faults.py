"""Faults by which a device measures something else than it should, on the whole vehicle."""

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.shakedown.explain import render_scenario

AMBIENT, CELSIUS = "THERMOSTAT_AMBIENT_STATUS", "ambient_temperature"


def fault(kind, device, **more):
    """A fault from 60 s to 240 s."""
    return {"fault": kind, "device": device, "from": "60s", "until": "240s", **more}


def test_a_misplaced_sensor_reads_where_it_hangs_and_back(vehicle):
    """The indoor sensor outdoors: it lags to the outdoor temperature, and back into the cabin."""
    run = vehicle(fault=[fault("sensor_misplaced", "indoor sensor", place="outdoors")], lasts="400s").run(400)
    world = run.bench.world
    indoors = run.values("indoor sensor", AMBIENT, CELSIUS, 0, 60)
    assert min(indoors) > world.outdoor_c + 10
    assert run.values("indoor sensor", AMBIENT, CELSIUS, 180, 240)[-1] == pytest.approx(world.outdoor_c, abs=0.3)
    assert run.values("indoor sensor", AMBIENT, CELSIUS, 390, 400)[-1] == pytest.approx(world.cabin_c, abs=0.5)


def test_by_default_it_is_in_the_heaters_outlet(vehicle):
    """Warmer than the cabin as soon as warm air comes."""
    plan = {"fault": "sensor_misplaced", "device": "indoor sensor", "from": "60s"}
    run = vehicle(fault=[plan], lasts="400s").run(60)
    run.bench.world.set_outlet("test", 70.0)
    run.run(300)
    assert run.values("indoor sensor", AMBIENT, CELSIUS)[-1] == pytest.approx(70, abs=0.5)
    assert run.bench.world.cabin_c < 30


def test_a_reversed_sender_reads_the_opposite(vehicle):
    """What is missing of a full tank, while it lasts."""
    run = vehicle(fault=[fault("sender_reversed", "grey tank")], lasts="300s").run(300)
    level = ("grey tank", "TANK_STATUS", "relative_level")
    before, after = run.values(*level, 0, 60)[-1], run.values(*level, 245, 300)[-1]
    assert set(run.values(*level, 60, 240)) <= {100 - before, 100 - after}
    assert before != 50


@pytest.mark.parametrize("volts", [-1.5, 1.0])
def test_a_ground_offset_shifts_what_is_measured(vehicle, volts):
    """The monitor's voltage and no other: neither the battery's own nor the charger's."""
    run = vehicle(fault=[fault("ground_offset", "battery monitor", volts=volts)], lasts="300s").run(300)
    measured = ("battery monitor", "DC_SOURCE_STATUS_1", "dc_voltage")
    before = run.values(*measured, 30, 60)[-1]
    assert run.values(*measured, 60, 90)[0] == pytest.approx(before + volts, abs=0.1)
    assert run.values(*measured, 245, 300)[0] == pytest.approx(run.values(*measured, 200, 240)[-1] - volts, abs=0.1)
    charged = run.values("charger", "CHARGER_STATUS_2", "charging_voltage", 60, 240)
    assert charged[0] == pytest.approx(
        run.values("charger", "CHARGER_STATUS_2", "charging_voltage", 30, 60)[-1], abs=0.2
    )


def test_two_offsets_add_up_and_a_restart_mends_none(vehicle):
    """The wires stay bad while the device has no power."""
    faults = [
        fault("ground_offset", "battery monitor", volts=-1.0),
        fault("ground_offset", "battery monitor", volts=-0.5),
    ]
    restart = {"fault": "restart", "device": "battery monitor", "from": "90s"}
    run = vehicle(fault=[*faults, restart], lasts="300s").run(200)
    assert run.bench.world.ground_offset("battery monitor") == pytest.approx(-1.5)
    run.run(300)
    assert run.bench.world.ground_offset("battery monitor") == 0


def test_a_heater_stops_by_what_it_measures(vehicle):
    """Its limits are held against the voltage at its own terminals, as it measures it."""
    run = vehicle(fault=[fault("ground_offset", "heater", volts=-5.0)], lasts="300s").run(300)
    failed = ("heater", "WATERHEATER_STATUS", "dc_power_failure")
    assert run.values(*failed, 0, 60)[-1] == 0
    assert run.values(*failed, 100, 240)[-1] == 1
    assert run.values(*failed, 250, 300)[-1] == 0


@pytest.mark.parametrize(
    ("plan", "text"),
    [
        (
            fault("sensor_misplaced", "charger"),
            'charger is of kind "charger", so sensor_misplaced has no effect; name a ',
        ),
        (fault("sender_reversed", "heater"), 'so sender_reversed has no effect; name a device of kind "tank"'),
        (
            fault("sensor_misplaced", "indoor sensor", place="cabn"),
            '"cabn" is no place for a sensor (did you mean "cabin"?)',
        ),
        (fault("sensor_misplaced", "indoor sensor", zone="attic"), '"attic" is not a zone; the zones are cabin'),
    ],
)
def test_what_is_refused(vehicle, plan, text):
    """A line that says why, and what there is."""
    with pytest.raises(InputError) as error:
        vehicle(fault=[plan])
    assert text in str(error.value)


@pytest.mark.parametrize("volts", [11.0, -11.0])
def test_an_offset_has_its_bounds(vehicle, volts):
    """Ten volts either way."""
    with pytest.raises(ValidationError):
        vehicle(fault=[fault("ground_offset", "heater", volts=volts)])


@pytest.mark.parametrize(
    ("plan", "sentence"),
    [
        (fault("sensor_misplaced", "indoor sensor"), "indoor sensor hangs in the wrong place: heater outlet, cabin,"),
        (fault("sensor_misplaced", "indoor sensor", place="tank_bay"), "hangs in the wrong place: tank bay, from"),
        (fault("sender_reversed", "grey tank"), "the sender of grey tank is the wrong way round"),
        (fault("ground_offset", "heater", volts=-2.0), "the ground of heater is bad: its voltages read 2 V too low"),
        (fault("ground_offset", "heater", volts=0.5), "its voltages read 0.5 V too high"),
    ],
)
def test_they_read_as_sentences(vehicle, plan, sentence):
    """As `rvsim shakedown --explain` tells them."""
    assert sentence in "\n".join(render_scenario(vehicle(fault=[plan]).loaded))


def test_a_restart_mends_neither_place_nor_sender(vehicle):
    """The device is a new one then, and hangs where it hung."""
    faults = [fault("sensor_misplaced", "indoor sensor", place="outdoors"), fault("sender_reversed", "grey tank")]
    restarts = [{"fault": "restart", "device": name, "from": "70s"} for name in ("indoor sensor", "grey tank")]
    run = vehicle(fault=[*faults, *restarts], lasts="300s").run(230)
    assert run.values("indoor sensor", AMBIENT, CELSIUS)[-1] == pytest.approx(run.bench.world.outdoor_c, abs=0.3)
    level = run.values("grey tank", "TANK_STATUS", "relative_level")
    assert level[-1] == pytest.approx(100 - level[0], abs=1)
