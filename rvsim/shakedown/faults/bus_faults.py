"""The faults of the wires themselves, as what is applied to a bench and removed again.

Knows: which fault of the wires each plan is. Does not know when a fault begins, nor how the pair carries frames.
"""

from rvsim.shakedown.expect.sight import identifier_of
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.sim.bench import Bench
from rvsim.sim.can import Babble, MissingTerminator, Noise, ReversedPair, WireFault


class OnTheWires:
    """A fault of the wires. Of two effects that are the same fault, the end of one leaves it to the other."""

    def __init__(self, fault: WireFault) -> None:
        self._fault = fault

    def apply(self, bench: Bench) -> None:
        """Apply it."""
        bench.apply_wire_fault(self._fault, self)

    def remove(self, bench: Bench) -> None:
        """Remove it, as far as this effect goes."""
        bench.remove_wire_fault(self._fault, self)


def wire_fault_of(plan: plans.WirePlan) -> WireFault:
    """Return the model that a plan asks for."""
    match plan:
        case plans.BabblingPlan():
            return Babble(plan.whom, identifier_of(plan.identifier), bytes.fromhex(plan.data), plan.gap or 0)
        case plans.BusErrorsPlan():
            return Noise(plan.rate)
        case plans.MissingTerminatorPlan():
            return MissingTerminator(plan.rate)
        case plans.ReversedPairPlan():
            return ReversedPair(plan.device)
