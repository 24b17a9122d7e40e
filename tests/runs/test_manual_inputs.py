"""Switches that a person uses on a running bench, by their names."""

import pytest

from rvsim.devices.registry import settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.manual_inputs import LONG_HOLD_US, ManualInputs
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

from ..shakedown.test_switch_steps import RIG, SCENARIO

INPUT, DIMMER_STATE = 0x1FFB8, 0x1FEDC


class Van:
    """A van on a bench, and hands on its switches."""

    def __init__(self, catalogue, path, absent=()):
        self.frames = []
        self.run = VirtualBenchRun(load_scenario(path, kinds=settings_models()), catalogue, self, seed=1, absent=absent)
        self.hands = ManualInputs(self.run)

    def frame(self, frame):
        """Keep a frame."""
        self.frames.append(frame)

    def events(self, events):
        """Not asked."""

    def end(self, time, watch):
        """Not asked."""

    def flush(self):
        """Nothing is held back."""

    def until(self, seconds):
        """Let simulated time go on."""
        self.run.until(round(seconds * SECOND_US))
        return self

    def inputs_since(self, seconds):
        """Return instance and position of each status of an input."""
        return [
            (frame.data[0], frame.data[1])
            for frame in self.frames
            if dgn_of(frame.identifier) == INPUT and frame.time >= seconds * SECOND_US
        ]


@pytest.fixture
def van(catalogue, tmp_path):
    """Put the van on a bench: ``van(absent=("centre",))``."""

    def go(absent=()):
        (tmp_path / "van.toml").write_text(RIG, encoding="utf-8")
        (tmp_path / "s.toml").write_text(SCENARIO, encoding="utf-8")
        return Van(catalogue, tmp_path / "s.toml", absent).until(2)

    return go


def test_a_press_by_name(van):
    """A short one, a long one, one that is held and released; each is told in a sentence."""
    made = van()
    hands = made.hands
    assert hands.press("galley switch") == "galley switch is pressed for 0.2 s"
    assert made.until(3).inputs_since(2) == [(21, 1), (21, 0)]
    assert hands.press("wall.bed", LONG_HOLD_US) == "wall.bed is pressed for 2 s"
    assert made.until(4).inputs_since(3) == [(23, 1)]
    assert made.until(6).inputs_since(4) == [(23, 0)]
    assert hands.hold("bed keypad.night") == "bed keypad.night is held"
    assert made.until(8).inputs_since(6) == [(32, 1)]
    assert hands.is_pressed("bed keypad.night")
    assert hands.release("bed keypad.night") == "bed keypad.night is released"
    assert made.until(9).inputs_since(8) == [(32, 0)]


def test_a_maintained_switch_changes_over(van):
    """A press sets it to its other position; it can be set to one as well."""
    made = van()
    assert made.hands.press("bilge switch") == "bilge switch is switched on"
    assert made.until(3).inputs_since(2) == [(25, 1)]
    assert made.hands.press("bilge switch") == "bilge switch is switched off"
    assert made.hands.switch("bilge switch", on=True) == "bilge switch is switched on"
    assert made.until(4).inputs_since(3) == [], "back before its debounce was over"
    assert made.hands.is_pressed("bilge switch")


def test_an_override_by_name(van):
    """On at the module, and as commanded again."""
    made = van()
    assert made.hands.override("galley light", "on") == "galley light is set on by hand at its module"
    made.until(3)
    assert made.run.bench.world.outputs["galley light"].duty == 1
    assert made.hands.override("galley light", None) == "galley light is as commanded again"
    made.until(4)
    assert made.run.bench.world.outputs["galley light"].duty == 0


def test_what_can_be_used(van):
    """What a simulated device reads, in the order of the rig; all outputs."""
    made = van()
    assert list(made.hands.contacts) == [
        "galley switch", "wall.galley", "wall.bed", "wall.door", "bilge switch", "local", "bed keypad.lamp",
        "bed keypad.night",
    ]  # fmt: skip
    assert list(made.hands.outputs) == ["galley light", "bilge pump", "hidden"]
    without = van(absent=("centre",)).hands
    assert (list(without.contacts), list(without.outputs)) == (["bed keypad.lamp", "bed keypad.night"], [])


def test_what_cannot_be_used(van):
    """A sentence says why, and nothing happens."""
    hands = van(absent=("centre",)).hands
    for use in (hands.press, hands.hold, hands.release):
        assert use("galley switch") == "galley switch belongs to centre, which is not simulated here"
        assert use("bed keypad.nigt").startswith(
            '"bed keypad.nigt" cannot be pressed (did you mean "bed keypad.night"?)'
        )
    assert hands.switch("x", on=True).startswith('"x" cannot be pressed')
    assert hands.override("x", "on").startswith('"x" is not in the rig')
    assert hands.override("bilge pump", "on") == "bilge pump belongs to centre, which is not simulated here"
    assert not hands.is_pressed("galley switch")
