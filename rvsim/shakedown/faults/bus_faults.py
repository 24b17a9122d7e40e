"""Faults of the wires: what each applies to a bench and removes again.

Knows: which wire fault each plan asks for. Does not know when a fault starts, nor how the wires carry frames.
"""

from typing import assert_never

from rvsim.shakedown.expect.sight import identifier_of
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.sim.bench import Bench
from rvsim.sim.can import Babble, MissingTerminator, Noise, ReversedPair, WireFault


class WireFaultEffect:
    """A wire fault on a bench. Two planned faults can be the same wire fault: it lasts until both are removed."""

    def __init__(self, wire_fault: WireFault) -> None:
        self._wire_fault = wire_fault

    def apply(self, bench: Bench) -> None:
        """Apply the wire fault."""
        bench.apply_wire_fault(self._wire_fault, self)

    def remove(self, bench: Bench) -> None:
        """Remove the wire fault, unless another planned fault still applies it."""
        bench.remove_wire_fault(self._wire_fault, self)


def wire_fault_of(plan: plans.WirePlan) -> WireFault:
    """Return the model of a wire fault that a plan asks for."""
    match plan:
        case plans.BabblingPlan():
            return Babble(plan.location, identifier_of(plan.identifier), bytes.fromhex(plan.data), plan.gap or 0)
        case plans.BusErrorsPlan():
            return Noise(plan.rate)
        case plans.MissingTerminatorPlan():
            return MissingTerminator(plan.rate)
        case plans.ReversedPairPlan():
            return ReversedPair(plan.device)
        case _:
            assert_never(plan)
