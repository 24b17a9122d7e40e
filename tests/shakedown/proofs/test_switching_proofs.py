"""Each kind of fault of switched loads finds a mistake, as `test_proofs` has it for the others.

The controller is a switchboard on a python-can bus (`switchboard`), written from the message tables alone.
"""

import importlib.util
from pathlib import Path

import pytest

from rvsim.faces.interface import SimulatedBus


def _beside(name):
    """Load a file that stands beside this one."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


switchboard, kinds = _beside("switchboard"), _beside("switching_kinds")
Mistake, PROOFS = switchboard.Mistake, kinds.PROOFS
LASTS = 90

VAN = f"""
schema = 1
title = "A switchboard in a small van"
lasts = "{LASTS}s"

[rig]
schema = 1
name = "van"
title = "A small van with a load centre, invented"

[[rig.device]]
name = "control panel"
address = 0x44
functions = {{ control_panel = 1 }}

[[rig.device]]
name = "load centre"
kind = "load_centre"
address = 0x90

[[rig.device]]
name = "battery monitor"
kind = "battery_monitor"
address = 0x45
functions = {{ battery_monitor = 1, dc_source = 1 }}

[[rig.module]]
name = "module"
device = "load centre"

[[rig.relay]]
name = "mat relay"
contact_amps = 40

[[rig.output]]
name = "galley light"
module = "module"
terminal = 1
instance = 21
load = "led"
amps = 2.0
limit_amps = 5
min_amps = 0.1

[[rig.output]]
name = "pump"
module = "module"
terminal = 2
instance = 31
load = "pump"
amps = 6.0
limit_amps = 10
retries = 0

[[rig.output]]
name = "mat"
module = "module"
terminal = 3
instance = 32
load = "heater mat"
amps = 25.0
limit_amps = 5
relay = "mat relay"

[[expect]]
says = "the controller is alive"
expect = "every"
sight = {{ device = "control panel", message = "DM_RV" }}
gap = "6s"

[[expect]]
says = "the light is on"
expect = "seen"
sight = {{ message = "DC_DIMMER_STATUS_3", instance = 21, field = "operating_status", above = 99 }}
until = "15s"
"""


@pytest.fixture
def tried(tmp_path):
    """Try a controller in the scenario of a kind of fault, and return the verdict."""

    def go(kind, mistake=None, faulty=True):
        proof = PROOFS[kind]
        expectation = proof.expectation if faulty else ""
        parts = [VAN, f"[[expect]]\n{expectation}" if expectation else ""]
        if faulty:
            parts.append(f'[[fault]]\nfault = "{kind}"\n{proof.fault}')
        path = tmp_path / "van.toml"
        path.write_text("\n".join(parts), encoding="utf-8")
        with SimulatedBus(path, except_devices="control panel", seed=1) as bus:
            switchboard.Switchboard(bus, mistake).run(LASTS)
            return bus.verdict()

    return go


def test_each_proof_is_about_a_mistake_of_its_own():
    """No mistake stands for two kinds, and none is left over."""
    assert sorted(proof.mistake for proof in PROOFS.values()) == sorted(mistake.name for mistake in Mistake)


@pytest.mark.parametrize("kind", PROOFS)
def test_a_right_controller_passes_with_the_fault(kind, tried, check_passed):
    """It does its duty there, one and the same controller for all kinds."""
    check_passed(PROOFS[kind], tried(kind))


@pytest.mark.parametrize("kind", PROOFS)
def test_a_spoilt_one_passes_without_the_fault(kind, tried, check_passed):
    """As long as nothing goes wrong, nobody finds its mistake; no lamp is lit."""
    check_passed(PROOFS[kind], tried(kind, Mistake[PROOFS[kind].mistake], faulty=False))


@pytest.mark.parametrize("kind", PROOFS)
def test_a_spoilt_one_does_not_pass_with_it_for_the_stated_reason(kind, tried, check_reason):
    """One expectation is not met, the one about its mistake, and what is told of it points there."""
    check_reason(PROOFS[kind], tried(kind, Mistake[PROOFS[kind].mistake]))
