"""A panel with several zones, load shedding and a generator, which knows only what the test sends on the line."""

from typing import Any

import pytest

from rvsim.devices.kinds.panel import Panel, PanelSettings
from rvsim.rig.device_plan import DevicePlan
from rvsim.wire.frame import SECOND_US

THERMOSTAT, FURNACE, AIR, FAN, PUMP, GENERATOR = 0x1FFE2, 0x1FFE3, 0x1FFE0, 0x1FEA6, 0x1FE96, 0x1FFDA
DIMMER, LOAD = 0x1FEDB, 0x1FFBC
CABIN: dict[str, Any] = {
    "instance": 1, "sensor": 1, "furnace": 1, "air_conditioner": 1, "roof_fan": 1, "min_on_s": 0, "min_off_s": 0,
}  # fmt: skip
BED: dict[str, Any] = {"instance": 2, "sensor": 3, "furnace": 2, "min_on_s": 0, "min_off_s": 0}
ZONES = {"cabin": CABIN, "bed": BED}


def air(instance: int, celsius: float) -> tuple[int, str]:
    """Return THERMOSTAT_AMBIENT_STATUS with a temperature in 1/32 K from -273 degC."""
    return 0x19FF9C91, bytes([instance]).hex() + round((celsius + 273) * 32).to_bytes(2, "little").hex() + "FFFFFFFFFF"


def battery(volts: float) -> tuple[int, str]:
    """Return DC_SOURCE_STATUS_1 of battery 1."""
    return 0x19FFFD46, "0178" + round(volts / 0.05).to_bytes(2, "little").hex() + "00943577"


def mains(volts: float) -> tuple[int, str]:
    """Return CHARGER_AC_STATUS_1: the input of charger 1."""
    return 0x19FFCA4A, "01" + round(volts / 0.05).to_bytes(2, "little").hex() + "00FA0A0A00"


def generator(status: int) -> tuple[int, str]:
    """Return GENERATOR_STATUS_1."""
    return 0x19FFDC40, f"{status:02X}FFFFFFFFFFFFFF"


class Others:
    """All other devices: the same statuses each five seconds until the test changes them."""

    def __init__(self, panel):
        self.panel = panel
        self.says = {
            "cabin": air(1, 23.0),
            "bed": air(3, 23.0),
            "outdoor": air(2, 5.0),
            "furnace 1": (0x19FFE45E, "01 00 00 00 FF FF FF FF"),
            "furnace 2": (0x19FFE45F, "02 00 00 00 FF FF FF FF"),
            "air conditioner": (0x19FFE167, "01 01 FF FF 00 00 FF FF"),
            "roof fan": (0x19FEA790, "01 14 00 FC 00 24 FF FF"),
            "battery": battery(12.7),
        }

    def until(self, seconds: float) -> "Others":
        """Go on speaking until a time."""
        now = self.panel.bench.kernel.now / SECOND_US + 5
        while now <= seconds:
            self.panel.until(now)
            for identifier, data in self.says.values():
                self.panel.bench.send(identifier, bytes.fromhex(data))
            now += 5
        self.panel.until(seconds)
        return self

    def last(self, dgn, instance=None):
        """Return the last command with a DGN to an instance."""
        found = [data for _, data in self.panel.of(dgn) if instance in (None, int(data[:2], 16))]
        return found[-1] if found else None


@pytest.fixture
def others(alone):
    """Put a panel with settings beside all other devices: ``others(zones=...)``."""

    def put(vehicle=None, thermostat=(1, 2), **settings):
        functions = {"thermostat": list(thermostat)} if thermostat else {}
        return Others(alone("panel", address=0x44, settings=settings, vehicle=vehicle, control_panel=1, **functions))

    return put


def heats(one):
    """Return the heat that each furnace was commanded to last, in percent."""
    return [int(data.split()[3], 16) // 2 if (data := one.last(FURNACE, n)) else None for n in (1, 2)]


def test_each_zone_has_its_own_thermostat_and_furnace(others):
    """A status of each; the cold zone is heated, the other one is not."""
    one = others(zones=ZONES).until(20)
    assert {data[:2] for _, data in one.panel.of(THERMOSTAT)} == {"01", "02"}
    assert heats(one) == [0, 0]
    one.says["bed"] = air(3, 15.0)
    one.until(40)
    assert heats(one) == [0, 100]
    assert one.last(THERMOSTAT, 2).split()[2] == "C8"


def test_zones_that_share_a_furnace_get_what_one_of_them_needs(others):
    """The one that asks for most is followed, and the pump runs with it."""
    one = others(zones={"cabin": CABIN, "bed": {**BED, "furnace": 1}}, circulation_pump=1)
    one.says |= {"bed": air(3, 15.0), "pump": (0x19FE9795, "01 F0 FF FF FF FF FF FF")}
    one.until(20)
    assert (heats(one), one.last(PUMP)[:5]) == ([100, None], "01 F1")
    del one.says["pump"]
    assert heats(one.until(40)) == [0, None]


def test_what_does_not_follow_is_commanded_again(others):
    """A pump that is off after 10 s, a furnace without heat after three minutes; with a low battery the fan is held."""
    one = others(zones={"cabin": CABIN, "bed": BED}, circulation_pump=1)
    one.says |= {"cabin": air(1, 15.0), "pump": (0x19FE9795, "01 F0 FF FF FF FF FF FF"), "battery": battery(11.0)}
    one.until(60)
    assert one.last(FURNACE, 1).split()[2:4] == ["64", "C8"]
    assert len([data for _, data in one.panel.of(PUMP) if data.startswith("01 F1")]) in (5, 6)
    asked = [time for time, data in one.until(260).panel.of(FURNACE) if data.split()[3] == "C8"]
    assert len(asked) == 2
    assert asked[1] - asked[0] == pytest.approx(180, abs=5)


def test_a_hot_zone_is_cooled_by_air_from_outside_or_by_its_air_conditioner(others):
    """Roof fan at 80 % where the air outside is cooler, else the compressor; never both."""
    one = others(zones=ZONES)
    one.says["cabin"] = air(1, 28.0)
    one.until(20)
    assert (one.last(FAN)[9:14], one.last(AIR)) == ("A0 FC", "01 01 FF FF 00 00 FF FF") or one.last(FAN).split()[
        2
    ] == "A0"
    one.says["outdoor"] = air(2, 30.0)
    one.until(40)
    assert one.last(AIR).split()[4:6] == ["C8", "C8"]
    assert one.last(FAN).split()[2] == "00"


def test_a_command_changes_one_zone_until_its_schedule(others):
    """Set points and mode by instance; the schedule sets them again at its time, which DATE_TIME_STATUS tells."""
    bed = {**BED, "schedule": [{"at": "06:30", "heat_c": 24.0}, {"at": "22:00", "heat_c": 16.0}]}
    one = others(zones={"cabin": CABIN, "bed": bed}, clock="06:00").until(10)

    def set_point(instance):
        return int.from_bytes(bytes.fromhex(one.last(THERMOSTAT, instance))[3:5], "little") / 32 - 273

    assert (set_point(1), set_point(2)) == (21.0, 16.0)
    one.panel.put(0x19FEF9F9, "02 FF FF E0 24 FF FF FF")  # 22 degC
    assert (set_point(1), set_point(2)) == (21.0, 22.0)
    one.says["clock"] = (0x19FFFF50, "1A 01 01 02 06 1D 37 FF")  # 06:29:55
    one.until(16)
    del one.says["clock"]
    one.until(19)
    assert set_point(2) == 22.0
    one.until(30)
    assert set_point(2) == 24.0
    one.panel.put(0x19FEF9F9, "01 F0 FF FF FF FF FF FF")
    assert one.last(THERMOSTAT, 1).split()[1][1] == "0"


def test_frost_in_a_further_place_is_heated_in_mode_off(others):
    """A sensor at the water tank, below 4 degC."""
    one = others(zones={"cabin": {**CABIN, "mode": "off", "frost_sensor": 7}, "bed": {**BED, "mode": "off"}})
    one.says |= {"tank": air(7, 2.0), "cabin": air(1, 12.0), "bed": air(3, 12.0)}
    assert heats(one.until(20)) == [100, 0]


def test_a_furnace_with_a_fault_is_asked_for_nothing_until_somebody_commands(others):
    """The red lamp of furnace 2; the zone's other devices and the other furnace go on."""
    one = others(zones=ZONES)
    one.says |= {"cabin": air(1, 15.0), "bed": air(3, 15.0)}
    assert heats(one.until(20)) == [100, 100]
    one.says["lamp"] = (0x19FECA5F, "47 5E 00 00 E4 FF FF FF")
    assert heats(one.until(40)) == [100, 0]
    one.says["lamp"] = (0x19FECA5F, "05 5E FF FF FF FF FF FF")
    assert heats(one.until(60)) == [100, 0]
    one.panel.put(0x19FEF9F9, "02 FF FF C0 24 FF FF FF")
    assert heats(one.until(70)) == [100, 100]


def test_instances_that_do_not_fit_are_refused(catalogue):
    """A zone without a thermostat of the device, and two with one."""
    plan = DevicePlan.model_validate({"name": "panel", "address": 0x44, "functions": {"thermostat": [1, 2]}})

    def texts(**zones):
        settings = PanelSettings.model_validate({"zones": zones})
        return [one.text for one in Panel.placed_mistakes(plan, settings, catalogue)]

    assert texts(**ZONES) == []
    assert "which is none of the device's thermostats; add it" in texts(cabin={**CABIN, "instance": 3})[0]
    assert 'zones: "bed" has the instance 1 of "cabin"' in texts(cabin=CABIN, bed={**BED, "instance": 1})[0]


# Loads at low voltage, and what is blocked.

SWITCHED = {
    "module": [{"name": "front"}],
    "output": [
        {"name": "fridge", "module": "front", "terminal": 1, "instance": 31, "load": "socket"},
        {"name": "light", "module": "front", "terminal": 2, "instance": 21, "load": "led"},
        {"name": "awning", "module": "front", "terminal": 3, "instance": 32, "load": "motor"},
    ],
    "input": [
        {"name": "ignition", "module": "front", "terminal": 21, "instance": 5, "switch": "maintained"},
        {"name": "out", "module": "front", "terminal": 22, "instance": 6},
    ],
}
SHED = {"outputs": ["fridge", "light"], "below_volts": 11.6, "above_volts": 12.8, "after_s": 30}


def switched(others, **settings):
    """Return a panel of outputs, with the fridge on and the light at 40 %."""
    one = others(vehicle=SWITCHED, thermostat=(), **settings)
    one.says |= {"fridge": (0x19FFBD80, "1F FF C8 30 FF 00 00 7D"), "light": (0x19FEDA80, "15 FF 50 C0 FF 00 F4 FF")}
    return one


def test_loads_are_shed_one_after_the_other_and_come_back(others):
    """The fridge after half a minute below 11.6 V, the light after another; back in the other order, as they were."""
    one = switched(others, shed=SHED).until(30)
    assert (one.last(LOAD), one.last(DIMMER)) == (None, None)
    one.says["battery"] = battery(11.4)
    one.until(60)
    assert one.last(LOAD) is None
    one.until(75)
    assert (one.last(LOAD)[:8], one.last(DIMMER)) == ("1F FF 00", None)
    one.says["fridge"] = (0x19FFBD80, "1F FF 00 30 FF 00 00 7D")
    one.until(110)
    assert one.last(DIMMER)[:8] == "15 FF 00"
    one.says |= {"battery": battery(13.2), "light": (0x19FEDA80, "15 FF 00 C0 FF 00 F0 FF")}
    one.until(150)
    assert (one.last(DIMMER)[:8], one.last(LOAD)[:8]) == ("15 FF 50", "1F FF 00")
    one.says["light"] = (0x19FEDA80, "15 FF 50 C0 FF 00 F4 FF")
    assert one.until(185).last(LOAD)[:8] == "1F FF C8"


def test_what_was_off_stays_off(others):
    """A load that was off when it was shed is not switched on afterwards."""
    one = switched(others, shed=SHED)
    one.says |= {"fridge": (0x19FFBD80, "1F FF 00 30 FF 00 00 7D"), "battery": battery(11.4)}
    one.until(60)
    one.says["battery"] = battery(13.2)
    assert one.until(200).last(LOAD) is None


def test_a_short_dip_sheds_nothing(others):
    """A start of a motor, or a voltage that is not known."""
    one = switched(others, shed=SHED).until(20)
    one.says["battery"] = battery(10.5)
    one.until(45)
    one.says["battery"] = battery(12.5)
    one.until(60)
    del one.says["battery"]
    assert one.until(200).last(LOAD) is None


@pytest.mark.parametrize(("ignition", "is_asked"), [("01", False), ("00", True), (None, False)])
def test_no_motion_is_asked_for_while_the_ignition_is_on(others, ignition, is_asked):
    """Nor while its switch is not known; off is always asked for."""
    one = switched(others, switches_on={"out": "awning"}, blocks={"ignition": ["awning"]}).until(5)
    for frame in (
        f"05 {ignition} FF 02 FF FF FF FF" if ignition else None,
        "06 00 FD 02 FF FF FF FF",
        "06 01 FD 02 FF FF FF FF",
    ):
        if frame:
            one.panel.put(0x19FFB880, frame)
    assert (one.last(LOAD) is not None) == is_asked
    assert one.panel.bench.devices[0].switches.control.notes == (
        []
        if is_asked
        else [f"awning is not switched on: {'ignition is on' if ignition else 'the position of ignition is not known'}"]
    )


# The generator.

START = {"charger": 1, "start_volts": 11.8, "stop_volts": 14.0, "after_s": 20, "min_run_s": 60, "max_run_s": 300}


def low(others, clock="12:00", start=START, **says):
    """Return a panel beside a low battery, a charger without mains and a generator that stands still."""
    one = others(thermostat=(), generator=start, clock=clock)
    one.says |= {"battery": battery(11.5), "mains": mains(0), "generator": generator(0), **says}
    return one


def test_it_starts_the_generator_when_the_battery_is_low_and_stops_it_when_full(others):
    """After 20 s; it runs its least time, and stops by the voltage."""
    one = low(others).until(20)
    assert one.last(GENERATOR) is None
    assert one.until(35).last(GENERATOR).startswith("01")
    one.says |= {"battery": battery(14.3), "mains": mains(230), "generator": generator(3)}
    one.until(80)
    assert one.last(GENERATOR).startswith("01")
    assert one.until(110).last(GENERATOR).startswith("00")
    assert len(one.panel.of(GENERATOR)) == 2


@pytest.mark.parametrize(
    "more",
    [
        {"mains": mains(230)},
        {"clock": "23:30"},
        {"generator": generator(5)},
        {"generator": generator(3)},
        {"battery": battery(12.0)},
    ],
    ids=["shore power", "quiet hours", "a fault", "it runs by itself", "the battery is full enough"],
)
def test_what_keeps_it_from_starting(others, more):
    """And without its setting it never starts."""
    assert low(others, **more).until(100).last(GENERATOR) is None


def test_without_the_setting_or_knowledge_it_never_starts(others):
    """No setting; a charger that is not heard; a battery that is not heard."""
    one = others(thermostat=(1, 2), zones=ZONES)
    one.says |= {"battery": battery(11.0), "mains": mains(0), "generator": generator(0)}
    assert one.until(100).last(GENERATOR) is None
    for lost in ("mains", "battery", "generator"):
        one = low(others)
        del one.says[lost]
        assert one.until(100).last(GENERATOR) is None


def test_it_gives_up_a_generator_that_does_not_run(others):
    """It is stopped after five minutes, and not tried again; one that runs is stopped after its longest time."""
    one = low(others, start={**START, "max_run_s": 900}).until(600)
    assert [data[:2] for _, data in one.panel.of(GENERATOR)] == ["01", "00"]
    one = low(others).until(35)
    one.says["generator"] = generator(3)
    one.until(345)
    assert [data[:2] for _, data in one.panel.of(GENERATOR)] == ["01", "00"]


def test_quiet_hours_stop_what_it_has_started(others):
    """At ten in the evening."""
    one = low(others, clock="21:59").until(40)
    one.says["generator"] = generator(3)
    assert [data[:2] for _, data in one.until(70).panel.of(GENERATOR)] == ["01", "00"]
