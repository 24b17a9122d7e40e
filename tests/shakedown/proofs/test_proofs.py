"""Each kind of fault finds a mistake: a right controller passes with it, a spoilt one does not, for the stated reason.

The controller is a room thermostat on a python-can bus (`thermostat`), which stands in for the control panel of a small
van; a fault befalls another device or the wires (`kinds`), and the mistake is the one check that is left out. Without
the fault the same mistake goes unnoticed: it is the fault that finds it.
"""

import importlib.util
from pathlib import Path
from typing import get_args

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.faults.fault_plans import Fault


def _beside(name):
    """Load a file that stands beside this one."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


thermostat, kinds, van_tables = (_beside(name) for name in ("thermostat", "kinds", "van_tables"))
Mistake, Thermostat = thermostat.Mistake, thermostat.Thermostat
PROOFS = kinds.PROOFS

VAN = """
schema = 1
title = "A thermostat in a small van"
lasts = "{lasts}s"
weather = {{ outdoor_c = {outdoor} }}

[rig]
schema = 1
name = "van"
title = "A small van, invented"
cabin = {{ start_c = {cabin}, heat_capacity_j_per_k = {capacity}, air_capacity_percent = 90.0 }}
people = {{ count = 0 }}
coolant = {{ start_c = 65.0 }}      # warm, so that heat comes at once

{devices}
[[expect]]
says = "the controller is alive"
expect = "every"
sight = {{ device = "control panel", message = "DM_RV" }}
gap = "6s"
"""
DEVICES = van_tables.device_tables(
    "control panel", "heater", "circulation pump", "battery monitor", "fresh tank", "indoor sensor", "outdoor sensor",
    "bed sensor",
)  # fmt: skip


def scenario(kind, faulty):
    """Write the scenario of a kind of fault, with the fault or without."""
    proof = PROOFS[kind]
    parts = [
        VAN.format(lasts=proof.lasts, devices=DEVICES, **proof.van),
        proof.more,
        f"[[expect]]\n{proof.expectation}",
    ]
    if faulty:
        parts.append(f'[[fault]]\nfault = "{kind}"\n{proof.fault}')
    return "\n".join(parts)


@pytest.fixture
def tried(tmp_path):
    """Try a controller in the scenario of a kind of fault, and return the verdict."""

    def go(kind, mistake=None, faulty=True, seed=1):
        path = tmp_path / "van.toml"
        path.write_text(scenario(kind, faulty), encoding="utf-8")
        with SimulatedBus(path, except_devices="control panel", seed=seed) as bus:
            Thermostat(bus, mistake, PROOFS[kind].sensors).run(PROOFS[kind].lasts)
            return bus.verdict()

    return go


def test_there_is_a_proof_for_each_kind_of_fault():
    """A new kind needs one too; those of switched loads have a controller of their own."""
    union, _ = get_args(Fault)
    named = {word for plan in get_args(union) for word in get_args(plan.model_fields["fault"].annotation)}
    others = {kind for name in ("switching_kinds", "motion_kinds") for kind in _beside(name).PROOFS}
    assert set(PROOFS) | others == named
    assert not set(PROOFS) & others


def test_each_proof_is_about_a_mistake_of_its_own():
    """No mistake stands for two kinds, and none is left over."""
    assert sorted(proof.mistake for proof in PROOFS.values()) == sorted(mistake.name for mistake in Mistake)


@pytest.mark.parametrize("kind", PROOFS)
def test_a_right_controller_passes_with_the_fault(kind, tried, check_passed):
    """It does its duty there, one and the same controller for all kinds."""
    check_passed(PROOFS[kind], tried(kind))


@pytest.mark.parametrize("kind", PROOFS)
def test_a_spoilt_one_passes_without_the_fault(kind, tried, check_passed):
    """As long as nothing goes wrong, nobody finds its mistake."""
    check_passed(PROOFS[kind], tried(kind, Mistake[PROOFS[kind].mistake], faulty=False))


@pytest.mark.parametrize("kind", PROOFS)
def test_a_spoilt_one_does_not_pass_with_it_for_the_stated_reason(kind, tried, check_reason):
    """One expectation is not met, the one about its mistake, and what is told of it points there."""
    check_reason(PROOFS[kind], tried(kind, Mistake[PROOFS[kind].mistake]))
