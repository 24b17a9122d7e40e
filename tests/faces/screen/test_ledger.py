"""The ledger: sums of currents worked by hand, over frames written by hand."""

import pytest

from rvsim.faces.screen.ledger import Ledger, ledger_of
from rvsim.faces.screen.scene import Scene
from rvsim.rig.model import Rig
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame

DEVICES = {
    "heater": {
        "kind": "heater", "address": 0x5E, "functions": {"furnace": 1, "water_heater": 1},
        "amps": {"furnace": [0.1, 6.1], "water_heater": [0.0, 3.5]},
    },
    "sensor": {"kind": "ambient", "address": 0x91, "functions": {"ambient_sensor": 1},
               "amps": {"ambient_sensor": [0.02, 0.5]}},
    "roof fan": {"kind": "roof_fan", "address": 0x90, "functions": {"roof_fan": 1}},
    "charger": {"kind": "charger", "address": 0x4A, "functions": {"charger": 1, "dc_source": 1}},
    "monitor": {"kind": "battery_monitor", "address": 0x45, "functions": {"battery_monitor": 1, "dc_source": 1},
                "amps": {"dc_source": [0.02, 0.02]}},
}  # fmt: skip
"""Planned devices with the currents that their functions take, at rest and at their fullest."""

# Frames by hand. Percent in halves: C8 is 100, 64 is 50. A charger's current: (18 + 1600) / 0.05 = 7E68 hex. The
# battery's: 2000000000 = 77359400 hex is 0 A (a battery maker's worked frame); a milliampere a step.
FURNACE_FULL = (0x19FFE45E, "01 00 C8 C8 FF FF FF FF")
FURNACE_HALF = (0x19FFE45E, "01 00 64 64 FF FF FF FF")
FURNACE_NO_DATA = (0x19FFE45E, "01 00 FF FF FF FF FF FF")
BURNER_LIT = (0x19FFF75E, "01 01 FF FF C0 24 F5 FF")
BURNER_OUT = (0x19FFF75E, "01 01 FF FF C0 24 F1 FF")
AIR = (0x19FF9C91, "01 C0 24 FF FF FF FF FF")
FAN_OFF = (0x19FEA790, "01 00 00 00 FF FF FF FF")
GIVES_18 = (0x19FEA34A, "01 01 50 10 01 68 7E FF")
MONITOR_15_4_IN = (0x19FFFD45, "01 78 10 01 D8 57 35 77")
MONITOR_15_4_OUT = (0x19FFFD45, "01 78 10 01 28 D0 35 77")
MONITOR_NO_DATA = (0x19FFFD45, "01 78 10 01 FF FF FF FF")
MONITOR_LIVES = (0x19FECA45, "05 45 FF FF FF FF FF FF")  # the heartbeat with its DSA, 69, tells who it is
CHARGER_1_OUT = (0x19FFFD4A, "01 50 10 01 E8 97 35 77")
NO_PRIORITY_1_OUT = (0x19FFFD4A, "01 FF 10 01 E8 97 35 77")
CHARGER_START_BATTERY = (0x19FFFD4A, "02 FA 10 01 E8 97 35 77")


class House:
    """A scene over a rig of some of the devices; frames go in by the second."""

    def __init__(self, catalogue, *names: str):
        devices = [{"name": name, **DEVICES[name]} for name in names or ("sensor",)]
        rig = Rig.model_validate({"schema": 1, "name": "test", "title": "Test rig", "device": devices})
        self.watch = Watch(catalogue, rig)
        self.scene = Scene("test", self.watch, rig)

    def observe(self, *frames: tuple[int, str], at: float = 0.1) -> "House":
        """Hear frames at a time."""
        for identifier, data in frames:
            self.watch.observe(Frame(round(at * SECOND_US), identifier, bytes.fromhex(data)))
        return self

    def go_on(self, *frames: tuple[int, str], until: int) -> "House":
        """Hear frames again every half second, from the time that it is on."""
        for half in range(2 * (self.scene.now // SECOND_US) + 1, 2 * until + 1):
            self.observe(*frames, at=half / 2)
        self.scene.now = until * SECOND_US
        self.watch.advance(self.scene.now)
        return self

    def sums(self) -> Ledger:
        """The ledger now."""
        return ledger_of(self.scene)


@pytest.fixture
def house(catalogue):
    """Make a house with some devices: ``house("heater", "monitor")``."""
    return lambda *names: House(catalogue, *names)


def test_a_ledger_by_hand(house):
    """The charger gives 18.0; the heater takes 6.1 + 3.5, sensor and monitor 0.02 each: 8.36 is left.

    The monitor measures 15.4 into it, so -7.04 is not accounted for.
    """
    heard = (GIVES_18, FURNACE_FULL, BURNER_LIT, AIR, MONITOR_15_4_IN, MONITOR_LIVES)
    sums = house("heater", "sensor", "charger", "monitor").observe(*heard).sums()
    assert sums.given == (("charger", 18.0),)
    assert sums.taken == (("heater", pytest.approx(9.6)), ("sensor", 0.02), ("monitor", 0.02))
    assert sums.left == pytest.approx(8.36)
    assert sums.measured == pytest.approx(15.4)
    assert sums.unaccounted == pytest.approx(-7.04)
    assert (sums.unknown, sums.silent) == ((), ())


@pytest.mark.parametrize(
    ("frames", "amps"),
    [
        ((FURNACE_FULL, BURNER_LIT), 9.6),
        ((FURNACE_FULL, BURNER_OUT), 6.1),
        ((FURNACE_HALF, BURNER_OUT), 0.85),
        ((FURNACE_HALF, BURNER_LIT), 4.35),
        ((FURNACE_NO_DATA, BURNER_OUT), 0.1),
        ((BURNER_LIT,), 3.6),
    ],
)
def test_a_device_takes_by_its_efforts(house, frames, amps):
    """Each function lies between its rest and its fullest by its own effort; one that tells none counts at rest.

    Half the fan's speed is an eighth of the way (fan laws): 0.1 + 6.0 / 8 = 0.85.
    """
    assert house("heater").observe(*frames).sums().taken == (("heater", pytest.approx(amps)),)


def test_the_battery_s_current_is_positive_out_of_it(house):
    """One battery maker's sense: 15.4 A out of the battery is -15.4 into it."""
    assert house("monitor").observe(MONITOR_15_4_OUT).sums().measured == pytest.approx(-15.4)


def test_what_is_missing_is_what_is_left_and_not_measured(house):
    """18.0 given, 0.02 taken, 15.4 measured: 2.58 is not accounted for."""
    heard = house("charger", "monitor").observe(GIVES_18, MONITOR_15_4_IN, MONITOR_LIVES)
    assert heard.sums().unaccounted == pytest.approx(2.58)


@pytest.mark.parametrize("frames", [(), (GIVES_18,), (GIVES_18, MONITOR_NO_DATA), (GIVES_18, CHARGER_START_BATTERY)])
def test_while_nobody_counts_there_is_no_figure(house, frames):
    """No DC source, one without data, or one of another battery: neither a count nor what is missing."""
    sums = house("charger", "monitor").observe(*frames).sums()
    assert (sums.measured, sums.unaccounted) == (None, None)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("other", [CHARGER_1_OUT, NO_PRIORITY_1_OUT])
def test_the_highest_priority_counts(house, other, turned):
    """Monitor (120) before charger (80), whoever spoke first; a priority without data ranks below all."""
    frames = (MONITOR_15_4_IN, other)
    heard = house("charger", "monitor").observe(*(reversed(frames) if turned else frames))
    assert heard.sums().measured == pytest.approx(15.4)


def test_a_speaker_without_priority_counts_where_it_is_alone(house):
    """It is better than no figure."""
    assert house("charger").observe(NO_PRIORITY_1_OUT).sums().measured == pytest.approx(-1.0)


def test_the_lowest_priority_is_more_than_none(house):
    """Priority 1, spoken second, counts before a speaker that names no priority."""
    lowest = (0x19FFFD45, "01 01 10 01 D8 57 35 77")
    assert house("charger", "monitor").observe(NO_PRIORITY_1_OUT, lowest).sums().measured == pytest.approx(15.4)


def test_of_two_with_one_priority_the_first_heard_counts(house):
    """So that the figure does not jump between them."""
    equal = (0x19FFFD4A, "01 78 10 01 E8 97 35 77")
    assert house("charger", "monitor").observe(MONITOR_15_4_IN, equal).sums().measured == pytest.approx(15.4)


def test_a_word_counts_for_two_seconds_or_three_of_its_gaps(house):
    """Said each half second it holds for two seconds; from a monitor that speaks every two seconds, for six."""
    heard = house("charger", "monitor").observe(MONITOR_15_4_IN, at=1).go_on(GIVES_18, until=3)
    assert heard.sums().measured == pytest.approx(15.4)
    slow = house("charger", "monitor")
    for second in range(0, 42, 2):
        slow.observe(MONITOR_15_4_IN, at=second)
    slow.scene.now = 40 * SECOND_US
    assert slow.go_on(GIVES_18, until=46).sums().measured == pytest.approx(15.4)
    assert slow.go_on(GIVES_18, until=47).sums().measured is None


def test_a_monitor_without_data_leaves_the_count_to_the_charger(house):
    """Who says no current does not count."""
    assert house("charger", "monitor").observe(MONITOR_NO_DATA, CHARGER_1_OUT).sums().measured == pytest.approx(-1.0)


def test_a_monitor_that_has_gone_counts_no_more(house):
    """Two seconds after its last word, four of its gaps, nobody counts; then the charger does."""
    heard = house("charger", "monitor").observe(MONITOR_15_4_IN, at=0.5).go_on(GIVES_18, until=2)
    assert heard.sums().measured == pytest.approx(15.4)
    assert heard.go_on(GIVES_18, until=3).sums().measured is None
    assert heard.go_on(GIVES_18, CHARGER_1_OUT, until=5).sums().measured == pytest.approx(-1.0)


def test_a_silent_device_stands_apart(house):
    """It takes nothing in the sum, but what it took when last heard is listed: it may still be running."""
    heard = house("heater", "charger", "monitor").observe(FURNACE_FULL, BURNER_OUT)
    heard.go_on(GIVES_18, MONITOR_15_4_IN, MONITOR_LIVES, until=40)
    sums = heard.sums()
    assert sums.silent == (("heater", pytest.approx(6.1)),)
    assert sums.taken == (("monitor", 0.02),)
    assert sums.left == pytest.approx(17.98)


def test_a_silent_charger_gives_nothing(house):
    """Its last report is no current any more, and it is none of those without a figure."""
    heard = house("charger", "sensor", "monitor").observe(GIVES_18).go_on(AIR, MONITOR_15_4_IN, until=40)
    assert (heard.sums().given, heard.sums().unknown, heard.sums().silent) == ((), (), ())


def test_who_was_never_heard_is_not_in_the_ledger(house):
    """Nothing is known of it: it takes nothing at first, and did not take anything before it fell silent."""
    heard = house("heater", "sensor", "roof fan", "monitor").observe(AIR)
    assert (heard.sums().taken, heard.sums().unknown) == ((("sensor", 0.02),), ())
    heard.go_on(AIR, MONITOR_15_4_IN, MONITOR_LIVES, until=40)
    assert [name for name, _ in heard.sums().taken] == ["sensor", "monitor"]
    assert heard.sums().silent == ()


def test_a_device_without_a_figure_is_named(house):
    """The rig has no current for the roof fan; the charger gives and needs none; a stranger is not the rig's."""
    stranger = (0x19FFE49C, "02 00 C8 C8 FF FF FF FF")
    sums = house("roof fan", "charger").observe(FAN_OFF, GIVES_18, stranger).sums()
    assert sums.unknown == ("roof fan",)
    assert sums.taken == ()


def test_an_empty_ledger(house):
    """Before anything was heard there is nothing in it."""
    assert house("heater").sums() == Ledger((), (), (), (), None)
    assert house("heater").sums().left == 0


def test_what_is_on_another_battery_is_left_out(catalogue):
    """A charger of the starter battery gives nothing to the house, and what it takes is not the house's."""
    branch = [{"name": "engine", "battery": "starter"}]
    devices = [{"name": name, **DEVICES[name], "branch": "engine"} for name in ("charger",)]
    devices.append({"name": "sensor", **DEVICES["sensor"]})
    tables = {"battery": [{"name": "house"}, {"name": "starter"}], "branch": branch}
    rig = Rig.model_validate({"schema": 1, "name": "test", "title": "Test rig", "device": devices, **tables})
    house = House(catalogue)
    house.watch = Watch(catalogue, rig)
    house.scene = Scene("test", house.watch, rig)
    found = house.observe(GIVES_18, AIR).sums()
    assert found.given == ()
    assert [name for name, _ in found.taken] == ["sensor"]


@pytest.mark.parametrize("charged", [None, "house", "third"])
def test_a_charger_between_two_batteries(catalogue, charged):
    """It gives to the battery that it charges, by its settings the house battery, and takes nothing from that one."""
    device = {
        "name": "between", "kind": "dc_dc_charger", "address": 0x4C, "functions": {"charger": 2}, "branch": "engine",
        "amps": {"charger": [1.0, 20.0]}, "settings": {} if charged is None else {"to_battery": charged},
    }  # fmt: skip
    rig = Rig.model_validate({
        "schema": 1, "name": "test", "title": "Test rig", "device": [device],
        "battery": [{"name": name} for name in ("house", "starter", "third")],
        "branch": [{"name": "engine", "battery": "starter"}],
    })  # fmt: skip
    watch = Watch(catalogue, rig)
    watch.observe(Frame(0, 0x19FEA34C, bytes.fromhex("02 01 50 10 01 68 7E FF")))
    sums = ledger_of(Scene("test", watch, rig))
    assert (sums.given, sums.taken, sums.unknown) == (() if charged == "third" else (("between", 18.0),), (), ())
