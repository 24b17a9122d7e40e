"""A controller written from the message tables runs the shipped load centre; with a usual mistake it is not passed."""

import importlib.util
from pathlib import Path

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.verdict import as_text

_spec = importlib.util.spec_from_file_location("switch_controller", Path(__file__).parent / "switch_controller.py")
controller = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(controller)
Mistake = controller.Mistake
SCENARIO = str(Path(__file__).parents[2] / "data" / "switching_usual_mistakes.toml")
LASTS = 175


@pytest.fixture
def tried():
    """Put a controller in the place of the switch panel, and return the verdict."""

    def go(mistake=None):
        with SimulatedBus(SCENARIO, except_devices="switch panel") as bus:
            controller.SwitchController(bus, mistake).run(LASTS)
            return bus.verdict()

    return go


def test_a_right_controller_is_passed(tried):
    """It meets every expectation."""
    verdict = tried()
    assert verdict.passed, "\n".join(as_text(verdict, every=True))


REASONS = {
    Mistake.WRONG_INSTANCE: "the bed light, which is on, goes off",
    Mistake.WRONG_GROUP: "the bed light, which is in another group, stays on",
    Mistake.RAMP_READ_AS_ON: "and a light that was restarted at 100 % is not taken for one that has come to its 20 %",
    Mistake.TOGGLE_ON_REPEAT: "and a command that is repeated does not switch it off again",
    Mistake.NO_DEBOUNCE: "one press of a key that bounces is one command",
    Mistake.IGNORES_TRIP: "a pump that has tripped is not commanded on",
    Mistake.TWO_COMMANDS_A_PRESS: "one press is one command",
    Mistake.IGNORES_OVERRIDE: "an output that is overridden by hand is left alone",
    Mistake.FORGETS_AFTER_RESET: "the scene is there again after the module's restart",
    Mistake.LOW_BYTE_LAST: "the heater mat is switched off while the battery is low",
}
"""What is not met by each mistake, in the words of the scenario."""


@pytest.mark.parametrize("mistake", Mistake)
def test_a_usual_mistake_is_not_passed_for_its_reason(tried, mistake):
    """The expectation that is about the mistake is among those that are not met."""
    failed = [outcome.expected.partition(":")[0] for outcome in tried(mistake).failed]
    assert REASONS[mistake] in failed, failed


def test_it_runs_every_output_and_reads_every_switch():
    """Each output of the shipped rig follows, at the load and by its status; each switch of the rig is read."""
    with SimulatedBus(SCENARIO, except_devices="switch panel") as bus:
        world, board = bus.run.bench.world, controller.SwitchController(bus)
        plans = {plan.instance: plan for plan in bus.session.prepared.loaded.rig.outputs}
        board.run(5)
        for instance, plan in plans.items():
            for level in (controller.FULL, 0):
                board.want(instance, level)
                board.run(board.now + 0.5)
                assert (board.levels[instance], world.outputs[plan.name].duty) == (level, level / controller.FULL)
        instances = {plan.name: plan.instance for plan in world.contacts.plans.values()}
        assert len(instances) == 11
        for name, instance in instances.items():
            for position in (1, 0):
                world.contacts.set(name, on=bool(position))
                board.run(board.now + 0.2)
                assert board.keys[instance] == position, name
