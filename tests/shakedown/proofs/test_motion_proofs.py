"""An awning finds the mistakes of its controller: against the interlock, and with each kind of fault of a motion.

The controller stands on a python-can bus (`awning_controller`), written from the message tables alone.
"""

import importlib.util
from pathlib import Path

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.verdict import as_text
from rvsim.shipped import scenario_folder


def _beside(name):
    """Load a file that stands beside this one."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


awning, kinds = _beside("awning_controller"), _beside("motion_kinds")
Mistake, PROOFS = awning.Mistake, kinds.PROOFS
AWNING = scenario_folder() / "awning_with_ignition_on.toml"
LASTS = 45
PRESSES = ((5, awning.OUT), (20, awning.IN), (48, awning.OUT), (75, awning.IN))
"""As in the scenario, and once more while the ignition is on."""


def failed(verdict):
    """What was not met, by the words of the scenario."""
    return [outcome.expected.partition(":")[0] for outcome in verdict.failed]


@pytest.fixture
def tried_as_shipped(tmp_path):
    """Try a controller in the shipped scenario, without the presses of the keypad that it replaces."""

    def go(mistake=None, presses=PRESSES):
        head, *steps = AWNING.read_text(encoding="utf-8").split("[[step]]")
        text = "[[step]]".join([head, *(step for step in steps if "press =" not in step)])
        text += "".join(step[step.index("[[expect]]") :] for step in steps[-1:] if "press =" in step)
        (tmp_path / "awning.toml").write_text(text, encoding="utf-8")
        with SimulatedBus(tmp_path / "awning.toml", except_devices="keypad") as bus:
            awning.AwningController(bus, mistake, presses).run(100)
            return bus.verdict()

    return go


def test_a_right_controller_passes_the_shipped_scenario(tried_as_shipped):
    """It does not move the awning while the ignition is on, although somebody asks for it."""
    verdict = tried_as_shipped()
    assert verdict.passed, "\n".join(as_text(verdict, every=True))
    assert len(verdict.outcomes) == 8


def test_one_that_ignores_the_interlock_is_found(tried_as_shipped):
    """By its command; without the press that it should not follow nobody notices."""
    verdict = tried_as_shipped(Mistake.IGNORES_THE_INTERLOCK)
    assert "nobody commands the awning out while the ignition is on" in failed(verdict)
    assert tried_as_shipped(Mistake.IGNORES_THE_INTERLOCK, (*PRESSES[:2], PRESSES[3])).passed


@pytest.fixture
def tried(tmp_path):
    """Try a controller in a van with an awning, with a fault or steps, and return the verdict."""

    def go(more, mistake=None, presses=((8, awning.OUT),)):
        text = AWNING.read_text(encoding="utf-8")
        rig = text[text.index("[rig]") : text.index("[[step]]")]
        head = f'schema = 1\ntitle = "An awning"\nlasts = "{LASTS}s"\n'
        (tmp_path / "van.toml").write_text(f"{head}{rig}{more}", encoding="utf-8")
        with SimulatedBus(tmp_path / "van.toml", except_devices="keypad", seed=1) as bus:
            awning.AwningController(bus, mistake, presses).run(LASTS)
            return bus.verdict()

    return go


@pytest.mark.parametrize("kind", PROOFS)
def test_each_fault_of_a_motion_finds_its_mistake(kind, tried):
    """The right controller passes with it, the spoilt one without it, and not with it, for the stated reason."""
    proof, expectation = PROOFS[kind], f"[[expect]]{kinds.EXPECTATION}"
    fault = f'{expectation}[[fault]]\nfault = "{kind}"\n{proof.fault}\n'
    mistake = Mistake[proof.mistake]
    verdicts = [tried(fault), tried(expectation, mistake), tried(fault, mistake)]
    told = "\n".join((f"the duty: {proof.duty}", *(line for one in verdicts for line in as_text(one, every=True))))
    assert [failed(one) for one in verdicts] == [[], [], ["the motor is stopped before its output trips"]], told
    assert "over-current" in verdicts[2].failed[0].look


def test_one_that_goes_on_when_the_interlock_is_lost_is_found(tried):
    """The ignition is switched on while the awning moves: the right one stops it, and no flag is raised."""
    steps = '[[step]]\nat = "12s"\nswitch = { "ignition" = "on" }\n'
    steps += '[[expect]]\nexpect = "flag"\nkind = "motion-without-interlock"\nraised = false\n'
    steps += '[[expect]]\nexpect = "world"\nvalue = "awning.position"\nat_most = 50\n'
    assert tried(steps).passed
    verdict = tried(steps, Mistake.GOES_ON_WITHOUT_THE_INTERLOCK)
    assert len(verdict.failed) == 2
    assert "awning moves out while ignition is on (must be off); it was not stopped" in verdict.failed[0].found
