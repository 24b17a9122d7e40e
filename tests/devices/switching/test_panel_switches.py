"""A panel's scenes and switches, beside a load centre and a keypad: what is on the bus, and what follows."""

from collections.abc import Callable
from itertools import pairwise

import pytest

from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench, Passed
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

PANEL, CENTRE, KEYPAD = 0x44, 0x80, 0x93
COMMAND_2, LOAD_COMMAND, INPUT, REQUEST = 0x1FEDB, 0x1FFBC, 0x1FFB8, 0x0EA00
EXACT = {"clock": "exact", "jitter": "0s", "busy": "0s", "start": "0s"}


def lamp(name, terminal, instance, **more):
    """Return the table of an output."""
    return {"name": name, "module": "front", "terminal": terminal, "instance": instance, "load": "led", **more}


class Van:
    """A panel, a load centre and a keypad; what the panel sends is kept as (seconds, DGN, bytes in hex)."""

    def __init__(self, catalogue, settings, panels=1, at_power="off", **more):
        def panel(number):
            return {
                "name": f"panel {number}", "kind": "panel", "address": PANEL + number,
                "functions": {"control_panel": 1 + number},
                "settings": settings if number == 0 else {"scenes": []}, "timing": EXACT,
            }  # fmt: skip

        rig = {
            "schema": 1, "name": "van", "title": "A van",
            "device": [
                *(panel(number) for number in range(panels)),
                {"name": "centre", "kind": "load_centre", "address": CENTRE, "timing": EXACT},
                {"name": "keypad", "kind": "keypad", "address": KEYPAD, "functions": {"keypad": [31, 32, 33, 34]},
                 "settings": {"keys": {"night": {"instance": 31, "scene": "night"}, "galley": {"instance": 32},
                                       "pump": {"instance": 33}, "all": {"instance": 34}}}, "timing": EXACT},
            ],
            "module": [{"name": "front", "device": "centre"}],
            "output": [
                lamp("galley light", 1, 21, amps=2, limit_amps=4, groups=[1], at_power=at_power),
                lamp("bed light", 2, 22, amps=1, groups=[1, 2], at_power=at_power),
                lamp("pump", 3, 31, load="pump", amps=5, at_power=at_power),
            ],
            "input": [{"name": "hall switch", "module": "front", "terminal": 21, "instance": 41,
                       "switch": "maintained"}],
            "group": [{"name": "all lamps", "number": 1}],
            "scene": [
                {"name": "night", "set": {"galley light": 40, "bed light": "off", "pump": "on"}},
                {"name": "leave", "set": {"all lamps": "off", "pump": "off"}},
                {"name": "film", "set": {"bed light": 30}, "ramp": True},
            ],
            **more,
        }  # fmt: skip
        self.sent: list[tuple[float, int, str]] = []
        self.bench = Bench(Rig.model_validate(rig), catalogue, kinds_by_name(), on_frame=self._note)
        self.contacts = self.bench.world.contacts

    def _note(self, frame):
        if frame.identifier & 0xFF == PANEL:
            self.sent.append((frame.time / SECOND_US, dgn_of(frame.identifier), frame.data.hex(" ").upper()))

    def until(self, seconds: float) -> "Van":
        """Run to a time."""
        self.bench.run_until(round(seconds * SECOND_US))
        return self

    def press(self, name: str, hold_s: float = 0.2) -> "Van":
        """Press a key and let its effect settle for a second after its release."""
        self.contacts.press(name, round(hold_s * SECOND_US))
        return self.until(self.bench.now / SECOND_US + hold_s + 1)

    def put(self, identifier: int, data: str) -> "Van":
        """Put a frame of another node on the line."""
        self.bench.send(identifier, bytes.fromhex(data))
        return self.until(self.bench.now / SECOND_US + 0.05)

    def commands(self, since: float = 0.0) -> list[str]:
        """Return the commands of the panel since a time."""
        return [data for time, dgn, data in self.sent if dgn in (COMMAND_2, LOAD_COMMAND) and time >= since]

    def levels(self) -> list[int]:
        """Return the levels of the three outputs in percent."""
        outputs = self.bench.world.outputs
        return [round(100 * outputs[name].duty) for name in ("galley light", "bed light", "pump")]

    @property
    def panel(self):
        """The panel."""
        return next(device for device in self.bench.devices if device.name == "panel 0")


@pytest.fixture
def van(catalogue) -> Callable[..., Van]:
    """Put a van on a bench, 3 s after its start: ``van(switches={...})``."""

    def put(until=3.0, panels=1, at_power="off", more=None, **settings):
        return Van(catalogue, settings, panels, at_power, **(more or {})).until(until)

    return put


# Scenes.


def test_a_key_calls_a_scene_with_one_command_for_each_of_its_outputs(van):
    """In the order of the scene, 10 ms apart; levels are set, and a load is on or off."""
    one = van().press("keypad.night")
    assert one.commands() == [
        "15 FF 50 00 00 FF FF FF",
        "16 FF 00 00 00 FF FF FF",
        "1F FF C8 FF 00 00 FF FF",
    ]
    times = [time for time, dgn, _ in one.sent if dgn in (COMMAND_2, LOAD_COMMAND)]
    assert [round(later - first, 2) for first, later in pairwise(times)] == [0.01, 0.01]
    assert one.levels() == [40, 0, 100]
    assert one.until(20).commands(4.1) == []


def test_a_scene_that_is_called_again_toggles_nothing(van):
    """The same frames again, and the same state."""
    one = van().press("keypad.night").press("keypad.night")
    assert len(one.commands()) == 6
    assert one.levels() == [40, 0, 100]


def test_a_group_is_commanded_by_one_frame(van):
    """By its bitmap in place of an instance; a switch calls the scene, and a group has a name or a number."""
    one = van(calls={"hall switch": "leave"}).press("keypad.night")
    one.contacts.set("hall switch", on=True)
    one.until(6)
    assert one.commands(4.2) == ["FF 7E 00 00 00 FF FF FF", "1F FF 00 FF 00 00 FF FF"]
    assert one.levels() == [0, 0, 0]
    one.contacts.set("hall switch", on=False)
    assert one.until(8).commands(6) == []


def test_a_ramp_is_read_as_a_ramp(van):
    """The status is on its way for two seconds, and nothing is repeated meanwhile."""
    one = van(calls={"keypad.all": "film"}).press("keypad.all")
    assert one.commands() == ["16 FF 3C 11 FF FF FF FF"]
    assert one.until(30).levels() == [0, 30, 0]
    assert len(one.commands()) == 1


@pytest.mark.parametrize(
    ("obstacle", "note"),
    [
        ("locked", "galley light is locked: left as it is"),
        ("by hand", "galley light is set by hand: left as it is"),
        ("tripped", "galley light is tripped by over-current: left as it is"),
    ],
)
def test_an_output_that_cannot_obey_is_left_alone(van, obstacle, note):
    """Its status says why: it is not commanded, the rest of the scene is, and the user is told."""
    one = van()
    if obstacle == "locked":
        one.put(0x19FEDBF9, "15 FF FF 21 FF FF FF FF")
    elif obstacle == "by hand":
        one.bench.world.set_override("galley light", "off")
    else:
        one.bench.world.outputs.set_overload("galley light", 100.0, one.bench.now)
        one.put(0x19FEDBF9, "15 FF C8 00 00 FF FF FF").until(5)
    one.press("keypad.night")
    assert [data[:2] for data in one.commands()] == ["16", "1F"]
    assert one.panel.switches.control.notes == [note]


def test_a_command_that_is_not_followed_is_repeated_once(van):
    """By its instance; then the panel says that the output does not obey, and leaves it."""
    one = van()
    lost = []
    one.bench.outgoing_gates["panel 0"].append(
        lambda _time, identifier, data: (
            lost.append(data) if dgn_of(identifier) == COMMAND_2 else Passed(identifier, data)
        )
    )
    one.press("keypad.night").until(30)
    assert [data.hex(" ").upper()[:8] for data in lost] == ["15 FF 50", "16 FF 00", "15 FF 50"]
    assert one.panel.switches.control.notes == ["galley light does not obey"]


def test_a_command_that_another_one_has_overtaken_is_not_repeated(van):
    """It was lost, and meanwhile somebody else has commanded the light."""
    one = van()
    lost = []
    one.bench.outgoing_gates["panel 0"].append(
        lambda _time, identifier, data: (
            lost.append(data) if dgn_of(identifier) == COMMAND_2 else Passed(identifier, data)
        )
    )
    one.press("keypad.night", 0.05).put(0x19FEDBF9, "15 FF C8 00 00 FF FF FF").until(30)
    assert [data[0] for data in lost] == [0x15, 0x16]


def test_an_output_may_go_off_late(van):
    """By its delay in the rig: the command is not repeated meanwhile."""
    late = [lamp("galley light", 1, 21, delay_off="12s"), lamp("bed light", 2, 22), lamp("pump", 3, 31, load="pump")]
    one = van(more={"output": late, "group": [], "scene": []}, switches={"keypad.galley": "galley light"})
    one.press("keypad.galley").press("keypad.galley")
    assert (one.until(12).levels()[0], one.until(30).levels()[0]) == (100, 0)
    assert len(one.commands()) == 2


def test_a_status_that_is_old_is_not_known(van):
    """The module was without power for longer than 15 s, with the light on: the next press switches on."""
    one = van(switches={"keypad.galley": "galley light"}).press("keypad.galley")
    one.bench.switch_off("centre")
    one.until(25).press("keypad.galley")
    assert one.commands()[1:] == ["15 FF C8 00 00 FF FF FF"]


def test_what_the_module_switches_itself_is_not_restored(van):
    """Its own switch has switched the light off since: only the pump is lost."""
    wired = [{"name": "hall switch", "module": "front", "terminal": 21, "instance": 41, "switches": "galley light"}]
    one = van(restore=True, more={"input": wired}).press("keypad.night")
    one.contacts.press("hall switch", 200_000)
    assert one.until(6).levels() == [0, 0, 100]
    one.bench.switch_off("centre")
    one.until(8).bench.switch_on("centre")
    assert [data[:2] for data in one.until(30).commands(5)] == ["1F"]


def test_somebody_else_may_switch_afterwards(van):
    """The panel does not insist: neither on what another one commands, nor on what the module does itself."""
    one = van().press("keypad.night")
    one.put(0x19FEDBF9, "15 FF 00 00 00 FF FF FF").until(30)
    assert one.levels() == [0, 0, 100]
    assert len(one.commands()) == 3


@pytest.mark.parametrize("restore", [True, False])
def test_a_module_that_starts_anew_gets_its_scene_again_once(van, restore):
    """With ``restore`` what this panel had commanded is repeated where it is lost, by instance; else nothing is."""
    one = van(restore=restore).press("keypad.night")
    one.bench.switch_off("centre")
    one.until(6)
    one.bench.switch_on("centre")
    one.until(30)
    assert one.commands(5) == (["15 FF 50 00 00 FF FF FF", "1F FF C8 FF 00 00 FF FF"] if restore else [])
    assert one.levels() == ([40, 0, 100] if restore else [0, 0, 0])


def test_what_is_not_lost_is_not_repeated(van):
    """A module that remembers its outputs is left in peace, and so is an output that another one has switched since."""
    one = van(restore=True, at_power="last").press("keypad.night")
    one.put(0x19FEDBF9, "15 FF 00 00 00 FF FF FF")
    one.until(6).bench.switch_off("centre")
    one.until(8).bench.switch_on("centre")
    assert one.until(30).commands(5) == []


# Switches.


def test_a_press_toggles_with_one_command(van):
    """On and off by the status, at the level of before; each press is one command, whatever the contact does."""
    one = van(switches={"keypad.galley": "galley light", "keypad.pump": "pump"}).press("keypad.galley")
    assert one.commands() == ["15 FF C8 00 00 FF FF FF"]
    one.put(0x19FEDBF9, "15 FF 50 00 00 FF FF FF").press("keypad.galley").press("keypad.galley")
    assert one.commands()[1:] == ["15 FF 00 00 00 FF FF FF", "15 FF 50 00 00 FF FF FF"]
    one.press("keypad.pump")
    assert one.levels() == [40, 0, 100]


def test_a_status_that_is_repeated_is_no_press(van):
    """Two frames of one press, answers to a request, a switch that is on at the start: nothing is commanded."""
    one = van(switches={"keypad.galley": "galley light"})
    for _ in range(3):
        one.put(0x19FFB893, "20 00 FD 02 FF FF FF FF").put(0x19FFB893, "20 00 FD 02 FF FF FF FF")
    one.put(0x0DEAFFF9, "B8 FF 01 FF FF FF FF FF")
    assert one.until(6).commands() == []
    fresh = van(until=0.3, switches={"keypad.galley": "galley light"})
    fresh.contacts.press("keypad.galley")
    assert fresh.until(3).commands() == []


def test_a_contact_that_bounces_on_the_bus_is_one_press(van):
    """Off and on again within 50 ms; later it is another press."""
    one = van(switches={"keypad.pump": "pump"})
    for position in ("01", "00", "01", "00"):
        one.bench.send(0x19FFB893, bytes.fromhex(f"21 {position} FD 02 FF FF FF FF"))
        one.until(one.bench.now / SECOND_US + 0.01)
    assert len(one.until(4).commands()) == 1
    one.put(0x19FFB893, "21 01 FD 02 FF FF FF FF")
    assert len(one.commands()) == 2


def test_a_long_press_dims_until_the_release(van):
    """Up from off, then down, by the ramp of the output; a stop ends it, and no toggle follows."""
    one = van(switches={"keypad.galley": "galley light"}).press("keypad.galley", 1.5)
    assert one.commands() == ["15 FF C8 13 FF FF FF FF", "15 FF FF 04 FF FF FF FF"]
    level = one.levels()[0]
    assert 40 < level < 60
    one.press("keypad.galley", 1.0)
    assert [data[9:11] for data in one.commands()[2:]] == ["14", "04"]
    assert one.levels()[0] < level - 15


def test_a_switch_that_stays_is_followed_and_others_go_one_way(van):
    """A maintained switch switches a group on and off; keys may only switch on, or only off."""
    one = van(
        switches={"hall switch": "all lamps"},
        switches_on={"keypad.pump": "pump"},
        switches_off={"keypad.all": "group 2"},
    )
    one.contacts.set("hall switch", on=True)
    assert one.until(4).levels() == [100, 100, 0]
    assert one.press("keypad.pump").press("keypad.pump").press("keypad.all").levels() == [100, 0, 100]
    one.contacts.set("hall switch", on=False)
    assert one.until(9).levels() == [0, 0, 100]


def test_a_panel_without_thermostat_sends_nothing_else(van):
    """Commands of outputs and its one request for products; no set points, no heat."""
    one = van().until(30)
    assert {dgn for _, dgn, _ in one.sent} == {0x1FECA, 0x0EE00, REQUEST}


def test_two_panels_share_a_key_by_their_scenes(van):
    """The scene has one owner: the other panel sends no command."""
    one = van(panels=2).press("keypad.night")
    assert len(one.commands()) == 3
    assert one.bench.devices[1].switches is None


# Away, and dark.


def carried_away(one, until):
    """Keep the panel's frames from the bus and those of the bus from it, up to a time."""
    gate = lambda *_frame: None  # noqa: E731
    one.bench.outgoing_gates["panel 0"].append(gate)
    one.bench.incoming_gates["panel 0"] = [gate]
    one.until(until)
    one.bench.outgoing_gates["panel 0"].clear()
    one.bench.incoming_gates.clear()


def test_a_mobile_panel_that_is_back_asks_for_everything_first(van):
    """It knows nothing any more: each status is requested once, nothing is restored, and the next press is right."""
    one = van(switches={"keypad.galley": "galley light"}, restore=True, mobile=True).press("keypad.night")
    carried_away(one, 40)
    one.put(0x19FEDBF9, "15 FF 00 00 00 FF FF FF")
    requests = [data[:8] for time, dgn, data in one.until(43).sent if dgn == REQUEST and time > 40]
    assert requests == ["DA FE 01", "BD FF 01", "DC FE 01", "B8 FF 01"]
    assert one.commands(40) == []
    assert one.press("keypad.galley").commands(43) == ["15 FF 50 00 00 FF FF FF"]


def test_a_panel_that_was_dark_sends_no_old_command(van):
    """What was pressed and called before is forgotten with its power."""
    one = van(restore=True).press("keypad.night")
    one.bench.switch_off("panel 0")
    one.until(10).bench.switch_off("centre")
    one.until(12).bench.switch_on("centre")
    one.bench.switch_on("panel 0")
    assert one.until(40).commands(5) == []
    assert one.levels() == [0, 0, 0]
    assert INPUT not in {dgn for _, dgn, _ in one.sent}
