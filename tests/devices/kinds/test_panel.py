"""The panel, which knows only what the test sends on the line."""

from itertools import pairwise

import pytest

THERMOSTAT, FURNACE_COMMAND, FAN_COMMAND, WATER_COMMAND = 0x1FFE2, 0x1FFE3, 0x1FEA6, 0x1FFF6
FURNACE_AT_REST = (0x19FFE45E, "01 00 00 00 FF FF FF FF")
FAN_OFF = (0x19FEA790, "01 14 00 FC 00 24 FF FF")
BATTERY_12V6 = (0x19FFFD4A, "01 50 FC 00 00 94 35 77")
PUMP_COMMAND = 0x1FE96
PUMP_OFF, PUMP_ON = (0x19FE9795, "01 F0 FF FF FF FF FF FF"), (0x19FE9795, "01 F1 FF FF FF FF FF FF")
WATER_OFF = (0x19FFF75E, "01 00 A0 29 E0 23 00 0C")


def air(instance: int, celsius: float) -> tuple[int, str]:
    """Return THERMOSTAT_AMBIENT_STATUS with a temperature in 1/32 K from -273 degC."""
    return 0x19FF9C91, bytes([instance]).hex() + round((celsius + 273) * 32).to_bytes(2, "little").hex() + "FFFFFFFFFF"


class Others:
    """All other devices: the same statuses each two seconds until the test changes them."""

    def __init__(self, panel):
        self.panel = panel
        self.says = {
            "indoor": air(1, 18.0),
            "outdoor": air(2, -6.0),
            "furnace": FURNACE_AT_REST,
            "roof fan": FAN_OFF,
            "battery": BATTERY_12V6,
            "water heater": WATER_OFF,
        }

    def until(self, seconds: int) -> None:
        """Go on speaking until a time."""
        now = int(self.panel.bench.kernel.now / 1e6) + 2
        for second in range(now, seconds + 1, 2):
            self.panel.until(second)
            for identifier, data in self.says.values():
                self.panel.put(identifier, data)


@pytest.fixture
def panel(alone):
    """A panel that wants 21 degC."""
    return alone("panel", control_panel=1, thermostat=1)


@pytest.fixture
def others(panel):
    """All other devices, which have been sending for 20 s."""
    others = Others(panel)
    others.until(20)
    return others


def heat(panel) -> int:
    """The heat that the panel commanded last, in percent."""
    return int(panel.last(FURNACE_COMMAND).split()[3], 16) // 2


def test_it_is_given_no_world(panel):
    """A panel cannot read the physics: it has no world at all."""
    assert not hasattr(panel.bench.devices[0], "world")


def test_it_asks_for_heat_when_the_cabin_is_cold(panel, others):
    """At 18 of 21 degC it commands furnace 1 to high heat, in automatic, with the fan speed to match."""
    assert heat(panel) == 100
    assert panel.last(FURNACE_COMMAND) == "01 FC C8 C8 FF FF FF FF"


def test_it_asks_for_less_when_the_cabin_is_warm(panel, others):
    """Near the set point the heat goes down, above it to nothing."""
    others.says["indoor"] = air(1, 20.8)
    others.until(40)
    assert 20 <= heat(panel) <= 60
    others.says["indoor"] = air(1, 24.0)
    others.until(60)
    assert panel.last(FURNACE_COMMAND) == "01 FC 00 00 FF FF FF FF"


def test_it_gives_heat_in_advance_for_the_cold_outside(panel, others):
    """The same cabin gets more heat in frost than in mild weather."""
    others.says["indoor"] = air(1, 20.9)
    others.until(40)
    frost = heat(panel)
    others.says["outdoor"] = air(2, 18.0)
    others.until(60)
    assert heat(panel) < frost - 15


@pytest.mark.parametrize("lost", ["indoor", "furnace"])
def test_it_does_not_heat_without_sensor_or_furnace(panel, others, lost):
    """A sensor or furnace that was silent for more than 15 s ends the heat."""
    del others.says[lost]
    others.until(34)
    assert heat(panel) == 100
    others.until(44)
    assert heat(panel) == 0


def test_no_data_from_the_sensor_ends_the_heat_at_once(panel, others):
    """A sensor that sends no data gives no temperature for the control of the heat."""
    others.says["indoor"] = (0x19FF9C91, "01 FF FF FF FF FF FF FF")
    others.until(28)
    assert heat(panel) == 0


@pytest.mark.parametrize("change", [None, (0x19FFFD4A, "01 50 E6 00 00 94 35 77")], ids=["no figure", "11.5 V"])
def test_it_saves_power_without_a_battery_figure_or_with_a_low_one(panel, others, change):
    """Fans are held at half and the roof fan is off while the battery is low or unheard of."""
    assert panel.last(FAN_COMMAND).startswith("01 D5 14")
    others.says.pop("battery")
    if change:
        others.says["battery"] = change
    others.until(44)
    assert panel.last(FURNACE_COMMAND) == "01 FC 64 C8 FF FF FF FF"
    assert panel.last(FAN_COMMAND).startswith("01 D4 00")


def test_it_runs_the_roof_fan_only_while_it_receives_it(panel, others):
    """A roof fan that was silent for more than 15 s is commanded to stop."""
    del others.says["roof fan"]
    others.until(44)
    assert panel.last(FAN_COMMAND).startswith("01 D4 00")


def test_it_cools_with_the_roof_fan_when_outside_is_cooler(panel, others):
    """Above 25 degC with cooler air outside the roof fan runs at 80 %; with warmer air it does not."""
    others.says["indoor"] = air(1, 28.0)
    others.until(30)
    assert panel.last(FAN_COMMAND).startswith("01 D5 A0")
    others.says["outdoor"] = air(2, 30.0)
    others.until(40)
    assert panel.last(FAN_COMMAND).startswith("01 D5 14")


def test_it_repeats_a_command_that_is_not_followed(panel, others):
    """While the water heater stays off the command is repeated each 10 s; once it follows, no more."""
    others.until(60)
    times = [time for time, _ in panel.of(WATER_COMMAND)]
    assert len(times) >= 4
    assert min(b - a for a, b in pairwise(times)) >= 9.9
    assert panel.last(WATER_COMMAND) == "01 01 A0 29 FF FF FF FF"
    others.says["water heater"] = (0x19FFF75E, "01 01 A0 29 E0 23 05 0C")
    others.until(64)
    told = len(panel.of(WATER_COMMAND))
    others.until(100)
    assert len(panel.of(WATER_COMMAND)) == told


def test_it_obeys_a_new_set_point(panel, others):
    """THERMOSTAT_COMMAND_1 for zone 1 with 15 degC (2400 hex) is stated at once and ends the heat; zone 2 is not it."""
    panel.put(0x19FEF9F9, "02 FF FF 00 24 FF FF FF")
    others.until(30)
    assert heat(panel) == 100
    panel.put(0x19FEF9F9, "01 FF FF 00 24 FF FF FF")
    assert panel.last(THERMOSTAT)[9:14] == "00 24"
    assert heat(panel) == 0


def test_off_is_off(panel, others):
    """Operating mode 0 (byte 1, low four bits) ends the heat."""
    panel.put(0x19FEF9F9, "01 F0 FF FF FF FF FF FF")
    assert heat(panel) == 0
    assert panel.last(THERMOSTAT).split()[1] == "00"


# With a pump, a fresh tank or a charger that it is told to heed.


@pytest.fixture
def heeding(alone):
    """Make a panel with these settings and other devices, all of which have been sending for 20 s."""

    def make(says, **settings):
        panel = alone("panel", settings=settings, control_panel=1, thermostat=1)
        others = Others(panel)
        others.says.update(says)
        others.until(20)
        return panel, others

    return make


def test_without_a_pump_in_its_settings_it_commands_none(panel, others):
    """A pump that is there all the same is left alone, and heat does not depend on it."""
    others.says["pump"] = PUMP_OFF
    others.until(40)
    assert panel.of(PUMP_COMMAND) == []
    assert heat(panel) == 100


def test_it_runs_the_pump_while_it_asks_for_heat(heeding):
    """On with the heat, off without it; the command is repeated each 10 s until the pump follows."""
    panel, others = heeding({"pump": PUMP_OFF}, circulation_pump=1)
    assert heat(panel) == 100
    assert {data for _, data in panel.of(PUMP_COMMAND)} == {"01 F1 FF FF FF FF FF FF"}
    others.until(60)
    times = [time for time, _ in panel.of(PUMP_COMMAND)]
    assert len(times) >= 4
    assert min(b - a for a, b in pairwise(times)) >= 9.9
    others.says["pump"] = PUMP_ON
    others.until(64)
    told = len(panel.of(PUMP_COMMAND))
    others.until(90)
    assert len(panel.of(PUMP_COMMAND)) == told
    others.says["indoor"] = air(1, 24.0)
    others.until(98)
    assert panel.last(PUMP_COMMAND) == "01 F0 FF FF FF FF FF FF"


def test_it_commands_no_heat_without_its_pump(heeding):
    """A pump that was silent for more than 15 s, or another pump, ends the heat and the command to run."""
    panel, others = heeding({"pump": PUMP_ON}, circulation_pump=1)
    others.says["pump"] = (0x19FE9795, "02 F1 FF FF FF FF FF FF")
    others.until(34)
    assert heat(panel) == 100
    others.until(44)
    assert heat(panel) == 0
    assert panel.last(PUMP_COMMAND) == "01 F0 FF FF FF FF FF FF"


@pytest.mark.parametrize(
    ("level", "mode"),
    [("00 01 64 01", "01"), ("00 00 64 00", "00"), ("00 FF 64 01", "00"), ("02 32 64 01", "00")],
    ids=["a little", "empty", "no data", "another tank"],
)
def test_it_heats_water_only_while_there_is_some(heeding, level, mode):
    """Mode combustion (1) with a level in the fresh tank (tank 0), off (0) when it is empty or unknown."""
    tank = (0x19FFB748, f"{level} 00 46 00 FF")
    panel, _ = heeding({"tank": tank, "water heater": (0x19FFF75E, "01 03 A0 29 E0 23 05 0C")}, fresh_tank=0)
    assert panel.last(WATER_COMMAND) == f"01 {mode} A0 29 FF FF FF FF"


def test_a_fresh_tank_that_is_lost_ends_the_hot_water(heeding):
    """After more than 15 s of silence of the tank the water heater is commanded to stop; the cabin's heat stays."""
    panel, others = heeding({"tank": (0x19FFB748, "00 50 64 38 00 46 00 FF")}, fresh_tank=0)
    assert panel.last(WATER_COMMAND).startswith("01 01")
    del others.says["tank"]
    others.until(44)
    assert panel.last(WATER_COMMAND).startswith("01 00")
    assert heat(panel) == 100


@pytest.mark.parametrize(
    ("state", "fan"),
    [("02", "C8"), ("06", "C8"), ("01", "A0"), ("00", "A0"), ("FF", "A0")],
    ids=["bulk", "float", "1", "0", "no data"],
)
def test_on_battery_alone_the_fan_is_held_at_80_percent(heeding, state, fan):
    """Full (C8 hex) while charger 1 charges, 80 % (A0) while it does not, at the same heat."""
    charger = (0x19FFC74A, f"01 20 01 58 7F C8 {state} 05")
    panel, others = heeding({"charger": charger}, charger=1)
    assert panel.last(FURNACE_COMMAND) == f"01 FC {fan} C8 FF FF FF FF"
    del others.says["charger"]
    others.until(44)
    assert panel.last(FURNACE_COMMAND) == "01 FC A0 C8 FF FF FF FF"


def test_a_low_battery_holds_the_fan_further_down(heeding):
    """At 11.5 V (E6 hex in 50 mV) the half is the limit, on charge or not."""
    charger = (0x19FFC74A, "01 E6 00 58 7F C8 02 05")
    panel, _ = heeding({"charger": charger, "battery": (0x19FFFD4A, "01 50 E6 00 00 94 35 77")}, charger=1)
    assert panel.last(FURNACE_COMMAND) == "01 FC 64 C8 FF FF FF FF"


def test_it_asks_once_who_is_there(panel):
    """Three seconds after its start, to all, for FEEB (bytes EB FE 00), and never again."""
    asked = [(time, data) for time, data in panel.until(60).of(0x0EA00)]
    assert [data for _, data in asked] == ["EB FE 00 FF FF FF FF FF"]
    assert 3 < asked[0][0] < 3.5


RED, GREEN = "45 5E 08 52 07 7F FF FF", "05 5E FF FF FF 7F FF FF"
"""Heartbeats of a furnace, with a fault and the red lamp, and without."""
HEARTBEAT = 0x19FECA00


def with_fault(alone, mode="stop", says=RED, source=0x5E):
    """Return a panel and all others, after 40 s; from 20 s on a heater at an address sends a heartbeat."""
    panel = alone("panel", settings={"on_heater_fault": mode}, control_panel=1, thermostat=1)
    others = Others(panel)
    others.until(20)
    assert heat(panel) == 100
    others.says["heartbeat"] = (HEARTBEAT + source, says)
    others.until(40)
    return panel, others


def command_thermostat(panel):
    """Let somebody command heat."""
    panel.put(0x19FEF9F9, "01 02 FF C0 24 FF FF FF")


def test_it_asks_a_heater_with_a_fault_for_nothing_until_somebody_commands(alone):
    """Heat and water are taken back, as its heartbeat says; after the fault has gone it waits for a person."""
    panel, others = with_fault(alone)
    assert panel.last(FURNACE_COMMAND) == "01 FC 00 00 FF FF FF FF"
    assert panel.last(WATER_COMMAND).startswith("01 00")
    lamps = {data[:2] for _, data in panel.of(0x1FECA) if data[3:5] != "2C"}
    assert len(lamps) == 2  # active, and not
    others.says["heartbeat"] = (HEARTBEAT + 0x5E, GREEN)
    others.until(120)
    assert heat(panel) == 0
    command_thermostat(panel)
    others.until(130)
    assert heat(panel) == 100
    assert panel.last(WATER_COMMAND).startswith("01 01")
    others.says["heartbeat"] = (HEARTBEAT + 0x5E, RED)
    others.until(140)
    command_thermostat(panel)  # in vain: the lamp is on
    others.until(150)
    assert heat(panel) == 0


def test_it_may_ask_again_when_the_fault_is_gone_or_all_the_time(alone):
    """By its settings."""
    panel, others = with_fault(alone, "resume")
    assert heat(panel) == 0
    others.says["heartbeat"] = (HEARTBEAT + 0x5E, GREEN)
    others.until(60)
    assert heat(panel) == 100
    assert heat(with_fault(alone, "ignore")[0]) == 100


def test_faults_of_others_do_not_stop_the_heat(alone):
    """Another heater, and another function of the same node; a failure to ignite in the status does."""
    assert heat(with_fault(alone, source=0x5F)[0]) == 100
    assert heat(with_fault(alone, says=RED.replace("5E", "5C"))[0]) == 100
    panel, others = with_fault(alone, says=GREEN)
    assert heat(panel) == 100
    others.says["water heater"] = (0x19FFF75E, "01 01 A0 29 E0 23 01 0D")
    others.until(60)
    assert (heat(panel), panel.last(WATER_COMMAND)[:5]) == (0, "01 00")


@pytest.mark.parametrize("other", [air(1, 18.0), FURNACE_AT_REST, (0x19FECA5E, "05 FF FF FF FF FF FF FF")])
def test_one_that_was_carried_away_is_back_with_the_first_frame(alone, other):
    """Whatever the frame is that it receives: it asks for the statuses again, and before that for nothing."""
    panel = alone("panel", settings={"mobile": True}, control_panel=1, thermostat=1).until(40)
    asked = len(panel.of(0x0EA00))
    panel.until(60)
    assert len(panel.of(0x0EA00)) == asked
    panel.put(*other).until(63)
    assert len(panel.of(0x0EA00)) > asked + 3
    panel.put(*other).until(70)
    assert len(panel.of(0x0EA00)) < asked + 15


@pytest.mark.parametrize(("mobile", "heeded"), [(False, [2, 3]), (True, [0, 1, 2, 3])])
def test_it_leaves_out_statuses_of_instances_that_it_does_not_use(alone, mobile, heeded):
    """A sensor of another zone is of no use; one that can be carried away heeds all, to know that it is in reach."""
    settings = {"indoor_sensor": 3, "outdoor_sensor": 2, "mobile": mobile}
    heeds = alone("panel", settings=settings, control_panel=1, thermostat=1).bench.devices[0].heeds
    assert [number for number in range(4) if heeds(0x19FF9C91, bytes([number]))] == heeded
    assert heeds(0x19FF9C91, b"") == mobile
    assert heeds(0x19FFC74A, b"\x01") == mobile  # a charger, where the settings name none
    assert heeds(0x19FECA5E, b"\x05")  # a heartbeat
