"""The inputs of a load centre: what it sends of them, and the outputs that they switch without the network."""

from functools import partial

import pytest

from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

from ..conftest import EXACT

INPUT, LOAD = 0x1FFB8, 0x1FFBD
LADDER = {"pull_up_ohm": 1000, "rungs": {"galley": 200, "bed": 1000}}
OUTPUTS = (
    {"name": "galley light", "terminal": 1, "instance": 3, "load": "lamp", "amps": 2.0, "ramp": "2s"},
    {"name": "bilge pump", "terminal": 2, "instance": 9, "load": "pump", "amps": 4.0},
)


class Centre:
    """A bench with a load centre, and what it sends, as (seconds, DGN, bytes)."""

    def __init__(self, catalogue, *inputs, outputs=OUTPUTS, functions=None, others=()):
        device = {"name": "centre", "kind": "load_centre", "address": 0x80, "timing": EXACT}
        self.rig = Rig.model_validate(
            {
                "schema": 1,
                "name": "one",
                "title": "One module",
                "device": [{**device, "functions": functions or {}}, *others],
                "module": [{"name": "front", "device": "centre"}],
                "output": [{"module": "front", **entry} for entry in outputs],
                "input": [{"module": "front", "terminal": place + 1, **one} for place, one in enumerate(inputs)],
            }
        )
        self.sent: list[tuple[float, int, str]] = []
        self.bench = Bench(self.rig, catalogue, kinds_by_name(), on_frame=self._note)
        self.contacts = self.bench.world.contacts

    def _note(self, frame):
        self.sent.append((frame.time / SECOND_US, dgn_of(frame.identifier), frame.data.hex(" ").upper()))

    def at(self, seconds, act, *args, **kwargs) -> "Centre":
        """Plan something that a person does."""
        self.bench.plan(round(seconds * SECOND_US), partial(act, *args, **kwargs))
        return self

    def until(self, seconds) -> "Centre":
        """Run to a time."""
        self.bench.run_until(round(seconds * SECOND_US))
        return self

    def level(self, output) -> float:
        """Return how much of the time an output conducts, in percent."""
        return round(self.bench.world.outputs[output].duty * 100, 1)

    def inputs_since(self, seconds) -> list[str]:
        """Return the first two bytes of each status of an input."""
        return [data[:5] for time, dgn, data in self.sent if dgn == INPUT and time >= seconds]


@pytest.fixture
def centre(catalogue):
    """Put a load centre with inputs on a bench."""
    return partial(Centre, catalogue)


def test_its_inputs_are_functions_of_its_device(centre):
    """Those of a ladder too: each switch has its instance; the rig need not repeat them."""
    made = centre(
        {"name": "wall", "instance": 21, "ladder": LADDER}, {"name": "door", "instance": 30}, {"name": "local"}
    )
    assert made.rig.devices[0].functions["dc_input"] == (21, 22, 30)
    assert sorted(made.until(2).inputs_since(0)) == ["15 00", "16 00", "1E 00"]
    made.at(3, made.contacts.press, "wall.bed", 200_000).at(4, made.contacts.press, "door", 200_000)
    assert made.until(5).inputs_since(3) == ["16 01", "16 00", "1E 01", "1E 00"]


def test_an_instance_without_an_input_is_refused(centre):
    """As it is for outputs."""
    with pytest.raises(InputError, match="no input of its module front is dc_input 7; add it, or remove the instance"):
        centre(functions={"dc_input": 7})


def test_a_switch_toggles_an_output_of_its_module(centre):
    """A load with the press, a dimmer with the release of a short one; a press on the bus as well as locally."""
    made = centre(
        {"name": "pump switch", "instance": 5, "switches": "bilge pump"}, {"name": "wall", "switches": "galley light"}
    )
    levels = []
    for second in (3, 6):
        made.at(second, made.contacts.press, "pump switch", 300_000).at(second, made.contacts.press, "wall", 300_000)
        for moment in (second + 0.1, second + 0.5):
            made.until(moment)
            levels.append((made.level("bilge pump"), made.level("galley light")))
    assert levels == [(100, 0), (100, 100), (0, 100), (0, 0)]
    assert made.inputs_since(3) == ["05 01", "05 00", "05 01", "05 00"]


def test_the_network_is_told_of_a_local_switch(centre):
    """The status of the output goes out as after a command."""
    made = centre({"name": "pump switch", "instance": 5, "switches": "bilge pump"}).until(10)
    made.contacts.press("pump switch", 300_000)
    made.until(11)
    ((time, data),) = [(time, data) for time, dgn, data in made.sent if dgn == LOAD and time >= 10]
    assert data[:8] == "09 FF C8"
    assert time == pytest.approx(10.035, abs=0.006), "after bounce and debounce"


def test_a_maintained_switch_sets_its_output(centre):
    """On is on and off is off, whatever was commanded meanwhile."""
    made = centre({"name": "bilge", "switch": "maintained", "switches": "bilge pump"}).until(3)
    made.contacts.set("bilge", on=True)
    assert made.until(4).level("bilge pump") == 100
    made.bench.send(0x19FFBCF9, bytes.fromhex("09FF00FF00FFFFFF"))
    assert made.until(5).level("bilge pump") == 0
    made.contacts.set("bilge", on=False)
    assert made.until(6).level("bilge pump") == 0
    made.contacts.set("bilge", on=True)
    assert made.until(7).level("bilge pump") == 100


def test_a_maintained_switch_that_is_on_when_the_power_comes(centre):
    """It sets its output, at the start and after a loss of power; a momentary one that is held does not."""
    bilge = {"name": "bilge", "switch": "maintained", "switches": "bilge pump"}
    made = centre(bilge, {"name": "wall", "switches": "galley light"})
    made.contacts.set("bilge", on=True)
    made.contacts.press("wall")
    assert (made.until(3).level("bilge pump"), made.level("galley light")) == (100, 0)
    made.bench.switch_off("centre")
    assert made.until(4).level("bilge pump") == 0
    made.bench.switch_on("centre")
    assert (made.until(8).level("bilge pump"), made.level("galley light")) == (100, 0)


def test_a_long_press_dims(centre):
    """Up from off, then down and up in turn; where it is let go it stays, and a short press toggles to that level."""
    made = centre({"name": "wall", "switches": "galley light"}).until(2)
    levels = []
    for second, hold in ((3, 1.5), (6, 1.0), (9, 1.0), (12, 0.2), (14, 0.2)):
        made.at(second, made.contacts.press, "wall", round(hold * SECOND_US)).until(second + 1.8)
        levels.append(made.level("galley light"))
    up, down, again, off, on = levels
    assert up == pytest.approx(50, abs=2)
    assert down == pytest.approx(25, abs=2)
    assert again == pytest.approx(50, abs=2)
    assert (off, on) == (0, again)


def test_switches_of_a_ladder_switch_outputs(centre):
    """By the names of the switches."""
    wired = {"galley": "galley light", "bed": "bilge pump"}
    made = centre({"name": "wall", "ladder": LADDER, "switches": wired}).until(2)
    made.at(3, made.contacts.press, "wall.galley", 200_000).at(4, made.contacts.press, "wall.bed", 200_000)
    assert (made.until(3.9).level("galley light"), made.level("bilge pump")) == (100, 0)
    assert (made.until(5).level("galley light"), made.level("bilge pump")) == (100, 100)


def test_an_interlock_by_an_input(centre):
    """The output goes on only while the input is on, and off when that goes off; also from the start."""
    held = {**OUTPUTS[1], "interlock": "float"}
    made = centre({"name": "float", "switch": "maintained"}, outputs=[held])
    on = partial(made.bench.send, 0x19FFBCF9, bytes.fromhex("09FFC8FF00FFFFFF"))
    made.until(3)
    on()
    assert made.until(4).level("bilge pump") == 0
    made.contacts.set("float", on=True)
    made.until(5)
    on()
    assert made.until(6).level("bilge pump") == 100
    made.contacts.set("float", on=False)
    assert made.until(7).level("bilge pump") == 0


def test_a_key_on_the_bus_dims_as_a_switch_of_the_module_does(catalogue):
    """A load centre obeys what a keypad sends: a group is toggled, ramps while the key is held, and stays there."""
    lamp = {**OUTPUTS[0], "groups": [2]}
    keypad = {
        "name": "keypad",
        "kind": "keypad",
        "address": 0x81,
        "functions": {"keypad": 31},
        "settings": {"keys": {"lamp": {}}, "commands": {"lamp": {"group": 2, "dim_while_held": True}}},
    }
    made = Centre(catalogue, outputs=[lamp], others=[keypad]).until(3)
    levels = []
    for second, hold in ((3, 0.2), (5, 1.5), (8, 0.2), (10, 0.2)):
        made.at(second, made.contacts.press, "keypad.lamp", round(hold * SECOND_US)).until(second + 1.8)
        levels.append(made.level("galley light"))
    on, dimmed, off, again = levels
    assert (on, off, again) == (100, 0, dimmed)
    assert dimmed == pytest.approx(50, abs=3)
